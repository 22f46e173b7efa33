//! A year of schedules over fifty ports in virtual time: tokio's clock is paused and jumps to whatever is due next.
//!
//! The world below is a list of what was asked of it, from which the rules are checked afterwards: what ran, when,
//! beside what, and what was announced. It knows the truth of each port and shares no code with the supervisor.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex},
    time::Duration,
};

use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use tokio::time::Instant;
use turnback_core::{
    base::rng::Rng,
    document::{Document, DocumentKind, run::Report},
    judge::{Outcome, Reason, RuleId},
    watch::standing::{Change, State},
};

use crate::daemon::{
    agent::{Agent, AgentError, CaseOrder, MuteOrder, PauseOrder, StageOrder, StartOrder},
    announce::{Announcement, Event},
    host::{Boxed, Host, Order, PortFacts, RunEnd, Say},
    running::RunningAgent,
    status::Shared,
    supervisor::Supervisor,
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
    engine::cancel::Cancel,
    ports::simulated::ethernet::SimulatedPort,
    work::isolate::runner::{Opening, open_case},
};

const CONFIG: &str = r#"
zone = "Europe/Berlin"

[limits]
runs_at_once = 3
cpu_share = 0.5
case_idle = "36h"

[[port]]
select = { name = "quay6" }
cabinet = "tide gauge"
spare = true

[[port]]
select = { name = "quay*" }
cabinet = "quay cabinets"
spare = true

[[round]]
name = "night"
select = [{ spare = true }]
schedule = "30 2 * * *"
jitter = "90m"
hours = ["22:00-06:00"]
repeat_after = "20m"

[[round]]
name = "weekly"
select = [{ name = "quay1*" }]
schedule = "0 12 * * SUN"
zone = "America/St_Johns"
jitter = "10m"
profile = "standard"

[[announce]]
name = "journal"
log = true
"#;

/// One run that was asked for.
#[derive(Clone, Debug)]
struct Ran {
    port: String,
    profile: String,
    from: Timestamp,
    until: Timestamp,
    adapter: String,
    outcome: &'static str,
}

struct World {
    start: Timestamp,
    origin: Instant,
    ran: Mutex<Vec<Ran>>,
    template: Report,
    rng: Mutex<Rng>,
}

impl World {
    fn adapter(number: u64) -> String {
        format!("0000:{:02x}:00", number / 4)
    }

    /// Ports 40 to 44 come into service in spring, and 40 goes out of it in autumn.
    fn in_service(&self, number: u64) -> bool {
        let now = self.now();
        let from: Timestamp = "2026-04-01T00:00:00Z".parse().unwrap();
        let until: Timestamp = "2026-10-01T00:00:00Z".parse().unwrap();
        (40..45).contains(&number) && now >= from && (number != 40 || now < until)
    }

    /// Port 7 has a fault for two months, 5 in March and 8 from September on, both muted; port 9 hangs its driver each
    /// time in June; port 11 is gone in July.
    fn is_bad(&self, number: u64) -> bool {
        (number == 7 && self.month_is(5..7))
            || (number == 5 && self.month_is(3..4))
            || (number == 8 && self.month_is(9..13))
    }

    fn month_is(&self, months: std::ops::Range<i8>) -> bool {
        months.contains(&self.now().to_zoned(TimeZone::UTC).month())
    }
}

impl Host for World {
    fn now(&self) -> Timestamp {
        self.start + SignedDuration::try_from(self.origin.elapsed()).unwrap()
    }

    fn ports(&self, _: Vec<String>) -> Boxed<Result<Vec<PortFacts>, String>> {
        let list = (0..50)
            .filter(|n| !(*n == 11 && self.month_is(7..8)))
            .map(|n| PortFacts {
                name: format!("quay{n}"),
                simulated: true,
                bus: Some(format!("{}.{}", Self::adapter(n), n % 4)),
                in_service: if self.in_service(n) { vec!["it has an address".into()] } else { vec![] },
                ..PortFacts::default()
            })
            .collect();
        Box::pin(async move { Ok(list) })
    }

    fn check(&self, order: Order, _say: Say, cancel: Cancel) -> Boxed<RunEnd> {
        let number: u64 = order.port.trim_start_matches("quay").parse().unwrap();
        let mut report = self.template.clone();
        report.run.clone_from(&order.run);
        report.port.name.clone_from(&order.port);
        report.profile.clone_from(&order.profile.name);
        let mut outcome = "pass";
        // The plug of a case is somewhere else.
        if self.is_bad(number) || order.stage.is_some() {
            outcome = "fault";
            report.verdict.outcome = Outcome::Fault;
            report.verdict.reasons = vec![Reason { rule: RuleId::BitErrors, text: "many".into() }];
        }
        let takes = Duration::from_secs(5 + self.rng.lock().unwrap().below(20));
        let hangs = number == 9 && self.month_is(6..7);
        let from = self.now();
        let takes = if hangs { Duration::from_secs(86_400 / 2) } else { takes };
        if hangs {
            outcome = "hung";
        }
        self.ran.lock().unwrap().push(Ran {
            port: order.port,
            profile: order.stage.map_or(order.profile.name, |stage| format!("stage {stage}")),
            from,
            until: from + SignedDuration::try_from(takes).unwrap(),
            adapter: Self::adapter(number),
            outcome,
        });
        Box::pin(async move {
            tokio::time::sleep(takes).await;
            if cancel.is_cancelled() && !hangs {
                report.stopped = Some(turnback_core::judge::facts::Stopped::ByUser);
                report.verdict.outcome = Outcome::Undecided;
            }
            RunEnd::Report(Box::new(report))
        })
    }

    fn open_case(&self, name: &str, opening: Opening) -> Result<turnback_core::document::case::Case, String> {
        let rig = turnback_core::kind::ethernet::sim::builtin("good").ok_or("no such rig")?;
        let mut port = SimulatedPort::of(&rig, name.to_owned(), 1);
        open_case(&mut port, opening).map_err(|error| error.to_string())
    }

    fn cpu_used(&self) -> Duration {
        Duration::ZERO
    }

    fn processors(&self) -> u32 {
        8
    }
}

/// A logbook that several lives of the daemon share, and that keeps every announcement.
#[derive(Clone, Default)]
struct Kept(Arc<Mutex<(Memory, Vec<Outgoing>)>>);

impl Archive for Kept {
    fn put(&mut self, document: &Document) -> Result<(), ArchiveError> {
        self.0.lock().unwrap().0.put(document)
    }
    fn get(&self, kind: DocumentKind, id: &str) -> Result<Document, ArchiveError> {
        self.0.lock().unwrap().0.get(kind, id)
    }
    fn find(&self, kind: Option<DocumentKind>, beginning: &str) -> Result<Document, ArchiveError> {
        self.0.lock().unwrap().0.find(kind, beginning)
    }
    fn list(&self, query: Query<'_>, limit: Option<u64>) -> Result<Vec<Listed>, ArchiveError> {
        self.0.lock().unwrap().0.list(query, limit)
    }
    fn latest(&self, sought: &Sought<'_>) -> Result<Option<Document>, ArchiveError> {
        self.0.lock().unwrap().0.latest(sought)
    }
}

impl FleetOutbox for Kept {}

impl Logbook for Kept {
    fn open(&mut self, seed: u64) -> Result<Remembered, ArchiveError> {
        self.0.lock().unwrap().0.open(seed)
    }
    fn enter(&mut self, entry: &Entry) -> Result<(), ArchiveError> {
        let mut kept = self.0.lock().unwrap();
        kept.1.extend(entry.outgoing.iter().cloned());
        kept.0.enter(&Entry { report: None, ..entry.clone() })
    }
    fn outbox(&self) -> Result<Vec<Outgoing>, ArchiveError> {
        Ok(Vec::new())
    }
    fn post(&mut self, _: &[Outgoing]) -> Result<(), ArchiveError> {
        Ok(())
    }
    fn delivered(&mut self, _: &Outgoing, _: Option<i64>) -> Result<(), ArchiveError> {
        Ok(())
    }
    fn sent(&self, _: u32) -> Result<Vec<Sent>, ArchiveError> {
        Ok(Vec::new())
    }
    fn act(&mut self, action: &Action) -> Result<(), ArchiveError> {
        self.0.lock().unwrap().0.act(action)
    }
    fn actions(&self, limit: u32) -> Result<Vec<Action>, ArchiveError> {
        self.0.lock().unwrap().0.actions(limit)
    }
    fn note(&self, name: &str) -> Result<Option<String>, ArchiveError> {
        self.0.lock().unwrap().0.note(name)
    }
    fn keep_note(&mut self, name: &str, document: &str) -> Result<(), ArchiveError> {
        self.0.lock().unwrap().0.keep_note(name, document)
    }
    fn put_off(&mut self, _: &Outgoing) -> Result<(), ArchiveError> {
        Ok(())
    }
    fn changes(&self, port: &str, limit: u32) -> Result<Vec<Change>, ArchiveError> {
        self.0.lock().unwrap().0.changes(port, limit)
    }
    fn prune(&mut self, _: i64) -> Result<u64, ArchiveError> {
        Ok(0)
    }
}

/// A report of a healthy rig, the form of all reports of this world.
fn template() -> Report {
    let mut port = SimulatedPort::open("good", 1).unwrap();
    let options = crate::daemon::host::this_machine::options(
        &Order {
            run: String::new(),
            port: "quay0".into(),
            labels: Default::default(),
            profile: turnback_core::plan::Profile::named("quick").unwrap(),
            placement: None,
            cable: None,
            seed: 1,
            stage: None,
            record: Default::default(),
        },
        String::new(),
    );
    let report = crate::engine::check(&mut port, None, options, &mut |_| {}, &Cancel::default()).unwrap();
    Report { seconds: Vec::new(), ..report }
}

/// What people do, and when.
type Deed = (&'static str, fn(&RunningAgent));

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

/// The open case of port 4.
fn case_of_4(agent: &RunningAgent) -> String {
    let case = agent.ports().into_iter().find(|port| port.name == "quay4").and_then(|port| port.diagnosis);
    case.expect("it is under diagnosis").case
}

fn open_on_4(agent: &RunningAgent) {
    let order = CaseOrder { port: "quay4".into(), cable: Some("Q-12".into()), ..CaseOrder::default() };
    agent.open_case(order.clone(), "desk").unwrap();
    let again = agent.open_case(order, "desk");
    assert!(matches!(again, Err(AgentError::UnderDiagnosis { .. })), "one open case a port: {again:?}");
    let asked = agent.start(StartOrder { port: "quay4".into(), ..StartOrder::default() }, "desk");
    assert!(matches!(asked, Err(AgentError::UnderDiagnosis { .. })), "{asked:?}");
}

fn mute(agent: &RunningAgent, port: &str, until: &str) {
    let order = MuteOrder { until_ms: Some(at(until).as_millisecond()), note: "known".into() };
    agent.mute(port, order, "desk").unwrap();
}

const DEEDS: &[Deed] = &[
    ("2026-02-27T10:00:00Z", |agent| mute(agent, "quay5", "2026-04-15T10:00:00Z")),
    // Under diagnosis for two nights, with a stage that fails because the plug is elsewhere.
    ("2026-03-03T10:00:00Z", open_on_4),
    ("2026-03-03T11:00:00Z", |agent| {
        let order = StageOrder { stage: "at-port".into(), ..StageOrder::default() };
        agent.perform(&case_of_4(agent), order, "desk").unwrap();
    }),
    ("2026-03-04T20:00:00Z", |agent| agent.skip(&case_of_4(agent), "internal", "no time", "desk").unwrap()),
    ("2026-03-05T10:00:00Z", |agent| agent.close_case(&case_of_4(agent), "the ship came", "desk").unwrap()),
    // A cabinet is out for a week.
    ("2026-05-04T10:00:00Z", |agent| {
        let until_ms = Some(at("2026-05-11T10:00:00Z").as_millisecond());
        let cabinet = Some("tide gauge".into());
        agent.pause(PauseOrder { cabinet, until_ms, ..PauseOrder::default() }, "desk").unwrap();
    }),
    ("2026-08-31T10:00:00Z", |agent| mute(agent, "quay8", "2026-09-15T10:00:00Z")),
    // Forgotten: it lies idle after 36 hours.
    ("2026-10-01T10:00:00Z", open_on_4),
];

/// One life of the daemon.
async fn live(world: &Arc<World>, kept: &Kept, until: Timestamp) -> Arc<Shared> {
    let config = Config::parse("year.toml", CONFIG).unwrap();
    let clock = Arc::clone(world);
    let shared = Shared::new(config, Box::new(kept.clone()), move || clock.now());
    let mut supervisor = Supervisor::new(Arc::clone(world), Arc::clone(&shared), Box::new(|| {})).await.unwrap();
    // Nobody sets this clock: fewer rounds make a shorter test.
    supervisor.round_max = Duration::from_secs(4 * 3600);
    let host = Arc::clone(world);
    let open = Box::new(move |port: &str, opening: Opening| host.open_case(port, opening));
    let agent = Arc::new(RunningAgent::new(Arc::clone(&shared), open));
    let now = world.now();
    for (when, deed) in DEEDS.iter().filter(|(when, _)| (now..until).contains(&at(when))) {
        let (agent, wait) = (Arc::clone(&agent), Duration::try_from(at(when).duration_since(now)).unwrap());
        tokio::spawn(async move {
            tokio::time::sleep(wait).await;
            tokio::task::spawn_blocking(move || deed(&agent)).await.unwrap();
        });
    }
    let stopper = Arc::clone(&shared);
    let wait = Duration::try_from(until.duration_since(world.now())).unwrap();
    tokio::spawn(async move {
        tokio::time::sleep(wait).await;
        stopper.stopped.stop();
    });
    supervisor.go().await;
    shared
}

fn at_new_year() -> Arc<World> {
    Arc::new(World {
        start: "2026-01-01T00:00:00Z".parse().unwrap(),
        origin: Instant::now(),
        ran: Mutex::default(),
        template: template(),
        rng: Mutex::new(Rng::new(5)),
    })
}

#[test]
fn a_watchdog_hears_as_often_as_it_wants() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
    runtime.block_on(async {
        let world = at_new_year();
        let clock = Arc::clone(&world);
        let shared =
            Shared::new(Config::parse("year.toml", CONFIG).unwrap(), Box::new(Kept::default()), move || clock.now());
        let heard = Arc::new(Mutex::new(Vec::new()));
        let (told, clock) = (Arc::clone(&heard), Arc::clone(&world));
        let alive = Box::new(move || told.lock().unwrap().push(clock.now()));
        let mut supervisor = Supervisor::new(Arc::clone(&world), shared, alive).await.unwrap();
        supervisor.beat = Some(Duration::from_secs(10));
        let hour = Duration::from_secs(3600);
        assert!(tokio::time::timeout(hour, supervisor.go()).await.is_err(), "it goes on until it is stopped");
        let heard = heard.lock().unwrap();
        assert!(heard.len() >= 360, "{}", heard.len());
        let longest = heard.windows(2).map(|pair| pair[1].duration_since(pair[0])).max().unwrap();
        assert!(longest <= SignedDuration::from_secs(11), "{longest}");
    });
}

#[test]
fn a_year_over_fifty_ports_keeps_every_rule() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
    let (world, kept, last) = runtime.block_on(async {
        let world = at_new_year();
        let kept = Kept::default();
        live(&world, &kept, at("2026-02-10T02:50:00Z")).await;
        // Off for an hour in the night, for three weeks in August, and restarted in the night when clocks change.
        tokio::time::sleep(Duration::from_secs(3600)).await;
        live(&world, &kept, at("2026-08-03T12:00:00Z")).await;
        tokio::time::sleep(Duration::from_secs(21 * 86_400)).await;
        live(&world, &kept, at("2026-10-25T00:45:00Z")).await;
        let last = live(&world, &kept, at("2027-01-01T00:00:00Z")).await;
        (world, kept, last)
    });
    let ran = world.ran.lock().unwrap().clone();
    let zone = TimeZone::get("Europe/Berlin").unwrap();

    // Never beside another on the same adapter, nor on the same port, nor more than three at once.
    let mut on: Vec<&Ran> = Vec::new();
    for run in &ran {
        on.retain(|other| other.until > run.from);
        let beside = on.iter().filter(|other| other.outcome != "hung").count();
        assert!(beside < 3, "{run:?} beside {on:?}");
        assert!(on.iter().all(|other| other.adapter != run.adapter), "{run:?} beside {on:?}");
        on.push(run);
    }
    // Within the allowed hours, by the clock on the wall.
    for run in ran.iter().filter(|run| run.profile == "quick") {
        let local = run.from.to_zoned(zone.clone());
        assert!(local.hour() >= 22 || local.hour() < 6, "{run:?} at {local}");
    }
    // A port in service is never touched; what was skipped is counted and said.
    let touched =
        |run: &&Ran, from: &str, until: &str| run.from >= from.parse().unwrap() && run.from < until.parse().unwrap();
    for number in 40..45 {
        let name = format!("quay{number}");
        let until = if number == 40 { "2026-10-01T00:00:00Z" } else { "2027-01-01T00:00:00Z" };
        assert_eq!(
            ran.iter().filter(|r| r.port == name).filter(|r| touched(r, "2026-04-01T00:00:00Z", until)).count(),
            0
        );
    }
    {
        let status = last.status();
        assert_eq!(status.ports["quay41"].memory.standing.state, State::Skipped);
        // A night each from April to December, less three weeks off, of which one is caught up.
        assert!((250..=256).contains(&status.ports["quay41"].memory.skips), "{}", status.ports["quay41"].memory.skips);
        assert_eq!(status.ports["quay40"].memory.standing.state, State::Proven);
    }
    // A healthy port runs once a night, plus nothing: 365 nights less the 21 off, of which the missed are made up once.
    let mut per_night: BTreeMap<(String, String), u32> = BTreeMap::new();
    for run in ran.iter().filter(|run| run.profile == "quick") {
        // The night of a run is the day on which it ends.
        let night = run.from.to_zoned(zone.clone()) + SignedDuration::from_hours(3);
        *per_night.entry((run.port.clone(), night.date().to_string())).or_default() += 1;
    }
    for number in [0, 3, 20, 33, 49] {
        let name = format!("quay{number}");
        let nights = per_night.iter().filter(|((port, _), _)| *port == name);
        let (days, runs) = nights.fold((0, 0), |(days, runs), (_, n)| (days + 1, runs + n));
        // 365 nights less 21; the night after the daemon came back holds the one that makes up for all the missed. No
        // other holds two, not even when the clocks changed or the daemon was restarted in it.
        assert_eq!((days, runs), (344, 345), "{name}");
    }
    // Three weeks off are caught up once, in the next allowed hours.
    let back: Timestamp = "2026-08-24T12:00:00Z".parse().unwrap();
    let caught_up =
        ran.iter().filter(|r| r.port == "quay3" && r.from >= back && r.from < back + SignedDuration::from_hours(24));
    assert_eq!(caught_up.count(), 2, "the missed one at ten in the evening, and that night's own");

    // Announced: exactly the changes of the bad port, the hanging one, the missing one and those in service.
    let told: Vec<Announcement> =
        kept.0.lock().unwrap().1.iter().map(|o| serde_json::from_str(&o.document).unwrap()).collect();
    let changes = |port: &str| -> Vec<(State, State)> {
        told.iter().filter(|a| a.port == port && a.event == Event::Changed).map(|a| (a.from, a.to)).collect()
    };
    use State::{Expired, Failed, Gone, NeverTested, Proven, Skipped, Suspect, Undecided};
    let first = (NeverTested, Proven);
    assert_eq!(changes("quay3"), [first, (Proven, Expired), (Expired, Proven)][..changes("quay3").len()]);
    assert_eq!(changes("quay7"), [first, (Proven, Suspect), (Suspect, Failed), (Failed, Proven)]);
    assert_eq!(changes("quay9"), [first, (Proven, Undecided), (Undecided, Proven)]);
    assert_eq!(changes("quay11"), [first, (Proven, Gone), (Gone, Expired), (Expired, Proven)]);
    assert_eq!(changes("quay40"), [first, (Proven, Skipped), (Skipped, Proven)]);
    // Under diagnosis: announced once for each case; its stages moved nothing, and nothing else ran meanwhile. Muted:
    // what came and went was never announced, what stayed was, once. Paused: nothing ran.
    assert_eq!(changes("quay4"), [first, (Proven, Expired), (Expired, Proven)][..changes("quay4").len()]);
    let diagnoses = told.iter().filter(|a| a.event == Event::UnderDiagnosis);
    assert_eq!(diagnoses.map(|a| (a.port.as_str(), a.from, a.to)).collect::<Vec<_>>(), [("quay4", Proven, Proven); 2]);
    let ran_of = |port: &str, from: &str, until: &str| {
        ran.iter().filter(|r| r.port == port && touched(r, from, until)).map(|r| r.profile.as_str()).collect::<Vec<_>>()
    };
    assert_eq!(ran_of("quay4", "2026-03-03T10:00:00Z", "2026-03-05T10:00:00Z"), ["stage at-port"]);
    assert!(!ran_of("quay4", "2026-03-05T10:00:00Z", "2026-03-06T10:00:00Z").is_empty());
    assert_eq!(ran_of("quay4", "2026-10-01T10:00:00Z", "2026-10-02T20:00:00Z"), Vec::<&str>::new());
    assert!(!ran_of("quay4", "2026-10-02T20:00:00Z", "2026-10-04T10:00:00Z").is_empty());
    assert_eq!(ran_of("quay6", "2026-05-04T10:00:00Z", "2026-05-11T10:00:00Z"), Vec::<&str>::new());
    assert_eq!(ran_of("quay6", "2026-05-11T10:00:00Z", "2026-05-12T10:00:00Z").len(), 2, "one makes up for the week");
    assert_eq!(changes("quay5"), [first, (Proven, Expired), (Expired, Proven)][..changes("quay5").len()]);
    assert_eq!(changes("quay8").last(), Some(&(Proven, Failed)));
    let late = told.iter().rfind(|a| a.port == "quay8").unwrap();
    assert!(late.at.starts_with("2026-09-15T") && late.why.starts_with("while announcements"), "{late:?}");
    assert!(told.iter().all(|a| a.machine == crate::guard::state::machine()));

    // The one whose driver hung kept nobody else of other adapters waiting: its neighbours on the adapter are the
    // exception.
    let june = |name: &str| {
        ran.iter().filter(|r| r.port == name && touched(r, "2026-06-01T12:00:00Z", "2026-07-01T00:00:00Z")).count()
    };
    assert_eq!((june("quay3"), june("quay20")), (29, 29));
    assert!(june("quay9") >= 20, "{}: tried again every night", june("quay9"));
}
