//! A desk whose ports are simulated rigs: runs are real checks, cases are led through by a short script.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use tokio::sync::broadcast;
use turnback::archive::logbook::Action;
use turnback::config::labels::PortLabels;
use turnback::daemon::agent::{
    AcknowledgeOrder, Agent, AgentError, BenchOrder, BenchView, CardLine, CaseOrder, CaseView, Coming, Figures,
    HandsView, Happening, Health, Hearing, LiveRun, LotView, MuteOrder, NextView, OutboxLine, PauseOrder, PortView,
    QueueEntry, RecordLine, RecordQuery, SentLine, SlotState, SlotView, StageOrder, StageView, StartOrder, Testing,
    Told, Watch,
};
use turnback::work::isolate::runner::{Opening, open_case};
use turnback_core::base::caution::{Caution, LOCAL_CODES_FIRST};
use turnback_core::bench::procedure::TestName;
use turnback_core::document::card_test::{CardTest, Grade};
use turnback_core::document::case::Case;
use turnback_core::document::lot::Lot;
use turnback_core::document::run::Report;
use turnback_core::event::Event;
use turnback_core::judge::Outcome;
use turnback_core::kind::Kind;
use turnback_core::plan::Profile;
use turnback_core::watch::care::{Acknowledgement, Mute, Pause};
use turnback_core::watch::observation::{Ground, Observation};
use turnback_core::watch::standing::{Change, Hysteresis};

use super::rigs::{self, Cancel, CheckOptions, simulated};

/// Ports, the rig behind each, cabinet and cable.
const PORTS: [(&str, &str, &str, &str); 6] = [
    ("quay0", "good", "quay cabinet 3", "Q-12"),
    ("quay1", "no-plug", "quay cabinet 3", "Q-14"),
    ("quay2", "bad-cable", "quay cabinet 3", "Q-17"),
    ("lock0", "bad-port", "lock-gate controller", "L-04"),
    ("lock1", "good", "lock-gate controller", "L-05"),
    ("/dev/ttyS1", "serial-stuck-cts", "tide gauge", "T-02"),
];

/// Stages of every case, with the rig that each meets, what to do and what to look at.
const STAGES: [(&str, &str, &str, &str); 3] = [
    ("internal", "good", "nothing: the chip turns the signal back by itself", ""),
    ("at-port", "good", "Pull the cable out of quay2 and fit the plug into the port itself.", "The plug clicks in."),
    (
        "far-end",
        "bad-cable",
        "Fit the cable again, go to its far end in quay cabinet 3, and fit the plug there.",
        "The label at the far end says Q-17.",
    ),
];

/// See the module text.
pub struct RigDesk {
    inner: Arc<Inner>,
}

struct Inner {
    state: Mutex<State>,
    let_go: Condvar,
    tell: broadcast::Sender<Told>,
}

#[derive(Default)]
struct State {
    ports: Vec<PortView>,
    reports: Vec<Report>,
    changes: BTreeMap<String, Vec<Change>>,
    cases: BTreeMap<String, CaseView>,
    cancels: HashMap<String, Cancel>,
    pauses: Vec<Pause>,
    bench: Option<BenchView>,
    starts: u32,
    held: bool,
}

impl RigDesk {
    /// Nothing was run yet.
    pub fn new() -> Self {
        let port = |(name, _, cabinet, cable): (&str, &str, &str, &str)| PortView {
            name: name.into(),
            kind: if name.starts_with('/') { Kind::Serial } else { Kind::Ethernet },
            simulated: true,
            driver: Some("harbour".into()),
            bus: None,
            labels: PortLabels {
                label: None,
                cable: Some(cable.into()),
                cabinet: Some(cabinet.into()),
                spare: true,
                ..PortLabels::default()
            },
            watch: Watch::Watched,
            present: true,
            rounds: vec!["nightly".into()],
            ..PortView::default()
        };
        let state = State { ports: PORTS.into_iter().map(port).collect(), ..State::default() };
        let inner = Inner { state: Mutex::new(state), let_go: Condvar::new(), tell: broadcast::channel(256).0 };
        Self { inner: Arc::new(inner) }
    }

    /// Runs stop at their first sign of progress until [`Self::let_go`].
    pub fn hold(&self) {
        self.inner.state().held = true;
    }

    /// Runs go on.
    pub fn let_go(&self) {
        self.inner.state().held = false;
        self.inner.let_go.notify_all();
    }

    /// As many more ports, all proven, 25 to a cabinet.
    pub fn add_ports(&self, count: usize) {
        let proven = {
            self.run_to_end("lock1");
            self.ports().into_iter().find(|p| p.name == "lock1").expect("a port of the desk")
        };
        let before = self.ports().len();
        let port = |n: usize| PortView {
            name: format!("shed{}", before + n),
            labels: PortLabels { cabinet: Some(format!("shed {}", n / 25)), ..proven.labels.clone() },
            ..proven.clone()
        };
        self.inner.state().ports.extend((0..count).map(port));
    }

    /// A bench with a slot in every state, and every kind of thing that hands are asked for.
    pub fn show_bench(&self) {
        let hands = |request: &str, act: &str| HandsView {
            request: request.into(),
            act: act.into(),
            why: "the tests go on then".into(),
            ..HandsView::default()
        };
        let slot = |number: usize, state: SlotState| SlotView {
            slot: format!("slot-{number}"),
            card: (state != SlotState::Empty).then(|| format!("stores-7-{number:02}")),
            kind: (state != SlotState::Empty).then(|| "8086:1533, 2 ports".to_owned()),
            state,
            ..SlotView::default()
        };
        let cautions = vec![Caution::LiveChassis.to_string(), LOCAL_CODES_FIRST.to_owned()];
        let testing = Testing { test: TestName::Links, number: 3, of: 7, began_ms: 0, takes_s: None, then_s: 95.0 };
        let fit =
            HandsView { cautions, ..hands("r-1", "switch the computer off, and put card stores-7-02 into slot-2") };
        let light = hands("r-2", "look at card stores-7-03 and say which port's light blinks: 1 to 2, or \"none\"");
        let sticker = hands("r-3", "scan or type the address on the sticker of card stores-7-04");
        let graded = |number, grade, why: &str| SlotView {
            grade: Some(grade),
            why: why.into(),
            ..slot(number, SlotState::Graded)
        };
        let slots = vec![
            SlotView { testing: Some(testing), ..slot(1, SlotState::Testing) },
            SlotView { hands: Some(fit), ..slot(2, SlotState::Hands) },
            SlotView { hands: Some(HandsView { light: Some(2), ..light }), ..slot(3, SlotState::Hands) },
            SlotView { hands: Some(HandsView { sticker: true, ..sticker }), ..slot(4, SlotState::Hands) },
            SlotView { why: "every good plug is in use".into(), ..slot(5, SlotState::Waits) },
            SlotView { why: "nobody could do what was asked for".into(), ..slot(6, SlotState::Left) },
            SlotView { why: "quay1: in service".into(), ..slot(7, SlotState::LeftAlone) },
            graded(8, Grade::Accepted, ""),
            graded(9, Grade::Limited, "card-link: port 2: link 0 of 3 times; allowed: each time, within 6 s"),
            graded(10, Grade::Rejected, "card-claim: subsystem f1a7:1001; allowed: f1a7:1002"),
            slot(11, SlotState::Unfinished),
            slot(12, SlotState::Empty),
        ];
        let cards = slots.iter().filter_map(|slot| {
            let (card, grade) = (slot.card.clone()?, slot.grade.unwrap_or(Grade::Unfinished));
            Some(CardLine { card, grade, why: slot.why.clone() })
        });
        let lot = LotView {
            label: "stores-7".into(),
            procedure: "intake".into(),
            to_test: 16,
            tested: 3,
            accepted: 1,
            limited: 1,
            rejected: 1,
            unfinished: 8,
            decided: "not decided".into(),
            cards: cards.collect(),
        };
        let view = BenchView { bench: "stores workshop".into(), lot: Some(lot), slots, trouble: None };
        self.inner.state().bench = Some(view);
    }

    /// Runs asked for.
    pub fn starts(&self) -> u32 {
        self.inner.state().starts
    }

    /// Gives a port a label.
    pub fn label(&self, port: &str, label: &str) {
        let mut state = self.inner.state();
        let port = state.ports.iter_mut().find(|p| p.name == port).expect("a port of the desk");
        port.labels.label = Some(label.into());
    }

    /// Runs a port to its end.
    pub fn run_to_end(&self, port: &str) {
        let mut heard = self.listen(None).receiver;
        let run = self.start(StartOrder { port: port.into(), ..StartOrder::default() }, "test").expect("a run");
        loop {
            // What was missed was not its end, which comes last.
            match heard.blocking_recv() {
                Ok(Told { happening: Happening::RunOver { run: over, .. }, .. }) if over == run => return,
                Err(broadcast::error::RecvError::Closed) => panic!("the run never ended"),
                _ => {}
            }
        }
    }

    fn on_port(&self, port: &str, action: impl FnOnce(&mut PortView)) -> Result<(), AgentError> {
        let mut state = self.inner.state();
        let found = state.ports.iter_mut().find(|p| p.name == port);
        let found = found.ok_or_else(|| AgentError::Unknown { what: "port", name: port.into() })?;
        action(found);
        found.needs_attention = found.standing.state.needs_attention() && found.acknowledged.is_none();
        Ok(())
    }

    fn begin(&self, port: &str, rig: &'static str, profile: &str, cause: String) -> Result<String, AgentError> {
        let profile = Profile::named(profile).map_err(|e| AgentError::Value {
            name: "profile",
            given: profile.into(),
            allowed: e.to_string(),
        })?;
        let run = uuid::Uuid::now_v7().to_string();
        let cancel = Cancel::default();
        {
            let mut state = self.inner.state();
            state.cancels.insert(run.clone(), cancel.clone());
            let port = state.ports.iter_mut().find(|p| p.name == port);
            let port = port.ok_or_else(|| AgentError::Unknown { what: "port", name: "that".into() })?;
            if port.running.is_some() {
                return Err(AgentError::NotNow(format!("{}: a run of it is on", port.name)));
            }
            port.running = Some(LiveRun {
                run: run.clone(),
                port: port.name.clone(),
                profile: profile.name.clone(),
                cause: cause.clone(),
                by: None,
                started_ms: jiff::Timestamp::now().as_millisecond(),
                share_done: None,
                last_event: None,
            });
            state.starts += 1;
        }
        let (inner, id, port) = (Arc::clone(&self.inner), run.clone(), port.to_owned());
        std::thread::spawn(move || inner.carry_out(&id, &port, rig, profile, &cause, &cancel));
        Ok(run)
    }
}

impl Inner {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn tell(&self, happening: Happening) {
        let _ = self.tell.send(Told { number: 1, happening });
    }

    fn heard(&self, run: &str, port: &str, event: Event, cancel: &Cancel) {
        let mut state = self.state();
        let live = state.ports.iter_mut().find(|p| p.name == port).and_then(|p| p.running.as_mut());
        if let Some(live) = live {
            if let Some(share) = event.share_done() {
                live.share_done = Some(share);
            }
            live.last_event = Some(event.clone());
        }
        let is_progress = event.elapsed_s().is_some();
        self.tell(Happening::Run { run: run.into(), port: port.into(), event });
        while is_progress && state.held && !cancel.is_cancelled() {
            state = self.let_go.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn carry_out(&self, run: &str, port: &str, rig: &str, profile: Profile, cause: &str, cancel: &Cancel) {
        let mut simulated = simulated::open(rig, 7).expect("a built-in rig");
        let options = CheckOptions {
            cable: self.state().ports.iter().find(|p| p.name == port).and_then(|p| p.labels.cable.clone()),
            machine: "signal-office".into(),
            run: run.into(),
            started_at: jiff::Zoned::now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string(),
            ..rigs::options(profile, 7)
        };
        let mut say = |event: Event| self.heard(run, port, event, cancel);
        let mut report = rigs::run(&mut *simulated, options, &mut say, cancel);
        report.port.name = port.into();
        let outcome = report.verdict.outcome;
        let mut state = self.state();
        let now_ms = now_ms();
        let view = state.ports.iter_mut().find(|p| p.name == port).expect("the port");
        view.running = None;
        let change =
            view.standing.take(&Observation::of(&report), &Ground::of(&report, now_ms), &[], Hysteresis::default());
        view.needs_attention = view.standing.state.needs_attention() && view.acknowledged.is_none();
        if let Some(change) = change.clone() {
            state.changes.entry(port.into()).or_default().insert(0, change);
        }
        if let Some(case) = state.cases.get_mut(cause) {
            case.running = None;
            let verdict = &report.verdict;
            let stage = case.stages.last_mut().expect("a stage began");
            stage.result = format!("{}: {}", verdict.outcome.name(), verdict.sureness);
            stage.counts = true;
            if verdict.outcome == Outcome::Fault {
                case.verdict = Some(verdict.clone());
                case.state = "decided".into();
            }
            case.next = next(case);
        }
        let is_case = state.cases.contains_key(cause);
        state.reports.insert(0, report);
        drop(state);
        if let Some(change) = change {
            self.tell(Happening::Changed { port: port.into(), change });
        }
        if is_case {
            self.tell(Happening::Case { case: cause.into(), port: port.into() });
        }
        self.tell(Happening::RunOver { run: run.into(), port: port.into(), outcome: Some(outcome) });
    }
}

fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

/// The port whose cases begin on a second port that is known to be good.
const LENDS: &str = "lock0";
const KNOWN_GOOD: &str = "known-good-port";

fn next(case: &CaseView) -> Option<NextView> {
    if case.state != "open" {
        return None;
    }
    let lends = case.port == LENDS;
    let number = case.stages.len() as u32 + 1;
    let counted =
        NextView { number, of: 3, of_most: 8, time_s: 5, time_left_s: 15, time_left_most_s: 80, ..NextView::default() };
    if lends && case.stages.is_empty() {
        return Some(NextView {
            stage: KNOWN_GOOD.into(),
            act: "Put the plug into a port that is known to be good.".into(),
            known_good: Some(vec!["quay0".into()]),
            ..counted
        });
    }
    STAGES.get(case.stages.len() - usize::from(lends)).map(|(stage, _, act, look)| NextView {
        stage: (*stage).into(),
        act: (*act).into(),
        look: (*look).into(),
        cautions: vec![Caution::LaserLight.action().into(), LOCAL_CODES_FIRST.into()],
        ..counted
    })
}

impl Agent for RigDesk {
    fn ports(&self) -> Vec<PortView> {
        self.inner.state().ports.clone()
    }

    fn queue(&self) -> Vec<QueueEntry> {
        Vec::new()
    }

    fn coming(&self) -> Vec<Coming> {
        Vec::new()
    }

    fn pauses(&self) -> Vec<Pause> {
        self.inner.state().pauses.clone()
    }

    fn listen(&self, _: Option<u64>) -> Hearing {
        Hearing { before: Vec::new(), missed: false, receiver: self.inner.tell.subscribe() }
    }

    fn health(&self) -> Health {
        Health { ok: true, version: "test".into(), started_ms: 1, zone: "UTC".into(), ..Health::default() }
    }

    fn figures(&self) -> Figures {
        let mut figures = Figures::default();
        for report in &self.inner.state().reports {
            let outcomes = figures.runs.entry(report.port.name.clone()).or_default();
            *outcomes.entry(report.verdict.outcome.name().into()).or_default() += 1;
        }
        figures
    }

    fn start(&self, order: StartOrder, _: &str) -> Result<String, AgentError> {
        let rig = PORTS.iter().find(|(name, ..)| *name == order.port).map(|(_, rig, ..)| *rig);
        let rig = rig.ok_or(AgentError::Unknown { what: "port", name: order.port.clone() })?;
        self.begin(&order.port, rig, order.profile.as_deref().unwrap_or("quick"), "asked".into())
    }

    fn start_cabinet(
        &self,
        cabinet: &str,
        by: &str,
    ) -> Result<BTreeMap<String, Result<String, AgentError>>, AgentError> {
        let of: Vec<_> = PORTS.iter().filter(|(_, _, of, _)| *of == cabinet).collect();
        if of.is_empty() {
            return Err(AgentError::Unknown { what: "cabinet", name: cabinet.into() });
        }
        let order = |port: &str| StartOrder { port: port.into(), ..StartOrder::default() };
        Ok(of.into_iter().map(|(port, ..)| ((*port).into(), self.start(order(port), by))).collect())
    }

    fn acknowledge(&self, port: &str, order: AcknowledgeOrder, by: &str) -> Result<(), AgentError> {
        self.on_port(port, |port| {
            let known = Acknowledgement { by: by.into(), note: order.note, at_ms: now_ms() };
            port.acknowledged = (!order.withdraw).then_some(known);
        })
    }

    fn mute(&self, port: &str, order: MuteOrder, by: &str) -> Result<(), AgentError> {
        let until = order.until_ms;
        let mute = |until_ms| Mute { until_ms, by: by.into(), note: order.note, at_ms: now_ms() };
        self.on_port(port, |port| port.muted = until.map(mute))
    }

    fn pause(&self, order: PauseOrder, by: &str) -> Result<(), AgentError> {
        let mut state = self.inner.state();
        state.pauses.retain(|pause| pause.cabinet != order.cabinet);
        let PauseOrder { cabinet, until_ms, note, end } = order;
        if !end {
            state.pauses.push(Pause { cabinet, until_ms, by: by.into(), note, at_ms: now_ms() });
        }
        Ok(())
    }

    fn actions(&self, _: u32) -> Result<Vec<Action>, AgentError> {
        Ok(Vec::new())
    }

    fn sent(&self, _: u32) -> Result<Vec<SentLine>, AgentError> {
        Ok(Vec::new())
    }

    fn cancel(&self, run: &str, _: &str) -> Result<(), AgentError> {
        let cancel = self.inner.state().cancels.get(run).cloned();
        cancel.ok_or_else(|| AgentError::Unknown { what: "run", name: run.into() })?.cancel();
        self.inner.let_go.notify_all();
        Ok(())
    }

    fn records(&self, query: &RecordQuery) -> Result<Vec<RecordLine>, AgentError> {
        let state = self.inner.state();
        let line = |report: &Report| RecordLine {
            run: report.run.clone(),
            started_at: report.started_at.clone(),
            port: report.port.name.clone(),
            cable: report.cable.clone(),
            segment: report.labels.segment.clone(),
            placement: report.placement.to_string(),
            profile: report.profile.clone(),
            outcome: report.verdict.outcome,
            location: report.verdict.location.clone(),
            scope: report.verdict.scope.clone(),
            rule: None,
            bit_error_ratio: report.error_ratio.map(|r| r.estimate),
            bit_error_ratio_upper: report.error_ratio.map(|r| r.upper),
            limit: Some(report.limit.bit_error_ratio),
            latency_ns_p50: report.latency_ns.p50,
        };
        let fits = |report: &&Report| {
            query.port.as_ref().is_none_or(|port| *port == report.port.name)
                && query.outcome.is_none_or(|outcome| outcome == report.verdict.outcome)
        };
        Ok(state.reports.iter().filter(fits).map(line).collect())
    }

    fn report(&self, run: &str) -> Result<Report, AgentError> {
        let state = self.inner.state();
        let found = state.reports.iter().find(|r| r.run == run).cloned();
        found.ok_or_else(|| AgentError::Unknown { what: "run", name: run.into() })
    }

    fn changes(&self, port: &str, _: u32) -> Result<Vec<Change>, AgentError> {
        let state = self.inner.state();
        if !state.ports.iter().any(|p| p.name == port) {
            return Err(AgentError::Unknown { what: "port", name: port.into() });
        }
        Ok(state.changes.get(port).cloned().unwrap_or_default())
    }

    fn outbox(&self) -> Result<Vec<OutboxLine>, AgentError> {
        Ok(Vec::new())
    }

    fn cases(&self, _: u32) -> Result<Vec<CaseView>, AgentError> {
        Ok(self.inner.state().cases.values().rev().cloned().collect())
    }

    fn case(&self, case: &str) -> Result<CaseView, AgentError> {
        let found = self.inner.state().cases.get(case).cloned();
        found.ok_or_else(|| AgentError::Unknown { what: "case", name: case.into() })
    }

    /// What a real case of this port begins with: enough for a drawing.
    fn case_document(&self, case: &str) -> Result<Case, AgentError> {
        let view = self.case(case)?;
        let rig = PORTS.iter().find(|(name, ..)| *name == view.port).map_or("good", |(_, rig, ..)| rig);
        let mut port = simulated::open(rig, 7).expect("a built-in rig");
        let opening = Opening { cable: view.cable.unwrap_or_default(), segments: Vec::new(), plug: view.plug };
        let mut case = open_case(&mut *port, opening).map_err(|error| AgentError::NotNow(error.to_string()))?;
        // The labels of the person, not those of the rig.
        case.segments = view.segments;
        case.port.name = view.port;
        Ok(case)
    }

    fn open_case(&self, order: CaseOrder, _: &str) -> Result<String, AgentError> {
        let mut state = self.inner.state();
        if !state.ports.iter().any(|p| p.name == order.port) {
            return Err(AgentError::Unknown { what: "port", name: order.port });
        }
        let mut case = CaseView {
            case: uuid::Uuid::now_v7().to_string(),
            opened_at: "2026-03-01T09:00:00+00:00".into(),
            port: order.port,
            cable: order.cable,
            segments: order.segments,
            plug: order.plug,
            state: "open".into(),
            ..CaseView::default()
        };
        case.next = next(&case);
        let id = case.case.clone();
        state.cases.insert(id.clone(), case);
        Ok(id)
    }

    fn perform(&self, case: &str, order: StageOrder, _: &str) -> Result<Option<String>, AgentError> {
        let stage = order.stage.as_str();
        let port = order.on.clone().unwrap_or(self.case(case)?.port);
        if let Some(shows) = order.shows {
            let mut state = self.inner.state();
            let case = state.cases.get_mut(case).expect("it was there");
            case.stages.push(StageView {
                stage: stage.into(),
                attempt: 1,
                run: None,
                skipped: None,
                result: format!("the technician says that it {shows:?}"),
                counts: true,
            });
            case.next = next(case);
            return Ok(None);
        }
        let mut rigs = STAGES.iter().map(|(name, rig, ..)| (*name, *rig)).chain([(KNOWN_GOOD, "good")]);
        let known = rigs.find(|(name, _)| *name == stage).map(|(_, rig)| rig);
        let rig = known.ok_or_else(|| AgentError::Unknown { what: "stage", name: stage.into() })?;
        {
            let mut state = self.inner.state();
            let case = state.cases.get_mut(case).expect("it was there");
            if case.state != "open" || case.running.is_some() {
                return Err(AgentError::NotNow("the case is over, or a stage of it is on".into()));
            }
            case.stages.push(StageView {
                stage: stage.into(),
                attempt: 1,
                run: None,
                skipped: None,
                result: "begun".into(),
                counts: false,
            });
            case.running = Some(String::new());
        }
        let run = self.begin(&port, rig, "quick", case.into())?;
        let mut state = self.inner.state();
        let case = state.cases.get_mut(case).expect("it was there");
        case.stages.last_mut().expect("pushed above").run = Some(run.clone());
        // It may be over already.
        if case.running.is_some() {
            case.running = Some(run.clone());
        }
        Ok(Some(run))
    }

    fn skip(&self, case: &str, stage: &str, why: &str, _: &str) -> Result<(), AgentError> {
        let mut state = self.inner.state();
        let case = state.cases.get_mut(case).ok_or_else(|| AgentError::Unknown { what: "case", name: case.into() })?;
        case.stages.push(StageView {
            stage: stage.into(),
            attempt: 1,
            run: None,
            skipped: Some(why.into()),
            result: String::new(),
            counts: true,
        });
        case.next = next(case);
        Ok(())
    }

    fn close_case(&self, case: &str, _: &str, _: &str) -> Result<(), AgentError> {
        let mut state = self.inner.state();
        let case = state.cases.get_mut(case).ok_or_else(|| AgentError::Unknown { what: "case", name: case.into() })?;
        (case.state, case.next) = ("closed".into(), None);
        Ok(())
    }

    fn set_aside(&self, case: &str, stage: &str, _: &str) -> Result<(), AgentError> {
        let mut state = self.inner.state();
        let case = state.cases.get_mut(case).ok_or_else(|| AgentError::Unknown { what: "case", name: case.into() })?;
        case.stages.retain(|done| done.stage != stage);
        case.state = "open".into();
        case.next = next(case);
        Ok(())
    }

    fn bench(&self) -> Option<BenchView> {
        self.inner.state().bench.clone()
    }

    fn answer_bench(&self, order: BenchOrder, _: &str) -> Result<(), AgentError> {
        Err(AgentError::Unknown { what: "request", name: order.request })
    }

    fn ask_bench_again(&self, card: &str, _: &str) -> Result<(), AgentError> {
        Err(AgentError::Unknown { what: "card", name: card.into() })
    }

    fn card_test(&self, card: &str) -> Result<CardTest, AgentError> {
        Err(AgentError::Unknown { what: "card", name: card.into() })
    }

    fn lot(&self, lot: &str) -> Result<Lot, AgentError> {
        Err(AgentError::Unknown { what: "lot", name: lot.into() })
    }
}
