//! The supervisor: goes round the ports, starts what is due and may start, and takes what the runs find.
//!
//! One task. It waits for the next thing that is due, a run that is over, or a bell; everything that can hang (a driver,
//! a list of ports) goes on elsewhere under a time limit.

use std::{
    collections::BTreeSet,
    sync::{Arc, Mutex},
    time::Duration,
};

use jiff::{SignedDuration, Timestamp};
use tokio::sync::mpsc;
use turnback_core::{
    event::Event,
    rng::Rng,
    watch::{
        drift::Sample,
        standing::{Change, Finding, Hysteresis, State},
    },
};

use super::{
    announce::{Announcement, with_logbook},
    board::{Asked, Board, Cause, Running, Shared, Slot, Watched},
    budget::Budget,
    desk::{Happening, LiveRun},
    logbook::{Entry, PortMemory},
    site::{Order, PortFacts, RunEnd, Site},
};
use crate::{
    config::{Config, Round, planned_time},
    engine::cancel::Cancel,
};

/// Goes round until the daemon ends.
pub struct Supervisor<S: Site> {
    site: Arc<S>,
    shared: Arc<Shared>,
    budget: Budget,
    over: (mpsc::UnboundedSender<Over>, mpsc::UnboundedReceiver<Over>),
    listed_at: Option<tokio::time::Instant>,
    /// Since when the supervisor has gone round without a gap: what was due before was missed.
    going_since: Timestamp,
    went_round: Timestamp,
    /// Entries that the logbook could not take yet.
    pending: Vec<Entry>,
    pending_since: Option<tokio::time::Instant>,
    alive: Box<dyn FnMut() + Send>,
    /// The clock may be set and a machine may sleep, so no wait is longer.
    pub(super) round_max: Duration,
}

/// A run is over.
struct Over {
    port: String,
    run: String,
    end: RunEnd,
}

/// A run that could start.
struct Candidate {
    port: String,
    cause: Cause,
    due_ms: i64,
    asked: Option<Asked>,
}

impl<S: Site> Supervisor<S> {
    /// Remembers what the logbook holds and lists the ports. `alive` is called each time round, at least once a minute: the
    /// service manager's watchdog.
    ///
    /// # Errors
    /// The logbook cannot be read.
    pub async fn new(site: Arc<S>, shared: Arc<Shared>, alive: Box<dyn FnMut() + Send>) -> Result<Self, String> {
        let now = site.now();
        let fresh_seed = uuid::Uuid::now_v7().as_u64_pair().1;
        let remembered =
            with_logbook(&shared.logbook, move |l| l.open(fresh_seed)).await.map_err(|error| error.to_string())?;
        {
            let mut board = shared.board();
            board.seed = remembered.seed;
            for (name, memory) in remembered.ports {
                board.ports.insert(name, Watched { memory, ..Watched::default() });
            }
        }
        let budget = Budget::new(site.cpu_used(), now.as_millisecond());
        let mut supervisor = Self {
            site,
            shared,
            budget,
            over: mpsc::unbounded_channel(),
            listed_at: None,
            going_since: now,
            went_round: now,
            pending: Vec::new(),
            pending_since: None,
            alive,
            round_max: ROUND_MAX,
        };
        supervisor.list_ports().await;
        supervisor.take_up_what_was_cut_off(now).await;
        Ok(supervisor)
    }

    /// Goes round until [`Shared::stopped`], then ends the runs and waits for them, a while.
    pub async fn go(&mut self) {
        while !self.shared.stopped.is_stopped() {
            let wait = self.go_round().await;
            (self.alive)();
            tokio::select! {
                () = tokio::time::sleep(wait) => {}
                () = self.shared.wake.notified() => {}
                Some(over) = self.over.1.recv() => self.take(over).await,
                () = self.shared.stopped.cancelled() => {}
            }
        }
        self.end().await;
    }

    async fn end(&mut self) {
        for run in self.shared.board().ports.values().filter_map(|p| p.running.as_ref()) {
            run.cancel.cancel();
        }
        let last_word = tokio::time::Instant::now() + END_PATIENCE;
        while self.shared.board().busy().next().is_some() {
            match tokio::time::timeout_at(last_word, self.over.1.recv()).await {
                Ok(Some(over)) => self.take(over).await,
                _ => {
                    tracing::warn!("a run does not end; its settings are put back at the next start");
                    break;
                }
            }
        }
        self.write_pending().await;
    }

    /// One time round: what has grown old, what takes too long, what is due. How long until the next.
    async fn go_round(&mut self) -> Duration {
        let now = self.site.now();
        self.look_at_clock(now).await;
        if self.pending_since.is_some_and(|since| since.elapsed() >= WRITE_AGAIN) {
            self.write_pending().await;
        }
        if std::mem::take(&mut self.shared.board().relist) {
            self.list_ports().await;
        }
        self.age(now).await;
        let limit_wait = self.end_what_takes_too_long(now).await;
        let (candidates, due_wait) = self.find_due(now);
        let blocked_wait = self.start_some(candidates, now).await;
        self.shared.board().last_round_ms = now.as_millisecond();
        [Some(self.round_max), limit_wait, due_wait, blocked_wait].into_iter().flatten().min().unwrap_or(self.round_max)
    }

    /// A machine that slept, or whose clock was set: what was due meanwhile was missed.
    async fn look_at_clock(&mut self, now: Timestamp) {
        let since = now.duration_since(self.went_round);
        if since > SignedDuration::from_secs(5 * self.round_max.as_secs() as i64) {
            tracing::info!(seconds = since.as_secs(), "time has passed unseen: the machine slept or its clock was set");
            self.going_since = now;
        }
        if since < SignedDuration::from_secs(-1) {
            let limit = now.as_millisecond();
            let mut board = self.shared.board();
            for port in board.ports.values_mut() {
                // What was dealt with lies in the future now; it would not be due again until then.
                for slot in port.memory.dealt_with_ms.values_mut().filter(|slot| **slot > limit) {
                    *slot = limit;
                }
            }
        }
        self.went_round = now;
    }

    /// Lists the ports anew, and gives each its labels and rounds.
    pub async fn list_ports(&mut self) {
        let listed = match tokio::time::timeout(LIST_LIMIT, self.site.ports()).await {
            Ok(listed) => listed,
            Err(_) => Err(format!("the ports could not be listed within {} s", LIST_LIMIT.as_secs())),
        };
        self.listed_at = Some(tokio::time::Instant::now());
        let now_ms = self.site.now().as_millisecond();
        let mut fresh = Vec::new();
        {
            let mut board = self.shared.board();
            match listed {
                Ok(list) => {
                    board.troubles.remove("ports");
                    lay_out(&mut board, list);
                }
                Err(text) => {
                    tracing::error!(error = text, "the list of ports is out of date");
                    board.troubles.insert("ports", text);
                }
            }
            board.sort_ports();
            let config = Arc::clone(&board.config);
            for (name, port) in &mut board.ports {
                let mut new = false;
                for round in port.rounds.iter().filter_map(|n| config.rounds.get(*n)) {
                    // A round's times before it knew the port were not missed.
                    if !port.memory.dealt_with_ms.contains_key(&round.name) {
                        port.memory.dealt_with_ms.insert(round.name.clone(), now_ms);
                        new = true;
                    }
                }
                if new {
                    fresh.push(Entry { port: name.clone(), memory: port.memory.clone(), ..Entry::default() });
                }
            }
            // What was neither found nor ever remembered and belongs to no round is not kept on the board.
            let named: BTreeSet<String> = config.named_ports().map(str::to_owned).collect();
            board.ports.retain(|name, port| {
                port.facts.is_some()
                    || !port.rounds.is_empty()
                    || port.running.is_some()
                    || port.memory != PortMemory::default()
                    || named.contains(name)
            });
        }
        for entry in fresh {
            self.enter(entry).await;
        }
    }

    /// Runs that began before a crash and never ended.
    async fn take_up_what_was_cut_off(&mut self, now: Timestamp) {
        let cut_off: Vec<(String, (String, String))> = {
            let board = self.shared.board();
            board.ports.iter().filter_map(|(name, p)| Some((name.clone(), p.memory.begun.clone()?))).collect()
        };
        for (port, (run, round)) in cut_off {
            tracing::warn!(port, run, round, "a run was cut off when the daemon ended");
            let number = self.shared.board().config.rounds.iter().position(|r| r.name == round);
            let finding = Finding::Inconclusive(format!("cut-off: run {run} was cut off when the daemon ended"));
            self.conclude(&port, Some(run), &finding, &[], number, None, now).await;
        }
    }

    async fn age(&mut self, now: Timestamp) {
        let now_ms = now.as_millisecond();
        let mut aged = Vec::new();
        {
            let mut board = self.shared.board();
            let config = Arc::clone(&board.config);
            for (name, port) in &mut board.ports {
                let Some(lasts) = port.rounds.iter().filter_map(|n| config.rounds.get(*n)).map(|r| r.proof_lasts).max()
                else {
                    continue;
                };
                if let Some(change) = port.memory.standing.grow_old(now_ms, lasts.as_millis() as i64) {
                    aged.push((name.clone(), change, port.rounds.first().copied()));
                }
            }
        }
        for (port, change, round) in aged {
            self.enter_change(&port, Some(change), None, round, None, now_ms).await;
        }
    }

    /// Runs over their time are ended; one that does not end then is given up.
    async fn end_what_takes_too_long(&mut self, now: Timestamp) -> Option<Duration> {
        let mut given_up = Vec::new();
        let mut next: Option<Duration> = None;
        {
            let mut board = self.shared.board();
            let board = &mut *board;
            for (name, port) in &mut board.ports {
                let Some(run) = port.running.as_mut().filter(|run| !run.hung) else { continue };
                if run.ended_at.is_none() && now >= run.ends_by {
                    tracing::warn!(port = name, run = run.live.run, "the run takes too long and is ended");
                    *board.figures.run_timeouts.entry(name.clone()).or_default() += 1;
                    run.cancel.cancel();
                    run.ended_at = Some(now);
                }
                let until = match run.ended_at {
                    None => run.ends_by,
                    Some(at) => at.checked_add(HANG_PATIENCE).unwrap_or(Timestamp::MAX),
                };
                if run.ended_at.is_some() && now >= until {
                    run.hung = true;
                    given_up.push((name.clone(), run.live.run.clone(), run.cause.clone()));
                } else {
                    let wait = between(now, until);
                    next = Some(next.map_or(wait, |n| n.min(wait)));
                }
            }
        }
        for (port, run, cause) in given_up {
            tracing::error!(
                port,
                run,
                "the run does not end: its driver hangs; nothing is started on this port meanwhile"
            );
            *self.shared.board().figures.run_errors.entry(port.clone()).or_default() += 1;
            let round = self.settle_slot(&port, &cause);
            let finding =
                Finding::Inconclusive(format!("driver-hangs: run {run} did not end in time nor when it was told to"));
            self.conclude(&port, Some(run), &finding, &[], round, None, now).await;
        }
        next
    }

    /// What is due, the most urgent first; and how long until the next thing is.
    fn find_due(&self, now: Timestamp) -> (Vec<Candidate>, Option<Duration>) {
        let now_ms = now.as_millisecond();
        let mut board = self.shared.board();
        let board = &mut *board;
        let mut candidates: Vec<Candidate> = board
            .asked
            .iter()
            .map(|asked| Candidate {
                port: asked.port.clone(),
                cause: Cause::Asked { by: asked.by.clone() },
                due_ms: i64::MIN,
                asked: Some(asked.clone()),
            })
            .collect();
        let mut next_ms: Option<i64> = None;
        let config = Arc::clone(&board.config);
        for (name, port) in &mut board.ports {
            port.next_due_ms = None;
            for number in port.rounds.clone() {
                let Some(round) = config.rounds.get(number) else { continue };
                let dealt_with_ms = port.memory.dealt_with_ms.get(&round.name).copied();
                let kept =
                    port.slots.get(&number).filter(|k| Some(k.dealt_with_ms) == dealt_with_ms && now_ms < k.until_ms);
                let found = kept.copied().or_else(|| next_slot(board.seed, round, name, dealt_with_ms?, now));
                let Some(next) = found else { continue };
                port.slots.insert(number, next);
                let (slot, due_ms) = (next.slot_ms, next.due_ms);
                if due_ms <= now_ms && !round.catch_up && due_ms < self.going_since.as_millisecond() {
                    // Missed while nobody went round, and not to be caught up.
                    port.memory.dealt_with_ms.insert(round.name.clone(), slot);
                    *board.figures.missed.entry(round.name.clone()).or_default() += 1;
                    next_ms = Some(now_ms);
                    continue;
                }
                port.next_due_ms = Some(port.next_due_ms.map_or(due_ms, |n: i64| n.min(due_ms)));
                if port.running.is_some() {
                    continue;
                }
                if due_ms <= now_ms {
                    let cause = Cause::Scheduled { round: number, slot_ms: slot };
                    candidates.push(Candidate { port: name.clone(), cause, due_ms, asked: None });
                } else {
                    next_ms = Some(next_ms.map_or(due_ms, |n| n.min(due_ms)));
                }
            }
            if let Some((at_ms, round)) = port.memory.repeat.clone()
                && port.running.is_none()
            {
                match config.rounds.iter().position(|r| r.name == round).filter(|n| port.rounds.contains(n)) {
                    None => port.memory.repeat = None,
                    Some(round) if at_ms <= now_ms => {
                        let cause = Cause::Repeat { round };
                        candidates.push(Candidate { port: name.clone(), cause, due_ms: at_ms, asked: None });
                    }
                    Some(_) => next_ms = Some(next_ms.map_or(at_ms, |n| n.min(at_ms))),
                }
            }
        }
        // The sort is stable: what is asked for comes first, in the order it was asked for.
        candidates.sort_by_key(|c| c.due_ms);
        (candidates, next_ms.map(|ms| Duration::from_millis((ms - now_ms).max(0) as u64)))
    }

    /// Starts what may start now; how long until one of the others may.
    async fn start_some(&mut self, candidates: Vec<Candidate>, now: Timestamp) -> Option<Duration> {
        if candidates.is_empty() {
            return None;
        }
        let mut next: Option<Duration> = None;
        let mut earliest = |wait: Duration| next = Some(next.map_or(wait, |n: Duration| n.min(wait)));
        let config = Arc::clone(&self.shared.board().config);
        let allowed = config.limits.cpu_share * f64::from(self.site.processors());
        self.budget.book(self.site.cpu_used(), now.as_millisecond(), allowed);
        for candidate in candidates {
            let round = match candidate.cause {
                Cause::Scheduled { round, .. } | Cause::Repeat { round } => config.rounds.get(round),
                Cause::Asked { .. } => None,
            };
            if let Some(round) = round {
                let takes = planned_time(&round.profile);
                match round.schedule.allowed_from(now, takes) {
                    Some(from) if from <= now => {}
                    Some(from) => {
                        earliest(between(now, from));
                        continue;
                    }
                    None => continue,
                }
                // A person who asks does not wait for the share, but what the run takes is booked all the same.
                let wait = self.budget.wait(allowed);
                if !wait.is_zero() {
                    earliest(wait);
                    continue;
                }
            }
            // A run that is over wakes the supervisor: no time to wait for.
            if !self.has_room(&candidate, round, &config) {
                continue;
            }
            // The last look before a port is touched must be fresh.
            if self.listed_at.is_none_or(|at| at.elapsed() >= FRESH) {
                self.list_ports().await;
            }
            self.start(candidate, now).await;
            earliest(Duration::ZERO);
        }
        next
    }

    fn has_room(&self, candidate: &Candidate, round: Option<&Round>, config: &Config) -> bool {
        let board = self.shared.board();
        let Some(port) = board.ports.get(&candidate.port) else { return true };
        if port.running.is_some() {
            return false;
        }
        let beside = board.busy().count() as u32;
        if beside >= config.limits.runs_at_once {
            return false;
        }
        let side_by_side = round.is_some_and(|round| round.side_by_side);
        // Two processors a run: one sends, one receives. Sharing them would make this computer lose frames.
        if beside > 0 && 2 * (beside + 1) > self.site.processors() && !side_by_side {
            return false;
        }
        let adapter = port.facts.as_ref().and_then(PortFacts::adapter);
        let shared = |run: &Running| adapter.is_some() && run.adapter.as_deref() == adapter;
        // A run that hangs keeps its adapter: whatever made it hang is not over.
        let mut runs = board.ports.values().filter_map(|port| port.running.as_ref());
        !runs.any(|run| shared(run) && (run.hung || !(side_by_side && run.side_by_side)))
    }

    async fn start(&mut self, candidate: Candidate, now: Timestamp) {
        let Candidate { port: name, cause, asked, .. } = candidate;
        let (config, seed) = {
            let mut board = self.shared.board();
            if let Some(asked) = &asked {
                board.asked.retain(|a| a.run != asked.run);
            }
            (Arc::clone(&board.config), board.seed)
        };
        let round_number = match cause {
            Cause::Scheduled { round, .. } | Cause::Repeat { round } => Some(round),
            Cause::Asked { .. } => None,
        };
        let round = round_number.and_then(|n| config.rounds.get(n));
        if let (Some(round), Cause::Scheduled { slot_ms, .. }) = (round, &cause)
            && *slot_ms < self.going_since.as_millisecond()
        {
            *self.shared.board().figures.missed.entry(round.name.clone()).or_default() += 1;
        }
        let facts = self.shared.board().ports.get(&name).and_then(|p| p.facts.clone());
        let refused = match &facts {
            None => Some(Finding::Inconclusive("port-gone: the machine does not have this port now".into())),
            Some(facts) if !facts.in_service.is_empty() => Some(Finding::InService(facts.in_service.join("; "))),
            Some(_) => None,
        };
        let run = asked.as_ref().map_or_else(|| uuid::Uuid::now_v7().to_string(), |a| a.run.clone());
        if let Some(finding) = refused {
            self.settle_slot(&name, &cause);
            match &finding {
                Finding::InService(why) => tracing::info!(port = name, why, "skipped: in service"),
                _ => tracing::warn!(port = name, "not tested: the port is gone"),
            }
            if asked.is_some() {
                self.shared.tell(Happening::RunOver { run: run.clone(), port: name.clone(), outcome: None });
            }
            self.conclude(&name, None, &finding, &[], round_number, None, now).await;
            return;
        }
        let (profile, placement, cable, side_by_side) = match (&asked, round) {
            (Some(a), _) => (a.profile.clone(), a.placement, a.cable.clone(), false),
            (None, Some(r)) => (r.profile.clone(), r.placement, None, r.side_by_side),
            (None, None) => return,
        };
        let takes = planned_time(&profile) + config.limits.overtime;
        let cause_name = match &cause {
            Cause::Asked { by } => by.clone(),
            _ => round.map(|r| r.name.clone()).unwrap_or_default(),
        };
        let cancel = Cancel::default();
        let mut entry = Entry { port: name.clone(), ..Entry::default() };
        let order = {
            let mut board = self.shared.board();
            let Some(port) = board.ports.get_mut(&name) else { return };
            let cable = cable.or_else(|| {
                // The cable is part of what is tested only when the plug is at its far end.
                (placement == Some(turnback_core::link::Placement::FarEnd)).then(|| port.labels.cable.clone()).flatten()
            });
            port.memory.begun = Some((run.clone(), cause_name.clone()));
            if matches!(cause, Cause::Repeat { .. }) {
                port.memory.repeat = None;
                port.memory.repeats += 1;
            }
            entry.memory = port.memory.clone();
            let live = LiveRun {
                run: run.clone(),
                port: name.clone(),
                profile: profile.name.clone(),
                cause: cause_name,
                started_ms: now.as_millisecond(),
                share_done: None,
                last_event: None,
            };
            port.running = Some(Running {
                live,
                cancel: cancel.clone(),
                cause,
                ends_by: now.checked_add(takes).unwrap_or(Timestamp::MAX),
                ended_at: None,
                by_hand: false,
                hung: false,
                adapter: facts.and_then(|f| f.adapter().map(str::to_owned)),
                side_by_side,
            });
            Order {
                run: run.clone(),
                port: name.clone(),
                labels: port.labels.clone(),
                profile,
                placement,
                cable,
                seed: Rng::new(seed ^ now.as_millisecond() as u64).draw(),
            }
        };
        tracing::info!(port = name, run, "run begins");
        self.enter(entry).await;
        let shared = Arc::clone(&self.shared);
        let (port, id) = (name.clone(), run.clone());
        let say = Box::new(move |event| hear(&shared, &port, &id, event));
        let check = self.site.check(order, say, cancel);
        let over = self.over.0.clone();
        tokio::spawn(async move {
            let end = check.await;
            let _ = over.send(Over { port: name, run, end });
        });
    }

    /// A time of the schedule is dealt with; the number of its round.
    fn settle_slot(&self, port: &str, cause: &Cause) -> Option<usize> {
        let mut board = self.shared.board();
        let config = Arc::clone(&board.config);
        let memory = &mut board.ports.get_mut(port)?.memory;
        match cause {
            Cause::Scheduled { round, slot_ms } => {
                let name = config.rounds.get(*round)?.name.clone();
                memory.dealt_with_ms.insert(name, *slot_ms);
                (memory.repeats, memory.repeat) = (0, None);
                Some(*round)
            }
            Cause::Repeat { round } => {
                memory.repeat = None;
                Some(*round)
            }
            Cause::Asked { .. } => None,
        }
    }

    async fn take(&mut self, over: Over) {
        let Over { port, run, end } = over;
        let now = self.site.now();
        let Some(running) = self.shared.board().ports.get_mut(&port).and_then(|p| p.running.take()) else { return };
        self.shared.wake.notify_one();
        let ending = self.shared.stopped.is_stopped();
        let (finding, report) = match end {
            RunEnd::Report(report) => {
                let finding = match Finding::of(&report) {
                    // It was given up and said so; what it found that late is on record and says nothing more.
                    _ if running.hung => Finding::Interrupted,
                    // Time was up: the run was ended by us and decided nothing.
                    Finding::Interrupted if running.ended_at.is_some() && !running.by_hand && !ending => {
                        Finding::Inconclusive("took-too-long: the run was ended because its time was up".into())
                    }
                    finding => finding,
                };
                (finding, Some(report))
            }
            RunEnd::Busy(text) => {
                tracing::info!(port, run, why = text, "not tested now: another run has the port");
                let round = self.settle_slot(&port, &running.cause);
                self.look_again_later(&port, round, 0, now);
                let mut entry = Entry { port: port.clone(), ..Entry::default() };
                if let Some(watched) = self.shared.board().ports.get_mut(&port) {
                    watched.memory.begun = None;
                    entry.memory = watched.memory.clone();
                }
                self.enter(entry).await;
                self.shared.tell(Happening::RunOver { run, port, outcome: None });
                return;
            }
            RunEnd::Failed(text) => {
                tracing::error!(port, run, error = text, "the run could not be made");
                *self.shared.board().figures.run_errors.entry(port.clone()).or_default() += 1;
                (Finding::Inconclusive(format!("not-made: {text}")), None)
            }
        };
        let outcome = report.as_ref().map(|report| report.verdict.outcome);
        tracing::info!(port, run, outcome = outcome.map_or("none", |o| o.name()), "run over");
        if running.hung {
            tracing::warn!(port, run, "the run that hung is over: the port can be tested again");
        }
        // Ended because the daemon ends: the time of its schedule is still to be dealt with, after the restart.
        let round = match finding {
            Finding::Interrupted if ending => None,
            _ => self.settle_slot(&port, &running.cause),
        };
        if let Some(report) = &report {
            self.count(&port, report);
        }
        let drifts = match report.as_ref().and_then(|report| Sample::of(report, None)) {
            Some(sample) => {
                let mut board = self.shared.board();
                board.ports.get_mut(&port).map(|p| p.memory.drift.take(&sample)).unwrap_or_default()
            }
            None => Vec::new(),
        };
        self.conclude(&port, Some(run.clone()), &finding, &drifts, round, report, now).await;
        self.shared.tell(Happening::RunOver { run, port, outcome });
    }

    fn count(&self, port: &str, report: &turnback_core::report::Report) {
        let mut board = self.shared.board();
        let figures = &mut board.figures;
        let name = || port.to_owned();
        let outcome = report.verdict.outcome.name().to_owned();
        *figures.runs.entry(name()).or_default().entry(outcome).or_default() += 1;
        *figures.bits_compared.entry(name()).or_default() += report.totals.bits_compared;
        *figures.bit_errors.entry(name()).or_default() += report.totals.bit_errors;
        *figures.frames_sent.entry(name()).or_default() += report.totals.frames_sent;
        *figures.frames_lost.entry(name()).or_default() +=
            report.totals.frames_lost_on_wire + report.totals.frames_failed_fcs;
        if let Some(p50) = report.latency_ns.p50 {
            figures.latency_ns_p50.insert(name(), p50);
        }
        figures.cpu_seconds = self.site.cpu_used().as_secs_f64();
    }

    /// Takes a finding into what is held of the port, with all that follows from it.
    #[expect(
        clippy::too_many_arguments,
        reason = "one call for each way a run can end; a struct would only rename them"
    )]
    async fn conclude(
        &mut self,
        port: &str,
        run: Option<String>,
        finding: &Finding,
        drifts: &[String],
        round: Option<usize>,
        report: Option<Box<turnback_core::report::Report>>,
        now: Timestamp,
    ) {
        let now_ms = now.as_millisecond();
        let (change, again) = {
            let mut board = self.shared.board();
            let board = &mut *board;
            let rule = hysteresis(&board.config, round.or_else(|| board.ports.get(port)?.rounds.first().copied()));
            let Some(watched) = board.ports.get_mut(port) else { return };
            if let Finding::InService(_) = finding {
                watched.memory.skips += 1;
                *board.figures.skips.entry(port.to_owned()).or_default() += 1;
            }
            watched.memory.begun = None;
            if !matches!(finding, Finding::Interrupted) {
                watched.memory.drifts = drifts.to_vec();
            }
            let standing = &mut watched.memory.standing;
            let change = standing.take(finding, drifts, now_ms, rule);
            let wanted = standing.wants_repeat(rule) && !matches!(finding, Finding::Interrupted);
            // A port that is neither good nor bad for long is left to its schedule.
            let most = rule.faults_to_fail + rule.passes_to_clear + rule.inconclusive_to_doubt;
            let again = (wanted && watched.memory.repeats < most).then(|| standing.inconclusive_in_row());
            (change, again)
        };
        if let Some(failures) = again {
            let first = self.shared.board().ports.get(port).and_then(|p| p.rounds.first().copied());
            self.look_again_later(port, round.or(first), failures, now);
        }
        self.enter_change(port, change, run, round, report, now_ms).await;
    }

    /// The repeat comes after the round's `repeat_after`, doubled for each failure in a row to measure anything.
    fn look_again_later(&self, port: &str, round: Option<usize>, failures: u32, now: Timestamp) {
        let mut board = self.shared.board();
        let config = Arc::clone(&board.config);
        let Some(round) = round.and_then(|n| config.rounds.get(n)) else { return };
        let pause = round.repeat_after.saturating_mul(2u32.pow(failures.saturating_sub(1).min(8)));
        if let Some(watched) = board.ports.get_mut(port) {
            watched.memory.repeat = Some((now.as_millisecond() + pause.as_millis() as i64, round.name.clone()));
        }
    }

    async fn enter_change(
        &mut self,
        port: &str,
        change: Option<Change>,
        run: Option<String>,
        round: Option<usize>,
        report: Option<Box<turnback_core::report::Report>>,
        now_ms: i64,
    ) {
        let entry = {
            let board = self.shared.board();
            let Some(watched) = board.ports.get(port) else { return };
            let outgoing = change.as_ref().map(|change| {
                let targets = targets(&board.config, round.or_else(|| watched.rounds.first().copied()));
                Announcement::new(port, &watched.labels, change, run).to(&targets, now_ms)
            });
            Entry {
                port: port.to_owned(),
                memory: watched.memory.clone(),
                change: change.clone(),
                outgoing: outgoing.unwrap_or_default(),
                report,
            }
        };
        self.enter(entry).await;
        if let Some(change) = change {
            let level_is_bad = matches!(change.to, State::Failed | State::Suspect);
            tracing::info!(
                port,
                from = change.from.name(),
                to = change.to.name(),
                why = change.why,
                attention = level_is_bad,
                "state changed"
            );
            self.shared.tell(Happening::Changed { port: port.to_owned(), change });
            self.shared.posted.notify_one();
        }
    }

    /// Into the logbook; what it cannot take now is kept and tried again.
    async fn enter(&mut self, entry: Entry) {
        self.pending.push(entry);
        self.write_pending().await;
    }

    async fn write_pending(&mut self) {
        let entries = std::mem::take(&mut self.pending);
        if entries.is_empty() {
            return;
        }
        let left = Arc::new(Mutex::new(Vec::new()));
        let unwritten = Arc::clone(&left);
        let written = with_logbook(&self.shared.logbook, move |logbook| {
            let mut failed = Ok(());
            for entry in entries {
                // The order of a port's entries must not change: after a failure the rest waits too.
                if failed.is_ok() {
                    failed = logbook.enter(&entry);
                }
                if failed.is_err() {
                    unwritten.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push(entry);
                }
            }
            failed
        })
        .await;
        self.pending = std::mem::take(&mut *left.lock().unwrap_or_else(std::sync::PoisonError::into_inner));
        let mut board = self.shared.board();
        match written {
            Ok(()) => {
                if board.troubles.remove("store").is_some() {
                    tracing::info!("the store takes records again");
                }
                self.pending_since = None;
            }
            Err(error) => {
                tracing::error!(%error, waiting = self.pending.len(), "the store takes no records; they are kept in memory");
                board.troubles.insert("store", format!("{error}; {} entries wait in memory", self.pending.len()));
                self.pending_since = Some(tokio::time::Instant::now());
                // Reports are the bulk: the oldest go first, what is held of ports and announcements never.
                let reports = self.pending.iter().filter(|entry| entry.report.is_some()).count();
                let mut excess = reports.saturating_sub(REPORTS_WAITING_MAX);
                for entry in self.pending.iter_mut().filter(|entry| entry.report.is_some()) {
                    if excess == 0 {
                        break;
                    }
                    tracing::error!(port = entry.port, "a report is lost: the store has taken none for too long");
                    entry.report = None;
                    excess -= 1;
                }
            }
        }
    }
}

/// Ports that the machine lists are on the board, and those it does not list any more are absent.
fn lay_out(board: &mut Board, list: Vec<PortFacts>) {
    let named: Vec<String> = board.config.named_ports().map(str::to_owned).collect();
    for port in board.ports.values_mut() {
        port.facts = None;
    }
    for facts in list {
        let name = facts.name.clone();
        board.ports.entry(name).or_default().facts = Some(facts);
    }
    for name in named {
        board.ports.entry(name).or_default();
    }
}

/// A run says something.
fn hear(shared: &Shared, port: &str, run: &str, event: Event) {
    if let Some(running) = shared.board().ports.get_mut(port).and_then(|p| p.running.as_mut())
        && running.live.run == run
    {
        if let Event::Progress(progress) = &event
            && let Some(left) = progress.left_s
        {
            running.live.share_done =
                Some((progress.elapsed_s / (progress.elapsed_s + left).max(1e-9)).clamp(0.0, 1.0));
        }
        running.live.last_event = Some(event.clone());
    }
    shared.tell(Happening::Run { run: run.to_owned(), port: port.to_owned(), event });
}

/// The time of a round's schedule that a port's next run deals with, and when that run is due. Of several missed times the
/// last stands for all.
fn next_slot(seed: u64, round: &Round, port: &str, dealt_with_ms: i64, now: Timestamp) -> Option<Slot> {
    let dealt_with = Timestamp::from_millisecond(dealt_with_ms).ok()?;
    let first = round.schedule.after(dealt_with)?;
    let slot = match round.schedule.at_or_before(now) {
        Some(latest) if latest > first => latest,
        _ => first,
    };
    let due = slot.checked_add(round.schedule.delay(seed, &round.name, port, slot)).ok()?;
    let until = round.schedule.after(slot).unwrap_or(Timestamp::MAX);
    let [slot_ms, due_ms, until_ms] = [slot, due, until].map(Timestamp::as_millisecond);
    Some(Slot { dealt_with_ms, slot_ms, due_ms, until_ms })
}

fn hysteresis(config: &Config, round: Option<usize>) -> Hysteresis {
    round.and_then(|n| config.rounds.get(n)).map(|r| r.hysteresis).unwrap_or_default()
}

fn targets(config: &Config, round: Option<usize>) -> Vec<String> {
    let named = round.and_then(|n| config.rounds.get(n)).map(|r| r.announce.clone()).unwrap_or_default();
    if named.is_empty() { config.targets.iter().map(|t| t.name.clone()).collect() } else { named }
}

fn between(now: Timestamp, then: Timestamp) -> Duration {
    Duration::try_from(then.duration_since(now)).unwrap_or(Duration::ZERO)
}

/// Also how often the service manager hears that we live.
const ROUND_MAX: Duration = Duration::from_secs(60);
/// A list of ports older than this is made anew before a port is touched.
const FRESH: Duration = Duration::from_secs(2);
/// A driver may hang even when it is only asked who it is.
const LIST_LIMIT: Duration = Duration::from_secs(20);
/// So long a run may take to end when it is told to.
const HANG_PATIENCE: SignedDuration = SignedDuration::from_secs(30);
/// The service manager gives us more; see the unit file.
const END_PATIENCE: Duration = Duration::from_secs(20);
/// How soon a store that took nothing is tried again.
const WRITE_AGAIN: Duration = Duration::from_secs(30);
/// Reports that wait in memory for a store that takes none.
const REPORTS_WAITING_MAX: usize = 200;
