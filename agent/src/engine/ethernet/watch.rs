//! Watches a running step.

use std::{collections::VecDeque, time::Duration};

use turnback_core::{
    base::time::{Nanos, SECOND_NS},
    event::{Event, Progress},
    judge::{facts::Stopped, ratio::Limit},
    kind::ethernet::stream::tally::FrameCounts,
};

use crate::{
    engine::{cancel::Cancel, proof::proved_so_far},
    ports::{Disturbance, FramePort, PortError, runner::Glimpse},
};

/// Watches a running step: stops it for foreign frames, a lost link or a person who wants to end, and tells its
/// progress.
pub(super) struct Watcher<'a> {
    pub(super) cancel: &'a Cancel,
    pub(super) port: &'a mut dyn FramePort,
    pub(super) return_port: Option<&'a mut dyn FramePort>,
    /// Reasons why a port is in service that were not there before.
    pub(super) in_service: Vec<String>,
    pub(super) say: &'a mut dyn FnMut(Event),
    pub(super) so_far: FrameCounts,
    /// Of the frames lost so far, those that this computer lost.
    pub(super) lost_inside: u64,
    pub(super) origin: Nanos,
    pub(super) step_time: Option<Duration>,
    pub(super) left: Option<Duration>,
    pub(super) started: Option<Nanos>,
    pub(super) limit: Limit,
    /// Length of a frame, bits, where only frames can be counted.
    pub(super) frame_bits: Option<f64>,
    /// Since when there is no link: perhaps since an earlier step.
    pub(super) down_since: Option<Nanos>,
    /// Stretches without link: from when to when it was seen so.
    pub(super) outages: Vec<(Nanos, Nanos)>,
    pub(super) flaps: u64,
    pub(super) was_up: bool,
    pub(super) echoes: Echoes,
}

/// Which probes of a step are overdue, and since when nothing came back.
#[derive(Debug, Default)]
pub(super) struct Echoes {
    /// Moments, and probes sent until then: one each tenth of [`OVERDUE_NS`] or so.
    sent: VecDeque<(Nanos, u64)>,
    returned: u64,
    heard_at: Option<Nanos>,
}

impl Echoes {
    /// For the step that follows. A silence may have begun before it.
    pub fn of_next_step(&self) -> Self {
        Self { heard_at: self.heard_at, ..Self::default() }
    }

    /// Takes a look. Gives the probes that are overdue, and the nanoseconds since one came back.
    fn look(&mut self, glimpse: &Glimpse) -> (u64, Nanos) {
        let heard_at = self.heard_at.get_or_insert(glimpse.now);
        if glimpse.returned > self.returned || glimpse.sent > 0 && glimpse.sent == glimpse.returned {
            (self.returned, *heard_at) = (glimpse.returned, glimpse.now);
        }
        self.sent.push_back((glimpse.now, glimpse.sent));
        // The newest that is old enough stays: what was sent until then is overdue.
        while self.sent.get(1).is_some_and(|(at, _)| glimpse.now.saturating_sub(*at) >= OVERDUE_NS) {
            self.sent.pop_front();
        }
        let due = self.sent.front().filter(|(at, _)| glimpse.now.saturating_sub(*at) >= OVERDUE_NS);
        let overdue = due.map_or(0, |(_, sent)| sent.saturating_sub(glimpse.returned));
        let silent_ns = if glimpse.sent > 0 { glimpse.now.saturating_sub(*heard_at) } else { 0 };
        // What later echoes have overtaken is missed at once.
        (overdue.max(glimpse.overtaken), silent_ns)
    }
}

/// After so long a probe is missed: a hundred times the round trip of the longest line a plug can sit on.
const OVERDUE_NS: Nanos = SECOND_NS / 2;

impl Watcher<'_> {
    pub(super) fn look(&mut self, glimpse: Glimpse) -> Option<Stopped> {
        let started = *self.started.get_or_insert(glimpse.now);
        if self.cancel.is_cancelled() {
            return Some(Stopped::ByUser);
        }
        // Asked first, because it explains what follows from it: foreign frames, a link that drops.
        if let Some(stopped) = self.look_for_disturbance() {
            return Some(stopped);
        }
        if glimpse.foreign > 0 {
            return Some(Stopped::ForeignTraffic);
        }
        if let Some(stopped) = self.look_at_link(glimpse) {
            return Some(stopped);
        }
        let elapsed_in_step = glimpse.now.saturating_sub(started) as f64 / SECOND_NS as f64;
        let errors = self.so_far.bit_errors + glimpse.bit_errors;
        let bits = self.so_far.bits_compared + glimpse.bits_compared;
        let (proved_below, bits_needed) = match self.frame_bits {
            None => proved_so_far(&self.limit, errors, bits, 1.0),
            // What is out may still come back: only what did, and what was given up before, was tried.
            Some(frame_bits) => {
                let tried = self.so_far.sent + glimpse.returned;
                proved_so_far(&self.limit, self.so_far.lost, tried, frame_bits)
            }
        };
        let (frames_missing, silent_ns) = self.echoes.look(&glimpse);
        let bits_per_second = glimpse.bits_compared as f64 / elapsed_in_step.max(1e-9);
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
            bits_needed,
            // Single probes go far too slowly to tell.
            needed_s: bits_needed
                .map(|bits| bits / bits_per_second)
                .filter(|s| s.is_finite() && self.step_time.is_some()),
            // What this computer lost is told where the step is repeated slower.
            frames_missing: self.so_far.lost.saturating_sub(self.lost_inside) + frames_missing,
            silent_s: silent_ns as f64 / SECOND_NS as f64,
        }));
        None
    }

    /// Asks what others on this host did to a port since the last look. Also asked when a step is over, since something
    /// may have happened after its last look.
    pub(super) fn look_for_disturbance(&mut self) -> Option<Stopped> {
        let other = self.return_port.as_mut().map(|port| port.disturbed());
        // An error shows again at the next call to that port.
        let disturbances = [Some(self.port.disturbed()), other].into_iter().flatten().filter_map(|d| d.ok().flatten());
        let mut stopped = None;
        for disturbance in disturbances {
            stopped = Some(match disturbance {
                Disturbance::TakenIntoService(reasons) => {
                    self.in_service.extend(reasons);
                    Stopped::TakenIntoService
                }
                Disturbance::Reconfigured => stopped.unwrap_or(Stopped::Reconfigured),
            });
        }
        stopped
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
        match self.outages.last_mut().filter(|(from, _)| *from >= since) {
            Some((_, to)) => *to = now,
            None => self.outages.push((now, now)),
        }
        (now.saturating_sub(since) > LINK_LOST_AFTER.as_nanos() as u64).then_some(Stopped::LinkLost)
    }
}

const LINK_LOST_AFTER: Duration = Duration::from_secs(5);

#[cfg(test)]
mod tests {
    use turnback_core::{kind::ethernet::sim::Rig, stats::looks::Looks};

    use super::*;
    use crate::ports::simulated::ethernet::SimulatedPort;

    /// A thousand probes a second, looked at each tenth of a second; `back` says how many of them are back.
    fn watched(echoes: &mut Echoes, from: u64, back: impl Fn(u64) -> (u64, u64)) -> Vec<(u64, u64)> {
        let looks = 0..30;
        let look = |tick: u64| {
            let sent = 100 * tick;
            let (returned, overtaken) = back(sent);
            let now = (from + tick) * SECOND_NS / 10;
            let (missing, silent_ns) = echoes.look(&Glimpse { now, sent, returned, overtaken, ..Glimpse::default() });
            (missing, silent_ns / (SECOND_NS / 10))
        };
        looks.map(look).collect()
    }

    #[test]
    fn a_lost_fifth_shows_at_once_and_a_pulled_plug_in_half_a_second() {
        let fifth = watched(&mut Echoes::default(), 0, |sent| (sent - sent / 5, sent / 5));
        assert_eq!((fifth[1], fifth[29]), ((20, 0), (580, 0)));
        let good = watched(&mut Echoes::default(), 0, |sent| (sent, 0));
        assert!(good.iter().all(|seen| *seen == (0, 0)), "{good:?}");
        let pulled = watched(&mut Echoes::default(), 0, |sent| (sent.min(1000), 0));
        assert_eq!((pulled[10], pulled[16], pulled[29]), ((0, 0), (100, 6), (1400, 19)));
    }

    #[test]
    fn a_silence_goes_on_into_the_next_step() {
        let mut first = Echoes::default();
        watched(&mut first, 0, |sent| (sent.min(1000), 0));
        let second = watched(&mut first.of_next_step(), 30, |_| (0, 0));
        assert_eq!((second[0], second[1], second[29]), ((0, 0), (0, 21), (2400, 49)));
        let good = watched(&mut first.of_next_step(), 30, |sent| (sent, 0));
        assert_eq!(good[1], (0, 0));
    }

    const MS: Nanos = SECOND_NS / 1000;

    /// What a watcher says at each of these looks, and the frames it then calls missing. Limit and step are of no
    /// matter here.
    fn seen(looks: &[Glimpse]) -> (Vec<Option<Stopped>>, Vec<u64>) {
        let mut port = SimulatedPort::of(&Rig::parse("").unwrap(), "sim:rig".into(), 1);
        let mut missing = Vec::new();
        let mut say = |event| {
            if let Event::Progress(progress) = event {
                missing.push(progress.frames_missing);
            }
        };
        let mut watcher = Watcher {
            cancel: &Cancel::default(),
            port: &mut port,
            return_port: None,
            in_service: Vec::new(),
            say: &mut say,
            so_far: FrameCounts::default(),
            lost_inside: 0,
            origin: 0,
            step_time: None,
            left: None,
            started: None,
            limit: Limit { bit_error_ratio: 1e-9, confidence: 0.95, looks: Looks::Once },
            frame_bits: None,
            down_since: None,
            outages: Vec::new(),
            flaps: 0,
            was_up: true,
            echoes: Echoes::default(),
        };
        let stopped = looks.iter().map(|glimpse| watcher.look(*glimpse)).collect();
        (stopped, missing)
    }

    fn glimpse(now: Nanos) -> Glimpse {
        Glimpse { now, link_up: Some(true), ..Glimpse::default() }
    }

    #[test]
    fn the_first_foreign_frame_stops_a_step() {
        let heard = |foreign| Glimpse { foreign, ..glimpse(MS) };
        assert_eq!(seen(&[heard(0), heard(1)]).0, [None, Some(Stopped::ForeignTraffic)]);
    }

    #[test]
    fn a_link_is_lost_after_five_seconds_without_a_break() {
        let look = |at, up| Glimpse { link_up: Some(up), ..glimpse(at) };
        let from = 100 * MS;
        let at_most = from + 5000 * MS;
        let seen = |looks: &[Glimpse]| seen(looks).0.pop().unwrap();
        assert_eq!(seen(&[look(0, true), look(from, false), look(at_most, false)]), None);
        assert_eq!(seen(&[look(0, true), look(from, false), look(at_most + 1, false)]), Some(Stopped::LinkLost));
        let back = [look(from, false), look(from + MS, true), look(from + 2 * MS, false), look(at_most + 1, false)];
        assert_eq!(seen(&back), None, "it came back in between");
    }

    #[test]
    fn a_probe_is_missed_after_half_a_second() {
        let look = |now, sent| Glimpse { now, sent, returned: 2, ..glimpse(0) };
        let missing = |later| seen(&[look(MS, 10), look(MS + later, 20)]).1;
        assert_eq!(missing(500 * MS - 1), [0, 0]);
        assert_eq!(missing(500 * MS), [0, 8]);
    }
}
