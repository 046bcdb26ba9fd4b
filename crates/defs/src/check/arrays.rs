//! `array-index`: breakpoints of a dimension are an array of the same length, or have a unit.
//!
//! ```toml
//! index = [{ name = "load", elements = "1..8", stride = 1, axis = "laod_points" }]
//! ```

use std::format;

use crate::compile::sheet::unknown_name;
use crate::compile::{Catalog, Sheet};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::channel::Channel;
use crate::unit;

pub(crate) fn axes(channel: &Channel, sheet: &Sheet, catalog: &Catalog, out: &mut Findings<'_>) {
    for dimension in &channel.index {
        if let Some(written) = &dimension.unit {
            if let Err(mistake) = unit::find(&written.value) {
                let message = format!("`{}`: {}", written.value, mistake.message);
                out.push(Diagnostic::new(codes::UNIT_UNKNOWN, written.span.clone(), message));
            }
            let number = |element: &std::string::String| element.parse::<i64>().is_ok();
            if !dimension.elements.iter().all(number) {
                let message = "breakpoints with a unit are numbers";
                out.push(
                    Diagnostic::new(codes::ARRAY_INDEX, dimension.span.clone(), message)
                        .related(written.span.clone(), "their unit"),
                );
            }
        }
        let Some(axis) = &dimension.axis else { continue };
        match crate::compile::expand(sheet, &axis.value) {
            Some(points) if points.len() == dimension.elements.len() => {}
            Some(points) => {
                let message = format!(
                    "`{}` has {} breakpoints, the dimension {} elements",
                    axis.value,
                    points.len(),
                    dimension.elements.len()
                );
                out.push(Diagnostic::new(codes::ARRAY_INDEX, axis.span.clone(), message));
            }
            None if catalog.knows("channel", &axis.value) => {}
            None => {
                let names = sheet.channels.iter().map(|channel| channel.name.as_str());
                out.push(unknown_name("channel", &axis.value, axis.span.clone(), names, out));
            }
        }
    }
}
