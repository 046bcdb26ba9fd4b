//! Frames that a unit sends wrong on purpose: miscounted, swapped, or not at all.

use std::collections::VecDeque;

use tickover_framing::can::Frame;
use tickover_framing::contract::{Act, Chunk, Tag, Wire};
use tickover_framing::isotp::Path;

/// Tags of frames whose report nobody waits for.
const OWN: Tag = Tag(0x0200);

/// What is to be done to the frames of the next answer, or to the next flow control.
#[derive(Clone, Debug, Default)]
pub(super) struct Tamper {
    pub(super) miscount: bool,
    pub(super) swap: bool,
    pub(super) no_flow_control: bool,
    held: Option<Frame>,
    extra: VecDeque<Frame>,
}

/// What becomes of an act.
pub(super) enum Done {
    /// This is sent.
    Sent(Act),
    /// Nothing is sent, and its sender believes that it was.
    Swallowed(Tag),
}

impl Tamper {
    /// A new answer begins: nothing is wrong with it yet.
    pub(super) fn begin(&mut self) {
        *self =
            Self { no_flow_control: self.no_flow_control, extra: std::mem::take(&mut self.extra), ..Self::default() };
    }

    /// The answer is out; a frame that waited for another comes now.
    pub(super) fn end(&mut self) {
        self.extra.extend(self.held.take());
        self.begin();
    }

    /// Frames that come by themselves.
    pub(super) fn next(&mut self) -> Option<Act> {
        self.extra.pop_front().map(|frame| Act::Transmit { tag: OWN, wire: Wire::Frame(frame) })
    }

    pub(super) fn act(&mut self, path: Path, act: Act) -> Done {
        let Act::Transmit { tag, wire: Wire::Frame(mut frame) } = act else { return Done::Sent(act) };
        let at = usize::from(path.response.first_byte().is_some());
        let kind = frame.data.as_slice().get(at).map(|byte| byte >> 4);
        if kind == Some(3) && std::mem::take(&mut self.no_flow_control) {
            return Done::Swallowed(tag);
        }
        if kind != Some(2) {
            return Done::Sent(act);
        }
        if std::mem::take(&mut self.miscount) {
            frame = miscounted(frame, at);
        }
        if std::mem::take(&mut self.swap) {
            self.held = Some(frame);
            return Done::Swallowed(tag);
        }
        self.extra.extend(self.held.take());
        Done::Sent(Act::Transmit { tag, wire: Wire::Frame(frame) })
    }
}

/// With the next sequence number.
fn miscounted(frame: Frame, at: usize) -> Frame {
    let mut bytes = frame.data.as_slice().to_vec();
    if let Some(byte) = bytes.get_mut(at) {
        *byte = *byte & 0xF0 | (*byte + 1) & 0x0F;
    }
    Frame { data: Chunk::new(&bytes).unwrap_or(frame.data), ..frame }
}
