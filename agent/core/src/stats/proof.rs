//! How much data proves a limit.
//!
//! A limit is proved when the one-sided upper bound on the ratio is at or below it, and refuted when the one-sided
//! lower bound is above it (see [`super::ratio`], and [`super::looks`] for a run that looks more than once). The
//! bounds assume independent errors. Where they come in bursts (a lost frame, a damaged block) count damaged frames
//! against [`super::bits::frame_ratio`] of the limit: the trials below are then frames.

use super::beta::ln_at_most;
use super::looks::Looks;
use super::{StatsError, doubt};

/// Trials in all with which `errors` errors just prove a `limit` strictly between 0 and 1; `None` beyond `u64::MAX`.
///
/// Without errors and with one look this is `ln(1-c) / ln(1-limit)`, close to `-ln(1-c) / limit`.
///
/// # Errors
/// [`StatsError::Limit`], [`StatsError::Confidence`].
pub fn trials_to_prove(errors: u64, limit: f64, confidence: f64, looks: Looks) -> Result<Option<u64>, StatsError> {
    if !(limit > 0.0 && limit < 1.0) {
        return Err(StatsError::Limit(limit));
    }
    let ln_doubt = (looks.upper_part(errors) * doubt(confidence)?).ln();
    Ok(first_where(errors.max(1), |trials| ln_at_most(errors, trials, limit) <= ln_doubt))
}

/// The smallest number, from `start` on, for which a condition holds that never ceases to hold; `None` if there is
/// none.
fn first_where(start: u64, holds: impl Fn(u64) -> bool) -> Option<u64> {
    if holds(start) {
        return Some(start);
    }
    let (mut fails, mut step) = (start, 1_u64);
    let mut reached = loop {
        if fails == u64::MAX {
            return None;
        }
        let next = fails.saturating_add(step);
        if holds(next) {
            break next;
        }
        (fails, step) = (next, step.saturating_mul(2));
    };
    while reached - fails > 1 {
        let middle = fails + (reached - fails) / 2;
        if holds(middle) {
            reached = middle;
        } else {
            fails = middle;
        }
    }
    Some(reached)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::base::rng::Rng;
    use crate::stats::ratio::{lower_bound, upper_bound};
    use crate::stats::reference;

    fn close(got: f64, want: f64, relative: f64, what: &str) {
        assert!((got - want).abs() <= relative * want.abs(), "{what}: got {got}, want {want}");
    }

    fn to_prove(errors: u64, limit: f64, confidence: f64, looks: Looks) -> u64 {
        trials_to_prove(errors, limit, confidence, looks).unwrap().unwrap()
    }

    /// `0.04 <= 0.05`, `0.07 > 0.05` and `0.07^2 <= 0.05`: a limit as lax as these takes one trial or two.
    #[test]
    fn a_lax_limit_is_proved_by_a_trial_or_two() {
        assert_eq!((once(0.96, 0.95), once(0.93, 0.95)), (1, 2));
    }

    fn once(limit: f64, confidence: f64) -> u64 {
        to_prove(0, limit, confidence, Looks::Once)
    }

    /// The most bits in which `errors` errors still refute the limit; `None` where that many never do.
    fn to_refute(errors: u64, limit: f64, looks: Looks) -> Option<u64> {
        let refutes = |bits| lower_bound(errors, bits, 0.95, looks).unwrap() > limit;
        if errors == 0 || !refutes(errors) {
            return None;
        }
        Some(first_where(errors, |bits| !refutes(bits)).map_or(u64::MAX, |bits| bits - 1))
    }

    /// The rule of `-ln(1-c)` and its exact form, from the reference file (source in the file).
    #[test]
    fn the_zero_error_rule_comes_out() {
        for row in reference::rows("zero_error_rule") {
            let confidence = row["confidence"].as_f64().unwrap();
            if confidence <= 0.5 {
                continue;
            }
            let exact = row["exact_bits_for_ber_1e3"].as_f64().unwrap();
            assert_eq!(once(1e-3, confidence), exact.ceil() as u64, "{confidence}");
            for (name, limit) in [("bits_for_ber_1e10", 1e-10), ("bits_for_ber_1e12", 1e-12)] {
                let got = once(limit, confidence) as f64;
                close(got, row[name].as_f64().unwrap(), 3e-10, name);
            }
        }
    }

    /// Times of the reference file; frames of 1518 and 64 bytes occupy 1538 and 84 on the line (IEEE 802.3: preamble 8,
    /// gap 12).
    #[test]
    fn the_time_table_comes_out() {
        for row in reference::rows("proof_times") {
            let rate = match row["rate"].as_str().unwrap() {
                "10M" => 1e7,
                "100M" => 1e8,
                "1G" => 1e9,
                "2.5G" => 2.5e9,
                "10G" => 1e10,
                other => other.trim_end_matches('G').parse::<f64>().unwrap() * 1e9,
            };
            let number = |name: &str| row[name].as_f64().unwrap();
            let bits = once(number("ber"), number("confidence"));
            for (name, share) in [
                ("seconds_all_bits_tested", 1.0),
                ("seconds_1518B_frames_line_rate", 1518.0 / 1538.0),
                ("seconds_64B_frames_line_rate", 64.0 / 84.0),
            ] {
                close(bits as f64 / (rate * share), number(name), 1e-8, &row.to_string());
            }
        }
        for row in reference::rows("serial_proof_times") {
            let number = |name: &str| row[name].as_f64().unwrap();
            let bits = once(number("ber"), number("confidence"));
            // 8N1: eight data bits of the ten on the line.
            let seconds = bits as f64 / (number("baud") * 0.8);
            close(seconds, number("seconds_8N1_data_bits_only"), 1e-6, &row.to_string());
        }
    }

    /// With `k` errors the factor is half of the chi-square quantile with `2k + 2` degrees of freedom (reference file).
    #[test]
    fn errors_lengthen_the_proof_by_the_poisson_factors() {
        for row in reference::rows("poisson_upper_mean_by_errors") {
            for (name, confidence) in [("cl_0.9", 0.9), ("cl_0.95", 0.95), ("cl_0.99", 0.99)] {
                let bits = to_prove(row["errors"].as_u64().unwrap(), 1e-10, confidence, Looks::Once);
                close(bits as f64 * 1e-10, row[name].as_f64().unwrap(), 2e-9, name);
            }
        }
    }

    /// The definition: the bound crosses the limit there, and with many looks it is the one-look bound at the
    /// confidence that the part of the doubt leaves: `1/(k+1)^2 - 1/(k+2)^2` above, `1/((k-1) k)` below.
    #[test]
    fn thresholds_are_where_the_bounds_cross_the_limit() {
        let limit = 1e-4;
        for (looks, errors) in
            [Looks::Once, Looks::Repeated].into_iter().flat_map(|l| [0, 1, 2, 5, 20, 300].map(|k| (l, k)))
        {
            let k = errors as f64;
            let (above, below) = match looks {
                Looks::Once => (1.0, 1.0),
                Looks::Repeated => ((k + 1.0).powi(-2) - (k + 2.0).powi(-2), 1.0 / ((k - 1.0) * k)),
            };
            let bits = to_prove(errors, limit, 0.95, looks);
            let upper = |bits| upper_bound(errors, bits, 0.95, looks).unwrap();
            assert!(upper(bits) <= limit && upper(bits - 1) > limit, "{looks:?} {errors}");
            let at_part = upper_bound(errors, bits, 1.0 - 0.05 * above, Looks::Once).unwrap();
            close(upper(bits), at_part, 1e-9, "upper");
            let Some(bits) = to_refute(errors, limit, looks) else {
                assert!(errors == 0 || (errors == 1 && looks == Looks::Repeated));
                continue;
            };
            let lower = |bits| lower_bound(errors, bits, 0.95, looks).unwrap();
            assert!(lower(bits) > limit && lower(bits + 1) <= limit, "{looks:?} {errors}");
            let at_part = lower_bound(errors, bits, 1.0 - 0.05 * below, Looks::Once).unwrap();
            close(lower(bits), at_part, 1e-9, "lower");
        }
    }

    #[test]
    fn what_is_no_limit_or_confidence_is_refused_and_what_is_never_proved_is_said() {
        let of = |limit, confidence| trials_to_prove(0, limit, confidence, Looks::Once);
        for limit in [0.0, 1.0, -1e-12, f64::INFINITY] {
            assert_eq!(of(limit, 0.95), Err(StatsError::Limit(limit)));
        }
        assert!(matches!(of(f64::NAN, 0.95), Err(StatsError::Limit(_))));
        assert!(matches!(of(1e-12, f64::NAN), Err(StatsError::Confidence(_))));
        assert_eq!(of(1e-12, 1.0), Err(StatsError::Confidence(1.0)));
        assert_eq!(of(1e-300, 0.95), Ok(None));
        // One error alone refutes nothing where many look. Two do up to half of the chi-square quantile of their half
        // of the doubt: 0.4844 at 2.5 % with 4 degrees of freedom (tables of the distribution).
        assert_eq!(to_refute(1, 1e-12, Looks::Repeated), None);
        close(to_refute(2, 1e-4, Looks::Repeated).unwrap() as f64, 0.4844 / 2.0 / 1e-4, 1e-3, "two errors");
    }

    /// When each number of errors proves and refutes a limit, for a rule that looks at the two best moments of every
    /// error: just before it (best for a proof) and at it (best for a refutation).
    struct Rule {
        proves_from: Vec<u64>,
        refutes_to: Vec<Option<u64>>,
    }

    impl Rule {
        fn new(limit: f64, looks: Looks, errors_at_most: u64) -> Self {
            Self {
                proves_from: (0..errors_at_most).map(|errors| to_prove(errors, limit, 0.95, looks)).collect(),
                refutes_to: (0..=errors_at_most).map(|errors| to_refute(errors, limit, looks)).collect(),
            }
        }

        /// How a simulated link fares: proved, refuted or neither. Gaps between errors are geometric.
        fn outcome(&self, ratio: f64, uniform: &mut impl FnMut() -> f64) -> Option<bool> {
            let mut bits = 0_u64;
            for (errors, proves_from) in self.proves_from.iter().enumerate() {
                let gap = ((1.0 - uniform()).ln() / (-ratio).ln_1p()).floor() as u64;
                if bits + gap >= *proves_from {
                    return Some(true);
                }
                bits += gap + 1;
                if self.refutes_to[errors + 1].is_some_and(|to| bits <= to) {
                    return Some(false);
                }
            }
            None
        }

        /// Proved and refuted runs among `runs` simulated ones.
        fn outcomes(&self, ratio: f64, runs: u32) -> (u32, u32) {
            let mut rng = Rng::new(7);
            let mut uniform = move || rng.fraction();
            (0..runs).fold((0, 0), |(proved, refuted), _| match self.outcome(ratio, &mut uniform) {
                Some(true) => (proved + 1, refuted),
                Some(false) => (proved, refuted + 1),
                None => (proved, refuted),
            })
        }
    }

    /// At the limit itself either answer may come with at most the doubt, whenever one looks. The rule for one look
    /// fails this, which is why there is another.
    #[test]
    fn looking_all_the_time_does_not_inflate_the_doubt() {
        let (limit, runs) = (1e-3, 2000);
        let (proved, refuted) = Rule::new(limit, Looks::Repeated, 100).outcomes(limit, runs);
        // 5 % of 2,000 is 100; three standard deviations are 29.
        assert!(proved <= 129 && refuted <= 129, "{proved} proved, {refuted} refuted");
        let (proved, refuted) = Rule::new(limit, Looks::Once, 100).outcomes(limit, runs);
        assert!(proved > 200 && refuted > 200, "{proved} proved, {refuted} refuted");
    }

    #[test]
    fn a_healthy_link_is_proved_and_not_refuted_by_luck() {
        let rule = Rule::new(1e-3, Looks::Repeated, 100);
        assert_eq!(rule.outcomes(1e-5, 2000), (2000, 0));
        let (proved, refuted) = rule.outcomes(1e-4, 2000);
        assert!(proved + refuted == 2000 && refuted <= 10, "{proved} proved, {refuted} refuted");
    }

    #[test]
    fn a_decision_comes_in_the_end_on_either_side_of_the_limit() {
        let rule = Rule::new(1e-3, Looks::Repeated, 1000);
        let (proved, refuted) = rule.outcomes(0.5e-3, 300);
        assert!(proved + refuted == 300 && refuted <= 15, "{proved} proved, {refuted} refuted");
        let (proved, refuted) = rule.outcomes(2e-3, 300);
        assert!(proved + refuted == 300 && proved <= 15, "{proved} proved, {refuted} refuted");
        let (proved, refuted) = rule.outcomes(0.1, 300);
        assert!(refuted == 300, "{proved} proved, {refuted} refuted");
    }

    /// What a proof with many looks costs more, as [`super::super::looks`] says: `ln(4/3)` over `-ln(1-c)`.
    #[test]
    fn many_looks_cost_a_healthy_link_little() {
        for (confidence, extra) in [(0.95, 0.10), (0.99, 0.063)] {
            let many = to_prove(0, 1e-10, confidence, Looks::Repeated) as f64;
            let one = once(1e-10, confidence) as f64;
            assert!(many / one < 1.0 + extra && many / one > 1.05, "{}", many / one);
        }
    }

    proptest! {
        #[test]
        fn a_limit_is_proved_from_there_on_where_the_upper_bound_crosses_it(
            errors in 0_u64..500,
            bits in 500_u64..10_000_000,
            exponent in -6.0..-0.5_f64,
        ) {
            let limit = 10_f64.powf(exponent);
            for looks in [Looks::Once, Looks::Repeated] {
                let upper = upper_bound(errors, bits, 0.95, looks).unwrap();
                prop_assume!((upper / limit - 1.0).abs() > 1e-9);
                prop_assert_eq!(to_prove(errors, limit, 0.95, looks) <= bits, upper <= limit);
            }
        }

        #[test]
        fn more_errors_need_more_bits_and_many_looks_more_than_one(
            errors in 0_u64..2000, exponent in -12.0..-1.0_f64,
        ) {
            let limit = 10_f64.powf(exponent);
            let many = |errors| to_prove(errors, limit, 0.95, Looks::Repeated);
            prop_assert!(many(errors + 1) > many(errors));
            prop_assert!(many(errors) > to_prove(errors, limit, 0.95, Looks::Once));
            let refuted = |errors| to_refute(errors, limit, Looks::Repeated);
            prop_assert!(refuted(errors + 1) >= refuted(errors));
            prop_assert!(refuted(errors) <= to_refute(errors, limit, Looks::Once));
        }
    }
}
