//! When in a run it failed: whoever held the plug at that moment knows why.

use super::seconds::{SILENT_BY_CHANCE, SecondCounts, Spread};
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
        let stretches = stretches(seconds.iter().map(failed));
        let few = is_crowded && stretches.len() <= FEW + gaps.len();
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
    let (in_all, back) = heard.iter().fold((0, 0), |(s, r), n| (s + sent[*n].1.sent, r + sent[*n].1.returned));
    // As for `silent_from`.
    let share = (in_all.saturating_sub(back) + 1) as f64 / (in_all + 2) as f64;
    let gap = |around: &[usize]| {
        let [before, after] = around else { return None };
        let unheard: u64 = sent[before + 1..*after].iter().map(|(_, second)| second.sent).sum();
        let is_one = unheard >= least.max(1) && share.powf(unheard as f64) < SILENT_BY_CHANCE;
        is_one.then(|| Gap { from_s: sent[*before].0 as u64, until_s: sent[*after].0 as u64 })
    };
    heard.windows(2).filter_map(gap).collect()
}

fn stretches(failed: impl Iterator<Item = u64>) -> Vec<Stretch> {
    let mut found: Vec<Stretch> = Vec::new();
    for (at, _) in failed.enumerate().filter(|(_, failed)| *failed > 0) {
        let at = at as u64;
        match found.last_mut().filter(|last| at - last.last_s <= GAP_SECONDS as u64 + 1) {
            Some(last) => last.last_s = at,
            None => found.push(Stretch { first_s: at, last_s: at }),
        }
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
        let elsewhere = |bad: &[(usize, u64)]| When::of(&minute(bad), 3, 0).failed_elsewhere;
        assert_eq!(elsewhere(&[(4, 7), (5, 900), (6, 9), (7, 2)]), 2, "the seconds at both ends are the gap's");
        assert_eq!(
            told(&[(5, 900), (6, 900), (30, 100)], 0).unwrap(),
            "Nothing came back from second 4 to 7, and then it did again. What else failed was sent in second 30."
        );
    }
}
