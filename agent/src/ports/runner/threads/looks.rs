//! What a watcher is shown of a step, and how often.

use std::time::{Duration, Instant};

use turnback_core::{base::time::Nanos, judge::facts::Stopped, kind::ethernet::stream::collect::Collector};

use crate::ports::runner::Glimpse;

/// How often a watcher looks, and the wish to end is looked at.
pub(super) const WATCH_EVERY: Duration = Duration::from_millis(50);

/// Calls the watcher at most every [`WATCH_EVERY`].
pub(super) struct Watch<'a> {
    watch: &'a mut dyn FnMut(Glimpse) -> Option<Stopped>,
    next: Instant,
}

impl<'a> Watch<'a> {
    /// Looks for the first time a little later.
    pub(super) fn new(watch: &'a mut dyn FnMut(Glimpse) -> Option<Stopped>) -> Self {
        Self { watch, next: Instant::now() + WATCH_EVERY }
    }

    pub(super) fn look(&mut self, glimpse: Glimpse) -> Option<Stopped> {
        let now = Instant::now();
        if now < self.next {
            return None;
        }
        self.next = now + WATCH_EVERY;
        (self.watch)(glimpse)
    }
}

/// How a step of single probes stands.
pub(super) fn glimpse(collector: &Collector, sent: u64, foreign: u64, now: Nanos) -> Glimpse {
    let counts = &collector.tally().counts;
    Glimpse {
        now,
        sent,
        returned: counts.returned,
        overtaken: collector.overtaken(),
        bits_compared: counts.bits_compared,
        bit_errors: counts.bit_errors,
        foreign,
        link_up: None,
        settles_for: None,
    }
}
