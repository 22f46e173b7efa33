//! When in a run it failed: whoever held the plug at that moment knows why.

use super::seconds::{SecondCounts, Spread, is_silence, summed};
use crate::base::figure::listed;
use crate::stats::spells::GAP_SECONDS;

/// When something failed, as far as that tells more than how much.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct When {
    /// Stretches in the middle of the run in which nothing came back.
    pub gaps: Vec<Gap>,
    /// Other stretches in which all that failed was sent: few of them, or none where it was sent all over the run.
    pub crowded: Vec<Stretch>,
    /// Units that failed and were not sent in a gap, nor in the seconds at its ends.
    pub failed_elsewhere: u64,
}

/// A stretch in the middle of a run in which units were sent and none came back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// The last second before it in which something came back: it may have begun in it.
    pub from_s: u64,
    /// The first second after it in which something came back.
    pub until_s: u64,
}

/// Seconds in which something failed, with no more than [`GAP_SECONDS`] clean ones between.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// The first of them.
    pub first_s: u64,
    /// The last of them.
    pub last_s: u64,
}

impl When {
    /// From the seconds of a run. At least `least` units without an echo prove a gap; `excused` failures of each second
    /// are not the line's.
    pub fn of(seconds: &[SecondCounts], least: u64, excused: u64) -> Self {
        let gaps = gaps(seconds, least);
        let failed = |second: &SecondCounts| second.failed().saturating_sub(excused);
        let is_crowded = Spread::of(seconds, excused).has_pauses(seconds.iter().map(failed).sum());
        let stretches = stretches(seconds.iter().map(|second| (second.sent, failed(second))));
        // Stretches that fill most of the run tell nothing of it.
        let covered: u64 = stretches.iter().map(|s| s.last_s - s.first_s + 1).sum();
        let few = is_crowded && stretches.len() <= FEW + gaps.len() && covered * 2 <= seconds.len() as u64;
        let crowded = stretches.into_iter().filter(|_| few);
        let is_apart = |s: &Stretch| gaps.iter().all(|gap| s.last_s < gap.from_s || gap.until_s < s.first_s);
        let alone = |at: usize| is_apart(&Stretch { first_s: at as u64, last_s: at as u64 });
        let elsewhere = seconds.iter().enumerate().filter(|(at, _)| alone(*at));
        Self {
            crowded: crowded.filter(is_apart).take(FEW).collect(),
            failed_elsewhere: elsewhere.map(|(_, second)| failed(second)).sum(),
            gaps,
        }
    }

    /// All that failed was sent in one second or two, as far as that is more than chance.
    pub fn is_one_moment(&self) -> bool {
        self.gaps.is_empty() && matches!(self.crowded.as_slice(), [one] if one.last_s - one.first_s <= 1)
    }

    /// In a sentence or two; none where there is nothing to tell.
    pub fn in_words(&self) -> Option<String> {
        let else_failed = if self.gaps.is_empty() { "All that failed" } else { "What else failed" };
        let told = |s: &Stretch| match s.first_s == s.last_s {
            true => s.first_s.to_string(),
            false => format!("{} to {}", s.first_s, s.last_s),
        };
        let crowded = match self.crowded.as_slice() {
            [] => None,
            [one] if one.first_s == one.last_s => Some(format!("{else_failed} was sent in second {}.", one.first_s)),
            several => Some(format!(
                "{else_failed} was sent in seconds {}.",
                listed(&several.iter().map(told).collect::<Vec<_>>())
            )),
        };
        match (gaps_in_words(&self.gaps), crowded) {
            (Some(gaps), Some(crowded)) => Some(format!("{gaps} {crowded}")),
            (one, other) => one.or(other),
        }
    }
}

/// The stretches of at least a whole second in which nothing came back, though something did before and after, and at
/// least `least` units were sent, more than the loss in all other seconds explains.
fn gaps(seconds: &[SecondCounts], least: u64) -> Vec<Gap> {
    let sent: Vec<_> = seconds.iter().enumerate().filter(|(_, second)| second.sent > 0).collect();
    let heard: Vec<usize> = (0..sent.len()).filter(|n| sent[*n].1.returned > 0).collect();
    let gap = |around: &[usize]| {
        let [before, after] = around else { return None };
        // The gap itself begins and ends in the seconds around it.
        let apart = heard.iter().filter(|n| !around.contains(n)).map(|n| sent[*n].1);
        let beside = match summed(apart) {
            (0, _) => summed(around.iter().map(|n| sent[*n].1)),
            apart => apart,
        };
        let unheard: u64 = sent[before + 1..*after].iter().map(|(_, second)| second.sent).sum();
        is_silence(unheard, least, beside)
            .then(|| Gap { from_s: sent[*before].0 as u64, until_s: sent[*after].0 as u64 })
    };
    heard.windows(2).filter_map(gap).collect()
}

/// From what was sent in each second, and failed. A second in which nothing was sent is not clean.
fn stretches(seconds: impl Iterator<Item = (u64, u64)>) -> Vec<Stretch> {
    let mut found: Vec<Stretch> = Vec::new();
    let mut clean = 0;
    for (at, (sent, failed)) in (0..).zip(seconds) {
        if failed == 0 {
            clean += usize::from(sent > 0);
            continue;
        }
        match found.last_mut().filter(|_| clean <= GAP_SECONDS) {
            Some(last) => last.last_s = at,
            None => found.push(Stretch { first_s: at, last_s: at }),
        }
        clean = 0;
    }
    found
}

fn gaps_in_words(gaps: &[Gap]) -> Option<String> {
    let told = |gap: &Gap| format!("from second {} to {}", gap.from_s, gap.until_s);
    match gaps {
        [] => None,
        [one] => Some(format!("Nothing came back {}, and then it did again.", told(one))),
        several => {
            let more = several.len().saturating_sub(FEW);
            let told: Vec<String> = several.iter().take(FEW).map(told).collect();
            let told = if more == 0 { listed(&told) } else { format!("{}, and {more} times more", told.join(", ")) };
            Some(format!("Nothing came back {told}."))
        }
    }
}

/// So many are told one by one.
const FEW: usize = 3;

#[cfg(test)]
mod tests {
    use super::*;

    fn run(counts: &[(u64, u64)]) -> Vec<SecondCounts> {
        counts.iter().map(|&(sent, returned)| SecondCounts { sent, returned, ..Default::default() }).collect()
    }

    #[test]
    fn a_gap_lies_between_seconds_in_which_something_came_back() {
        let of = |counts: &[(u64, u64)], least| {
            gaps(&run(counts), least).into_iter().map(|gap| (gap.from_s, gap.until_s)).collect::<Vec<_>>()
        };
        let one = [(900, 900), (900, 300), (900, 0), (0, 0), (900, 0), (900, 500), (900, 900)];
        assert_eq!(of(&one, 1800), [(1, 5)]);
        assert_eq!(of(&one, 1801), [], "too few sent to tell");
        assert_eq!(of(&[(900, 0), (900, 900), (900, 0)], 3), [], "neither before the first nor after the last");
        assert_eq!(of(&[(900, 900), (0, 0), (900, 900)], 3), [], "nothing was sent");
        let two = [(900, 900), (900, 0), (900, 900), (900, 0), (900, 900)];
        assert_eq!(of(&two, 3), [(0, 2), (2, 4)]);
        // A silence from the middle of second 1 to that of second 3, while next to nothing is sent.
        let at_edges = [(744_006, 744_006), (1_190_558, 297_619), (4, 0), (28, 25), (187_928, 187_928)];
        assert_eq!(of(&at_edges, 3), [(1, 3)]);
        // Of every nine one comes back: with 8/9 to the power of 118, 1e-6 is passed.
        assert_eq!(of(&[(900, 100), (100, 0), (900, 100)], 3), []);
        assert_eq!(of(&[(900, 100), (130, 0), (900, 100)], 3), [(0, 2)]);
        let gap = |from_s| Gap { from_s, until_s: from_s + 2 };
        let told = |count: u64| gaps_in_words(&(0..count).map(|n| gap(10 * n)).collect::<Vec<_>>());
        assert_eq!(told(0), None);
        assert_eq!(told(1).unwrap(), "Nothing came back from second 0 to 2, and then it did again.");
        assert_eq!(told(2).unwrap(), "Nothing came back from second 0 to 2 and from second 10 to 12.");
        assert!(told(5).unwrap().ends_with("from second 20 to 22, and 2 times more."), "{:?}", told(5));
    }

    /// Sixty seconds with 900 units each, and in the named ones so many lost.
    fn minute(bad: &[(usize, u64)]) -> Vec<SecondCounts> {
        let mut counts = vec![(900, 900); 60];
        bad.iter().for_each(|(at, lost)| counts[*at].1 -= lost);
        run(&counts)
    }

    #[test]
    fn one_moment_is_a_second_or_two_and_no_more() {
        let is_one = |bad: &[(usize, u64)]| When::of(&minute(bad), 3, 0).is_one_moment();
        assert!(is_one(&[(12, 200)]) && is_one(&[(12, 200), (13, 9)]));
        assert!(!is_one(&[(12, 200), (14, 9)]), "three seconds");
        assert!(!is_one(&[(12, 200), (40, 9)]), "two moments");
        assert!(!is_one(&[(12, 900), (13, 9)]), "a gap");
        assert!(!is_one(&[]) && !is_one(&[(12, 1)]), "no more than chance");
    }

    #[test]
    fn what_failed_in_few_seconds_is_told_with_them() {
        let told = |bad: &[(usize, u64)], excused| When::of(&minute(bad), 3, excused).in_words();
        assert_eq!(told(&[(12, 200)], 0).unwrap(), "All that failed was sent in second 12.");
        assert_eq!(told(&[(12, 200), (15, 9)], 0).unwrap(), "All that failed was sent in seconds 12 to 15.");
        let three = [(3, 100), (12, 100), (16, 100), (40, 100)];
        assert_eq!(told(&three[..3], 0).unwrap(), "All that failed was sent in seconds 3, 12 and 16.");
        assert_eq!(told(&three, 0), None, "more than a few tell nothing");
        assert_eq!(told(&[(12, 200), (30, 20)], 20).unwrap(), "All that failed was sent in second 12.");
        assert_eq!(told(&[(12, 200)], 200), None, "all of it is this computer's");
        // 60 failures, one in each second: chance alone leaves a third of the seconds clean.
        let all_over: Vec<_> = (0..60).map(|at| (at, 1)).collect();
        assert_eq!(told(&all_over, 0), None);
        // Three failures hit three seconds or fewer, whatever did it.
        assert_eq!(told(&[(3, 1), (20, 1), (41, 1)], 0), None);
        // A second of every four is no stretch of its own.
        let in_turn: Vec<_> = (0..60).step_by(4).map(|at| (at, 300)).collect();
        assert_eq!(told(&in_turn, 0), None);
        let half: Vec<_> = (20..=50).step_by(2).map(|at| (at, 300)).collect();
        assert_eq!(told(&half, 0), None, "31 of 60 seconds");
        assert_eq!(told(&half[1..], 0).unwrap(), "All that failed was sent in seconds 22 to 50.");
        // Nothing was sent in seconds 13 to 16, so they are not clean.
        let mut paused = minute(&[(12, 200), (17, 100)]);
        (13..=16).for_each(|at| paused[at] = SecondCounts::default());
        assert_eq!(When::of(&paused, 3, 0).in_words().unwrap(), "All that failed was sent in seconds 12 to 17.");
        let elsewhere = |bad: &[(usize, u64)]| When::of(&minute(bad), 3, 0).failed_elsewhere;
        assert_eq!(elsewhere(&[(4, 7), (5, 900), (6, 9), (7, 2)]), 2, "the seconds at both ends are the gap's");
        assert_eq!(
            told(&[(5, 900), (6, 900), (30, 100)], 0).unwrap(),
            "Nothing came back from second 4 to 7, and then it did again. What else failed was sent in second 30."
        );
    }
}
