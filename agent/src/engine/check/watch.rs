//! Looking after a running step.

use std::time::Duration;

use turnback_core::{
    event::{Event, Progress},
    evidence::{Limit, Stopped},
    stats::ratio::upper_bound,
    stream::tally::Counts,
    time::{Nanos, SECOND_NS},
};

use crate::{
    engine::cancel::Cancel,
    ports::{Port, PortError, ServiceReason, runner::Glimpse},
};

/// Looks after a running step: foreign frames, the link, the person's wish to end; and says how far it is.
pub(super) struct Watcher<'a> {
    pub(super) cancel: &'a Cancel,
    pub(super) port: &'a mut dyn Port,
    pub(super) say: &'a mut dyn FnMut(Event),
    pub(super) so_far: Counts,
    pub(super) origin: Nanos,
    pub(super) step_time: Option<Duration>,
    pub(super) left: Option<Duration>,
    pub(super) started: Option<Nanos>,
    pub(super) limit: Limit,
    pub(super) down_since: Option<Nanos>,
    pub(super) flaps: u64,
    pub(super) was_up: bool,
    pub(super) although_in_service: bool,
    pub(super) service_asked: Option<Nanos>,
}

impl Watcher<'_> {
    pub(super) fn look(&mut self, glimpse: Glimpse) -> Option<Stopped> {
        let started = *self.started.get_or_insert(glimpse.now);
        if self.cancel.is_cancelled() {
            return Some(Stopped::ByUser);
        }
        if glimpse.foreign > 0 {
            return Some(Stopped::ForeignTraffic);
        }
        if self.is_taken_into_service(glimpse.now) {
            return Some(Stopped::TakenIntoService);
        }
        if let Some(stopped) = self.look_at_link(glimpse) {
            return Some(stopped);
        }
        let elapsed_in_step = glimpse.now.saturating_sub(started) as f64 / SECOND_NS as f64;
        let errors = self.so_far.bit_errors + glimpse.bit_errors;
        let bits = self.so_far.bits_compared + glimpse.bits_compared;
        let proved_below = upper_bound(errors.min(bits), bits, self.limit.confidence).ok();
        let needed = -(1.0 - self.limit.confidence).ln() / self.limit.bit_error_ratio;
        (self.say)(Event::Progress(Progress {
            elapsed_s: glimpse.now.saturating_sub(self.origin) as f64 / SECOND_NS as f64,
            left_s: self
                .step_time
                .zip(self.left)
                .map(|(step, left)| (step.as_secs_f64() - elapsed_in_step).max(0.0) + left.as_secs_f64()),
            frames_sent: self.so_far.sent + glimpse.sent,
            frames_per_second: if elapsed_in_step > 0.0 { glimpse.sent as f64 / elapsed_in_step } else { 0.0 },
            errors,
            proved_below,
            bits_needed: Some((needed - bits as f64).max(0.0)).filter(|n| *n > 0.0),
        }));
        None
    }

    /// Somebody gave the port an address, a route or the like meanwhile. A host that does not answer leaves the question open
    /// until the next look.
    fn is_taken_into_service(&mut self, now: Nanos) -> bool {
        let asked = self.service_asked.get_or_insert(now);
        if now.saturating_sub(*asked) < SERVICE_EVERY.as_nanos() as u64 {
            return false;
        }
        *asked = now;
        let passed_over = |r: &ServiceReason| self.although_in_service && r.may_be_overridden;
        self.port.in_service().is_ok_and(|reasons| reasons.iter().any(|reason| !passed_over(reason)))
    }

    fn look_at_link(&mut self, glimpse: Glimpse) -> Option<Stopped> {
        let now = glimpse.now;
        let up = match glimpse.link_up.map_or_else(|| self.port.link().map(|link| link.up), Ok) {
            Ok(up) => up,
            Err(PortError::Gone(_)) => return Some(Stopped::PortGone),
            Err(_) => return None,
        };
        self.flaps += u64::from(up && !self.was_up);
        self.was_up = up;
        if up {
            self.down_since = None;
            return None;
        }
        let since = *self.down_since.get_or_insert(now);
        (now.saturating_sub(since) > LINK_LOST_AFTER.as_nanos() as u64).then_some(Stopped::LinkLost)
    }
}

/// So often the host is asked whether the port is in service now.
const SERVICE_EVERY: Duration = Duration::from_millis(250);
const LINK_LOST_AFTER: Duration = Duration::from_secs(5);
