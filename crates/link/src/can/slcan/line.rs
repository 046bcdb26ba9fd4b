//! Lines of the slcan protocol: one command or answer in ASCII, ended by CR; BEL alone refuses a command.
//!
//! `t1232AABB` is a frame with 11 bits and two data bytes, `T` has eight digits of identifier, `r` and `R` are
//! remote requests: length and no data. Source: the Linux kernel's driver `slcan` (6.1), comments and behaviour.

use tickover_framing::can::{Condition, Frame, FrameKind, Id};

/// Ends a command, and a good answer.
pub const CR: u8 = b'\r';

/// The answer "no".
pub const BEL: u8 = 0x07;

/// The longest line: LF or an answer in front of it, `T`, eight digits, length, eight bytes, a time of four digits.
pub const LINE_MAX: usize = 2 + 1 + 8 + 1 + 16 + 4;

/// The longest line that [`emit`] writes, its CR included.
pub const FRAME_MAX: usize = 1 + 8 + 1 + 16 + 1;

/// Bit rates in bit/s and the commands that set them.
pub const RATES: [(u32, &[u8; 2]); 9] = [
    (10_000, b"S0"),
    (20_000, b"S1"),
    (50_000, b"S2"),
    (100_000, b"S3"),
    (125_000, b"S4"),
    (250_000, b"S5"),
    (500_000, b"S6"),
    (800_000, b"S7"),
    (1_000_000, b"S8"),
];

/// What one line says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Said {
    /// A frame from the bus.
    Frame(Frame),
    /// A command was done, or a frame taken to be sent.
    Done,
    /// A command was refused.
    Refused,
    /// The controller says something about its bus.
    Bus(Condition),
    /// A version, a serial number, a status: an adapter that answers.
    Answer,
    /// No line of this protocol.
    Noise,
}

/// Writes a frame as a line with its CR; `None` for FD frames, which this protocol does not know.
///
/// ```
/// use tickover_framing::can::{Frame, Id};
/// use tickover_link::can::slcan::line::{FRAME_MAX, emit};
///
/// let frame = Frame::classic(Id::Standard(0x123), &[0xAA, 0xBB]).unwrap();
/// let mut out = [0; FRAME_MAX];
/// assert_eq!(emit(&frame, &mut out).unwrap(), b"t1232AABB\r");
/// ```
pub fn emit<'a>(frame: &Frame, out: &'a mut [u8; FRAME_MAX]) -> Option<&'a [u8]> {
    let data = frame.data.as_slice();
    if data.len() > 8 {
        return None;
    }
    let mut line = Writer { out, len: 0 };
    match (frame.kind, frame.id) {
        (FrameKind::Fd { .. }, _) => return None,
        (FrameKind::Classic, Id::Standard(_)) => line.put(b't'),
        (FrameKind::Classic, Id::Extended(_)) => line.put(b'T'),
        (FrameKind::Remote, Id::Standard(_)) => line.put(b'r'),
        (FrameKind::Remote, Id::Extended(_)) => line.put(b'R'),
    }
    match frame.id {
        Id::Standard(id) => line.digits(id.into(), 3),
        Id::Extended(id) => line.digits(id, 8),
    }
    line.digits(data.len() as u32, 1);
    data.iter().for_each(|byte| line.digits(u32::from(*byte), 2));
    line.put(CR);
    let Writer { out, len } = line;
    out.get(..len)
}

/// Reads one line, without its CR.
pub fn parse(line: &[u8]) -> Said {
    // "Taken to be sent": some adapters put it in front of the next line.
    let sent = line.iter().take_while(|byte| byte.eq_ignore_ascii_case(&b'z')).count();
    match line.get(sent..).unwrap_or_default() {
        [] => Said::Done,
        [kind @ (b't' | b'r'), rest @ ..] => frame(*kind, rest, 3),
        [kind @ (b'T' | b'R'), rest @ ..] => frame(*kind, rest, 8),
        [b's', state, counters @ ..] if counters.len() == 6 => said(state_of(*state)),
        [b'e', count, codes @ ..] if codes.len() == usize::from(count.wrapping_sub(b'0')) => said(worst(codes)),
        [b'V' | b'v' | b'N' | b'F', ..] => Said::Answer,
        _ => Said::Noise,
    }
}

fn said(condition: Option<Condition>) -> Said {
    condition.map_or(Said::Noise, Said::Bus)
}

/// From memory: the Linux kernel's `slcan` reads `s`, a letter for the state and two counters of three digits.
fn state_of(letter: u8) -> Option<Condition> {
    Some(match letter {
        b'a' | b'w' => Condition::Active,
        b'p' => Condition::Passive,
        b'b' => Condition::Off,
        _ => return None,
    })
}

/// From memory: the Linux kernel's `slcan` reads `e`, how many errors, and a letter for each.
fn worst(codes: &[u8]) -> Option<Condition> {
    let one = |code: &u8| {
        Some(match code {
            b'a' => Condition::NoAcknowledge,
            b'o' => Condition::Overrun,
            b'b' | b'B' | b'c' | b'f' | b'O' | b's' => Condition::Error,
            _ => return None,
        })
    };
    codes.iter().try_fold(None, |first, code| one(code).map(|condition| first.or(Some(condition))))?
}

fn frame(kind: u8, rest: &[u8], digits: usize) -> Said {
    let read = || {
        let (id, rest) = rest.split_at_checked(digits)?;
        let (length, rest) = rest.split_first()?;
        let id = number(id)?;
        let id = if digits == 3 { Id::standard(id as u16)? } else { Id::extended(id)? };
        let length = usize::from(length.checked_sub(b'0').filter(|length| *length <= 8)?);
        let remote = kind.eq_ignore_ascii_case(&b'r');
        let (data, time) = rest.split_at_checked(if remote { 0 } else { 2 * length })?;
        // Adapters that were told to stamp frames append four digits of milliseconds.
        if !time.is_empty() && (time.len() != 4 || number(time).is_none()) {
            return None;
        }
        let mut bytes = [0; 8];
        let bytes = bytes.get_mut(..data.len() / 2)?;
        for (byte, digits) in bytes.iter_mut().zip(data.chunks_exact(2)) {
            *byte = number(digits)? as u8;
        }
        if remote { Frame::remote(id) } else { Frame::classic(id, bytes) }
    };
    read().map_or(Said::Noise, Said::Frame)
}

/// At most eight hex digits.
fn number(digits: &[u8]) -> Option<u32> {
    digits.iter().try_fold(0_u32, |number, digit| Some(number << 4 | char::from(*digit).to_digit(16)?))
}

struct Writer<'a> {
    out: &'a mut [u8; FRAME_MAX],
    len: usize,
}

impl Writer<'_> {
    fn put(&mut self, byte: u8) {
        if let Some(place) = self.out.get_mut(self.len) {
            *place = byte;
            self.len += 1;
        }
    }

    fn digits(&mut self, number: u32, count: u32) {
        for place in (0..count).rev() {
            let digit = number >> (4 * place) & 0xF;
            self.put(b"0123456789ABCDEF"[digit as usize]);
        }
    }
}

/// Cuts what a port delivers into lines; holds at most one, whatever comes.
#[derive(Clone, Debug, Default)]
pub struct Lines {
    bytes: [u8; LINE_MAX],
    len: usize,
    /// The line is longer than any of this protocol: the rest of it is skipped.
    overlong: bool,
}

impl Lines {
    /// Takes one byte; gives what a line says when this byte ends it.
    pub fn take(&mut self, byte: u8) -> Option<Said> {
        match byte {
            CR | BEL => {
                let (len, overlong) = (std::mem::take(&mut self.len), std::mem::take(&mut self.overlong));
                let line = self.bytes.get(..len).unwrap_or_default();
                Some(match byte {
                    _ if overlong => Said::Noise,
                    // A terminal in between may have made CR LF of it.
                    CR => parse(line.strip_prefix(b"\n").unwrap_or(line)),
                    _ => Said::Refused,
                })
            }
            _ => {
                match self.bytes.get_mut(self.len) {
                    Some(place) => *place = byte,
                    None => self.overlong = true,
                }
                self.len = (self.len + 1).min(LINE_MAX);
                None
            }
        }
    }

    /// Forgets the line that has begun.
    pub fn clear(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn classic(id: Id, data: &[u8]) -> Frame {
        Frame::classic(id, data).unwrap()
    }

    /// Linux kernel 6.1, `slcan`: the examples in the driver's comment on its lines.
    #[test]
    fn the_kernels_examples_are_read_and_written() {
        let examples: [(&[u8], Frame); 4] = [
            (b"t1230", classic(Id::Standard(0x123), &[])),
            (b"t4563112233", classic(Id::Standard(0x456), &[0x11, 0x22, 0x33])),
            (b"T12ABCDEF2AA55", classic(Id::Extended(0x12AB_CDEF), &[0xAA, 0x55])),
            (b"r1230", Frame::remote(Id::Standard(0x123)).unwrap()),
        ];
        for (line, frame) in examples {
            assert_eq!(parse(line), Said::Frame(frame));
            let mut out = [0; FRAME_MAX];
            assert_eq!(emit(&frame, &mut out).unwrap().strip_suffix(b"\r").unwrap(), line);
        }
    }

    #[test]
    fn an_identifier_out_of_its_width_is_noise() {
        assert_eq!(parse(b"t8000"), Said::Noise);
        assert_eq!(parse(b"T200000000"), Said::Noise);
        assert!(matches!(parse(b"T1FFFFFFF0"), Said::Frame(_)));
    }

    #[test]
    fn a_length_that_does_not_fit_is_noise() {
        for line in [&b"t12321A"[..], b"t1239001122334455667788", b"t123100112", b"t123", b"t12311G", b"t1231 1"] {
            assert_eq!(parse(line), Said::Noise, "{}", line.escape_ascii());
        }
    }

    /// common practice, no source: an adapter told to stamp its frames appends four digits.
    #[test]
    fn a_time_behind_the_data_is_passed_over() {
        let expected = classic(Id::Standard(0x7E8), &[0x41]);
        assert_eq!(parse(b"t7E8141EA60"), Said::Frame(expected));
    }

    /// common practice, no source: an adapter puts the answer to a frame sent in front of the next line.
    #[test]
    fn the_longest_line_is_read_whole() {
        let expected = classic(Id::Extended(0x18DA_F110), &[1, 2, 3, 4, 5, 6, 7, 8]);
        let mut lines = Lines::default();
        let text = b"\nzT18DAF11080102030405060708EA60\r";
        let said: Vec<_> = text.iter().filter_map(|byte| lines.take(*byte)).collect();
        assert_eq!(said, [Said::Frame(expected)]);
    }

    #[test]
    fn answers_are_told_apart() {
        let mut lines = Lines::default();
        let said: Vec<_> = b"\rz\rZ\rV1013\r\x07nonsense\r".iter().filter_map(|byte| lines.take(*byte)).collect();
        assert_eq!(said, [Said::Done, Said::Done, Said::Done, Said::Answer, Said::Refused, Said::Noise]);
    }

    #[test]
    fn a_line_of_any_length_is_read() {
        let line = [vec![b'z'; 1 << 20], b"t1230".to_vec()].concat();
        assert_eq!(parse(&line), Said::Frame(classic(Id::Standard(0x123), &[])));
    }

    #[test]
    fn states_and_errors_of_the_bus_are_conditions() {
        assert_eq!(parse(b"sb000255"), Said::Bus(Condition::Off));
        assert_eq!(parse(b"sa000000"), Said::Bus(Condition::Active));
        assert_eq!(parse(b"e1a"), Said::Bus(Condition::NoAcknowledge));
        assert_eq!(parse(b"e2oc"), Said::Bus(Condition::Overrun));
        assert_eq!(parse(b"e3oc"), Said::Noise);
    }

    #[test]
    fn a_line_that_never_ends_takes_no_memory_and_the_next_is_read() {
        let mut lines = Lines::default();
        assert!(std::iter::repeat_n(b't', 1 << 16).all(|byte| lines.take(byte).is_none()));
        assert_eq!(lines.take(CR), Some(Said::Noise));
        assert_eq!(b"t1230\r".iter().filter_map(|byte| lines.take(*byte)).count(), 1);
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(id in 0_u32..0x2000_0000, extended: bool, data in proptest::collection::vec(any::<u8>(), 0..=8)) {
            let id = if extended { Id::Extended(id) } else { Id::Standard((id & 0x7FF) as u16) };
            let frame = classic(id, &data);
            let mut out = [0; FRAME_MAX];
            let mut lines = Lines::default();
            let said: Vec<_> = emit(&frame, &mut out).unwrap().iter().filter_map(|byte| lines.take(*byte)).collect();
            prop_assert_eq!(said, [Said::Frame(frame)]);
        }

        #[test]
        fn any_text_is_read_without_panic(text in proptest::collection::vec(any::<u8>(), 0..200)) {
            crate::fuzzing::slcan(&text);
        }
    }
}
