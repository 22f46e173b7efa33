//! Time as the core sees it: nanoseconds on the port's own clock, always handed in, never read.
//!
//! A real port counts from the system's time at the program's start by a clock that nobody can set, a simulated one
//! from the start of its virtual world. Only differences mean anything.

use serde::{Deserialize, Serialize};

/// A moment, in nanoseconds on the port's clock.
pub type Nanos = u64;

/// Nanoseconds in one second.
pub const SECOND_NS: u64 = 1_000_000_000;

/// Picoseconds in one nanosecond.
pub const NANO_PS: u64 = 1000;

/// Moments at an even pace. Kept in picoseconds: at 400 Gb/s the shortest frame takes 1.68 ns, and a rounded one would
/// make another line rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pace {
    /// The first moment, ps on the port's clock.
    pub first_ps: u128,
    /// From each to the next, ps, at least 1.
    pub every_ps: u64,
}

impl Pace {
    /// The moment with this number, from 0, rounded up to the clock's nanosecond.
    pub fn nth(&self, number: u64) -> Nanos {
        whole_ns(self.first_ps + u128::from(number) * u128::from(self.every_ps))
    }

    /// How many of the moments come before `at`.
    pub fn before(&self, at: Nanos) -> u64 {
        let last_ps = u128::from(at.saturating_sub(1)) * u128::from(NANO_PS);
        let after_first = last_ps.checked_sub(self.first_ps).filter(|_| at > 0);
        after_first.map_or(0, |ps| (ps / u128::from(self.every_ps.max(1)) + 1).try_into().unwrap_or(u64::MAX))
    }

    /// The first `count` moments by seconds counted from `origin`: the first moment in each second, and how many of
    /// them it holds.
    pub fn by_second(self, count: u64, origin: Nanos) -> impl Iterator<Item = (Nanos, u64)> {
        let mut done = 0;
        std::iter::from_fn(move || {
            let at = (done < count).then(|| self.nth(done))?;
            let second_end = at - at.saturating_sub(origin) % SECOND_NS + SECOND_NS;
            let here = self.before(second_end).min(count) - done;
            done += here;
            Some((at, here))
        })
    }
}

/// A time in picoseconds, rounded up to nanoseconds.
pub fn whole_ns(ps: u128) -> Nanos {
    ps.div_ceil(u128::from(NANO_PS)).try_into().unwrap_or(Nanos::MAX)
}

/// Which clock stamped a probe or its echo. A latency is only as fine as the coarser of its two stamps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockSource {
    /// The program read the clock just before the system call.
    #[default]
    Program,
    /// The kernel stamped the frame on its way to or from the driver.
    Kernel,
    /// The adapter stamped the frame at its line side.
    Adapter,
    /// The simulated world's clock: exact, and not a measurement.
    Virtual,
}

impl ClockSource {
    /// The word used in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Program => "program",
            Self::Kernel => "kernel",
            Self::Adapter => "adapter",
            Self::Virtual => "virtual",
        }
    }
}

/// The two clocks a latency was taken between, as `sent/received` or one word where they are the same.
pub fn clock_pair(sent: ClockSource, received: ClockSource) -> String {
    if sent == received { sent.name().to_owned() } else { format!("{}/{}", sent.name(), received.name()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pace_rounds_its_moments_and_never_its_sum() {
        // 84 octets at 10 Gb/s take 67.2 ns (RFC 5180 A.1: 14.88 million frames a second).
        let pace = Pace { first_ps: 1_000_500, every_ps: 67_200 };
        assert_eq!([0, 1, 5].map(|n| pace.nth(n)), [1001, 1068, 1337]);
        assert_eq!(pace.nth(1_000_000_000), 67_200_001_001);
        for (at, before) in [(0, 0), (1001, 0), (1002, 1), (1068, 1), (1069, 2), (Nanos::MAX, 274_505_120_144_487_361)]
        {
            assert_eq!(pace.before(at), before, "{at}");
        }
        // Every moment before `at` has a number below the count, and no other has.
        for at in 990..2000 {
            assert_eq!(pace.before(at), (0..100).filter(|n| pace.nth(*n) < at).count() as u64, "{at}");
        }
    }

    #[test]
    fn a_pace_is_shared_out_among_the_seconds() {
        let pace = Pace { first_ps: 2_500_000_000_000, every_ps: 400_000_000_000 };
        // Counted from 0.7 s: 2.5 | 2.9 3.3 | 3.7 4.1 4.5 | 4.9.
        let parts: Vec<_> = pace.by_second(7, 700_000_000).collect();
        assert_eq!(parts, [(2_500_000_000, 1), (2_900_000_000, 2), (3_700_000_000, 3), (4_900_000_000, 1)]);
        assert_eq!(pace.by_second(0, 0).count(), 0);
    }
}
