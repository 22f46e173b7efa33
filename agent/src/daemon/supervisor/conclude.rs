//! What a run found, and all that follows from it.

use std::sync::Arc;

use turnback_core::{
    base::figure::Group,
    document::run::{self, Report},
    watch::{
        drift::Sample,
        observation::{Ground, Observation},
        standing::{Change, Hysteresis, State},
    },
};

use super::{Over, Supervisor};
use crate::{
    archive::logbook::{Entry, Outgoing},
    config::{Config, Way},
    daemon::{
        agent::Happening,
        announce::Announcement,
        cases::Told,
        host::{Host, RunEnd},
        status::Watched,
    },
    work::isolate::stage::Measurement,
};

/// What follows from a run, or from the attempt at one.
pub(super) struct Concluded {
    pub(super) run: Option<String>,
    pub(super) finding: Observation,
    pub(super) ground: Ground,
    pub(super) drifts: Vec<String>,
    /// Number of its round.
    pub(super) round: Option<usize>,
    pub(super) report: Option<Box<Report>>,
}

impl Concluded {
    /// Nothing but a finding.
    pub(super) fn of(finding: Observation, ground: Ground) -> Self {
        Self { run: ground.run.clone(), finding, ground, drifts: Vec::new(), round: None, report: None }
    }
}

impl<S: Host> Supervisor<S> {
    pub(super) async fn take(&mut self, over: Over) {
        let Over { port, run, end } = over;
        let now = self.host.now();
        let Some(running) = self.shared.status().ports.get_mut(&port).and_then(|p| p.running.take()) else { return };
        self.shared.wake.notify_one();
        let ending = self.shared.stopped.is_stopped();
        let (finding, report, told) = match end {
            RunEnd::Report(report) => {
                let told = Told::Measured(Measurement::Report(report.clone()));
                let finding = match Observation::of(&report) {
                    // It was given up and said so; what it found that late is on record and says nothing more.
                    _ if running.hung => Observation::Interrupted,
                    // Time was up: the run was ended by us and decided nothing.
                    Observation::Interrupted if running.ended_at.is_some() && !running.by_hand && !ending => {
                        Observation::Inconclusive("took-too-long: the run was ended because its time was up".into())
                    }
                    finding => finding,
                };
                (finding, Some(report), told)
            }
            RunEnd::Pairs(_) if running.by_hand => {
                (Observation::Interrupted, None, Told::CutOff("ended by hand".to_owned()))
            }
            RunEnd::Pairs(pairs) => (Observation::Interrupted, None, Told::Measured(Measurement::Pairs(pairs))),
            RunEnd::Impossible(text) => (Observation::Interrupted, None, Told::Impossible(text)),
            RunEnd::Busy(text) => {
                tracing::info!(port, run, why = text, "not tested now: another run has the port");
                let round = self.settle_slot(&port, &running.cause);
                self.look_again_later(&port, round, 0, now.as_millisecond());
                let mut entry = Entry { port: port.clone(), ..Entry::default() };
                if let Some(watched) = self.shared.status().ports.get_mut(&port) {
                    watched.memory.begun = None;
                    entry.memory = watched.memory.clone();
                }
                self.enter(entry).await;
                let why = Told::CutOff("another run has the port".to_owned());
                self.end_stage(running.cause.case(), &run, why).await;
                self.shared.tell(Happening::RunOver { run, port, outcome: None });
                return;
            }
            RunEnd::Failed(text) => {
                tracing::error!(port, run, error = text, "the run could not be made");
                *self.shared.status().figures.run_errors.entry(port.clone()).or_default() += 1;
                (Observation::Inconclusive(format!("not-made: {text}")), None, Told::CutOff(text))
            }
        };
        let finding = if running.aside { Observation::Interrupted } else { finding };
        self.end_stage(running.cause.case(), &run, told).await;
        let outcome = report.as_ref().map(|report| report.verdict.outcome);
        tracing::info!(port, run, outcome = outcome.map_or("none", |o| o.name()), "run over");
        if running.hung {
            tracing::warn!(port, run, "the run that hung is over: the port can be tested again");
        }
        // Ended because the daemon ends: the time of its schedule is still to be dealt with, after the restart.
        let round = match finding {
            Observation::Interrupted if ending => None,
            _ => self.settle_slot(&port, &running.cause),
        };
        let own = report.as_ref().filter(|_| !running.aside);
        if let Some(report) = own {
            self.count(&port, report);
        }
        let drifts = match own.and_then(|report| Sample::of(report)) {
            Some(sample) => {
                let mut status = self.shared.status();
                status.ports.get_mut(&port).map(|p| p.memory.drift.take(&sample)).unwrap_or_default()
            }
            None => Vec::new(),
        };
        let ground = match &report {
            Some(report) => Ground::of(report, now.as_millisecond()),
            None => Ground {
                placement: running.placement,
                profile: running.live.profile,
                run: Some(run.clone()),
                at_ms: now.as_millisecond(),
                ..Ground::default()
            },
        };
        let concluded = Concluded { run: Some(run.clone()), finding, ground, drifts, round, report };
        self.conclude(&port, concluded).await;
        self.shared.tell(Happening::RunOver { run, port, outcome });
    }

    pub(super) fn count(&self, port: &str, report: &Report) {
        let mut status = self.shared.status();
        let figures = &mut status.figures;
        let name = || port.to_owned();
        let outcome = report.verdict.outcome.name().to_owned();
        *figures.runs.entry(name()).or_default().entry(outcome).or_default() += 1;
        for figure in run::figures::of(report) {
            let Some(value) = figure.measure.value else { continue };
            if figure.is_in(Group::Total) {
                *figures.totals.entry(figure.what.id).or_default().entry(name()).or_default() += value;
            }
            if figure.is_in(Group::Last) {
                figures.last.entry(figure.what.id).or_default().insert(name(), value);
            }
        }
        figures.cpu_seconds = self.host.cpu_used().as_secs_f64();
    }

    /// Takes a finding into what is held of the port, with all that follows from it.
    pub(super) async fn conclude(&mut self, port: &str, concluded: Concluded) {
        let Concluded { run, finding, ground, drifts, round, report } = concluded;
        let now_ms = ground.at_ms;
        let (change, again) = {
            let mut status = self.shared.status();
            let status = &mut *status;
            let rule = hysteresis(&status.config, round.or_else(|| status.ports.get(port)?.rounds.first().copied()));
            let Some(watched) = status.ports.get_mut(port) else { return };
            if let Observation::InService(_) = finding {
                watched.memory.skips += 1;
                *status.figures.skips.entry(port.to_owned()).or_default() += 1;
            }
            watched.memory.begun = None;
            if !matches!(finding, Observation::Interrupted) {
                watched.memory.drifts = drifts.clone();
            }
            let standing = &mut watched.memory.standing;
            let change = standing.take(&finding, &ground, &drifts, rule);
            if standing.state == State::Proven {
                watched.memory.traced = None;
            }
            let wanted = standing.wants_repeat(rule) && !matches!(finding, Observation::Interrupted);
            // A port that is neither good nor bad for long is left to its schedule.
            let most = rule.faults_to_fail + rule.passes_to_clear + rule.inconclusive_to_doubt;
            let again = (wanted && watched.memory.repeats < most).then(|| standing.inconclusive_in_row());
            (change, again)
        };
        if let Some(failures) = again {
            let first = self.shared.status().ports.get(port).and_then(|p| p.rounds.first().copied());
            self.look_again_later(port, round.or(first), failures, now_ms);
        }
        self.enter_change(port, change, run, round, report, now_ms).await;
    }

    /// The repeat comes after the round's `repeat_after`, doubled for each failure in a row to measure anything.
    pub(super) fn look_again_later(&self, port: &str, round: Option<usize>, failures: u32, now_ms: i64) {
        let mut status = self.shared.status();
        let config = Arc::clone(&status.config);
        let Some(round) = round.and_then(|n| config.rounds.get(n)) else { return };
        let pause = round.repeat_after.saturating_mul(2u32.pow(failures.saturating_sub(1).min(8)));
        if let Some(watched) = status.ports.get_mut(port) {
            watched.memory.repeat = Some((now_ms + pause.as_millis() as i64, round.name.clone()));
        }
    }

    pub(super) async fn enter_change(
        &mut self,
        port: &str,
        change: Option<Change>,
        run: Option<String>,
        round: Option<usize>,
        report: Option<Box<Report>>,
        now_ms: i64,
    ) {
        let (entry, is_logged) = {
            let mut status = self.shared.status();
            let Some(mut watched) = status.ports.remove(port) else { return };
            let announced = status.is_announced(&watched, now_ms);
            let mut entry = Entry { port: port.to_owned(), change: change.clone(), report, ..Entry::default() };
            if let Some(change) = &change {
                // Whoever acknowledged the state before knows nothing of this one.
                watched.memory.acknowledged = None;
                if announced {
                    let from = watched.memory.told.take().unwrap_or(change.from);
                    let change = Change { from, ..change.clone() };
                    let announcement = Announcement::new(port, &watched.labels, &change, run);
                    entry.outgoing = outgoing(&status.config, &watched, round, &announcement, now_ms);
                } else {
                    watched.memory.told.get_or_insert(change.from);
                }
            }
            entry.memory = watched.memory.clone();
            status.ports.insert(port.to_owned(), watched);
            let to_log = |name: &str| status.config.targets.iter().any(|t| t.name == name && t.way == Way::Log);
            let is_logged = entry.outgoing.iter().any(|outgoing| to_log(&outgoing.target));
            (entry, is_logged)
        };
        self.enter(entry).await;
        if let Some(change) = change {
            // An announcement to the log says the same.
            if !is_logged {
                tracing::info!(
                    port,
                    from = change.from.name(),
                    to = change.to.name(),
                    why = change.why,
                    attention = change.to.needs_attention(),
                    "state changed"
                );
            }
            self.shared.tell(Happening::Changed { port: port.to_owned(), change });
            self.shared.posted.notify_one();
        }
    }
}

/// An announcement on its way to the targets of a round, else of the port's first.
pub(super) fn outgoing(
    config: &Config,
    watched: &Watched,
    round: Option<usize>,
    announcement: &Announcement,
    now_ms: i64,
) -> Vec<Outgoing> {
    announcement.to(&targets(config, round.or_else(|| watched.rounds.first().copied())), now_ms)
}

pub(super) fn hysteresis(config: &Config, round: Option<usize>) -> Hysteresis {
    round.and_then(|n| config.rounds.get(n)).map(|r| r.hysteresis).unwrap_or_default()
}

fn targets(config: &Config, round: Option<usize>) -> Vec<String> {
    let named = round.and_then(|n| config.rounds.get(n)).map(|r| r.announce.clone()).unwrap_or_default();
    if named.is_empty() { config.targets.iter().map(|t| t.name.clone()).collect() } else { named }
}
