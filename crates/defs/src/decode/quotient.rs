//! The one rounding of an exact conversion.

/// `numerator / denominator` as the nearest binary64; a tie goes to the even one (IEEE 754-2019, 4.3.1).
///
/// Never NaN: a denominator of zero, which no compiled conversion has, gives zero.
pub fn quotient(numerator: i128, denominator: i128) -> f64 {
    let negative = (numerator < 0) != (denominator < 0);
    let (n, d) = (numerator.unsigned_abs(), denominator.unsigned_abs());
    if d == 0 || n == 0 {
        return 0.0;
    }
    const EXACT: u128 = 1 << 53;
    let magnitude = if n <= EXACT && d <= EXACT { n as f64 / d as f64 } else { long_division(n, d) };
    if negative { -magnitude } else { magnitude }
}

/// Collects 64 significant bits of the quotient and whether anything follows them; the conversion of that integer
/// rounds to 53 bits, the scaling after it is a power of two and exact.
fn long_division(n: u128, d: u128) -> f64 {
    let (mut quotient, mut rest) = (n / d, n % d);
    let mut shift = 0u32;
    // A magnitude of at most 2^127 leaves room to double the rest.
    while quotient < 1 << 63 && (rest != 0 || quotient == 0) && shift < 256 {
        rest <<= 1;
        quotient <<= 1;
        if rest >= d {
            rest -= d;
            quotient |= 1;
        }
        shift += 1;
    }
    // The last of at least 64 bits stands for all that follow.
    let sticky = quotient | u128::from(rest != 0);
    libm::scalbn(sticky as f64, -(shift as i32))
}
