//! Events that wait to be polled.

/// A short queue without an allocator. Machines stop taking bytes while it holds something, so it never runs full.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Events<E> {
    held: [Option<E>; Events::<()>::CAPACITY],
}

impl Events<()> {
    const CAPACITY: usize = 8;
}

impl<E: Copy> Events<E> {
    pub(crate) const fn new() -> Self {
        Self { held: [None; Events::<()>::CAPACITY] }
    }

    pub(crate) fn push(&mut self, event: E) {
        if let Some(free) = self.held.iter_mut().find(|slot| slot.is_none()) {
            *free = Some(event);
        }
    }

    pub(crate) fn pop(&mut self) -> Option<E> {
        let first = self.held.first_mut()?.take();
        self.held.rotate_left(1);
        first
    }

    /// Whether so many more fit.
    pub(crate) fn has_room_for(&self, more: usize) -> bool {
        self.held.iter().filter(|slot| slot.is_none()).count() >= more
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.held.first().is_none_or(Option::is_none)
    }
}
