//! Answers that carry several records, each behind its identifier and with no length of its own.

use crate::layout::LayoutError;

/// Takes `{identifier data}..` apart; the caller knows how long each record is.
#[derive(Clone, Debug)]
pub(crate) struct Records<'a> {
    rest: &'a [u8],
    offset: usize,
}

/// Identifier and data.
type Record<'a, const N: usize> = ([u8; N], &'a [u8]);

/// How many bytes of data belong to an identifier.
pub(crate) enum Length {
    /// So many.
    Bytes(usize),
    /// All that is there.
    Rest,
    /// Nobody knows, or nobody asked for it: nothing behind it can be found.
    Unknown,
}

impl<'a> Records<'a> {
    /// `rest` is the part of a message that begins at `offset`.
    pub(crate) const fn new(rest: &'a [u8], offset: usize) -> Self {
        Self { rest, offset }
    }

    /// The next record, whose identifier has `N` bytes; nothing comes after a mistake.
    pub(crate) fn next<const N: usize>(
        &mut self,
        length: impl FnOnce([u8; N]) -> Length,
    ) -> Option<Result<Record<'a, N>, LayoutError>> {
        if self.rest.is_empty() {
            return None;
        }
        let record = self.read(length);
        if record.is_err() {
            self.rest = &[];
        }
        Some(record)
    }

    /// The mistake of a message that ends here and should have `len` bytes more.
    pub(crate) const fn lacks(&self, len: usize) -> LayoutError {
        let found = self.offset.saturating_add(self.rest.len());
        LayoutError::Short { expected: found.saturating_add(len), found }
    }

    fn read<const N: usize>(&mut self, length: impl FnOnce([u8; N]) -> Length) -> Result<Record<'a, N>, LayoutError> {
        let found = self.offset + self.rest.len();
        let short = |len: usize| LayoutError::Short { expected: self.offset.saturating_add(len), found };
        let (id, behind) = self.rest.split_first_chunk::<N>().ok_or_else(|| short(N))?;
        let len = match length(*id) {
            Length::Bytes(len) => len,
            Length::Rest => behind.len(),
            Length::Unknown => {
                return Err(LayoutError::Value { offset: self.offset, found: id.first().copied().unwrap_or_default() });
            }
        };
        let (data, rest) = behind.split_at_checked(len).ok_or_else(|| short(N.saturating_add(len)))?;
        self.offset += N + len;
        self.rest = rest;
        Ok((*id, data))
    }
}
