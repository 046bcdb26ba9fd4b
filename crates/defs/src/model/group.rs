//! `[group]`: channels that belong together.

use std::vec::Vec;

use super::{Findings, Keys, TextAt, value};
use crate::source::Table;

/// A group as it is written.
#[derive(Clone, Debug)]
pub(crate) struct Group {
    pub(crate) title: TextAt,
    pub(crate) channels: Vec<TextAt>,
}

/// Reads a group; `None` if something is wrong or missing.
pub(crate) fn read(table: &Table, out: &mut Findings<'_>) -> Option<Group> {
    let keys = Keys::new(table, "a group", &["title", "channels"], &[], out);
    let title = keys.need("title", "\"Learned values\"", out).and_then(|node| value::text(node, "title", out));
    let channels = keys.need("channels", "[\"trim_add\"]", out).and_then(|node| value::texts(node, "channels", out));
    Some(Group { title: title?, channels: channels? })
}
