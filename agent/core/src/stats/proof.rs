//! How much data proves or refutes a limit, for one look at the end and for a run that looks all the time.
//!
//! **One look** ([`Looks::Once`]): a limit is proved when the one-sided upper bound on the ratio is at or below it, and
//! refuted when the one-sided lower bound is above it (Clopper and Pearson, see [`super::ratio`]).
//!
//! **Many looks** ([`Looks::Repeated`]): a run that stops as soon as a bound is on the right side of the limit has many
//! chances to be right by luck; with the rule above a link exactly at its limit would sooner or later be proved and
//! refuted. So the doubt is spent in parts, as Lan and DeMets do over looks (Biometrika 70 (1983), pp. 659-663), but
//! here over the *number of errors seen* instead of the number of looks:
//!
//! - With `k` errors the limit is proved once the bits reach `N(k)`, where `P(X <= k)` at the limit is at most its part
//!   of the doubt, `w(k) (1 - c)`. A false proof needs `X(N(k)) <= k` for some `k`, and by Boole's inequality that has
//!   at most the probability `sum w(k) (1 - c) = 1 - c`, however often anyone looked.
//! - With `k` errors it is refuted while the bits have not passed `M(k)`, where `P(X >= k)` at the limit is below
//!   `v(k) (1 - c)`. A false refutation needs `X(M(k)) >= k` for some `k`: the same sum bounds it.
//!
//! The parts are our own choice. Proof: `w(k) = 1/(k+1)^2 - 1/(k+2)^2`, whose sum is 1. Most goes to no error at all,
//! since a healthy link is far better than its limit: proving without errors takes 10 % longer than with one look at 95
//! %, and 6 % at 99 %. As the parts shrink only as a power of `k`, any ratio below the limit is proved in the end.
//! Refutation: `v(k) = 1/((k-1) k)` from `k = 2`, whose sum is 1 too; one error alone never refutes a limit, whenever
//! it comes.
//!
//! All of it assumes independent errors. Where they come in bursts (a lost frame, a damaged block) count damaged frames
//! against [`super::bits::frame_ratio`] of the limit: the "bits" below are then frames.

use serde::{Deserialize, Serialize};

use super::beta::{ln_at_least, ln_at_most};
use super::{StatsError, check_counts, doubt};

/// How often the counts are looked at before a decision is accepted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Looks {
    /// Once, at a length fixed beforehand.
    Once,
    /// As often as one likes, stopping when a decision falls.
    Repeated,
}

/// What the counts so far say about a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// The ratio is at or below the limit, at the confidence asked for.
    Proved,
    /// The ratio is above the limit, at the confidence asked for.
    Refuted,
    /// Neither yet.
    Continue {
        /// Further bits that would prove the limit if no more errors came; `None` beyond what can be counted.
        bits_needed: Option<u64>,
    },
}

/// A limit on an error ratio and the rule by which it is proved or refuted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Proof {
    limit: f64,
    doubt: f64,
    looks: Looks,
}

impl Proof {
    /// A rule for a `limit` strictly between 0 and 1, with the same confidence for a proof and for a refutation.
    ///
    /// # Errors
    /// [`StatsError::Limit`], [`StatsError::Confidence`]; the latter also for 0.5 or less, where a limit could be
    /// proved and refuted at once.
    pub fn new(limit: f64, confidence: f64, looks: Looks) -> Result<Self, StatsError> {
        if !(limit > 0.0 && limit < 1.0) {
            return Err(StatsError::Limit(limit));
        }
        Ok(Self { limit, doubt: decisive_doubt(confidence)?, looks })
    }

    /// What `errors` in `bits` say about the limit. Nothing sent yet is no error: it decides nothing.
    ///
    /// # Errors
    /// [`StatsError::ErrorsExceedTrials`].
    pub fn decide(&self, errors: u64, bits: u64) -> Result<Decision, StatsError> {
        match check_counts(errors, bits) {
            Err(StatsError::NoTrials) => {}
            other => other?,
        }
        Ok(if self.proves(errors, bits) {
            Decision::Proved
        } else if self.refutes(errors, bits) {
            Decision::Refuted
        } else {
            Decision::Continue { bits_needed: self.bits_to_prove(errors).map(|total| total.saturating_sub(bits)) }
        })
    }

    /// Bits in all with which `errors` errors just prove the limit; `None` beyond `u64::MAX`.
    ///
    /// Without errors and with one look this is `ln(1-c) / ln(1-limit)`, close to `-ln(1-c) / limit`.
    #[must_use]
    pub fn bits_to_prove(&self, errors: u64) -> Option<u64> {
        first_where(errors.max(1), |bits| self.proves(errors, bits))
    }

    fn proves(&self, errors: u64, bits: u64) -> bool {
        let part = match self.looks {
            Looks::Once => 1.0,
            Looks::Repeated => proof_part(errors),
        };
        ln_at_most(errors, bits, self.limit) <= (part * self.doubt).ln()
    }

    fn refutes(&self, errors: u64, bits: u64) -> bool {
        let part = match self.looks {
            Looks::Once => 1.0,
            Looks::Repeated => refutation_part(errors),
        };
        ln_at_least(errors, bits, self.limit) < (part * self.doubt).ln()
    }
}

fn decisive_doubt(confidence: f64) -> Result<f64, StatsError> {
    doubt(confidence).and_then(|rest| if rest < 0.5 { Ok(rest) } else { Err(StatsError::Confidence(confidence)) })
}

/// The part of the doubt that a proof with this many errors may spend: `1/(k+1)^2 - 1/(k+2)^2`.
fn proof_part(errors: u64) -> f64 {
    let k = errors as f64;
    (2.0 * k + 3.0) / ((k + 1.0) * (k + 2.0)).powi(2)
}

/// The part of the doubt that a refutation with this many errors may spend: `1/((k-1) k)` from two errors on.
fn refutation_part(errors: u64) -> f64 {
    match errors {
        0 | 1 => 0.0,
        _ => 1.0 / ((errors as f64 - 1.0) * errors as f64),
    }
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

    /// The most bits in which `errors` errors still refute the limit; `None` where that many never do.
    fn bits_to_refute(proof: &Proof, errors: u64) -> Option<u64> {
        if !proof.refutes(errors, errors) {
            return None;
        }
        Some(first_where(errors, |bits| !proof.refutes(errors, bits)).map_or(u64::MAX, |bits| bits - 1))
    }

    fn once(limit: f64, confidence: f64) -> Proof {
        Proof::new(limit, confidence, Looks::Once).unwrap()
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
            assert_eq!(once(1e-3, confidence).bits_to_prove(0), Some(exact.ceil() as u64), "{confidence}");
            for (name, limit) in [("bits_for_ber_1e10", 1e-10), ("bits_for_ber_1e12", 1e-12)] {
                let got = once(limit, confidence).bits_to_prove(0).unwrap() as f64;
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
            let bits = once(number("ber"), number("confidence")).bits_to_prove(0).unwrap();
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
            let bits = once(number("ber"), number("confidence")).bits_to_prove(0).unwrap();
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
                let bits = once(1e-10, confidence).bits_to_prove(row["errors"].as_u64().unwrap()).unwrap();
                close(bits as f64 * 1e-10, row[name].as_f64().unwrap(), 2e-9, name);
            }
        }
    }

    /// The definition: a bound of the fixed-length rule, at the confidence left by the part of the doubt.
    #[test]
    fn thresholds_are_where_the_bounds_cross_the_limit() {
        for looks in [Looks::Once, Looks::Repeated] {
            let proof = Proof::new(1e-4, 0.95, looks).unwrap();
            for errors in [0, 1, 2, 5, 20, 300] {
                let part = |part: f64| 1.0 - 0.05 * if looks == Looks::Once { 1.0 } else { part };
                let bits = proof.bits_to_prove(errors).unwrap();
                let confidence = part(proof_part(errors));
                assert!(upper_bound(errors, bits, confidence).unwrap() <= 1e-4, "{looks:?} {errors}");
                assert!(upper_bound(errors, bits - 1, confidence).unwrap() > 1e-4, "{looks:?} {errors}");
                assert_eq!(proof.decide(errors, bits), Ok(Decision::Proved));
                assert_eq!(proof.decide(errors, bits - 1), Ok(Decision::Continue { bits_needed: Some(1) }));
                let Some(bits) = bits_to_refute(&proof, errors) else {
                    assert!(errors == 0 || (errors == 1 && looks == Looks::Repeated));
                    continue;
                };
                let confidence = part(refutation_part(errors));
                assert!(lower_bound(errors, bits, confidence).unwrap() > 1e-4, "{looks:?} {errors}");
                assert!(lower_bound(errors, bits + 1, confidence).unwrap() <= 1e-4, "{looks:?} {errors}");
                assert_eq!(proof.decide(errors, bits), Ok(Decision::Refuted));
                assert!(matches!(proof.decide(errors, bits + 1), Ok(Decision::Continue { .. })));
            }
        }
    }

    #[test]
    fn the_parts_of_the_doubt_never_exceed_the_whole() {
        let proof: f64 = (0..1_000_000).map(proof_part).sum();
        let refutation: f64 = (0..1_000_000).map(refutation_part).sum();
        assert!(proof > 0.999_99 && proof <= 1.0 + 1e-9, "{proof}");
        assert!(refutation > 0.999_99 && refutation <= 1.0 + 1e-9, "{refutation}");
    }

    #[test]
    fn what_decides_nothing_and_what_is_refused() {
        let proof = Proof::new(1e-12, 0.95, Looks::Repeated).unwrap();
        assert_eq!(proof.decide(0, 0), Ok(Decision::Continue { bits_needed: proof.bits_to_prove(0) }));
        assert!(matches!(proof.decide(1, 1), Ok(Decision::Continue { .. })), "one error alone never refutes");
        assert_eq!(proof.decide(2, 2), Ok(Decision::Refuted));
        assert_eq!(proof.decide(2, 1), Err(StatsError::ErrorsExceedTrials { errors: 2, trials: 1 }));
        for limit in [0.0, 1.0, -1e-12, f64::INFINITY] {
            assert_eq!(Proof::new(limit, 0.95, Looks::Once), Err(StatsError::Limit(limit)));
        }
        assert!(matches!(Proof::new(f64::NAN, 0.95, Looks::Once), Err(StatsError::Limit(_))));
        assert!(matches!(Proof::new(1e-12, f64::NAN, Looks::Once), Err(StatsError::Confidence(_))));
        assert_eq!(Proof::new(1e-12, 0.5, Looks::Once), Err(StatsError::Confidence(0.5)));
        assert_eq!(Proof::new(1e-12, 1.0, Looks::Once), Err(StatsError::Confidence(1.0)));
        assert_eq!(Proof::new(1e-300, 0.95, Looks::Once).unwrap().bits_to_prove(0), None);
    }

    /// How a simulated link fares under a rule that looks at the two best moments of every error: just before it (best
    /// for a proof) and at it (best for a refutation). Gaps between errors are geometric.
    fn outcome(proof: &Proof, ratio: f64, errors_at_most: u64, uniform: &mut impl FnMut() -> f64) -> Option<bool> {
        let mut bits = 0_u64;
        for errors in 0..errors_at_most {
            let gap = ((1.0 - uniform()).ln() / (-ratio).ln_1p()).floor() as u64;
            if proof.proves(errors, bits + gap) {
                return Some(true);
            }
            bits += gap + 1;
            if proof.refutes(errors + 1, bits) {
                return Some(false);
            }
        }
        None
    }

    /// Proved and refuted runs among `runs` simulated ones.
    fn outcomes(proof: &Proof, ratio: f64, errors_at_most: u64, runs: u32) -> (u32, u32) {
        let mut rng = Rng::new(7);
        let mut uniform = move || rng.fraction();
        (0..runs).fold((0, 0), |(proved, refuted), _| match outcome(proof, ratio, errors_at_most, &mut uniform) {
            Some(true) => (proved + 1, refuted),
            Some(false) => (proved, refuted + 1),
            None => (proved, refuted),
        })
    }

    /// At the limit itself either answer may come with at most the doubt, whenever one looks. The rule for one look
    /// fails this, which is why there is another.
    #[test]
    fn looking_all_the_time_does_not_inflate_the_doubt() {
        let (limit, runs) = (1e-3, 2000);
        let (proved, refuted) = outcomes(&Proof::new(limit, 0.95, Looks::Repeated).unwrap(), limit, 100, runs);
        // 5 % of 2,000 is 100; three standard deviations are 29.
        assert!(proved <= 129 && refuted <= 129, "{proved} proved, {refuted} refuted");
        let (proved, refuted) = outcomes(&once(limit, 0.95), limit, 100, runs);
        assert!(proved > 200 && refuted > 200, "{proved} proved, {refuted} refuted");
    }

    #[test]
    fn a_healthy_link_is_proved_and_not_refuted_by_luck() {
        let proof = Proof::new(1e-3, 0.95, Looks::Repeated).unwrap();
        assert_eq!(outcomes(&proof, 1e-5, 100, 2000), (2000, 0));
        let (proved, refuted) = outcomes(&proof, 1e-4, 100, 2000);
        assert!(proved + refuted == 2000 && refuted <= 10, "{proved} proved, {refuted} refuted");
    }

    #[test]
    fn a_decision_comes_in_the_end_on_either_side_of_the_limit() {
        let proof = Proof::new(1e-3, 0.95, Looks::Repeated).unwrap();
        let (proved, refuted) = outcomes(&proof, 0.5e-3, 1000, 300);
        assert!(proved + refuted == 300 && refuted <= 15, "{proved} proved, {refuted} refuted");
        let (proved, refuted) = outcomes(&proof, 2e-3, 1000, 300);
        assert!(proved + refuted == 300 && proved <= 15, "{proved} proved, {refuted} refuted");
        let (proved, refuted) = outcomes(&proof, 0.1, 1000, 300);
        assert!(refuted == 300, "{proved} proved, {refuted} refuted");
    }

    /// What a proof with many looks costs more, as the head of this file says: `ln(4/3)` over `-ln(1-c)`.
    #[test]
    fn many_looks_cost_a_healthy_link_little() {
        for (confidence, extra) in [(0.95, 0.10), (0.99, 0.063)] {
            let many = Proof::new(1e-10, confidence, Looks::Repeated).unwrap().bits_to_prove(0).unwrap() as f64;
            let one = once(1e-10, confidence).bits_to_prove(0).unwrap() as f64;
            assert!(many / one < 1.0 + extra && many / one > 1.05, "{}", many / one);
        }
    }

    proptest! {
        #[test]
        fn decisions_agree_with_the_bounds(
            errors in 0_u64..500,
            bits in 500_u64..10_000_000,
            exponent in -6.0..-0.5_f64,
        ) {
            let limit = 10_f64.powf(exponent);
            let (upper, lower) = (upper_bound(errors, bits, 0.95).unwrap(), lower_bound(errors, bits, 0.95).unwrap());
            prop_assume!((upper / limit - 1.0).abs() > 1e-9 && (lower / limit - 1.0).abs() > 1e-9);
            match once(limit, 0.95).decide(errors, bits).unwrap() {
                Decision::Proved => prop_assert!(upper <= limit),
                Decision::Refuted => prop_assert!(lower > limit),
                Decision::Continue { bits_needed } => {
                    prop_assert!(upper > limit && lower <= limit && bits_needed > Some(0));
                }
            }
            // What is decided with many looks is also decided with one.
            let many = Proof::new(limit, 0.95, Looks::Repeated).unwrap().decide(errors, bits).unwrap();
            let open = matches!(many, Decision::Continue { .. });
            prop_assert!(open || Ok(many) == once(limit, 0.95).decide(errors, bits));
        }

        #[test]
        fn more_errors_need_more_bits(errors in 0_u64..2000, exponent in -12.0..-1.0_f64) {
            let proof = Proof::new(10_f64.powf(exponent), 0.95, Looks::Repeated).unwrap();
            prop_assert!(proof.bits_to_prove(errors + 1) > proof.bits_to_prove(errors));
            prop_assert!(bits_to_refute(&proof, errors + 1) >= bits_to_refute(&proof, errors));
        }
    }
}
