//! The text of the socketcand protocol: words between `<` and `>`, blanks around them, anything else ignored.
//!
//! `< send 7E0 2 1 0 >` sends a frame, `< frame 7E8 12.345678 4100 >` is one that came. Three digits of identifier
//! are 11 bits, more are 29. Source: the protocol's public description, from memory.

use std::fmt::Write;

use tickover_framing::can::{Frame, FrameKind, Id};

/// The longest text between `<` and `>` that is read; a frame needs 50.
pub const TAG_MAX: usize = 128;

/// What one `< .. >` from the server says.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Tag {
    /// The server is there.
    Hi,
    /// A command was done.
    Ok,
    /// A command was refused, in the server's words.
    Error(String),
    /// A frame from the bus.
    Frame(Frame),
    /// Nothing of this protocol, or nothing of interest.
    Other(String),
}

/// The command that sends `frame`; `None` for remote and FD frames, which it cannot send.
///
/// ```
/// use tickover_framing::can::{Frame, Id};
/// use tickover_link::can::socketcand::text::send;
///
/// let frame = Frame::classic(Id::Standard(0x7E0), &[0x02, 0x01, 0x0C]).unwrap();
/// assert_eq!(send(&frame).unwrap(), "< send 7E0 3 2 1 C >");
/// ```
pub fn send(frame: &Frame) -> Option<String> {
    let mut text = format!("< send {} {} ", classic(frame)?, frame.data.as_slice().len());
    for byte in frame.data.as_slice() {
        let _ = write!(text, "{byte:X} ");
    }
    text.push('>');
    Some(text)
}

/// What a server says when `frame` came, without a time; `None` for remote and FD frames.
pub fn frame(frame: &Frame) -> Option<String> {
    let mut text = format!("< frame {} 0.000000 ", classic(frame)?);
    for byte in frame.data.as_slice() {
        let _ = write!(text, "{byte:02X}");
    }
    text.push_str(" >");
    Some(text)
}

fn classic(frame: &Frame) -> Option<Id> {
    (frame.kind == FrameKind::Classic && frame.data.as_slice().len() <= 8).then_some(frame.id)
}

/// Cuts what a connection delivers into `< .. >`; holds at most one, whatever comes.
#[derive(Clone, Debug, Default)]
pub struct Tags {
    text: Vec<u8>,
    inside: bool,
}

impl Tags {
    /// Takes one byte; gives what a `< .. >` says when this byte ends it.
    pub fn take(&mut self, byte: u8) -> Option<Tag> {
        match byte {
            b'<' => {
                self.text.clear();
                self.inside = true;
            }
            b'>' if std::mem::take(&mut self.inside) => return Some(parse(&String::from_utf8_lossy(&self.text))),
            _ if self.inside && self.text.len() < TAG_MAX => self.text.push(byte),
            _ => self.inside = false,
        }
        None
    }
}

fn parse(text: &str) -> Tag {
    let mut words = text.split_ascii_whitespace();
    match words.next() {
        Some("hi") => Tag::Hi,
        Some("ok") => Tag::Ok,
        Some("error") => Tag::Error(words.collect::<Vec<_>>().join(" ")),
        Some("frame") => came(words).map_or_else(|| Tag::Other(text.trim().to_owned()), Tag::Frame),
        _ => Tag::Other(text.trim().to_owned()),
    }
}

/// Identifier, time in seconds, data; servers write the data together or in groups.
fn came<'a>(mut words: impl Iterator<Item = &'a str>) -> Option<Frame> {
    let id = words.next()?;
    let wide = id.len() > 3;
    let id = number(id).filter(|_| id.len() <= 8)?;
    let id = if wide { Id::extended(id)? } else { Id::standard(id as u16)? };
    words.next()?;
    let mut data = [0; 8];
    let mut len = 0;
    for pair in words.flat_map(|word| word.as_bytes().chunks(2)) {
        let place = data.get_mut(len)?;
        let pair = std::str::from_utf8(pair).ok().filter(|pair| pair.len() == 2)?;
        *place = number(pair)? as u8;
        len += 1;
    }
    Frame::classic(id, data.get(..len)?)
}

/// Hex digits alone: `from_str_radix` would take a sign.
fn number(digits: &str) -> Option<u32> {
    let all = !digits.is_empty() && digits.bytes().all(|digit| digit.is_ascii_hexdigit());
    u32::from_str_radix(digits, 16).ok().filter(|_| all)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(text: &str) -> Vec<Tag> {
        let mut tags = Tags::default();
        text.bytes().filter_map(|byte| tags.take(byte)).collect()
    }

    fn classic(id: Id, data: &[u8]) -> Frame {
        Frame::classic(id, data).unwrap()
    }

    #[test]
    fn frames_come_with_their_width() {
        let narrow = classic(Id::Standard(0x123), &[0x11, 0x22]);
        let wide = classic(Id::Extended(0x123), &[]);
        let text = "< frame 123 23.424242 1122 >< frame 00000123 23.424243 >\n< frame 123 1.0 11 22 >";
        assert_eq!(read(text), [Tag::Frame(narrow), Tag::Frame(wide), Tag::Frame(narrow)]);
    }

    #[test]
    fn sent_frames_have_their_width_too() {
        assert_eq!(send(&classic(Id::Extended(0x123), &[0x0F])).unwrap(), "< send 00000123 1 F >");
        assert_eq!(send(&Frame::fd(Id::Standard(1), &[], false).unwrap()), None);
    }

    #[test]
    fn what_is_no_frame_is_told_apart() {
        for text in [
            "< frame 800 1.0 00 >",
            "< frame 20000000 1.0 >",
            "< frame 123 1.0 112 >",
            "< frame 123 1.0 001122334455667788 >",
            "< frame +12 1.0 >",
            "< frame 123 >",
            "< frame 000000123 1.0 >",
        ] {
            assert!(matches!(&read(text)[..], [Tag::Other(_)]), "{text}: {:?}", read(text));
        }
        assert_eq!(read("<hi>< ok >"), [Tag::Hi, Tag::Ok]);
        assert_eq!(read("< error could not open bus >"), [Tag::Error("could not open bus".to_owned())]);
    }

    #[test]
    fn text_without_an_end_takes_no_memory_and_the_next_is_read() {
        let mut tags = Tags::default();
        tags.take(b'<');
        assert!(std::iter::repeat_n(b'x', 1 << 16).all(|byte| tags.take(byte).is_none()));
        assert!(tags.text.capacity() <= 2 * TAG_MAX);
        assert_eq!(tags.take(b'>'), None);
        assert_eq!(b"< ok >".iter().filter_map(|byte| tags.take(*byte)).collect::<Vec<_>>(), [Tag::Ok]);
    }

    proptest! {
        #[test]
        fn what_a_server_writes_is_read_back(id in 0_u32..0x2000_0000, extended: bool, data in proptest::collection::vec(any::<u8>(), 0..=8)) {
            let id = if extended { Id::Extended(id) } else { Id::Standard((id & 0x7FF) as u16) };
            let sent = classic(id, &data);
            prop_assert_eq!(read(&frame(&sent).unwrap()), [Tag::Frame(sent)]);
        }

        #[test]
        fn any_text_is_read_without_panic(text in proptest::collection::vec(any::<u8>(), 0..200)) {
            crate::fuzzing::socketcand(&text);
        }

        #[test]
        fn anything_between_the_signs_is_read_without_panic(text in "(< ?(frame|error|ok|hi)? [0-9a-fA-F .]{0,40}>){0,4}") {
            crate::fuzzing::socketcand(text.as_bytes());
        }
    }
}
