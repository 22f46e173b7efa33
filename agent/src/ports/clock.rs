//! The clock of a run, which nobody can set, and what the system's time is on it.

use std::{
    sync::LazyLock,
    time::{Instant, SystemTime, UNIX_EPOCH},
};

/// Where the clock of runs began: a moment, and the system's time then.
static START: LazyLock<(Instant, u64)> = LazyLock::new(|| (Instant::now(), system_ns()));

/// Now on the clock of runs, nanoseconds. It begins with the system's time at the program's first look, counted since
/// 1970, and no later change of that time moves it (CLOCK_MONOTONIC).
pub fn now_ns() -> u64 {
    let (start, at) = &*START;
    at.saturating_add(u64::try_from(start.elapsed().as_nanos()).unwrap_or(u64::MAX))
}

/// The system's time (CLOCK_REALTIME), which the kernel stamps with and a person or program can set.
fn system_ns() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| u64::try_from(since.as_nanos()).unwrap_or(u64::MAX))
}

/// One moment on both clocks. Brings the kernel's stamps to the clock of runs.
#[derive(Clone, Copy, Debug)]
pub struct ClockPair {
    system_ns: u64,
    run_ns: u64,
}

impl ClockPair {
    /// Now. Read again where the program was kept from its processor between the two clocks.
    pub fn read() -> Self {
        let mut best: Option<(u64, Self)> = None;
        for _ in 0..READS_MAX {
            let before = now_ns();
            let system_ns = system_ns();
            let gap = now_ns().saturating_sub(before);
            if best.is_none_or(|(least, _)| gap < least) {
                best = Some((gap, Self { system_ns, run_ns: before + gap / 2 }));
            }
            if gap < GAP_NS {
                break;
            }
        }
        best.map_or(Self { system_ns: 0, run_ns: 0 }, |(_, pair)| pair)
    }

    /// A stamp of the system's time on the clock of runs. It lies in the past: one that the system's time was set back
    /// past since it was made counts as made now.
    pub fn on_run_clock(&self, stamp_ns: u64) -> u64 {
        let age = self.system_ns.saturating_sub(stamp_ns);
        self.run_ns.saturating_sub(age)
    }
}

/// Two readings closer together than this are as good as at once.
const GAP_NS: u64 = 500;
const READS_MAX: u32 = 4;

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR_NS: u64 = 3_600_000_000_000;

    #[test]
    fn a_stamp_is_as_old_on_either_clock() {
        // 7 us old; the system's clock is an hour ahead, and an hour behind.
        for system_ns in [11 * HOUR_NS, 9 * HOUR_NS] {
            let pair = ClockPair { system_ns, run_ns: 10 * HOUR_NS };
            assert_eq!(pair.on_run_clock(system_ns - 7_000), 10 * HOUR_NS - 7_000);
        }
    }

    #[test]
    fn a_stamp_from_before_the_clock_was_set_is_never_in_the_future() {
        let run_ns = 10 * HOUR_NS;
        // Set back by an hour since the stamp was made; set from 1970 to today, with a stamp of 1970.
        assert_eq!(ClockPair { system_ns: HOUR_NS, run_ns }.on_run_clock(2 * HOUR_NS), run_ns);
        assert!(ClockPair { system_ns: 490_000 * HOUR_NS, run_ns }.on_run_clock(5) < run_ns);
    }

    #[test]
    fn the_clock_of_runs_goes_forward_and_a_stamp_of_now_is_now() {
        let before = now_ns();
        let pair = ClockPair::read();
        let stamp = pair.on_run_clock(system_ns());
        assert!(before <= stamp && stamp <= now_ns());
    }
}
