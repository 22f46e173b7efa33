//! On which processor a thread runs: the one piece of unsafe code for queues.

use std::{io, mem};

/// The calling thread, kept on one processor at a time; where it ran before once this is dropped.
pub(super) struct OnProcessor {
    before: libc::cpu_set_t,
    allowed: Vec<usize>,
}

impl OnProcessor {
    /// The calling thread with the processors on which it may run.
    pub(super) fn of_this_thread() -> io::Result<Self> {
        // SAFETY: a cpu_set_t is an array of integers, for which zero is a value.
        let mut before: libc::cpu_set_t = unsafe { mem::zeroed() };
        // SAFETY: pointer and length describe `before`; thread 0 is the calling one.
        if unsafe { libc::sched_getaffinity(0, size_of::<libc::cpu_set_t>(), &mut before) } < 0 {
            return Err(io::Error::last_os_error());
        }
        // SAFETY: CPU_ISSET reads a bit of `before`, and every number is within it.
        let is_allowed = |number: &usize| unsafe { libc::CPU_ISSET(*number, &before) };
        let allowed = (0..libc::CPU_SETSIZE as usize).filter(is_allowed).collect();
        Ok(Self { before, allowed })
    }

    /// Moves it to the processor with this number, counted round through those that are allowed.
    pub(super) fn go(&self, turn: usize) {
        if self.allowed.len() < 2 {
            return;
        }
        // SAFETY: as above.
        let mut one: libc::cpu_set_t = unsafe { mem::zeroed() };
        // SAFETY: CPU_SET writes a bit of `one`; the number is one that the kernel told, and so within it.
        unsafe { libc::CPU_SET(self.allowed[turn % self.allowed.len()], &mut one) };
        set(&one);
    }
}

impl Drop for OnProcessor {
    fn drop(&mut self) {
        set(&self.before);
    }
}

/// A processor that went away meanwhile is no matter: the thread stays where it is.
fn set(processors: &libc::cpu_set_t) {
    // SAFETY: pointer and length describe `processors`, which the kernel only reads; thread 0 is the calling one.
    unsafe { libc::sched_setaffinity(0, size_of::<libc::cpu_set_t>(), processors) };
}
