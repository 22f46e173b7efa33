//! Sends the patterns at the chosen format, until the limit is proved or for as long as the profile says.

use turnback_core::{
    base::time::{Nanos, SECOND_NS},
    event::Event,
    judge::{Outcome, judge},
    kind::Kind,
    plan::{ProfileKind, line::Extent},
    signal::pattern::Pattern,
    stats::looks::Looks,
};

use super::{
    SerialRun, WINDOW_MIN,
    exchange::{Amount, Ended},
    measured::SerialMeasured,
};
use crate::engine::{
    options::CheckError,
    proof::{is_decided, proved_so_far},
};

impl SerialRun<'_, '_> {
    /// Bits compared so far that the run may end on. Once bytes went missing and not all that is dropped here is
    /// counted, only those since it was slowed say whether the line lost them.
    fn bits_that_count(&self, measured: &SerialMeasured) -> u64 {
        let uncounted = measured.slowdowns > 0 && self.kind.line.capabilities().hides_overruns();
        if uncounted { measured.since_slowed.bits_compared } else { measured.tally.counts.bits_compared }
    }

    /// Whether the line fails at the slowest pace there is. Sending more would only take time. The run ends by this, so
    /// it has to hold at whatever moment it is asked.
    fn fails_at_slowest(&self, measured: &SerialMeasured) -> bool {
        let mut evidence = self.facts(measured);
        evidence.common.limit.looks = Looks::Repeated;
        self.kind.window <= WINDOW_MIN && judge(&evidence).outcome == Outcome::Fault
    }

    /// Sends the patterns of the profile in turn.
    pub(super) fn data(&mut self, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        let profile = self.options.profile.clone();
        let data_bits = f64::from(self.kind.format.data_bits);
        let begun = self.kind.line.now();
        let Extent { bits, at_least, at_most } = self.extent();
        let patterns = profile.patterns.len().max(1);
        let slice_bytes = if bits.is_finite() { (bits / data_bits / patterns as f64).ceil() as u64 } else { u64::MAX };
        let slice_ns = match profile.kind {
            ProfileKind::Steps | ProfileKind::RateSearch => (at_most / patterns as u64).max(SECOND_NS),
            ProfileKind::Proof | ProfileKind::Soak => SLICE_NS,
        };
        for (number, pattern) in profile.patterns.iter().cycle().enumerate() {
            let now = self.kind.line.now();
            let elapsed = now - begun;
            let whole_turns = number % patterns == 0;
            let enough = whole_turns && self.bits_that_count(measured) as f64 >= bits && elapsed >= at_least;
            if elapsed >= at_most || enough || self.must_stop(measured) || self.fails_at_slowest(measured) {
                break;
            }
            if number < patterns {
                let what = format!("{pattern} at {}", self.kind.format);
                (self.say)(Event::LineStepStarted { what });
            }
            let longest = if self.kind.window <= WINDOW_MIN { SLOWEST_SLICE_NS.min(slice_ns) } else { slice_ns };
            let until = (now + longest).min(begun + at_most);
            let bytes = slice_bytes.max(1);
            let silent_until = (profile.kind == ProfileKind::Soak).then_some(begun + at_most);
            let ended = self.slice(measured, pattern.clone(), Amount { bytes, until, silent_until })?;
            if ended == Ended::Silent
                || (profile.kind == ProfileKind::Proof && is_decided(judge(&self.facts(measured)).outcome))
            {
                break;
            }
        }
        Ok(())
    }

    /// Sends one stretch of one pattern. Lets fewer bytes out at once afterwards where this computer lost bytes, or may
    /// have.
    fn slice(&mut self, measured: &mut SerialMeasured, pattern: Pattern, amount: Amount) -> Result<Ended, CheckError> {
        let mut exchange = self.exchange(measured, pattern, self.kind.format)?;
        let may_slow = self.kind.window > WINDOW_MIN;
        let so_far = measured.tally.counts;
        let limit = self.options.profile.limit(Kind::Serial, None);
        let extent = self.extent();
        let bits_a_second = self.kind.format.characters_per_second() * f64::from(self.kind.format.data_bits);
        let paced = self.kind.line.capabilities().paced;
        let (say, origin) = (&mut *self.say, self.origin);
        let mut heard: Option<(u64, Nanos)> = None;
        let done = exchange.run(self.kind.line, amount, may_slow, &mut |now, counts| {
            let bits = so_far.bits_compared + counts.bits_compared;
            let errors = so_far.bit_errors + counts.bit_errors;
            let (proved_below, bits_needed) = proved_so_far(&limit, errors, bits, 1.0);
            let to_send = (extent.bits - bits as f64).max(0.0) / bits_a_second;
            let heard = heard.get_or_insert((counts.returned, now));
            if counts.returned > heard.0 {
                *heard = (counts.returned, now);
            }
            say(Event::LineProgress {
                elapsed_s: now.saturating_sub(origin) as f64 / SECOND_NS as f64,
                bytes_sent: so_far.sent + counts.sent,
                bytes_returned: so_far.returned + counts.returned,
                bytes_failed: so_far.failed() + counts.failed(),
                proved_below,
                bits_needed,
                left_s: Some(to_send).filter(|s| paced && s.is_finite()),
                silent_s: now.saturating_sub(heard.1) as f64 / SECOND_NS as f64,
            });
        });
        let (ended, speed) = self.take(measured, exchange, done)?;
        let lost = measured.tally.counts.lost > so_far.lost && self.kind.line.capabilities().hides_overruns();
        let ended = if ended == Ended::Done && may_slow && lost { Ended::LostAtThisPace } else { ended };
        match ended {
            Ended::LostAtThisPace => {
                self.kind.window = slower(self.kind.window);
                measured.slowdowns += 1;
                measured.since_slowed = Default::default();
                (self.say)(Event::LineSlowed { bytes_out: self.kind.window });
            }
            _ if measured.characters_per_second.is_none_or(|known| speed.is_some_and(|s| s > known)) => {
                measured.characters_per_second = speed;
            }
            _ => {}
        }
        Ok(ended)
    }
}

/// Bytes out at once where so many were too many. Most chips hold the second smallest number by themselves; any holds
/// the smallest.
fn slower(window: u64) -> u64 {
    if window > STORE_BYTES { (window / 8).max(STORE_BYTES) } else { WINDOW_MIN }
}

/// Half of what the smallest chip with a store holds (16 bytes, 16550).
const STORE_BYTES: u64 = 8;

const SLICE_NS: u64 = 10 * SECOND_NS;
/// Slices are shorter at the slowest pace: a failure there shows after few bytes.
const SLOWEST_SLICE_NS: u64 = 2 * SECOND_NS;
