//! The simplest allocator: gives from the start of an array and takes nothing back.
#![allow(unsafe_code)]

use core::alloc::{GlobalAlloc, Layout};
use core::cell::UnsafeCell;
use core::ptr::null_mut;
use core::sync::atomic::{AtomicUsize, Ordering::Relaxed};

const SIZE: usize = 256 * 1024;

#[repr(align(16))]
struct Arena(UnsafeCell<[u8; SIZE]>, AtomicUsize);

// SAFETY: each byte is given out once, under an atomic counter.
unsafe impl Sync for Arena {}

#[global_allocator]
static ARENA: Arena = Arena(UnsafeCell::new([0; SIZE]), AtomicUsize::new(0));

// SAFETY: what is returned lies in the array, is aligned (the array itself to 16) and is given out once.
unsafe impl GlobalAlloc for Arena {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        let Self(bytes, used) = self;
        let start = |used: usize| used.next_multiple_of(layout.align());
        let place = used.fetch_update(Relaxed, Relaxed, |used| {
            let end = start(used).checked_add(layout.size())?;
            (end <= SIZE && layout.align() <= 16).then_some(end)
        });
        place.map_or(null_mut(), |before| bytes.get().cast::<u8>().wrapping_add(start(before)))
    }

    unsafe fn dealloc(&self, _: *mut u8, _: Layout) {}
}
