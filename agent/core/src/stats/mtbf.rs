//! The mean time between failures that hours of operation prove.

use super::{StatsError, looks::Looks, ratio::upper_bound};

/// Lower bound on the mean time between failures, in the unit of `time`, from `failures` in a total `time` fixed
/// beforehand: `2 T / chi2(confidence; 2 r + 2)`. Without failures it is `-T / ln(1 - confidence)`.
///
/// It assumes that failures come at a constant rate, so it says nothing about wear, and that failed items are counted
/// once. Source: MIL-HDBK-338B 8.3.2 (from memory).
///
/// # Errors
/// [`StatsError::Confidence`] outside `0 < c < 1`, [`StatsError::NoTrials`] without time.
pub fn mtbf_at_least(time: f64, failures: u32, confidence: f64) -> Result<f64, StatsError> {
    if time.is_nan() || time <= 0.0 {
        return Err(StatsError::NoTrials);
    }
    // Half of the chi-square quantile is the upper bound on the mean of a Poisson count, and a Poisson count is the
    // limit of a binomial one with ever more trials: at these, they differ by a part in 1e12.
    let most = upper_bound(u64::from(failures), TRIALS, confidence, Looks::Once)? * TRIALS as f64;
    Ok(time / most)
}

const TRIALS: u64 = 1_000_000_000_000_000;

#[cfg(test)]
mod tests {
    use super::super::reference;
    use super::*;

    /// Half of the chi-square quantile with `2k + 2` degrees of freedom (scipy, in the reference file).
    #[test]
    fn failures_shorten_the_time_by_the_poisson_factors() {
        for row in reference::rows("poisson_upper_mean_by_errors") {
            for (name, confidence) in [("cl_0.9", 0.9), ("cl_0.95", 0.95), ("cl_0.99", 0.99)] {
                let failures = row["errors"].as_u64().unwrap() as u32;
                let (got, want) = (mtbf_at_least(1000.0, failures, confidence), 1000.0 / row[name].as_f64().unwrap());
                assert!((got.unwrap() / want - 1.0).abs() < 2e-9, "{failures} {name}: {got:?} {want}");
            }
        }
    }

    #[test]
    fn without_failures_the_closed_form_holds() {
        let got = mtbf_at_least(960.0, 0, 0.6).unwrap();
        assert!((got / (960.0 / -(0.4f64.ln())) - 1.0).abs() < 1e-11, "{got}");
        assert_eq!(mtbf_at_least(0.0, 0, 0.9), Err(StatsError::NoTrials));
        assert_eq!(mtbf_at_least(1.0, 0, 1.0), Err(StatsError::Confidence(1.0)));
    }
}
