//! When a probe left, and which arrival that may be compared with.

use turnback_core::base::time::{ClockSource, Nanos};

/// When a probe left, by every clock that saw it go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Departure {
    /// By the program's clock, read just before the probe was handed over.
    pub program: Nanos,
    /// By the kernel, just before it went to the adapter.
    pub kernel: Option<Nanos>,
    /// By the adapter, which counts on its own.
    pub adapter: Option<Nanos>,
}

impl Departure {
    /// Seen by the program alone.
    pub fn by_program(at: Nanos) -> Self {
        Self { program: at, kernel: None, adapter: None }
    }

    /// The best stamp that an arrival by the clock `arrival` may be held against, and its clock. A kernel's
    /// stamp is told by the program's clock; an adapter's own can only be held against itself.
    pub fn against(&self, arrival: ClockSource) -> Option<(Nanos, ClockSource)> {
        match arrival {
            ClockSource::Adapter => self.adapter.map(|at| (at, ClockSource::Adapter)),
            _ => Some(self.kernel.map_or((self.program, ClockSource::Program), |at| (at, ClockSource::Kernel))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_departure_is_held_only_against_an_arrival_of_its_own_clock() {
        // An adapter's count and the system's time have nothing to do with each other (timestamping.rst 3.1.1, "raw"
        // stamps).
        let seen_by_all = Departure { program: 1_000, kernel: Some(1_100), adapter: Some(7) };
        assert_eq!(seen_by_all.against(ClockSource::Adapter), Some((7, ClockSource::Adapter)));
        assert_eq!(seen_by_all.against(ClockSource::Kernel), Some((1_100, ClockSource::Kernel)));
        assert_eq!(seen_by_all.against(ClockSource::Program), Some((1_100, ClockSource::Kernel)));
        let by_program = Departure::by_program(1_000);
        assert_eq!(by_program.against(ClockSource::Adapter), None);
        assert_eq!(by_program.against(ClockSource::Kernel), Some((1_000, ClockSource::Program)));
    }
}
