//! Watches a running step.

use std::{collections::VecDeque, time::Duration};

use turnback_core::{
    base::time::{Nanos, SECOND_NS},
    event::{Awaited, Event, Progress},
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
    /// After so long without link the run ends.
    pub(super) link_patience: Duration,
    /// The rest of the plan is given up once nothing comes back any more.
    pub(super) gives_up: bool,
    /// How long what is missing is waited for, once all is sent.
    pub(super) settle: Duration,
    /// What was told last to be waited for, and how many seconds for.
    pub(super) told: Option<(Awaited, u64)>,
    /// Why the step has to end, as said before.
    pub(super) stopped: Option<Stopped>,
}

/// Which probes of a step are overdue, and since when nothing came back.
#[derive(Debug, Default)]
pub(super) struct Echoes {
    /// Moments, and probes sent until then: one each tenth of [`OVERDUE_NS`] or so.
    sent: VecDeque<(Nanos, u64)>,
    returned: u64,
    heard_at: Option<Nanos>,
    looked_at: Option<Nanos>,
    /// Time without an echo, as far as somebody looked: a computer that was away for a while has seen a second of it.
    unheard_ns: Nanos,
}

impl Echoes {
    /// For the step that follows. A silence may have begun before it.
    pub fn of_next_step(&self) -> Self {
        Self { heard_at: self.heard_at, unheard_ns: self.unheard_ns, ..Self::default() }
    }

    /// Takes a look. Gives the probes that are overdue, and the nanoseconds since one came back.
    fn look(&mut self, glimpse: &Glimpse) -> (u64, Nanos) {
        let heard_at = self.heard_at.get_or_insert(glimpse.now);
        if glimpse.returned > self.returned || glimpse.sent > 0 && glimpse.sent == glimpse.returned {
            (self.returned, *heard_at, self.unheard_ns) = (glimpse.returned, glimpse.now, 0);
        } else if glimpse.sent > 0 {
            let looked_at = self.looked_at.unwrap_or(glimpse.now);
            self.unheard_ns += glimpse.now.saturating_sub(looked_at).min(SECOND_NS);
        }
        self.looked_at = Some(glimpse.now);
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
    /// Looks, tells how the step stands, and says whether it has to end. What is still out then is waited for, and that
    /// is told too.
    pub(super) fn look(&mut self, glimpse: Glimpse) -> Option<Stopped> {
        if self.stopped.is_none() {
            self.stopped = self.look_on(&glimpse);
        }
        if self.stopped.is_some() {
            self.tell_late(&glimpse);
        }
        self.stopped
    }

    fn look_on(&mut self, glimpse: &Glimpse) -> Option<Stopped> {
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
        if let Some(since) = self.down_since {
            let ends_at = since + self.link_patience.as_nanos() as u64;
            self.tell_waiting(Awaited::LostLink, ends_at.saturating_sub(glimpse.now));
            return None;
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
        let (frames_missing, silent_ns) = self.echoes.look(glimpse);
        let gives_up_ns = GIVES_UP_NS.saturating_sub(self.echoes.unheard_ns);
        let gives_up = self.gives_up && self.echoes.unheard_ns >= SECOND_NS;
        if !gives_up && self.tell_late(glimpse) {
            return None;
        }
        self.told = None;
        let bits_per_second = glimpse.bits_compared as f64 / elapsed_in_step.max(1e-9);
        (self.say)(Event::Progress(Progress {
            elapsed_s: glimpse.now.saturating_sub(self.origin) as f64 / SECOND_NS as f64,
            left_s: self.left.map(|left| {
                let of_step_s = self.step_time.map_or(0.0, |time| (time.as_secs_f64() - elapsed_in_step).max(0.0));
                of_step_s + left.as_secs_f64()
            }),
            frames_sent: self.so_far.sent + glimpse.sent,
            frames_returned: self.so_far.returned + glimpse.returned,
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
            gives_up_s: gives_up.then_some(gives_up_ns as f64 / SECOND_NS as f64),
        }));
        (gives_up && gives_up_ns == 0).then_some(Stopped::WentSilent)
    }

    /// Tells that all is sent and what is missing is waited for, once that takes its time.
    fn tell_late(&mut self, glimpse: &Glimpse) -> bool {
        let takes_time = |left: &Duration| self.settle.saturating_sub(*left).as_nanos() as u64 >= OVERDUE_NS;
        let Some(left) = glimpse.settles_for.filter(takes_time) else { return false };
        self.tell_waiting(Awaited::LateFrames, left.as_nanos() as u64);
        true
    }

    /// Tells every second what is waited for.
    fn tell_waiting(&mut self, what: Awaited, left_ns: Nanos) {
        let left_s = left_ns.div_ceil(SECOND_NS);
        if self.told != Some((what, left_s)) {
            self.told = Some((what, left_s));
            (self.say)(Event::Waiting { what, left_s: left_s as f64 });
        }
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

    fn look_at_link(&mut self, glimpse: &Glimpse) -> Option<Stopped> {
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
        (now.saturating_sub(since) > self.link_patience.as_nanos() as u64).then_some(Stopped::LinkLost)
    }
}

/// How long a lost link is waited for where somebody waits for the answer.
pub(super) const LINK_PATIENCE_IN_STEPS: Duration = Duration::from_secs(5);
/// The same where a run is asked for that lasts: long enough for a hand that moves a plug. Our own choice.
pub(super) const LINK_PATIENCE_IN_SOAK: Duration = Duration::from_secs(60);
/// Silence after which the rest of a plan of steps is given up: longer than any echo is waited for, and the answer is
/// known long before. Our own choice.
const GIVES_UP_NS: Nanos = 10 * SECOND_NS;

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

    /// What a watcher says at each of these looks, and what it tells meanwhile. Limit and step are of no matter here.
    fn watched_on(gives_up: bool, looks: &[Glimpse]) -> (Vec<Option<Stopped>>, Vec<Event>) {
        let mut port = SimulatedPort::of(&Rig::parse("").unwrap(), "sim:rig".into(), 1);
        let mut told = Vec::new();
        let mut say = |event| told.push(event);
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
            link_patience: LINK_PATIENCE_IN_STEPS,
            gives_up,
            settle: Duration::from_secs(2),
            told: None,
            stopped: None,
        };
        let stopped = looks.iter().map(|glimpse| watcher.look(*glimpse)).collect();
        (stopped, told)
    }

    /// The same, and the frames that it calls missing.
    fn seen(looks: &[Glimpse]) -> (Vec<Option<Stopped>>, Vec<u64>) {
        let (stopped, told) = watched_on(false, looks);
        let missing = |event| if let Event::Progress(p) = event { Some(p.frames_missing) } else { None };
        (stopped, told.into_iter().filter_map(missing).collect())
    }

    /// What is waited for, and how long, second by second.
    fn waits(told: &[Event]) -> Vec<(Awaited, u64)> {
        let wait = |event: &Event| match event {
            Event::Waiting { what, left_s } => Some((*what, *left_s as u64)),
            _ => None,
        };
        told.iter().filter_map(wait).collect()
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

    #[test]
    fn a_lost_link_is_told_every_second_and_nothing_is_called_good_meanwhile() {
        let looks: Vec<_> =
            (0..=60).map(|tick| Glimpse { link_up: Some(tick < 10), ..glimpse(tick * 100 * MS) }).collect();
        let (_, told) = watched_on(false, &looks);
        let expected = [5, 4, 3, 2, 1, 0].map(|left_s| (Awaited::LostLink, left_s));
        assert_eq!(waits(&told), expected);
        let progress = told.iter().filter(|event| matches!(event, Event::Progress(_))).count();
        assert_eq!(progress, 10, "only while the link is up");
    }

    /// Each tenth of a second. A soak goes on: somebody may put the plug in again.
    #[test]
    fn a_plan_of_steps_is_given_up_after_ten_seconds_without_an_echo_and_a_soak_is_not() {
        let looks: Vec<_> =
            (0..=120).map(|tick| Glimpse { sent: 1000 + tick, returned: 1000, ..glimpse(tick * 100 * MS) }).collect();
        let (stopped, told) = watched_on(true, &looks);
        let ended = stopped.iter().position(|stopped| *stopped == Some(Stopped::WentSilent));
        assert_eq!(ended, Some(100));
        let left = told.iter().filter_map(|event| if let Event::Progress(p) = event { p.gives_up_s } else { None });
        let whole: Vec<_> = left.filter(|s| s.fract() == 0.0).map(|s| s as u32).collect();
        assert_eq!(whole, (0..=9).rev().collect::<Vec<_>>());
        assert_eq!(watched_on(false, &looks).0.last(), Some(&None));
        let one_back = |n: usize| {
            let mut looks = looks.clone();
            looks[n..].iter_mut().for_each(|look| look.returned += 1);
            watched_on(true, &looks).0[100]
        };
        assert_eq!(one_back(99), None);
    }

    /// A computer that stands still for a minute has not waited for a minute.
    #[test]
    fn a_computer_that_was_away_gives_nothing_up() {
        let looks = [0, 1, 60_000, 120_000].map(|ms| Glimpse { sent: 9, returned: 8, ..glimpse(ms * MS) });
        assert_eq!(watched_on(true, &looks).0, [None; 4]);
    }

    #[test]
    fn waiting_for_late_frames_is_told_every_second_also_once_the_run_is_to_end() {
        let settling = |tick: u64, foreign| Glimpse {
            settles_for: Some(Duration::from_millis(2000 - 100 * tick)),
            foreign,
            ..glimpse(tick * 100 * MS)
        };
        for foreign in [0, 1] {
            let looks: Vec<_> = (0..20).map(|tick| settling(tick, foreign)).collect();
            let (stopped, told) = watched_on(false, &looks);
            assert_eq!(stopped[19].is_some(), foreign > 0);
            assert_eq!(waits(&told), [2, 1].map(|left_s| (Awaited::LateFrames, left_s)), "{foreign}");
        }
    }
}
