//! The data steps: patterns at the chosen format, until the limit is proved, or for as long as the profile says.

use std::time::Duration;

use turnback_core::{
    base::time::SECOND_NS,
    event::Event,
    judge::{Outcome, facts::Facts, judge},
    kind::serial::probe::BLOCK_BYTES,
    plan::{Kind, PlanError},
    stats::{
        proof::{Decision, Looks, Proof},
        ratio::upper_bound,
    },
};

use super::{
    HANDFUL_BLOCKS, LineRun, WINDOW_MIN,
    exchange::{Amount, Ended},
};
use crate::engine::ethernet::CheckError;

/// How much the data steps send.
struct Extent {
    /// Bits compared, after which it is enough; infinite where only time ends it.
    bits: f64,
    /// Shortest and longest time, nanoseconds.
    at_least: u64,
    at_most: u64,
}

impl LineRun<'_> {
    fn extent(&self) -> Extent {
        let profile = &self.options.profile;
        let ns = |time: Duration| time.as_nanos() as u64;
        // What a proof without errors takes, and a little more for the bounds on bytes beside that on bits.
        let needed = -(1.0 - profile.confidence).ln() / profile.serial_target_ber * 1.3;
        let (bits, at_least, at_most) = match (profile.kind, self.options.line.time) {
            (Kind::Proof | Kind::Soak, time) => (f64::INFINITY, 0, ns(time.unwrap_or(profile.time))),
            (_, Some(time)) => (f64::INFINITY, 0, ns(time)),
            (_, None) => (needed, ns(profile.time), ns(STEPS_MAX)),
        };
        Extent { bits, at_least, at_most }
    }

    /// Seconds that the whole run takes, about; none where bytes do not take their time, and for a proof, which ends by itself.
    pub(super) fn estimated_seconds(&self) -> Option<f64> {
        let can = self.line.capabilities();
        let profile = &self.options.profile;
        if !can.paced || profile.kind == Kind::Proof {
            return None;
        }
        let Extent { bits, at_least, at_most } = self.extent();
        let seconds = |ns: u64| ns as f64 / SECOND_NS as f64;
        let data = bits / (self.format.characters_per_second() * f64::from(self.format.data_bits));
        // Eight single blocks, the modem lines and flow control, a second or so for each size of the turnaround; a sweep is about a
        // second and a half a speed or format.
        let blocks = seconds(self.format.characters_ns(HANDFUL_BLOCKS as u64 * BLOCK_BYTES as u64));
        let lines = if can.modem_lines { 2.0 } else { 0.0 };
        let turnaround = f64::from(u8::from(profile.latency_probes > 0) + u8::from(can.latency_setting)) * 2.0;
        let sweep = if self.sweeps() { 25.0 } else { 0.0 };
        Some(blocks + lines + turnaround + data.clamp(seconds(at_least), seconds(at_most)) + sweep)
    }

    /// Bits compared so far that the run may end on. Once bytes went missing and not all that is dropped here is counted, only
    /// those since it was slowed say whether the line lost them.
    fn bits_that_count(&self) -> u64 {
        let g = &self.gathered;
        let uncounted = g.slowdowns > 0 && self.line.capabilities().hides_overruns();
        if uncounted { g.since_slowed.bits_compared } else { g.tally.counts.bits_compared }
    }

    /// Nothing slower is left to try, and at this pace the line fails: more of it would only take long.
    fn fails_at_slowest(&self) -> bool {
        self.window <= WINDOW_MIN && judge(&self.evidence()).outcome == Outcome::Fault
    }

    /// Sends the profile's patterns by turns.
    pub(super) fn data(&mut self) -> Result<(), CheckError> {
        let profile = self.options.profile.clone();
        let data_bits = f64::from(self.format.data_bits);
        let begun = self.line.now();
        let Extent { bits, at_least, at_most } = self.extent();
        let patterns = profile.patterns.len().max(1);
        let slice_bytes = if bits.is_finite() { (bits / data_bits / patterns as f64).ceil() as u64 } else { u64::MAX };
        let slice_ns = match profile.kind {
            Kind::Steps | Kind::RateSearch => {
                (at_most.min(STEPS_MAX.as_nanos() as u64) / patterns as u64).max(SECOND_NS)
            }
            Kind::Proof | Kind::Soak => SLICE_NS,
        };
        for (number, pattern) in profile.patterns.iter().cycle().enumerate() {
            let now = self.line.now();
            let elapsed = now - begun;
            let whole_turns = number % patterns == 0;
            let enough = whole_turns && self.bits_that_count() as f64 >= bits && elapsed >= at_least;
            if elapsed >= at_most || enough || self.must_stop() || self.fails_at_slowest() {
                break;
            }
            if number < patterns {
                let what = format!("{pattern} at {}", self.format);
                (self.say)(Event::LineStepStarted { what });
            }
            let longest = if self.window <= WINDOW_MIN { SLOWEST_SLICE_NS.min(slice_ns) } else { slice_ns };
            let until = (now + longest).min(begun + at_most);
            let bytes = slice_bytes.max(1);
            let ended = self.slice(pattern.clone(), Amount { bytes, until })?;
            if ended == Ended::Silent || (profile.kind == Kind::Proof && self.is_decided()?) {
                break;
            }
        }
        Ok(())
    }

    /// One stretch of one pattern; slower where this computer lost bytes, or may have.
    fn slice(&mut self, pattern: turnback_core::signal::pattern::Pattern, amount: Amount) -> Result<Ended, CheckError> {
        let mut exchange = self.exchange(pattern, self.format)?;
        let may_slow = self.window > WINDOW_MIN;
        let so_far = self.gathered.tally.counts;
        let (limit, confidence) = (self.options.profile.serial_target_ber, self.options.profile.confidence);
        let extent = self.extent();
        let bits_a_second = self.format.characters_per_second() * f64::from(self.format.data_bits);
        let paced = self.line.capabilities().paced;
        let (say, cancel, origin) = (&mut *self.say, self.cancel, self.origin);
        let ended = exchange.run(self.line, amount, may_slow, &mut |now, counts| {
            if cancel.is_cancelled() {
                return Some(turnback_core::judge::facts::Stopped::ByUser);
            }
            let bits = so_far.bits_compared + counts.bits_compared;
            let errors = (so_far.bit_errors + counts.bit_errors).min(bits);
            let needed = -(1.0 - confidence).ln() / limit;
            let to_send = (extent.bits - bits as f64).max(0.0) / bits_a_second;
            say(Event::LineProgress {
                elapsed_s: now.saturating_sub(origin) as f64 / SECOND_NS as f64,
                bytes_sent: so_far.sent + counts.sent,
                bytes_failed: so_far.failed() + counts.failed(),
                proved_below: upper_bound(errors, bits, confidence).ok(),
                bits_needed: Some((needed - bits as f64).max(0.0)).filter(|n| *n > 0.0),
                left_s: Some(to_send).filter(|s| paced && s.is_finite()),
            });
            None
        })?;
        let speed = self.take(exchange)?;
        let lost = self.gathered.tally.counts.lost > so_far.lost && self.line.capabilities().hides_overruns();
        let ended = if ended == Ended::Done && may_slow && lost { Ended::LostAtThisPace } else { ended };
        match ended {
            Ended::LostAtThisPace => {
                self.window = (self.window / 8).max(WINDOW_MIN);
                self.gathered.slowdowns += 1;
                self.gathered.since_slowed = Default::default();
                (self.say)(Event::LineSlowed { bytes_out: self.window });
            }
            _ if self.gathered.characters_per_second.is_none_or(|known| speed.is_some_and(|s| s > known)) => {
                self.gathered.characters_per_second = speed;
            }
            _ => {}
        }
        Ok(ended)
    }

    /// Whether the counts so far prove or refute the target.
    fn is_decided(&self) -> Result<bool, CheckError> {
        let evidence = self.evidence();
        let Some(ratio) = evidence.error_ratio() else { return Ok(false) };
        let decided = Proof::new(ratio.limit, ratio.confidence, Looks::Repeated)
            .and_then(|proof| proof.decide(ratio.errors, ratio.trials))
            .map_err(|e| PlanError::Range {
                name: "confidence",
                given: ratio.confidence.to_string(),
                allowed: e.to_string(),
            })?;
        let outcome = judge(&evidence).outcome;
        Ok(match decided {
            Decision::Proved => outcome == Outcome::Pass,
            Decision::Refuted => outcome == Outcome::Fault,
            Decision::Continue { .. } => false,
        })
    }
}

/// Longest that a profile of steps sends of its own accord.
const STEPS_MAX: Duration = Duration::from_secs(600);
const SLICE_NS: u64 = 10 * SECOND_NS;
/// At the slowest pace the run is looked at more often: it is slow, and what fails there is soon plain.
const SLOWEST_SLICE_NS: u64 = 2 * SECOND_NS;
