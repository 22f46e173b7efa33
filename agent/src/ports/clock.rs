//! The clock that this program reads for itself.

use std::time::{SystemTime, UNIX_EPOCH};

/// The program's clock now: system time (CLOCK_REALTIME, the one the kernel stamps with) in nanoseconds since 1970.
pub fn now_ns() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| u64::try_from(since.as_nanos()).unwrap_or(u64::MAX))
}
