//! What is drawn of a report: its lists brought into the rows of a plot. Outlets lay these out and compute nothing.

use std::collections::BTreeMap;

use crate::base::placement::Placement;
use crate::document::case::{Case, Ended, Stage};
use crate::document::run::{Report, StepReport};
use crate::judge::ratio::Basis;
use crate::signal::seconds::SecondCounts;
use crate::stats::looks::Looks;
use crate::stats::ratio::Bounds;

/// Neighbouring seconds of a run drawn as one column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimeColumn {
    /// First second, from the start of the run.
    pub from_s: u64,
    /// First second of the next column; the last column may be shorter than the others.
    pub to_s: u64,
    /// Probes lost or damaged in the worst second of these.
    pub worst_failed: u64,
    /// Seconds among these with at least one probe lost or damaged.
    pub errored: u64,
    /// Seconds among these in which no probe was sent.
    pub idle: u64,
}

/// A run over time in at most `most` columns, each as high as its worst second: a mean would hide a short fault in a
/// long run. Each entry of `series` stands for `each` seconds.
///
/// Columns are all of one length, which people count in (1, 2, 5 s ... 1 min ... 1 h ...).
pub fn worst_seconds(series: &[SecondCounts], each: u32, most: usize) -> Vec<TimeColumn> {
    let each = each.max(1) as usize;
    let least = (series.len() * each).div_ceil(most.max(1)).max(each);
    let fits = |length: &usize| *length >= least && length.is_multiple_of(each);
    let length = COLUMN_SECONDS.into_iter().find(fits).unwrap_or(least.next_multiple_of(each));
    series
        .chunks(length / each)
        .enumerate()
        .map(|(number, part)| TimeColumn {
            from_s: (number * length) as u64,
            to_s: (number * length + part.len() * each) as u64,
            worst_failed: part.iter().map(SecondCounts::failed).max().unwrap_or(0),
            errored: (part.iter().filter(|s| s.failed() > 0).count() * each) as u64,
            idle: (part.iter().filter(|s| s.sent == 0).count() * each) as u64,
        })
        .collect()
}

/// Lengths of a column: parts of a minute, an hour and a day.
const COLUMN_SECONDS: [usize; 19] =
    [1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 7200, 10_800, 21_600, 43_200];

/// What became of the frames of one size, all patterns, directions and repeats together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SizeLoss {
    /// Frame size with FCS, bytes.
    pub size_bytes: u32,
    /// Sent.
    pub sent: u64,
    /// Lost on the way.
    pub lost: u64,
    /// Lost inside this computer: never transmitted, or dropped on return.
    pub lost_inside: u64,
    /// Returned with wrong bits.
    pub damaged: u64,
}

impl SizeLoss {
    /// `count` as a share of the frames sent, 0 to 1.
    pub fn share(&self, count: u64) -> f64 {
        if self.sent == 0 { 0.0 } else { count as f64 / self.sent as f64 }
    }
}

/// Losses by frame size, smallest first.
pub fn loss_by_size(steps: &[StepReport]) -> Vec<SizeLoss> {
    let mut sizes: BTreeMap<u32, SizeLoss> = BTreeMap::new();
    for step in steps {
        let size = sizes.entry(step.size_bytes).or_default();
        size.size_bytes = step.size_bytes;
        size.sent = size.sent.saturating_add(step.frames_sent);
        let inside = step.frames_lost_in_host.saturating_add(step.frames_never_left);
        size.lost = size.lost.saturating_add(step.frames_lost.saturating_sub(inside));
        size.lost_inside = size.lost_inside.saturating_add(inside);
        size.damaged = size.damaged.saturating_add(step.frames_damaged);
    }
    sizes.into_values().collect()
}

/// A ratio with its two-sided interval, measured with the signal turned back at one place.
#[derive(Clone, Debug, PartialEq)]
pub struct PlacedRatio {
    /// Where.
    pub place: String,
    /// Bits or frames that failed.
    pub errors: u64,
    /// Bits or frames tried.
    pub trials: u64,
    /// Best single figure.
    pub estimate: f64,
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
}

impl PlacedRatio {
    /// From counts, with the exact interval of [`Bounds`]; none without trials.
    pub fn new(place: String, errors: u64, trials: u64, confidence: f64) -> Option<Self> {
        let bounds = Bounds::new(errors, trials, confidence, Looks::Once).ok()?;
        Some(Self { place, errors, trials, estimate: bounds.estimate, lower: bounds.lower, upper: bounds.upper })
    }
}

/// Bit error ratios from the nearest place to the farthest: the run's own, and those of its references where bits are
/// counted. References that counted frames are left out: their mean frame length, and so their bit error ratio, is not
/// known.
pub fn placed_ratios(report: &Report) -> Vec<PlacedRatio> {
    let Some(own) = report.error_ratio else { return Vec::new() };
    let mut rows: Vec<(Placement, PlacedRatio)> = Vec::new();
    if own.basis == Basis::Bits {
        rows.extend(report.references.iter().filter_map(|r| {
            let row = PlacedRatio::new(r.placement.to_string(), r.failures.min(r.trials), r.trials, own.confidence)?;
            Some((r.placement, row))
        }));
    }
    let row = PlacedRatio {
        place: format!("{} (this run)", report.placement),
        errors: own.errors,
        trials: own.trials,
        estimate: own.estimate,
        lower: own.lower,
        upper: own.upper,
    };
    rows.push((report.placement, row));
    let rank = |place: Placement| Placement::ALL.iter().position(|p| *p == place);
    rows.sort_by_key(|(place, _)| rank(*place));
    rows.into_iter().map(|(_, row)| row).collect()
}

/// What a stage of a case showed, for comparing stages.
#[derive(Clone, Debug, PartialEq)]
pub struct StageRatio<'a> {
    /// The stage.
    pub stage: &'a Stage,
    /// Its name, with the attempt where there were several.
    pub label: String,
    /// Bit error ratio with its interval; none when nothing was measured.
    pub ratio: Option<PlacedRatio>,
}

/// Stages of a case whose result counts, in the order in which they were done.
pub fn stage_ratios(case: &Case) -> Vec<StageRatio<'_>> {
    let label = |stage: &Stage| match stage.attempt {
        0 | 1 => stage.name.to_string(),
        attempt => format!("{} ({attempt})", stage.name),
    };
    case.stages
        .iter()
        .filter(|stage| stage.ended == Ended::Done)
        .filter_map(|stage| {
            let result = stage.result.as_ref()?;
            let ratio = result.error_ratio.map(|r| PlacedRatio {
                place: label(stage),
                errors: r.errors,
                trials: r.trials,
                estimate: r.estimate,
                lower: r.lower,
                upper: r.upper,
            });
            Some(StageRatio { stage, label: label(stage), ratio })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn second(sent: u64, returned: u64, damaged: u64) -> SecondCounts {
        SecondCounts { sent, returned, damaged, without_link: false }
    }

    #[test]
    fn one_bad_second_in_a_day_stays_in_sight() {
        let mut seconds = vec![second(1000, 1000, 0); 86_400];
        seconds[54_321] = second(1000, 400, 7);
        let columns = worst_seconds(&seconds, 1, 120);
        assert_eq!(columns.len(), 96);
        assert!(columns.iter().all(|c| c.to_s - c.from_s == 900));
        let bad: Vec<_> = columns.iter().filter(|c| c.worst_failed > 0).collect();
        assert_eq!(bad.len(), 1);
        assert_eq!((bad[0].worst_failed, bad[0].errored), (607, 1));
        assert!((bad[0].from_s..bad[0].to_s).contains(&54_321));
    }

    #[test]
    fn a_short_run_keeps_every_second() {
        let columns = worst_seconds(&[second(5, 5, 0), second(0, 0, 0), second(5, 3, 1)], 1, 120);
        let shown: Vec<_> = columns.iter().map(|c| (c.from_s, c.to_s, c.worst_failed, c.idle)).collect();
        assert_eq!(shown, [(0, 1, 0, 0), (1, 2, 0, 1), (2, 3, 3, 0)]);
        assert_eq!(worst_seconds(&[], 1, 120), []);
        // A folded series: five entries of two minutes each in columns of ten minutes.
        let folded = worst_seconds(&[second(9, 8, 0); 5], 120, 1);
        assert_eq!((folded.len(), folded[0].to_s, folded[0].errored, folded[0].worst_failed), (1, 600, 600, 1));
    }

    proptest! {
        #[test]
        fn columns_cover_every_second_once(
            failed in prop::collection::vec(0_u64..3, 0..2000),
            most in 1_usize..300,
        ) {
            let seconds: Vec<_> = failed.iter().map(|f| second(10, 10 - f, 0)).collect();
            let columns = worst_seconds(&seconds, 1, most);
            prop_assert!(columns.len() <= most);
            prop_assert_eq!(columns.iter().map(|c| c.to_s - c.from_s).sum::<u64>(), seconds.len() as u64);
            let errored = failed.iter().filter(|f| **f > 0).count() as u64;
            prop_assert_eq!(columns.iter().map(|c| c.errored).sum::<u64>(), errored);
            prop_assert_eq!(columns.iter().map(|c| c.worst_failed).max(), failed.iter().max().copied());
        }
    }

    #[test]
    fn losses_of_one_size_add_up() {
        let step = |size_bytes, frames_lost, frames_lost_in_host| StepReport {
            direction: "out-and-back".into(),
            size_bytes,
            pattern: "prbs31".into(),
            frames_sent: 100,
            frames_returned: 100 - frames_lost,
            frames_lost,
            frames_lost_in_host,
            frames_never_left: u64::from(frames_lost == 3),
            frames_damaged: 1,
            bit_errors: 1,
            seconds: 1.0,
            frames_per_second: 100.0,
            bits_per_second: 0.0,
            delay_variation_ns: None,
            rate_asked: None,
            repeated_slower: false,
        };
        let sizes = loss_by_size(&[step(512, 3, 1), step(64, 0, 0), step(512, 5, 5)]);
        assert_eq!(sizes.len(), 2);
        assert_eq!(sizes[1], SizeLoss { size_bytes: 512, sent: 200, lost: 1, lost_inside: 7, damaged: 2 });
        assert_eq!(sizes[1].share(sizes[1].lost), 0.005);
        assert_eq!(SizeLoss::default().share(3), 0.0);
    }
}
