//! How long a message and an exchange take on an undisturbed bus.

use core::time::Duration;

use super::{Address, Frames, Line, Path, SeparationTime};
use crate::can::{Frame, FrameKind};
use crate::contract::{Chunk, Speed};

impl Line {
    /// First bit to last bit of a message of `length` data bytes to `to`, sent from this line's end.
    ///
    /// `receiver` is the line as its receiver has it: its block size, STmin and N_Br count, and its flow control goes
    /// to `reply`. Every frame takes its longest time, the three bits before the next included; a receiver that says
    /// WAIT is slower. On a serial line there are no frames, and no time.
    pub fn message_time(&self, speed: Speed, to: Address, length: usize, receiver: &Self, reply: Address) -> Duration {
        let frame =
            |address: Address, frames: &Frames, bytes: usize| time_of(speed, address, frames, bytes + address.prefix());
        let frames = &self.frames;
        if length <= frames.single_max(to) {
            let header = if length + to.prefix() <= 7 { 1 } else { 2 };
            return frame(to, frames, header + length);
        }
        let (first, full) = (frames.first_data(to, length), frames.consecutive_data(to));
        let rest = length - first;
        let count = rest.div_ceil(full) as u32;
        let blocks = match receiver.flow.block_size {
            0 => 1,
            size => count.div_ceil(u32::from(size)),
        };
        let turn_round = [receiver.timing.n_br, frame(reply, &receiver.frames, 3), self.timing.n_cs];
        let turn_round = turn_round.into_iter().fold(Duration::ZERO, Duration::saturating_add);
        let gap = SeparationTime(receiver.flow.st_min).duration().saturating_add(self.timing.n_cs);
        let last = rest - (count as usize - 1) * full;
        [
            frame(to, frames, frames.tx_dl() - to.prefix()),
            turn_round.saturating_mul(blocks),
            frame(to, frames, 1 + full).saturating_mul(count - 1),
            gap.saturating_mul(count - blocks),
            frame(to, frames, 1 + last),
        ]
        .into_iter()
        .fold(Duration::ZERO, Duration::saturating_add)
    }

    /// One exchange with a unit whose end of the line is `unit`, from the first bit of a request to the earliest first
    /// bit of the next: `request` and `response` data bytes, the unit's `p2` between them.
    ///
    /// ```
    /// use core::time::Duration;
    /// use tickover_framing::can::Id;
    /// use tickover_framing::contract::Speed;
    /// use tickover_framing::isotp::{Address, Line, Path};
    /// let [request, response] = [0x5A1, 0x5A9].map(|id| Address::Normal(Id::Standard(id)));
    /// let speed = Speed::Can { bit_rate: 500_000, data_rate: None, listen_only: false };
    /// let line = Line::CLASSIC;
    /// // Two single frames of 135 bits, 2 ms between them.
    /// let path = Path { request, response };
    /// assert_eq!(line.exchange_time(&line, speed, path, 3, 7, Duration::from_millis(2)), Duration::from_micros(2540));
    /// ```
    pub fn exchange_time(
        &self,
        unit: &Self,
        speed: Speed,
        path: Path,
        request: usize,
        response: usize,
        p2: Duration,
    ) -> Duration {
        let Path { request: to, response: from } = path;
        self.message_time(speed, to, request, unit, from)
            .saturating_add(p2)
            .saturating_add(unit.message_time(speed, from, response, self, to))
    }
}

/// A frame with so many bytes in use.
fn time_of(speed: Speed, address: Address, frames: &Frames, bytes: usize) -> Duration {
    let Speed::Can { bit_rate, data_rate, .. } = speed else { return Duration::ZERO };
    let bytes = if frames.padding.is_some() { bytes.max(8) } else { bytes };
    let length = Frame::length_for(bytes).unwrap_or(Chunk::CAPACITY);
    let kind = match frames.fd {
        Some(fd) => FrameKind::Fd { switch_rate: fd.switch_rate },
        None => FrameKind::Classic,
    };
    let (data, _) = Chunk::split_from([0; Chunk::CAPACITY].get(..length).unwrap_or_default());
    Frame { id: address.id(), kind, data }.time(bit_rate, data_rate)
}
