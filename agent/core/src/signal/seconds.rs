//! A stream second by second: how much was sent in each second of a run, and what became of it.

use serde::{Deserialize, Serialize};

use crate::base::time::{Nanos, SECOND_NS};

/// Units (probes, or bytes of a serial line) sent in one second of a run and what became of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SecondCounts {
    /// Units sent in this second.
    pub sent: u64,
    /// Of those, came back.
    pub returned: u64,
    /// Of those, damaged, cut or lengthened.
    pub damaged: u64,
    /// The port was seen without link in this second.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub without_link: bool,
}

impl SecondCounts {
    /// Units of this second that were lost, or came back otherwise than sent.
    pub fn failed(&self) -> u64 {
        (self.sent.saturating_sub(self.returned) + self.damaged.min(self.returned)).min(self.sent)
    }
}

/// Which second of a run `at` falls in, counted from its `origin`.
///
/// A moment before the origin is in the first one. One absurdly far ahead is a stepped clock or a damaged stamp and not
/// a longer run: it is in the last second that a series can have.
pub fn index_of(at: Nanos, origin: Nanos) -> usize {
    (at.saturating_sub(origin) / SECOND_NS).min(SECONDS_MAX) as usize
}

/// The entry of the second that `at` falls in, counted from `origin`; made if it is not there.
pub fn second_mut(seconds: &mut Vec<SecondCounts>, at: Nanos, origin: Nanos) -> &mut SecondCounts {
    let index = index_of(at, origin);
    if seconds.len() <= index {
        seconds.resize(index + 1, SecondCounts::default());
    }
    &mut seconds[index]
}

/// Marks every second from `from` to `to`, both counted from `origin`, as one without link.
pub fn mark_without_link(seconds: &mut Vec<SecondCounts>, from: Nanos, to: Nanos, origin: Nanos) {
    second_mut(seconds, to, origin);
    let index = |at: Nanos| (at.saturating_sub(origin) / SECOND_NS).min(SECONDS_MAX) as usize;
    seconds[index(from)..=index(to)].iter_mut().for_each(|second| second.without_link = true);
}

/// Adds another stream of the same run, second by second.
pub fn merge(mine: &mut Vec<SecondCounts>, theirs: &[SecondCounts]) {
    if mine.len() < theirs.len() {
        mine.resize(theirs.len(), SecondCounts::default());
    }
    for (mine, theirs) in mine.iter_mut().zip(theirs) {
        mine.sent += theirs.sent;
        mine.returned += theirs.returned;
        mine.damaged += theirs.damaged;
        mine.without_link |= theirs.without_link;
    }
}

/// Longest series kept, seconds: a month.
const SECONDS_MAX: u64 = 31 * 86_400;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_second_that_an_outage_touches_is_one_without_link() {
        let mut seconds = vec![SecondCounts { sent: 9, ..SecondCounts::default() }; 2];
        mark_without_link(&mut seconds, 5 * SECOND_NS / 2, 9 * SECOND_NS / 2, SECOND_NS);
        let found: Vec<_> = seconds.iter().map(|second| (second.sent, second.without_link)).collect();
        assert_eq!(found, [(9, false), (9, true), (0, true), (0, true)]);
        let mut mine = vec![SecondCounts::default(); 2];
        merge(&mut mine, &seconds);
        assert_eq!(mine, seconds);
    }

    #[test]
    fn a_stepped_clock_makes_no_endless_series() {
        let mut seconds = Vec::new();
        second_mut(&mut seconds, 5 * SECOND_NS / 2, SECOND_NS).sent = 7;
        assert_eq!(seconds.iter().map(|second| second.sent).collect::<Vec<_>>(), [0, 7]);
        second_mut(&mut seconds, 0, SECOND_NS).sent += 1;
        assert_eq!((seconds[0].sent, seconds.len()), (1, 2));
        second_mut(&mut seconds, u64::MAX, SECOND_NS);
        assert_eq!(seconds.len() as u64, SECONDS_MAX + 1);
    }
}
