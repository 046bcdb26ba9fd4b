//! How many decimals a channel's numbers have, which its checks must show.

use crate::compiled::{Coding, Conversion, Curve, Origin};

/// Most decimals worth showing.
const MOST: u8 = 9;

/// Decimals from the resolution of a conversion.
pub(crate) fn decimals(origin: &Origin, conversion: &Conversion, _curves: &[Curve], _range: Option<(f64, f64)>) -> u8 {
    let float = matches!(origin, Origin::Field { field, .. } if field.coding == Coding::Float);
    match conversion {
        Conversion::None => 0,
        Conversion::Identity if float => 3,
        Conversion::Identity => 0,
        Conversion::Affine(affine) => {
            let step = u128::from(affine.scale.unsigned_abs());
            let divisor = u128::from(affine.divisor.unsigned_abs());
            (0..MOST).find(|decimals| step * 10_u128.pow(u32::from(*decimals)) >= divisor).unwrap_or(MOST)
        }
        Conversion::Expr(_) => 2,
    }
}
