//! The memory of a receive ring, which the kernel fills block by block.

use std::{
    io, ptr,
    ptr::NonNull,
    slice,
    sync::atomic::{AtomicU32, Ordering},
};

use libc::c_void;
use socket2::Socket;

use super::number;

/// A mapped ring. A block belongs either to the kernel, which then writes it, or to us, who then may read it.
#[derive(Debug)]
pub(in super::super) struct Mapping {
    start: NonNull<u8>,
    block_bytes: usize,
    block_count: usize,
}

// SAFETY: the mapping is process memory, not tied to a thread; all access goes through `&self` and `&mut self`.
unsafe impl Send for Mapping {}

impl Mapping {
    /// Maps the ring that `socket` was just given, of exactly this shape.
    pub(in super::super) fn new(socket: &Socket, block_bytes: usize, block_count: usize) -> io::Result<Self> {
        // SAFETY: a fresh mapping chosen by the kernel touches no existing memory. It stays valid until munmap, even
        // after the socket is closed (the mapping holds the file).
        let start = unsafe {
            libc::mmap(
                ptr::null_mut(),
                block_bytes * block_count,
                libc::PROT_READ | libc::PROT_WRITE,
                libc::MAP_SHARED,
                number(socket),
                0,
            )
        };
        match NonNull::new(start.cast::<u8>()) {
            Some(start) if start.as_ptr().cast::<c_void>() != libc::MAP_FAILED => {
                Ok(Self { start, block_bytes, block_count })
            }
            _ => Err(io::Error::last_os_error()),
        }
    }

    pub(in super::super) fn block_bytes(&self) -> usize {
        self.block_bytes
    }

    pub(in super::super) fn block_count(&self) -> usize {
        self.block_count
    }

    /// Whether block `index` is ours.
    ///
    /// # Panics
    /// If there is no such block.
    pub(in super::super) fn is_ready(&self, index: usize) -> bool {
        self.status(index).load(Ordering::Acquire) & libc::TP_STATUS_USER != 0
    }

    /// The bytes of block `index` if it is ours.
    ///
    /// # Panics
    /// If there is no such block.
    pub(in super::super) fn ready_block(&self, index: usize) -> Option<&[u8]> {
        if !self.is_ready(index) {
            return None;
        }
        // SAFETY: the range lies in the mapping (`status` checked the index). The block has TP_STATUS_USER, so the
        // kernel does not write it until `release`, which needs `&mut self` and so ends this borrow; the acquire load
        // above orders our reads after the kernel's writes.
        Some(unsafe { slice::from_raw_parts(self.start.as_ptr().add(index * self.block_bytes), self.block_bytes) })
    }

    /// Gives block `index` back to the kernel.
    ///
    /// # Panics
    /// If there is no such block.
    pub(in super::super) fn release(&mut self, index: usize) {
        self.status(index).store(libc::TP_STATUS_KERNEL, Ordering::Release);
    }

    fn status(&self, index: usize) -> &AtomicU32 {
        assert!(index < self.block_count, "block {index} of {}", self.block_count);
        // SAFETY: the status word of a block lies inside the mapping, is 4-byte aligned (blocks start on pages, the
        // offset is a multiple of 4) and is what kernel and program hand a block over with, so both access it
        // atomically.
        unsafe { AtomicU32::from_ptr(self.start.as_ptr().add(index * self.block_bytes + STATUS_OFFSET).cast::<u32>()) }
    }
}

impl Drop for Mapping {
    fn drop(&mut self) {
        // SAFETY: exactly the range that `new` mapped; no borrow of it can outlive `self`.
        unsafe { libc::munmap(self.start.as_ptr().cast::<c_void>(), self.block_bytes * self.block_count) };
    }
}

/// Offset of `block_status` in a block: behind version and private offset.
const STATUS_OFFSET: usize =
    std::mem::offset_of!(libc::tpacket_block_desc, hdr) + std::mem::offset_of!(libc::tpacket_hdr_v1, block_status);
const _: () = assert!(STATUS_OFFSET == 8);
