//! From the I/O thread to the program: a bounded queue that forgets the oldest rows rather than wait.
//!
//! The lock is held for a few moves of pointers on either side, never while anything is waited for or
//! formatted.

use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, Waker};
use std::time::Duration;

use tickover_framing::Instant;
use tickover_session::{Fault, Note, NoteKind};

use crate::{Down, Item};

/// What a wait on the queue gave.
#[derive(Clone, PartialEq, Debug)]
pub enum Next {
    /// The next item, or why there will be none.
    Item(Result<Item, Down>),
    /// Nothing came in time.
    NotYet,
    /// The connection was closed and all its items were taken.
    End,
}

#[derive(Debug)]
pub(crate) struct Queue {
    capacity: usize,
    state: Mutex<State>,
    arrived: Condvar,
}

#[derive(Default, Debug)]
struct State {
    items: VecDeque<Item>,
    dropped: Dropped,
    /// Set once: nothing is put in after it. The inner `Down` is told once.
    end: Option<Option<Down>>,
    wakers: Vec<Waker>,
}

/// What was forgotten since the program last took something.
#[derive(Clone, Copy, Default, Debug)]
struct Dropped {
    rows: u64,
    notes: u64,
    last: Instant,
}

impl Queue {
    /// A queue of at most `capacity` items, at least one.
    pub(crate) fn new(capacity: usize) -> Self {
        Self { capacity: capacity.max(1), state: Mutex::default(), arrived: Condvar::new() }
    }

    /// Puts an item in; a full queue forgets its oldest row first, or its oldest note if it holds no row.
    pub(crate) fn push(&self, item: Item) {
        let mut state = self.lock();
        if state.end.is_some() {
            return;
        }
        if state.items.len() >= self.capacity {
            state.forget_one();
        }
        state.items.push_back(item);
        self.announce(state);
    }

    /// Ends the queue; what is in it can still be taken. Only the first end counts.
    pub(crate) fn end(&self, down: Option<Down>) {
        let mut state = self.lock();
        if state.end.is_none() {
            state.end = Some(down);
            self.announce(state);
        }
    }

    /// Waits for the next item, at most for `patience`; without one, as long as it takes.
    pub(crate) fn next(&self, patience: Option<Duration>) -> Next {
        let state = self.lock();
        let nothing = |state: &mut State| !state.has_next();
        let state = match patience {
            None => self.arrived.wait_while(state, nothing).unwrap_or_else(PoisonError::into_inner),
            Some(patience) => {
                self.arrived.wait_timeout_while(state, patience, nothing).unwrap_or_else(PoisonError::into_inner).0
            }
        };
        take(state)
    }

    /// The next item, or a promise to wake the task when there is one.
    #[cfg_attr(not(feature = "tokio"), allow(dead_code))]
    pub(crate) fn poll_next(&self, context: &mut Context<'_>) -> Poll<Next> {
        let mut state = self.lock();
        if state.has_next() {
            return Poll::Ready(take(state));
        }
        if !state.wakers.iter().any(|waker| waker.will_wake(context.waker())) {
            state.wakers.push(context.waker().clone());
        }
        Poll::Pending
    }

    fn announce(&self, mut state: MutexGuard<'_, State>) {
        let wakers = std::mem::take(&mut state.wakers);
        drop(state);
        self.arrived.notify_all();
        wakers.into_iter().for_each(Waker::wake);
    }

    /// A program's thread that panicked while it held the lock left nothing half done.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn has_next(&self) -> bool {
        !self.items.is_empty() || self.end.is_some()
    }

    fn forget_one(&mut self) {
        let oldest_row = self.items.iter().position(|item| matches!(item, Item::Row(_)));
        match self.items.remove(oldest_row.unwrap_or(0)) {
            Some(Item::Row(row)) => {
                self.dropped.rows += 1;
                self.dropped.last = row.at;
            }
            Some(Item::Note(note)) => {
                self.dropped.notes += 1;
                self.dropped.last = note.at;
            }
            None => {}
        }
    }
}

/// The note about what was dropped comes where the gap is: before the oldest item left.
fn take(mut state: MutexGuard<'_, State>) -> Next {
    let dropped = std::mem::take(&mut state.dropped);
    if dropped.rows + dropped.notes > 0 {
        drop(state);
        return Next::Item(Ok(Item::Note(dropped.note())));
    }
    if let Some(item) = state.items.pop_front() {
        return Next::Item(Ok(item));
    }
    match &mut state.end {
        None => Next::NotYet,
        Some(down) => down.take().map_or(Next::End, |down| Next::Item(Err(down))),
    }
}

impl Dropped {
    fn note(self) -> Note {
        let what = match (plural(self.rows, "row"), plural(self.notes, "note")) {
            (rows, _) if self.notes == 0 => rows,
            (_, notes) if self.rows == 0 => notes,
            (rows, notes) => format!("{rows} and {notes}"),
        };
        Note {
            at: self.last,
            unit: None,
            kind: NoteKind::RowsDropped,
            fault: Fault::Caller,
            text: format!("{what} dropped: the program took them too slowly"),
            advice: "take rows faster, watch fewer channels or make the queue longer",
        }
    }
}

fn plural(count: u64, noun: &str) -> String {
    format!("{count} {noun}{}", if count == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use tickover_session::{Row, UnitId};

    use super::*;

    fn row(nanos: u64) -> Item {
        Item::Row(Row {
            at: Instant::from_nanos(nanos),
            unit: UnitId::FIRST,
            record: tickover_defs::RecordId(0),
            response: vec![0x61, 0x01],
            response_time: Duration::ZERO,
            readings: Vec::new(),
        })
    }

    fn note(nanos: u64) -> Item {
        Item::Note(Note {
            at: Instant::from_nanos(nanos),
            unit: None,
            kind: NoteKind::Noise,
            fault: Fault::Line,
            text: "a message was garbled".to_owned(),
            advice: "",
        })
    }

    fn taken(queue: &Queue) -> Vec<Item> {
        std::iter::from_fn(|| match queue.next(Some(Duration::ZERO)) {
            Next::Item(item) => Some(item.expect("the line is up")),
            Next::NotYet | Next::End => None,
        })
        .collect()
    }

    #[test]
    fn items_come_out_in_the_order_they_went_in() {
        let queue = Queue::new(8);
        let items = [row(1), note(2), row(3)];
        items.iter().cloned().for_each(|item| queue.push(item));
        assert_eq!(taken(&queue), items);
        assert_eq!(queue.next(Some(Duration::ZERO)), Next::NotYet);
    }

    #[test]
    fn a_full_queue_forgets_its_oldest_rows_and_says_how_many() {
        let queue = Queue::new(3);
        queue.push(note(0));
        (1..=5).for_each(|nanos| queue.push(row(nanos)));
        let items = taken(&queue);
        let Item::Note(told) = &items[0] else { panic!("{:?}", items[0]) };
        assert_eq!(told.kind, NoteKind::RowsDropped);
        assert_eq!(told.at, Instant::from_nanos(3));
        assert_eq!(
            told.to_string(),
            "caller: 3 rows dropped: the program took them too slowly; \
             take rows faster, watch fewer channels or make the queue longer"
        );
        assert_eq!(items[1..], [note(0), row(4), row(5)]);
    }

    #[test]
    fn notes_are_forgotten_only_when_no_row_is_left_to_forget() {
        let queue = Queue::new(2);
        (1..=3).for_each(|nanos| queue.push(note(nanos)));
        let items = taken(&queue);
        let Item::Note(told) = &items[0] else { panic!("{:?}", items[0]) };
        assert!(told.text.starts_with("1 note dropped"), "{}", told.text);
        assert_eq!(items[1..], [note(2), note(3)]);
    }

    #[test]
    fn each_drop_is_told_once() {
        let queue = Queue::new(1);
        queue.push(row(1));
        queue.push(row(2));
        assert_eq!(taken(&queue).len(), 2);
        queue.push(row(3));
        assert_eq!(taken(&queue), [row(3)]);
    }

    #[test]
    fn what_came_before_the_end_can_still_be_taken_and_the_loss_is_told_once() {
        let queue = Queue::new(4);
        let down = Down::Gone { port: "/dev/ttyUSB0".to_owned() };
        queue.push(row(1));
        queue.end(Some(down.clone()));
        queue.end(None);
        queue.push(row(2));
        assert_eq!(queue.next(None), Next::Item(Ok(row(1))));
        assert_eq!(queue.next(None), Next::Item(Err(down)));
        assert_eq!(queue.next(None), Next::End);
        assert_eq!(queue.next(None), Next::End);
    }

    #[test]
    fn a_waiting_program_is_woken_by_an_item_and_by_the_end() {
        let queue = Arc::new(Queue::new(4));
        let waiting = Arc::clone(&queue);
        let program = std::thread::spawn(move || [waiting.next(None), waiting.next(None)]);
        queue.push(row(1));
        queue.end(None);
        assert_eq!(program.join().expect("it only waits"), [Next::Item(Ok(row(1))), Next::End]);
    }

    #[test]
    fn a_task_is_woken_when_an_item_comes() {
        struct Count(std::sync::atomic::AtomicU32);
        impl std::task::Wake for Count {
            fn wake(self: Arc<Self>) {
                self.0.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            }
        }
        let count = Arc::new(Count(0.into()));
        let waker = Waker::from(Arc::clone(&count));
        let mut context = Context::from_waker(&waker);
        let queue = Queue::new(4);
        assert_eq!(queue.poll_next(&mut context), Poll::Pending);
        assert_eq!(queue.poll_next(&mut context), Poll::Pending);
        queue.push(row(1));
        assert_eq!(count.0.load(std::sync::atomic::Ordering::Relaxed), 1, "asked twice, woken once");
        assert_eq!(queue.poll_next(&mut context), Poll::Ready(Next::Item(Ok(row(1)))));
    }
}
