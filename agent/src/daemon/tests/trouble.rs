//! A disk that is full, and a daemon that is killed: alarms go out all the same, and what was asked for is not forgotten.
//! In virtual time, on one simulated port.

use std::{
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, AtomicU32, Ordering},
    },
    time::Duration,
};

use jiff::{SignedDuration, Timestamp};
use tokio::{task::JoinHandle, time::Instant};
use turnback_core::{
    document::{Document, DocumentKind, case::Case},
    judge::Location,
    kind::ethernet::sim,
    watch::standing::{Change, State},
};

use crate::{
    archive::{
        Archive, Listed, Query, Sought,
        error::ArchiveError,
        logbook::{Action, Entry, Logbook, Outgoing, Remembered, Sent},
        memory::Memory,
        outbox::FleetOutbox,
    },
    config::Config,
    daemon::{
        agent::{Agent, AgentError, CaseOrder, Happening, StageOrder, StartOrder},
        announce::deliver_for_ever,
        host::{Boxed, Host, Order, PortFacts, RunEnd, Say, this_machine},
        keys::{Keys, KeysError, Role},
        running::RunningAgent,
        status::Shared,
        supervisor::Supervisor,
    },
    engine::cancel::Cancel,
    ports::simulated::ethernet::SimulatedPort,
    work::isolate::runner::{Opening, open_case},
};

const CONFIG: &str = "[limits]\nruns_at_once = 2\n[[port]]\nselect = { name = 'quay*' }\nspare = true\n[[round]]\nname = 'hourly'\n\
    select = [{ spare = true }]\nschedule = '0 * * * *'\nrepeat_after = '5m'\n[[announce]]\nname = 'journal'\nlog = true\n";

/// Two ports on one rig. The second is there as long as the world says so.
struct World {
    origin: Instant,
    rig: &'static str,
    /// Somebody mended what was wrong with the rig.
    mended: AtomicBool,
    present: AtomicBool,
    ran: AtomicU32,
}

impl World {
    fn new(rig: &'static str) -> Arc<Self> {
        let (present, ran) = (AtomicBool::new(true), AtomicU32::new(0));
        Arc::new(Self { origin: Instant::now(), rig, mended: AtomicBool::new(false), present, ran })
    }

    fn port(&self, name: &str) -> SimulatedPort {
        let mut rig = sim::builtin(self.rig).unwrap();
        if self.mended.load(Ordering::Relaxed) {
            rig.faults.clear();
        }
        SimulatedPort::of(&rig, name.to_owned(), 7)
    }
}

impl Host for World {
    fn now(&self) -> Timestamp {
        let start: Timestamp = "2026-01-01T00:30:00Z".parse().unwrap();
        start + SignedDuration::try_from(self.origin.elapsed()).unwrap()
    }

    fn ports(&self, _: Vec<String>) -> Boxed<Result<Vec<PortFacts>, String>> {
        let port = |name: &str| PortFacts { name: name.to_owned(), simulated: true, ..PortFacts::default() };
        let second = self.present.load(Ordering::Relaxed).then(|| port("quay1"));
        let list = [port("quay0")].into_iter().chain(second).collect();
        Box::pin(async move { Ok(list) })
    }

    fn check(&self, order: Order, mut say: Say, cancel: Cancel) -> Boxed<RunEnd> {
        self.ran.fetch_add(1, Ordering::Relaxed);
        let mut port = self.port(&order.port);
        let started_at = self.now().to_string();
        let end = this_machine::end(this_machine::carry_out(&order, &mut port, started_at, &mut *say, &cancel));
        Box::pin(async move {
            tokio::time::sleep(Duration::from_secs(10)).await;
            end
        })
    }

    fn open_case(&self, port: &str, opening: Opening) -> Result<Case, String> {
        open_case(&mut self.port(port), opening).map_err(|error| error.to_string())
    }

    fn cpu_used(&self) -> Duration {
        Duration::ZERO
    }

    fn processors(&self) -> u32 {
        2
    }
}

/// A disk that several lives of the daemon share, and that can be full.
#[derive(Clone, Default)]
struct Disk {
    kept: Arc<Mutex<Memory>>,
    full: Arc<AtomicBool>,
}

impl Disk {
    fn write<T>(&self, action: impl FnOnce(&mut Memory) -> Result<T, ArchiveError>) -> Result<T, ArchiveError> {
        match self.full.load(Ordering::Relaxed) {
            true => Err(ArchiveError::CutOff),
            false => action(&mut self.kept.lock().unwrap()),
        }
    }
}

impl Archive for Disk {
    fn put(&mut self, document: &Document) -> Result<(), ArchiveError> {
        self.write(|kept| kept.put(document))
    }
    fn get(&self, kind: DocumentKind, id: &str) -> Result<Document, ArchiveError> {
        self.kept.lock().unwrap().get(kind, id)
    }
    fn find(&self, kind: Option<DocumentKind>, beginning: &str) -> Result<Document, ArchiveError> {
        self.kept.lock().unwrap().find(kind, beginning)
    }
    fn list(&self, query: Query<'_>, limit: Option<u64>) -> Result<Vec<Listed>, ArchiveError> {
        self.kept.lock().unwrap().list(query, limit)
    }
    fn latest(&self, sought: &Sought<'_>) -> Result<Option<Document>, ArchiveError> {
        self.kept.lock().unwrap().latest(sought)
    }
}

impl FleetOutbox for Disk {}

impl Logbook for Disk {
    fn open(&mut self, seed: u64) -> Result<Remembered, ArchiveError> {
        self.kept.lock().unwrap().open(seed)
    }
    fn enter(&mut self, entry: &Entry) -> Result<(), ArchiveError> {
        self.write(|kept| kept.enter(entry))
    }
    fn outbox(&self) -> Result<Vec<Outgoing>, ArchiveError> {
        self.kept.lock().unwrap().outbox()
    }
    fn post(&mut self, outgoing: &[Outgoing]) -> Result<(), ArchiveError> {
        self.write(|kept| kept.post(outgoing))
    }
    fn delivered(&mut self, outgoing: &Outgoing, sent_ms: Option<i64>) -> Result<(), ArchiveError> {
        self.write(|kept| kept.delivered(outgoing, sent_ms))
    }
    fn put_off(&mut self, outgoing: &Outgoing) -> Result<(), ArchiveError> {
        self.write(|kept| kept.put_off(outgoing))
    }
    fn sent(&self, limit: u32) -> Result<Vec<Sent>, ArchiveError> {
        self.kept.lock().unwrap().sent(limit)
    }
    fn act(&mut self, action: &Action) -> Result<(), ArchiveError> {
        self.write(|kept| kept.act(action))
    }
    fn actions(&self, limit: u32) -> Result<Vec<Action>, ArchiveError> {
        self.kept.lock().unwrap().actions(limit)
    }
    fn note(&self, name: &str) -> Result<Option<String>, ArchiveError> {
        self.kept.lock().unwrap().note(name)
    }
    fn keep_note(&mut self, name: &str, document: &str) -> Result<(), ArchiveError> {
        self.write(|kept| kept.keep_note(name, document))
    }
    fn changes(&self, port: &str, limit: u32) -> Result<Vec<Change>, ArchiveError> {
        self.kept.lock().unwrap().changes(port, limit)
    }
    fn prune(&mut self, older_than_ms: i64) -> Result<u64, ArchiveError> {
        self.write(|kept| kept.prune(older_than_ms))
    }
}

/// One life of the daemon; dropped, it is killed.
struct Life {
    shared: Arc<Shared>,
    agent: Arc<RunningAgent>,
    parts: Vec<JoinHandle<()>>,
}

impl Drop for Life {
    fn drop(&mut self) {
        self.parts.iter().for_each(JoinHandle::abort);
    }
}

async fn live(world: &Arc<World>, disk: &Disk) -> Life {
    let (clock, host) = (Arc::clone(world), Arc::clone(world));
    let config = Config::parse("agent.toml", CONFIG).unwrap();
    let shared = Shared::new(config, Box::new(disk.clone()), move || clock.now());
    let mut supervisor = Supervisor::new(Arc::clone(world), Arc::clone(&shared), Box::new(|| {})).await.unwrap();
    let open = Box::new(move |port: &str, opening: Opening| host.open_case(port, opening));
    let agent = Arc::new(RunningAgent::new(Arc::clone(&shared), open));
    let parts =
        vec![tokio::spawn(async move { supervisor.go().await }), tokio::spawn(deliver_for_ever(Arc::clone(&shared)))];
    Life { shared, agent, parts }
}

impl Life {
    /// As a request does: it may wait for the disk.
    async fn ask<T: Send + 'static>(&self, question: impl FnOnce(&RunningAgent) -> T + Send + 'static) -> T {
        let agent = Arc::clone(&self.agent);
        tokio::task::spawn_blocking(move || question(&agent)).await.unwrap()
    }

    fn state(&self, port: &str) -> State {
        self.shared.status().ports[port].memory.standing.state
    }

    fn announced(&self) -> (u64, u64) {
        let figures = self.agent.figures();
        (figures.announced.get("journal").copied().unwrap_or_default(), figures.outbox)
    }
}

async fn minutes(n: u64) {
    tokio::time::sleep(Duration::from_secs(60 * n)).await;
}

#[tokio::test(start_paused = true)]
async fn a_full_disk_silences_no_alarm_and_nothing_is_told_twice_when_there_is_room_again() {
    let (world, disk) = (World::new("bad-port"), Disk::default());
    let life = live(&world, &disk).await;
    disk.full.store(true, Ordering::Relaxed);
    minutes(60).await;
    assert_eq!((life.state("quay0"), life.state("quay1")), (State::Failed, State::Failed));
    // Each port became suspect and then failed, and that was told although nothing could be stored.
    assert_eq!(life.announced(), (4, 0));
    let health = life.agent.health();
    assert!(!health.ok && health.troubles[0].starts_with("store: "), "{health:?}");
    assert_eq!(disk.changes("quay0", 9).unwrap().len(), 0);
    // There is room again: within seconds all is stored.
    disk.full.store(false, Ordering::Relaxed);
    tokio::time::sleep(Duration::from_secs(5)).await;
    assert_eq!((disk.changes("quay0", 9).unwrap().len(), disk.outbox().unwrap().len()), (2, 0));
    assert!(life.agent.health().ok);
    tokio::time::sleep(Duration::from_secs(30)).await;
    assert_eq!((life.announced(), disk.sent(9).unwrap().len()), ((4, 0), 4));
}

#[test]
fn what_a_full_disk_does_not_take_of_tokens_can_be_tried_again_and_a_revoked_one_stays_revoked() {
    let disk = Disk::default();
    let keys = || Keys::new(Arc::new(Mutex::new(Box::new(disk.clone()) as Box<dyn Logbook>)), || 0);
    let (first, full) = (keys(), |full| disk.full.store(full, Ordering::Relaxed));
    let old = first.make_token("old", Role::Test, "desk").unwrap();
    let code = first.pair(Role::Test, "desk").unwrap().code;
    full(true);
    assert!(matches!(first.make_token("night", Role::Read, "desk"), Err(KeysError::Store(_))));
    assert!(first.redeem(&code).is_err() && first.revoke("old").is_err());
    assert_eq!((first.tokens().len(), first.admit(&old)), (0, None));
    first.catch_up();
    full(false);
    // It waits for the disk, not for the next change.
    first.catch_up();
    assert!(keys().tokens().is_empty(), "an agent that is started again knows of the revocation");
    assert!(first.make_token("night", Role::Read, "desk").is_ok(), "its name is free");
    assert!(first.redeem(&code).unwrap().is_some(), "the code is not used up");
}

#[tokio::test(start_paused = true)]
async fn a_port_that_is_gone_is_told_at_once_and_one_without_a_round_is_in_no_count() {
    let (world, disk) = (World::new("good"), Disk::default());
    let life = live(&world, &disk).await;
    minutes(40).await;
    assert_eq!((life.state("quay0"), life.state("quay1")), (State::Proven, State::Proven));
    let told = life.announced().0;
    world.present.store(false, Ordering::Relaxed);
    minutes(2).await;
    assert_eq!((life.state("quay1"), life.announced().0), (State::Gone, told + 1));
    assert!(life.agent.ports().iter().any(|port| port.name == "quay1" && port.needs_attention));
    world.present.store(true, Ordering::Relaxed);
    minutes(2).await;
    assert_eq!(life.state("quay1"), State::Expired);
    // It is looked at again soon.
    minutes(8).await;
    assert_eq!(life.state("quay1"), State::Proven);
}

#[tokio::test(start_paused = true)]
async fn what_was_asked_for_goes_first_and_survives_a_kill() {
    let (world, disk) = (World::new("good"), Disk::default());
    let life = live(&world, &disk).await;
    let start = |port: &'static str| {
        move |agent: &RunningAgent| {
            agent.start(StartOrder { port: port.into(), ..StartOrder::default() }, "night-shift").unwrap()
        }
    };
    let (first, second) = (life.ask(start("quay0")).await, life.ask(start("quay1")).await);
    tokio::time::sleep(Duration::from_secs(1)).await;
    // Two processors: one at a time.
    let queue = life.agent.queue();
    assert_eq!((queue.len(), queue[0].run.as_ref(), queue[0].position), (1, Some(&second), 1), "{queue:?}");
    assert!(queue[0].reason.contains("processors") && queue[0].begins_ms.is_some(), "{queue:?}");
    assert_eq!(life.agent.ports()[0].running.as_ref().unwrap().by.as_deref(), Some("night-shift"));
    drop(life);
    let life = live(&world, &disk).await;
    let ran = world.ran.load(Ordering::Relaxed);
    tokio::time::sleep(Duration::from_secs(15)).await;
    assert_eq!(world.ran.load(Ordering::Relaxed), ran + 1, "the second, and not the first again");
    assert!(life.agent.report(&second).is_ok() && life.agent.report(&first).is_err());
    let actions = life.agent.actions(9).unwrap();
    assert!(actions.iter().all(|a| a.by == "night-shift" && a.did == "asked for a check"), "{actions:?}");
    assert_eq!(actions.len(), 2);
}

#[tokio::test(start_paused = true)]
async fn a_diagnosis_survives_a_kill_and_its_stages_are_heard_by_who_comes_late() {
    let (world, disk) = (World::new("good"), Disk::default());
    let life = live(&world, &disk).await;
    minutes(40).await;
    let before = life.shared.happenings.last();
    let order = CaseOrder { port: "quay0".into(), cable: Some("Q-12".into()), ..CaseOrder::default() };
    let case = life.ask(move |agent| agent.open_case(order, "desk").unwrap()).await;
    let (id, stage) = (case.clone(), StageOrder { stage: "at-port".into(), ..StageOrder::default() });
    let run = life.ask(move |agent| agent.perform(&id, stage, "desk").unwrap()).await.unwrap();
    tokio::time::sleep(Duration::from_secs(20)).await;
    let heard = life.agent.listen(Some(before)).before;
    let is_over = |told: &Happening| matches!(told, Happening::RunOver { run: over, .. } if *over == run);
    assert!(heard.iter().any(|told| is_over(&told.happening)), "{heard:?}");
    let began = |told: &Happening| matches!(told, Happening::Run { run: of, .. } if *of == run);
    assert!(heard.iter().any(|told| began(&told.happening)), "{heard:?}");
    assert_eq!(life.agent.case(&case).unwrap().stages.len(), 1);
    drop(life);
    let life = live(&world, &disk).await;
    let view = life.agent.case(&case).unwrap();
    assert!(view.reserves && view.next.is_some(), "{view:?}");
    let again = life.agent.start(StartOrder { port: "quay0".into(), ..StartOrder::default() }, "desk");
    assert_eq!(again, Err(AgentError::UnderDiagnosis { port: "quay0".into(), case: case.clone() }));
    let id = case.clone();
    life.ask(move |agent| agent.close_case(&id, "", "desk").unwrap()).await;
    assert!(!life.agent.case(&case).unwrap().reserves);
}

/// A scheduled run with its plug at one place says less of where the fault is than the case before it: what the case
/// found stands until the port passes.
#[tokio::test(start_paused = true)]
async fn what_a_case_found_stands_until_the_port_passes() {
    let (world, disk) = (World::new("bad-cable"), Disk::default());
    let life = live(&world, &disk).await;
    let traced = |life: &Life| life.agent.ports().into_iter().find(|port| port.name == "quay0").unwrap().traced;
    minutes(40).await;
    assert_eq!(traced(&life), None);
    let order = CaseOrder { port: "quay0".into(), cable: Some("Q-12".into()), ..CaseOrder::default() };
    let case = life.ask(move |agent| agent.open_case(order, "desk").unwrap()).await;
    while let Some(next) = life.agent.case(&case).unwrap().next {
        let (id, stage) = (case.clone(), StageOrder { stage: next.stage, ..StageOrder::default() });
        life.ask(move |agent| agent.perform(&id, stage, "desk").unwrap()).await;
        tokio::time::sleep(Duration::from_secs(20)).await;
    }
    let found = traced(&life).expect("the case found the fault");
    assert_eq!((found.location.as_slice(), &found.case), (&[Location::Cable][..], &case));
    assert!(found.segment.is_some() && !found.next.is_empty(), "{found:?}");
    // The next runs fail as well, and the agent is restarted in between.
    minutes(90).await;
    drop(life);
    let life = live(&world, &disk).await;
    minutes(90).await;
    assert_eq!(traced(&life), Some(found));
    world.mended.store(true, Ordering::Relaxed);
    minutes(180).await;
    assert_eq!(traced(&life), None);
}
