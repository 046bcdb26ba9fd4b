//! `variant-when`: a variant's condition reads channels of the base that come from a record.
//!
//! ```toml
//! [variant.late]
//! when = "oil_temperature > 0"       # a channel that only this variant has
//! ```

use std::vec::Vec;

use crate::compile::channel::expression;
use crate::compile::names::{Here, LayoutNames};
use crate::compile::{Built, Catalog, Sheet};
use crate::compiled::{Expr, Origin};
use crate::diagnostic::{Diagnostic, codes};
use crate::formula::Wanted;
use crate::model::Findings;
use crate::model::variant::Variant;

/// Compiles the condition.
pub(crate) fn compile(
    variant: &Variant,
    sheet: &Sheet,
    base: &Built,
    catalog: &Catalog,
    out: &mut Findings<'_>,
) -> Option<Expr> {
    let text = variant.when.as_ref()?;
    let curves: Vec<&str> = base.layout.curves.iter().map(|curve| &*curve.name).collect();
    let names = LayoutNames::new(sheet, catalog, &curves);
    let before = out.list.len();
    let expected = "channels of the base that a record brings, like \"part_number == 'B40-2'\"";
    let Ok(compiled) = expression(text, &Here::outside(&names), Wanted::Truth, out) else {
        if out.list.len() == before {
            let message = "the condition reads a channel that the base does not have";
            out.push(Diagnostic::new(codes::VARIANT_WHEN, text.span.clone(), message).expected(expected));
        }
        return None;
    };
    let from_record = |id: &crate::value::ChannelId| {
        base.layout.channel(*id).is_some_and(|channel| !matches!(channel.origin, Origin::Derived))
    };
    if compiled.inputs.is_empty() || !compiled.inputs.iter().all(from_record) {
        let message = match compiled.inputs.is_empty() {
            true => "the condition reads no channel",
            false => "the condition reads a channel that no record of the base brings",
        };
        out.push(Diagnostic::new(codes::VARIANT_WHEN, text.span.clone(), message).expected(expected));
        return None;
    }
    Some(compiled.expr)
}
