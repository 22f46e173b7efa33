//! Functions on counts and samples: what a number of errors, losses or delays proves, and what it does not.
//!
//! Reading order: [`ratio`] (exact bounds on an error ratio, on the tails of `beta`), [`looks`] (bounds that hold
//! however often one looks), [`bits`] (frames to bits), [`proof`] (how much data proves a limit), [`compare_rates`]
//! and [`fisher`] (do two runs differ beyond chance), [`latency`] and [`delay_variation`] (delays at fixed memory),
//! [`availability`] (per-second series), [`spells`] (bad seconds in a good mean), [`sampling`] (what a sample says of a
//! lot) and [`mtbf`] (what hours without failure prove). Nothing here knows what a port or a probe is.

pub mod availability;
mod beta;
pub mod bits;
pub mod compare_rates;
pub mod delay_variation;
pub mod fisher;
pub mod latency;
pub mod latency_summary;
pub mod looks;
pub mod mtbf;
pub mod proof;
pub mod ratio;
pub mod sampling;
pub mod spells;

/// What a statistic cannot be computed from.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum StatsError {
    /// Nothing was tried, so nothing is known.
    #[error("no trials: a ratio needs at least one")]
    NoTrials,
    /// More errors than trials were given.
    #[error("{errors} errors in {trials} trials: errors must not exceed trials")]
    ErrorsExceedTrials {
        /// Errors given.
        errors: u64,
        /// Trials given.
        trials: u64,
    },
    /// A confidence that is not a number strictly between 0 and 1.
    #[error("confidence {0}: must lie between 0 and 1, both excluded")]
    Confidence(f64),
    /// A ratio that is not a number in `0..=1`.
    #[error("ratio {0}: must lie between 0 and 1")]
    Ratio(f64),
    /// A limit that no amount of data can prove or refute.
    #[error("limit {0}: must lie between 0 and 1, both excluded")]
    Limit(f64),
    /// A frame without bits.
    #[error("a frame without bits: must hold at least one")]
    EmptyFrame,
}

/// Refuses a confidence outside `0 < c < 1` (NaN included) and gives back what is left to doubt, `1 - c`.
fn doubt(confidence: f64) -> Result<f64, StatsError> {
    if confidence > 0.0 && confidence < 1.0 { Ok(1.0 - confidence) } else { Err(StatsError::Confidence(confidence)) }
}

/// Refuses counts from which no ratio can be made.
fn check_counts(errors: u64, trials: u64) -> Result<(), StatsError> {
    match trials {
        _ if errors > trials => Err(StatsError::ErrorsExceedTrials { errors, trials }),
        0 => Err(StatsError::NoTrials),
        _ => Ok(()),
    }
}

/// Reference values and the slow obvious percentile for the tests of this folder.
#[cfg(test)]
mod reference {
    /// The rows of one table of the reference file, whose source is named in it.
    pub fn rows(table: &str) -> Vec<serde_json::Value> {
        let file: serde_json::Value = serde_json::from_str(include_str!("error_bounds.json")).unwrap();
        file[table].as_array().unwrap().clone()
    }

    /// The percentile `p` in `0..=1` of samples in any order: the smallest `x` with `F(x) >= p` (RFC 2330 11.3). A lost
    /// probe is `f64::INFINITY` (RFC 7679 5.1).
    pub fn percentile(samples: &[f64], p: f64) -> Option<f64> {
        let mut sorted = samples.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        Some(sorted[super::latency::rank(p, samples.len() as u64)? as usize - 1])
    }
}
