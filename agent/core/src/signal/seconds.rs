//! A stream second by second: how much was sent in each second of a run, and what became of it.

use serde::{Deserialize, Serialize};

use crate::base::time::{Nanos, SECOND_NS};
use crate::stats::{looks::Looks, ratio::lower_bound};

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

    /// Adds what became of units in another second.
    fn add(&mut self, other: &Self) {
        self.sent += other.sent;
        self.returned += other.returned;
        self.damaged += other.damaged;
        self.without_link |= other.without_link;
    }
}

/// How failures were spread over the seconds of a stream.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Spread {
    /// Seconds in which units were sent, clean ones with few of them left out.
    pub seconds: u64,
    /// Of those, with failures.
    pub errored: u64,
    /// Groups of seconds with failures, each after one without.
    pub groups: u64,
    /// Seconds from the first of these to the last, those in between in which nothing was sent included.
    pub lasted: u64,
}

impl Spread {
    /// Of these seconds, with `excused` failures taken off each.
    ///
    /// A clean second in which few units were sent says little: fewer than a quarter of those in either neighbour. Only
    /// neighbours are compared, since large frames are sent at a twentieth of the rate of small ones.
    pub fn of(seconds: &[SecondCounts], excused: u64) -> Self {
        let sent: Vec<_> = seconds.iter().enumerate().filter(|(_, second)| second.sent > 0).collect();
        let quiet = |n: usize| {
            let neighbours = [n.checked_sub(1), Some(n + 1)].into_iter().flatten().filter_map(|n| sent.get(n));
            neighbours.map(|(_, second)| second.sent).min().is_some_and(|least| sent[n].1.sent * 4 < least)
        };
        let mut spread = Self::default();
        let mut before = false;
        let mut first = None;
        for (n, (at, second)) in sent.iter().enumerate() {
            let errored = second.failed() > excused;
            if !errored && quiet(n) {
                continue;
            }
            spread.lasted = (at - *first.get_or_insert(*at) + 1) as u64;
            spread.seconds += 1;
            spread.errored += u64::from(errored);
            spread.groups += u64::from(errored && !before);
            before = errored;
        }
        spread
    }

    /// Whether there are more seconds without a failure than `failed` failures leave by chance.
    pub fn has_pauses(&self, failed: u64) -> bool {
        self.has_fewer_than(seconds_hit(self.seconds as f64, failed))
    }

    /// Whether fewer seconds hold failures than the `by_chance` that chance would hit. A second that a run only begins
    /// or ends in makes no pause.
    pub fn has_fewer_than(&self, by_chance: f64) -> bool {
        let clean = self.seconds.saturating_sub(self.errored);
        let clean_by_chance = 1.0 - by_chance / self.seconds.max(1) as f64;
        self.errored > 0
            && (self.errored as f64) < CROWDED * by_chance - 1.0
            && lower_bound(clean, self.seconds, 1.0 - PAUSES_P_MAX, Looks::Once)
                .is_ok_and(|least| least > clean_by_chance)
    }
}

/// How many of so many seconds `failed` failures hit by chance: each falls into any second alike, so one second stays
/// without with probability `exp(-failed / seconds)` (Poisson).
pub fn seconds_hit(seconds: f64, failed: u64) -> f64 {
    if seconds > 0.0 { -seconds * (-(failed as f64) / seconds).exp_m1() } else { 0.0 }
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
    seconds[index_of(from, origin)..=index_of(to, origin)].iter_mut().for_each(|second| second.without_link = true);
}

/// Adds another stream of the same run, second by second.
pub fn merge(mine: &mut Vec<SecondCounts>, theirs: &[SecondCounts]) {
    if mine.len() < theirs.len() {
        mine.resize(theirs.len(), SecondCounts::default());
    }
    for (mine, theirs) in mine.iter_mut().zip(theirs) {
        mine.add(theirs);
    }
}

/// The second from which on nothing came back to the end, though at least `least` units were sent from there on, more
/// than the loss before it explains; none if nothing came back before it either.
pub fn silent_from(seconds: &[SecondCounts], least: u64) -> Option<u64> {
    let last_heard = seconds.iter().rposition(|second| second.returned > 0)?;
    let silent = &seconds[last_heard + 1..];
    let from = silent.iter().position(|second| second.sent > 0)?;
    let sent: u64 = silent.iter().map(|second| second.sent).sum();
    is_silence(sent, least, summed(seconds[..=last_heard].iter())).then_some((last_heard + 1 + from) as u64)
}

/// Whether `unheard` units without an echo are at least `least`, and more than the loss beside them explains: of those
/// so many were sent and came back.
pub(super) fn is_silence(unheard: u64, least: u64, (sent, returned): (u64, u64)) -> bool {
    // Laplace's estimate of the share lost beside it; all of the rest lost at that share is chance to the power of it.
    let share = (sent.saturating_sub(returned) + 1) as f64 / (sent + 2) as f64;
    unheard >= least.max(1) && share.powf(unheard as f64) < SILENT_BY_CHANCE
}

/// What was sent in these seconds, and came back.
pub(super) fn summed<'s>(seconds: impl Iterator<Item = &'s SecondCounts>) -> (u64, u64) {
    seconds.fold((0, 0), |(sent, returned), second| (sent + second.sent, returned + second.returned))
}

/// Probability below which a silence is more than the loss beside it; our own choice.
const SILENT_BY_CHANCE: f64 = 1e-6;

/// A series of at most [`SERIES_MAX`] entries, and how many seconds each stands for: as many seconds are added up to
/// one entry as it takes. A report keeps this, so that a run of a month takes no more room than one of an hour.
pub fn fold(seconds: &[SecondCounts]) -> (Vec<SecondCounts>, u32) {
    let least = seconds.len().div_ceil(SERIES_MAX).max(1);
    let each = WIDTHS.into_iter().find(|width| *width >= least).unwrap_or(least);
    let sum = |chunk: &[SecondCounts]| {
        let mut sum = SecondCounts::default();
        chunk.iter().for_each(|second| sum.add(second));
        sum
    };
    (seconds.chunks(each).map(sum).collect(), each as u32)
}

/// Most entries in the series of a report: second by second for eight hours. Our own choice.
pub const SERIES_MAX: usize = 28_800;

/// Seconds in one entry: parts of an hour, so that a plot can count in minutes and hours.
const WIDTHS: [usize; 9] = [1, 2, 5, 10, 15, 20, 30, 60, 120];

/// Seconds with failures must be fewer than chance makes them by this share, and by one. Our own choice.
const CROWDED: f64 = 0.9;
/// Chance has to make so many clean seconds less often than this. Our own choice: a slip names one place too many.
const PAUSES_P_MAX: f64 = 0.05;
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
    fn silence_counts_from_the_first_second_that_brings_nothing_back() {
        // Of every nine, one came back before: with 8/9 to the power of 118, 1e-6 is passed.
        let lossy = |sent| {
            silent_from(
                &[(900, 100), (sent, 0)].map(|(sent, returned)| SecondCounts {
                    sent,
                    returned,
                    ..SecondCounts::default()
                }),
                3,
            )
        };
        assert_eq!((lossy(100), lossy(130)), (None, Some(1)));
        let run = |counts: &[(u64, u64)]| {
            counts
                .iter()
                .map(|&(sent, returned)| SecondCounts { sent, returned, ..SecondCounts::default() })
                .collect::<Vec<_>>()
        };
        assert_eq!(silent_from(&run(&[(9, 9), (9, 2), (9, 0), (9, 0)]), 18), Some(2));
        assert_eq!(silent_from(&run(&[(9, 9), (9, 2), (9, 0), (9, 0)]), 19), None, "too few sent to tell");
        assert_eq!(silent_from(&run(&[(9, 9), (0, 0), (9, 0)]), 3), Some(2), "a second in which nothing was sent");
        assert_eq!(silent_from(&run(&[(9, 9), (9, 0), (9, 1)]), 3), None, "it came back");
        assert_eq!(silent_from(&run(&[(9, 0), (9, 0)]), 3), None, "nothing ever came back");
        assert_eq!(silent_from(&run(&[(9, 9)]), 0), None);
    }

    #[test]
    fn a_long_series_is_folded_and_loses_nothing() {
        let second = SecondCounts { sent: 5, returned: 4, damaged: 1, without_link: false };
        for (seconds, entries, each) in
            [(0, 0, 1), (28_800, 28_800, 1), (28_801, 14_401, 2), (57_601, 11_521, 5), (31 * 86_400, 22_320, 120)]
        {
            let (series, width) = fold(&vec![second; seconds]);
            assert_eq!((series.len(), width), (entries, each), "{seconds} s");
            assert_eq!(series.iter().map(|entry| entry.sent).sum::<u64>(), 5 * seconds as u64);
            // docs/report-format.md: less than 4 MB, with as many frames as 1 Gb/s can carry (RFC 5180 A.1).
            let most = 1_488_095 * u64::from(width);
            let full =
                vec![SecondCounts { sent: most, returned: most, damaged: most, without_link: true }; series.len()];
            assert!(serde_json::to_string_pretty(&full).unwrap().len() < 4_000_000);
            assert_eq!(series.iter().map(SecondCounts::failed).sum::<u64>(), 2 * seconds as u64);
        }
    }

    #[test]
    fn failures_that_pause_are_told_from_those_that_chance_spreads() {
        let spread = |failed: &[u64], excused| {
            let second = |failed: &u64| SecondCounts { sent: 1000, returned: 1000 - failed, ..SecondCounts::default() };
            Spread::of(&failed.iter().map(second).collect::<Vec<_>>(), excused)
        };
        let pausing = spread(&[0, 40, 30, 0, 0, 20], 0);
        assert_eq!(pausing, Spread { seconds: 6, errored: 3, groups: 2, lasted: 6 });
        // By hand: of six seconds, one stays clean with probability exp(-15) each.
        assert!(pausing.has_pauses(90));
        // Six failures in six seconds leave 2.2 of them clean (6 / e): three are no wonder.
        assert!(!spread(&[0, 2, 3, 0, 0, 1], 0).has_pauses(6));
        assert!(!spread(&[5, 5, 5], 0).has_pauses(15) && !spread(&[0, 0, 0], 0).has_pauses(0));
        // Where all ten seconds would fail, two clean ones are the run's ends; three are a pause.
        let clean = |seconds: usize| [vec![0; seconds], vec![50; 10 - seconds]].concat();
        assert!(!spread(&clean(2), 0).has_pauses(400) && spread(&clean(3), 0).has_pauses(350));
        // What may be this computer's own loss makes no second an errored one.
        assert_eq!(spread(&[0, 40, 30, 0, 0, 20], 30).errored, 1);
    }

    /// A second of large frames holds few of them; one of single probes between two full ones is left out, unless
    /// something failed in it.
    #[test]
    fn seconds_of_large_frames_count_and_those_of_few_probes_do_not() {
        let of = |counts: &[(u64, u64)]| {
            let second =
                |&(sent, lost): &(u64, u64)| SecondCounts { sent, returned: sent - lost, ..Default::default() };
            let spread = Spread::of(&counts.iter().map(second).collect::<Vec<_>>(), 0);
            (spread.seconds, spread.errored, spread.groups, spread.lasted)
        };
        // Frames of 64 and of 1,518 octets at 1 Gb/s (RFC 5180 A.1).
        let (small, large) = (1_488_095, 81_274);
        assert_eq!(of(&[(small, 0), (small, 1), (large, 0), (large, 1), (0, 0)]), (4, 2, 2, 4));
        assert_eq!(of(&[(32, 0), (small, 0), (small, 0)]), (2, 0, 0, 2));
        assert_eq!(of(&[(small, 0), (32, 0), (large, 0)]), (2, 0, 0, 3));
        assert_eq!(of(&[(small, 0), (32, 1), (large, 0)]), (3, 1, 1, 3));
        // At the edge: a quarter is enough.
        assert_eq!(of(&[(100, 0), (25, 0), (100, 0)]).0, 3);
        assert_eq!(of(&[(100, 0), (24, 0), (100, 0)]).0, 2);
        // Seconds in between in which nothing was sent count for how long it lasted.
        assert_eq!(of(&[(0, 0), (1000, 0), (0, 0), (1000, 0), (0, 0)]), (2, 0, 0, 3));
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
