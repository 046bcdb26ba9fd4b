//! Bodies of the fuzz targets. Each has an oracle: what was read is written and read again, and must be the same.

use crate::can::slcan::line::{self, FRAME_MAX, Lines, Said};
use crate::can::socketcand::text::{self, Tag, Tags};

/// Reads text as slcan lines; writes the frames among them and compares.
///
/// # Panics
/// If a frame changes on its way.
pub fn slcan(bytes: &[u8]) {
    let mut lines = Lines::default();
    for byte in bytes {
        let Some(Said::Frame(frame)) = lines.take(*byte) else { continue };
        let mut out = [0; FRAME_MAX];
        let written = line::emit(&frame, &mut out).expect("a frame that was read can be written");
        let (cr, line) = written.split_last().expect("a line has an end");
        assert_eq!((*cr, line::parse(line)), (line::CR, Said::Frame(frame)));
    }
}

/// Reads text as that of socketcand; writes the frames in it and compares.
///
/// # Panics
/// If a frame changes on its way.
pub fn socketcand(bytes: &[u8]) {
    let mut tags = Tags::default();
    for byte in bytes {
        let Some(Tag::Frame(frame)) = tags.take(*byte) else { continue };
        let written = text::frame(&frame).expect("a frame that was read can be written");
        let mut again = Tags::default();
        let read: Vec<_> = written.bytes().filter_map(|byte| again.take(byte)).collect();
        assert_eq!(read, [Tag::Frame(frame)]);
    }
}
