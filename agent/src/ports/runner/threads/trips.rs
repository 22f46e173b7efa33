//! Round trips of probes that travelled alone, and the clocks that timed them.

use turnback_core::base::time::{ClockSource, Nanos};

/// A round trip of a probe that travelled alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Trip {
    pub sequence: u64,
    pub trip: Nanos,
    /// Of departure and arrival.
    pub clocks: (ClockSource, ClockSource),
}

/// The trips of the clock that most were timed by, adapter or system; one histogram has one clock. Names the coarsest
/// pair among them.
pub(super) fn of_one_clock(trips: Vec<Trip>, clocks: &mut (ClockSource, ClockSource)) -> Vec<Trip> {
    let by_adapter = |trip: &Trip| trip.clocks.1 == ClockSource::Adapter;
    let wanted = trips.iter().filter(|trip| by_adapter(trip)).count() * 2 > trips.len();
    let kept: Vec<Trip> = trips.into_iter().filter(|trip| by_adapter(trip) == wanted).collect();
    let coarsest = |of: fn(&Trip) -> ClockSource| kept.iter().map(of).min();
    if let (Some(left), Some(arrived)) = (coarsest(|t| t.clocks.0), coarsest(|t| t.clocks.1)) {
        *clocks = (left, arrived);
    }
    kept
}
