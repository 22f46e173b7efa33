//! Clocks that a time stamp can come from.

use std::fmt;

/// Which clock a time stamp was read from, nearest to the wire first.
///
/// Stamps of two clocks may be subtracted only if both are `Kernel` or `Program`: a stamp of the kernel is told by the
/// program's clock. An adapter counts on its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Clock {
    /// The adapter stamped it at the wire.
    Adapter,
    /// The kernel stamped it: just before a frame goes to the adapter, just after one came up.
    Kernel,
    /// This program did, system call and scheduling included.
    Program,
}

impl Clock {
    /// One word for reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Adapter => "adapter",
            Self::Kernel => "kernel",
            Self::Program => "program",
        }
    }
}

impl fmt::Display for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}
