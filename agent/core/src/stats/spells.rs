//! Spells: seconds in which far more failed than a line at its limit would let fail, however good the mean of the run
//! is.
//!
//! A fault that comes for a second in an hour hides in the mean of the hour. Each second is held against the limit by
//! the exact lower bound. With so many looks chance would find a bad second in any run, so the confidence is shared
//! among them: each of `n` seconds is judged at `1 - (1 - c) / n` (Bonferroni), and all together err with `1 - c` at
//! most. Source: Dunn, Journal of the American Statistical Association 56 (1961), pp. 52-64 (from memory). Where `n` is
//! not fixed beforehand the shares are those of `Looks::share`.

use serde::{Deserialize, Serialize};

use super::{StatsError, looks::Looks, ratio::lower_bound};

/// Spells of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Spells {
    /// Spells, each a stretch of bad seconds with no more than [`GAP_SECONDS`] good ones between.
    pub count: u64,
    /// Bad seconds in all of them.
    pub seconds: u64,
    /// Units sent in these seconds.
    pub sent: u64,
    /// Of those, failed.
    pub failed: u64,
}

/// Finds the spells of a run: `(sent, failed)` for each second, the share `allowed` to fail, how many failures a second
/// must have to count at all, the confidence that a run of a line at this limit shows none, and whether the length of
/// the run was fixed beforehand.
///
/// # Errors
/// A confidence or a share that is none.
pub fn spells(
    seconds: &[(u64, u64)],
    allowed: f64,
    failures_min: u64,
    confidence: f64,
    looks: Looks,
) -> Result<Spells, StatsError> {
    if !(0.0..=1.0).contains(&allowed) {
        return Err(StatsError::Ratio(allowed));
    }
    let of = seconds.iter().filter(|(sent, _)| *sent > 0).count() as u64;
    let mut number = 0;
    let mut found = Spells::default();
    let mut last_bad: Option<usize> = None;
    for (at, &(sent, failed)) in seconds.iter().enumerate() {
        let failed = failed.min(sent);
        number += u64::from(sent > 0);
        let each = 1.0 - (1.0 - confidence) * looks.share(number.max(1), of);
        // Below the limit already without a bound.
        if failed < failures_min
            || failed as f64 <= sent as f64 * allowed
            || lower_bound(failed, sent, each, Looks::Once)? <= allowed
        {
            continue;
        }
        if last_bad.is_none_or(|last| at - last > GAP_SECONDS + 1) {
            found.count += 1;
        }
        last_bad = Some(at);
        found.seconds += 1;
        found.sent += sent;
        found.failed += failed;
    }
    Ok(found)
}

/// One disturbance may straddle seconds, or pause for a breath. Our own choice.
pub const GAP_SECONDS: usize = 2;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::rng::Rng;

    const FRAMES: u64 = 81_274;

    fn run(seconds: usize, bad: &[(usize, u64)]) -> Vec<(u64, u64)> {
        let mut all = vec![(FRAMES, 0); seconds];
        for (at, failed) in bad {
            all[*at].1 = *failed;
        }
        all
    }

    #[test]
    fn one_bad_second_in_eight_hours_is_seen() {
        let found = spells(&run(28_800, &[(2, 9_408)]), 1.2e-5, 3, 0.95, Looks::Once).unwrap();
        assert_eq!(found, Spells { count: 1, seconds: 1, sent: FRAMES, failed: 9_408 });
    }

    #[test]
    fn bad_seconds_side_by_side_are_one_spell_and_apart_several() {
        let found =
            spells(&run(100, &[(10, 500), (11, 500), (14, 500), (50, 500), (99, 500)]), 1e-5, 3, 0.95, Looks::Once)
                .unwrap();
        assert_eq!((found.count, found.seconds), (3, 5));
    }

    #[test]
    fn a_few_hits_a_silent_second_and_a_wholly_bad_one_are_no_trouble() {
        assert_eq!(spells(&run(100, &[(3, 2)]), 1e-9, 3, 0.95, Looks::Once).unwrap().count, 0);
        assert_eq!(spells(&[(0, 0), (100, 100), (0, 0)], 1e-5, 3, 0.95, Looks::Once).unwrap().failed, 100);
        assert_eq!(spells(&[], 1e-5, 3, 0.95, Looks::Once).unwrap(), Spells::default());
        assert!(spells(&[], 2.0, 3, 0.95, Looks::Once).is_err());
    }

    /// A line exactly at its limit shows a spell in at most one run of twenty; the bound is exact, so fewer.
    #[test]
    fn a_line_at_its_limit_shows_a_spell_no_more_often_than_said() {
        let (runs, mut with_spells, mut random) = (400, 0, Rng::new(7));
        for _ in 0..runs {
            let seconds: Vec<_> = (0..300)
                .map(|_| {
                    let mut failed = 0;
                    let mut left = 10_000u64;
                    loop {
                        let passed = random.trials_before_success(1e-3);
                        if passed >= left {
                            break;
                        }
                        left -= passed + 1;
                        failed += 1;
                    }
                    (10_000, failed)
                })
                .collect();
            with_spells += u32::from(spells(&seconds, 1e-3, 3, 0.95, Looks::Once).unwrap().count > 0);
        }
        assert!(with_spells <= runs / 20, "{with_spells} of {runs}");
    }
}
