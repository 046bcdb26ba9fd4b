//! The frames of a message on CAN and what passes between them.

use core::time::Duration;

use tickover_defs::compiled::{Can, CanUnit};
use tickover_framing::contract::Chunk;
use tickover_framing::isotp::{Address, Flow, FlowControl, FlowStatus, Frames, Pdu, SeparationTime};

/// The rates of a bus.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Bus {
    pub(crate) bit_rate: u32,
    pub(crate) data_rate: Option<u32>,
}

/// How long a message takes, part by part, with worst-case stuffing.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(crate) struct Transfer {
    /// The message's own frames.
    pub(crate) frames: Duration,
    /// Frames of flow control.
    pub(crate) flow_control: Duration,
    /// STmin between consecutive frames.
    pub(crate) separation: Duration,
}

impl Bus {
    pub(crate) const fn of(can: &Can) -> Self {
        Self { bit_rate: can.bit_rate, data_rate: can.data_rate }
    }

    fn frame(self, pdu: &Pdu<&[u8]>, to: Address, frames: &Frames) -> Duration {
        pdu.emit(to, frames).map_or(Duration::ZERO, |frame| frame.time(self.bit_rate, self.data_rate))
    }
}

impl Transfer {
    /// Time in which frames pass.
    pub(crate) fn on_the_bus(&self) -> Duration {
        self.frames.saturating_add(self.flow_control)
    }
}

/// A request of so many bytes; the unit is taken to want no pauses.
pub(crate) fn request_on(bus: Bus, unit: &CanUnit, length: usize) -> Transfer {
    let to = unit.functional.filter(|_| length <= unit.line.frames.single_max(unit.path.request));
    let flow = Flow { block_size: 0, st_min: 0, wait_max: 0 };
    transfer(bus, &unit.line.frames, (to.unwrap_or(unit.path.request), unit.path.response), length, flow)
}

/// An answer of so many bytes, with the pauses that the line asks for.
pub(crate) fn answer_on(bus: Bus, unit: &CanUnit, length: usize) -> Transfer {
    transfer(bus, &unit.line.frames, (unit.path.response, unit.path.request), length, unit.line.flow)
}

/// `way`: where the message goes, and where its flow control goes.
fn transfer(bus: Bus, frames: &Frames, way: (Address, Address), length: usize, flow: Flow) -> Transfer {
    let (to, back) = way;
    let zeros = [0; Chunk::CAPACITY];
    let data = |length: usize| zeros.get(..length).unwrap_or(&zeros);
    if length <= frames.single_max(to) {
        return Transfer { frames: bus.frame(&Pdu::Single { data: data(length) }, to, frames), ..Transfer::default() };
    }
    let head = frames.first_data(to, length);
    let (full, last) = (frames.consecutive_data(to), (length - head) % frames.consecutive_data(to).max(1));
    let count = (length - head).div_ceil(full.max(1)) as u32;
    let consecutive = |length| bus.frame(&Pdu::Consecutive { sequence: 0, data: data(length) }, to, frames);
    let tail = consecutive(if last == 0 { full } else { last });
    let blocks = match flow.block_size {
        0 => 1,
        size => count.div_ceil(size.into()),
    };
    let st_min = SeparationTime(flow.st_min);
    let control = FlowControl { status: FlowStatus(0), block_size: flow.block_size, st_min };
    let first = bus.frame(&Pdu::First { length: length as u32, data: data(head) }, to, frames);
    Transfer {
        frames: first + consecutive(full) * (count - 1) + tail,
        flow_control: bus.frame(&Pdu::FlowControl(control), back, frames) * blocks,
        separation: st_min.duration() * (count - blocks),
    }
}
