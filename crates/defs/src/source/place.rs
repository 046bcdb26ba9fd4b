//! From a byte of the file to a line and a column.

use std::vec::Vec;

/// Where the lines of a text begin.
#[derive(Debug)]
pub(crate) struct Lines<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> Lines<'t> {
    pub(crate) fn new(text: &'t str) -> Self {
        let starts = core::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Self { text, starts }
    }

    /// Line and column of a byte, both from 1; columns count characters.
    pub(crate) fn place(&self, at: usize) -> (u32, u32) {
        let line = self.line(at);
        let start = self.starts.get(line).copied().unwrap_or(0);
        let column = self.text.get(start..at).map_or_else(|| at.saturating_sub(start), |before| before.chars().count());
        (line as u32 + 1, column as u32 + 1)
    }

    /// The line of a byte, from 0.
    pub(crate) fn line(&self, at: usize) -> usize {
        self.starts.partition_point(|start| *start <= at).saturating_sub(1)
    }
}

#[cfg(test)]
mod tests {
    use super::Lines;

    #[test]
    fn columns_count_characters_from_one() {
        let lines = Lines::new("a = 1\nüber = 2\n");
        assert_eq!(lines.place(0), (1, 1));
        assert_eq!(lines.place(6), (2, 1));
        assert_eq!(lines.place("a = 1\nüber".len()), (2, 5));
        assert_eq!(lines.place(9000).0, 3, "a place behind the end is in the last line");
    }
}
