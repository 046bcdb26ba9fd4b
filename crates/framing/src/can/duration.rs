//! How long a frame takes on the bus, with as many stuff bits as its content could need.

use core::time::Duration;

use super::{Frame, FrameKind, Id};

/// CRC delimiter, acknowledge slot and its delimiter, end of frame, and the three bits before another frame.
const TAIL: u32 = 1 + 1 + 1 + 7 + 3;

impl Frame {
    /// Bits on the bus with worst-case stuffing, the three bits before another frame may start included.
    ///
    /// Classic frames of `s` bytes: 55 + 10 s with 11 bits of identifier, 80 + 10 s with 29 (Davis, Burns, Bril,
    /// Lukkien 2007). FD frames: ISO 11898-1:2015 10.4 and 10.5, the checksum's stuff bits fixed.
    ///
    /// ```
    /// use tickover_framing::can::{Frame, Id};
    /// assert_eq!(Frame::classic(Id::Standard(0x7E8), &[0; 8]).unwrap().bits(), 135);
    /// assert_eq!(Frame::classic(Id::Extended(0x7E8), &[0; 8]).unwrap().bits(), 160);
    /// ```
    pub fn bits(&self) -> u32 {
        let (slow, fast) = self.phases();
        slow + fast
    }

    /// Worst-case time on the bus, the three bits before another frame may start included.
    ///
    /// `data_rate` counts for FD frames that switch their rate; in bits per second, 0 counts as 1.
    pub fn time(&self, bit_rate: u32, data_rate: Option<u32>) -> Duration {
        let (slow, fast) = self.phases();
        let switches = self.kind == FrameKind::Fd { switch_rate: true };
        match data_rate.filter(|_| switches) {
            None => bits_at(slow + fast, bit_rate),
            Some(data_rate) => bits_at(slow, bit_rate).saturating_add(bits_at(fast, data_rate)),
        }
    }

    /// Bits at the bit rate, and bits that an FD frame may send faster.
    fn phases(&self) -> (u32, u32) {
        let data = 8 * self.data.as_slice().len() as u32;
        let FrameKind::Fd { .. } = self.kind else {
            // SOF, identifier, RTR, IDE, r0 (29 bits: SRR, the other 18 bits, r1 too), DLC; then data and checksum.
            let header = if self.is_extended() { 39 } else { 19 };
            let stuffed = header + data + 15;
            return (stuffed + stuffing(stuffed) + TAIL, 0);
        };
        // SOF to BRS, then ESI and DLC, data, stuff count, checksum, its delimiter.
        let slow = if self.is_extended() { 36 } else { 17 };
        let (checksum, fixed) = if data <= 8 * 16 { (17, 6) } else { (21, 7) };
        let stuffed = slow + 5 + data;
        let slow_stuffing = stuffing(slow);
        let fast = 5 + data + 4 + checksum + fixed + 1 + stuffing(stuffed) - slow_stuffing;
        (slow + slow_stuffing + TAIL - 1, fast)
    }

    fn is_extended(&self) -> bool {
        matches!(self.id, Id::Extended(_))
    }
}

/// One stuff bit after five equal bits; each may be the first of the next five.
const fn stuffing(bits: u32) -> u32 {
    (bits - 1) / 4
}

fn bits_at(bits: u32, rate: u32) -> Duration {
    let rate = u64::from(rate.max(1));
    Duration::from_nanos((u64::from(bits) * 1_000_000_000 + rate / 2) / rate)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(id: Id, length: usize) -> Frame {
        Frame::classic(id, &[0; 8][..length]).unwrap()
    }

    /// Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis", 2007: 55 + 10 s and
    /// 80 + 10 s bits.
    #[test]
    fn classic_frames_take_the_published_worst_case() {
        for length in 0..=8 {
            assert_eq!(frame(Id::Standard(0x7E8), length).bits(), 55 + 10 * length as u32);
            assert_eq!(frame(Id::Extended(0x18DA_F110), length).bits(), 80 + 10 * length as u32);
        }
        assert_eq!(Frame::remote(Id::Standard(1)).unwrap().bits(), 55);
    }

    /// Computed from 135 and 160 bits: 270 us and 320 us at 500 kbit/s, twice that at 250 kbit/s.
    #[test]
    fn time_is_bits_by_rate() {
        let (short, long) = (frame(Id::Standard(0x7E8), 8), frame(Id::Extended(0x7E8), 8));
        assert_eq!(short.time(500_000, None), Duration::from_micros(270));
        assert_eq!(long.time(500_000, None), Duration::from_micros(320));
        assert_eq!(short.time(250_000, Some(2_000_000)), Duration::from_micros(540));
        assert_eq!(short.time(0, None), Duration::from_secs(135));
    }

    /// ISO 11898-1:2015 10.5, as Linux counts it (include/linux/can/length.h): beside data and dynamic stuff bits 67
    /// bits with 11 bits of identifier and 86 with 29, with the long checksum.
    #[test]
    fn fd_frames_have_the_published_overhead() {
        let overhead = |id, length: usize, stuffed: u32| {
            let frame = Frame::fd(id, &[0; 64][..length], false).unwrap();
            frame.bits() - 8 * length as u32 - (stuffed + 8 * length as u32 - 1) / 4
        };
        assert_eq!(overhead(Id::Standard(1), 64, 22), 67);
        assert_eq!(overhead(Id::Extended(1), 64, 41), 86);
        assert_eq!(overhead(Id::Standard(1), 16, 22), 67 - 4 - 1);
    }

    /// Computed: 17 bits and 4 stuff bits before, 12 bits behind the fast phase stay at the bit rate.
    #[test]
    fn only_the_data_phase_runs_at_the_data_rate() {
        let frame = Frame::fd(Id::Standard(1), &[0; 64], true).unwrap();
        let slow = frame.time(500_000, None);
        assert_eq!(slow, Duration::from_micros(2 * u64::from(frame.bits())));
        let fast = frame.time(500_000, Some(5_000_000));
        assert_eq!(fast, Duration::from_nanos(33 * 2_000 + u64::from(frame.bits() - 33) * 200));
        let steady = Frame { kind: FrameKind::Fd { switch_rate: false }, ..frame };
        assert_eq!(steady.time(500_000, Some(5_000_000)), slow);
    }
}
