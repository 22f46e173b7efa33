//! An error ratio as reports show it, always with its bounds.

use serde::{Deserialize, Serialize};

use crate::base::figure::{self, count};
use crate::stats::bits::frame_ratio;
use crate::stats::looks::Looks;
use crate::stats::proof::trials_to_prove;
use crate::stats::ratio::{Bounds, lower_bound, upper_bound};

/// Fewer failures than this blame nobody, whatever the ratio: one hit can be a door slammed, a spark, a cosmic ray.
/// Our own choice; the rate then decides in a longer run.
pub const ERRORS_MIN: u64 = 3;

/// Share of units that may be lost whatever the limit on bits: 1e-3 would let 40 % of the shortest frames go. Our own
/// choice. To prove it without a loss takes 299 units at 95 %, so no fewer ever pass.
pub const LOSS_ALLOWED: f64 = 0.01;

/// How sure a statement is, as reports say it: `95 % that more are lost than the limit allows`.
pub fn sure_that(confidence: f64, what: &str) -> String {
    format!("{} % that {what}", 100.0 * confidence)
}

/// What a pass has to prove.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// Bit error ratio a good line stays below.
    pub bit_error_ratio: f64,
    /// How sure a pass must be.
    pub confidence: f64,
    /// How often the counts were held against the limit; documents of programs that did not say so looked once.
    #[serde(default)]
    pub looks: Looks,
}

impl Limit {
    /// Share of units of `bits` bits that a line exactly at the limit fails; none where the limit is no ratio.
    pub fn units_allowed(&self, bits: f64) -> Option<f64> {
        frame_ratio(self.bit_error_ratio, bits).ok()
    }

    /// Share of units of `bits` bits that may be lost: what the limit allows, and never more than [`LOSS_ALLOWED`].
    pub fn losses_allowed(&self, bits: f64) -> Option<f64> {
        Some(self.units_allowed(bits)?.min(LOSS_ALLOWED))
    }

    /// Whether `failed` of `tried` units of `bits` bits are enough to blame anybody, and proved to be more than the
    /// limit allows.
    pub fn is_refuted_by(&self, failed: u64, tried: u64, bits: f64) -> bool {
        self.is_proved_above(failed, tried, self.units_allowed(bits))
    }

    /// The same for units lost, by [`Self::losses_allowed`].
    pub fn is_refuted_by_loss(&self, lost: u64, tried: u64, bits: f64) -> bool {
        self.is_proved_above(lost, tried, self.losses_allowed(bits))
    }

    fn is_proved_above(&self, failed: u64, tried: u64, allowed: Option<f64>) -> bool {
        let proved = lower_bound(failed.min(tried), tried, self.confidence, self.looks);
        failed >= ERRORS_MIN && allowed.zip(proved.ok()).is_some_and(|(allowed, proved)| proved > allowed)
    }

    /// What is proved of the loss of `lost` among `tried` units of `bits` bits, beside what is allowed.
    pub fn loss(&self, lost: u64, tried: u64, bits: f64) -> Option<Loss> {
        Some(Loss {
            lost,
            tried,
            proved_below: upper_bound(lost.min(tried), tried, self.confidence, self.looks).ok()?,
            allowed: self.losses_allowed(bits)?,
        })
    }

    /// The ratio of failed units that is proved at this moment, however often one looks; none before the first unit.
    pub fn proved_at_all_times(&self, failed: u64, tried: u64) -> Option<f64> {
        upper_bound(failed.min(tried), tried, self.confidence, Looks::Repeated).ok()
    }

    /// Further units of `bits` bits that would prove the limit if none of them failed; none beyond what can be counted.
    pub fn units_needed(&self, failed: u64, tried: u64, bits: f64) -> Option<u64> {
        let total = trials_to_prove(failed, self.units_allowed(bits)?, self.confidence, self.looks).ok()??;
        Some(total.saturating_sub(tried))
    }
}

impl ErrorRatio {
    /// How many failed, in words; `unit` says of what and how, such as `bits came back wrong`.
    pub fn failed(&self, unit: &str) -> String {
        match self.errors == self.trials {
            true => format!("All {} {unit}", count(self.trials)),
            false => format!("{} of {} {unit}", count(self.errors), count(self.trials)),
        }
    }

    /// The ratio beside its limit, as a sentence that follows; of one without a single right bit, the limit alone.
    pub fn beside_limit(&self) -> String {
        let allowed = figure::allowed(self.limit);
        match self.errors == self.trials {
            true => format!("; {allowed}"),
            false => format!(". The bit error ratio is {}; {allowed}", figure::ratio_beside(self.estimate, self.limit)),
        }
    }

    /// How sure it is that the limit is exceeded.
    pub fn how_sure_above(&self) -> String {
        let above = figure::ratio_beside(self.proved_above, self.limit);
        sure_that(self.confidence, &format!("the bit error ratio is at least {above}"))
    }
}

/// What is proved of units lost.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loss {
    /// Units lost.
    pub lost: u64,
    /// Units that could be lost.
    pub tried: u64,
    /// The share lost is proved to be at or below this.
    pub proved_below: f64,
    /// Share that may be lost.
    pub allowed: f64,
}

impl Loss {
    /// Whether no more is proved to be lost than may be.
    pub fn is_allowed(&self) -> bool {
        self.proved_below <= self.allowed
    }
}

/// What an error ratio counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Wrong bits among bits compared.
    Bits,
    /// Failed frames among frames, turned into bits: the adapter drops what fails its check, so single bits are not
    /// seen.
    Frames,
}

/// An error ratio as reports show it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ErrorRatio {
    /// What was counted.
    pub basis: Basis,
    /// Units tried: bits or frames.
    pub trials: u64,
    /// Units failed.
    pub errors: u64,
    /// Bit error ratio, the likeliest one.
    pub estimate: f64,
    /// Lower end of the two-sided interval.
    pub lower: f64,
    /// Upper end of the two-sided interval.
    pub upper: f64,
    /// The ratio is proved to be at or below this, one-sided: a pass needs it at or below the limit.
    pub proved_below: f64,
    /// The ratio is proved to be at or above this, one-sided: a fault needs it above the limit.
    pub proved_above: f64,
    /// Confidence of each of these statements.
    pub confidence: f64,
    /// The limit it is held against.
    pub limit: f64,
}

impl ErrorRatio {
    /// So many errors in so many units, their bounds as a bit error ratio, held against this limit.
    pub fn new(basis: Basis, errors: u64, trials: u64, bounds: &Bounds, limit: &Limit) -> Self {
        Self {
            basis,
            trials,
            errors,
            estimate: bounds.estimate,
            lower: bounds.lower,
            upper: bounds.upper,
            proved_below: bounds.better_than,
            proved_above: bounds.worse_than,
            confidence: limit.confidence,
            limit: limit.bit_error_ratio,
        }
    }
}
