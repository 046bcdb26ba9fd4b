//! One answer in several messages (SSF 14230-2 4.4.3).

use crate::layout::{self, BufferTooSmall, LayoutError, ResponseError};
use crate::{NegativeResponse, ServiceId};

/// Puts an answer together that a unit sent in several messages, each with its own service identifier.
///
/// ```
/// use tickover_services::ServiceId;
/// use tickover_services::kwp::Segments;
///
/// let mut buffer = [0; 16];
/// let mut answer = Segments::new(ServiceId::READ_DTC_BY_STATUS, &mut buffer);
/// answer.push(&[0x58, 0x01, 0x01])?;
/// answer.push(&[0x58, 0x30, 0xA7])?;
/// assert_eq!(answer.message(), [0x58, 0x01, 0x01, 0x30, 0xA7]);
/// # Ok::<(), tickover_services::kwp::segments::SegmentError>(())
/// ```
#[derive(Debug)]
pub struct Segments<'b> {
    service: ServiceId,
    buffer: &'b mut [u8],
    filled: usize,
}

impl<'b> Segments<'b> {
    /// Begins an answer to a request of this service in the caller's buffer.
    pub const fn new(service: ServiceId, buffer: &'b mut [u8]) -> Self {
        Self { service, buffer, filled: 0 }
    }

    /// Takes the next message; a mistake leaves what is there as it was.
    ///
    /// # Errors
    /// [`Response`](SegmentError::Response) if the message belongs to another service or the unit refuses: after
    /// a first positive message a refusal is a mistake of the unit. [`Full`](SegmentError::Full) if the buffer
    /// cannot hold it.
    pub fn push(&mut self, message: &[u8]) -> Result<(), SegmentError> {
        if self.filled > 0 && NegativeResponse::is(message) {
            let (expected, found) = (self.service.response().0, ServiceId::NEGATIVE_RESPONSE.0);
            return Err(SegmentError::Response(LayoutError::Byte { offset: 0, expected, found }.into()));
        }
        let data = layout::response(message, self.service, &[])?;
        let piece = if self.filled == 0 { message } else { data };
        let (room, needed) = (self.buffer.len(), self.filled.saturating_add(piece.len()));
        let place = self.buffer.get_mut(self.filled..needed).ok_or(BufferTooSmall { needed, room })?;
        place.copy_from_slice(piece);
        self.filled = needed;
        Ok(())
    }

    /// The answer so far as one message: one service identifier, then all data.
    pub fn message(&self) -> &[u8] {
        self.buffer.get(..self.filled).unwrap_or_default()
    }
}

/// Why a message was not taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SegmentError {
    /// It is no part of this answer.
    #[error(transparent)]
    Response(#[from] ResponseError),
    /// The answer is longer than the buffer.
    #[error(transparent)]
    Full(#[from] BufferTooSmall),
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SSF 14230-2 issue 1 table B1.2: after the first positive message no negative one may follow.
    #[test]
    fn a_refusal_after_the_first_message_is_a_mistake_and_loses_nothing() {
        let mut buffer = [0; 8];
        let mut answer = Segments::new(ServiceId::READ_DTC_BY_STATUS, &mut buffer);
        answer.push(&[0x58, 0x01, 0x01]).unwrap();
        let mistake = LayoutError::Byte { offset: 0, expected: 0x58, found: 0x7F };
        assert_eq!(answer.push(&[0x7F, 0x18, 0x10]), Err(SegmentError::Response(mistake.into())));
        assert_eq!(answer.message(), [0x58, 0x01, 0x01]);
    }

    #[test]
    fn an_answer_longer_than_the_buffer_is_told_and_not_cut() {
        let mut buffer = [0; 4];
        let mut answer = Segments::new(ServiceId::READ_DTC_BY_STATUS, &mut buffer);
        answer.push(&[0x58, 0x01, 0x01]).unwrap();
        assert_eq!(answer.push(&[0x58, 0x30, 0xA7]), Err(SegmentError::Full(BufferTooSmall { needed: 5, room: 4 })));
        assert_eq!(answer.message(), [0x58, 0x01, 0x01]);
    }
}
