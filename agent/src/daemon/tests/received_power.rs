//! Light that sinks is noticed while the port still passes, and light that merely wavers is not: from the octets of a
//! transceiver's memory, by the run's report as JSON, through supervisor and store, to the state of the port.
//!
//! Days go by in virtual time. The world below gives each port a law of its light; what it is made of (noise of 0.1 dB
//! and more, a fall of 0.02 to 0.1 dB a day) is our own choice, no source.

use std::{
    path::Path,
    sync::{Arc, Mutex},
    time::Duration,
};

use jiff::{SignedDuration, Timestamp};
use tokio::time::Instant;
use turnback_core::{
    base::rng::Rng,
    document::{Document, DocumentKind, run::Report},
    judge::Outcome,
    kind::ethernet::transceiver::Module,
    plan::Profile,
    watch::{
        drift::{Drift, Sample},
        standing::State,
    },
};

use crate::daemon::{
    host::{Boxed, Host, Order, PortFacts, RunEnd, Say, this_machine},
    status::Shared,
    supervisor::Supervisor,
};
use crate::{
    archive::{Archive, filter::Filter, logbook::Logbook, sqlite::Store},
    config::Config,
    engine::{cancel::Cancel, check},
    ports::simulated::ethernet::SimulatedPort,
};

/// Light received on a day, dBm.
#[derive(Clone, Copy)]
struct Law {
    at_first: f64,
    /// dB; the deviation of each reading.
    noise: f64,
    /// dB a day, from the thirtieth day on.
    fall: f64,
}

impl Law {
    fn light(&self, day: u32, rng: &mut Rng) -> f64 {
        // Box and Muller, Annals of Mathematical Statistics 29 (1958), pp. 610-611.
        let radius = (-2.0 * (1.0 - rng.fraction()).ln()).sqrt();
        let normal = radius * (std::f64::consts::TAU * rng.fraction()).cos();
        self.at_first - self.fall * f64::from(day.saturating_sub(STEADY_DAYS)) + self.noise * normal
    }
}

const STEADY_DAYS: u32 = 30;

/// A transceiver's memory as SFF-8472 lays it out (table 4-1 and 9-16; check codes are the low octet of the sum):
/// identifier 03h, figures that are there, calibrated inside, received power an average; octets 104 and 105 of the
/// second page in 0.1 uW.
fn memory(received_dbm: f64) -> Vec<u8> {
    let mut bytes = vec![0_u8; 512];
    (bytes[0], bytes[92]) = (0x03, 0b0110_1000);
    for (range, code) in [(0..63, 63), (64..95, 95)] {
        bytes[code] = bytes[range].iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte));
    }
    let tenths_of_uw = (10f64.powf(received_dbm / 10.0) * 1e4).round() as u16;
    bytes[256 + 104..256 + 106].copy_from_slice(&tenths_of_uw.to_be_bytes());
    bytes
}

/// The report of a run on a port of fibre, as the store has it: JSON. All it says but id, port and light is a simulated
/// rig's.
struct Template(serde_json::Value);

impl Template {
    fn new() -> Self {
        let mut port = SimulatedPort::open("fibre-good", 1).unwrap();
        let order = Order {
            run: String::new(),
            port: "quay0".into(),
            labels: Default::default(),
            profile: Profile::named("quick").unwrap(),
            placement: None,
            cable: None,
            seed: 1,
            stage: None,
            record: Default::default(),
        };
        let options = this_machine::options(&order, "2026-01-01T03:00:00+00:00".into());
        let report = check(&mut port, None, options, &mut |_| {}, &Cancel::default()).unwrap();
        assert_eq!(report.verdict.outcome, Outcome::Pass);
        // What no chart looks at would only make the test slow.
        let mut report = serde_json::to_value(Report { seconds: Vec::new(), steps: Vec::new(), ..report }).unwrap();
        report["latency_ns"]["histogram"] = serde_json::json!([]);
        Self(report)
    }

    fn report(&self, run: &str, port: &str, received_dbm: f64) -> String {
        let mut report = self.0.clone();
        report["run"] = run.into();
        report["port"]["name"] = port.into();
        report["detail"]["transceiver"] =
            serde_json::to_value(Module::of_sff8472(&memory(received_dbm)).unwrap()).unwrap();
        report.to_string()
    }
}

#[test]
fn the_memory_above_is_read_as_the_light_it_was_made_of() {
    for dbm in [-2.0, -8.3, -19.9] {
        let read = Module::of_sff8472(&memory(dbm)).and_then(|module| module.received_dbm()).unwrap();
        // The figure has steps of 0.1 uW: 0.04 dB at -20 dBm.
        assert!((read - dbm).abs() < 0.05, "{read} for {dbm}");
    }
}

/// Days until a drift is told of, and the light then; none within the time.
fn noticed(template: &Template, law: Law, seed: u64, days: u32) -> Option<(u32, f64, String)> {
    let (mut rng, mut kept) = (Rng::new(seed), serde_json::to_string(&Drift::default()).unwrap());
    (1..=days).find_map(|day| {
        let light = law.light(day, &mut rng);
        // Report and charts go through their stored form each day.
        let report: Report = serde_json::from_str(&template.report("r", "quay0", light)).unwrap();
        let mut drift: Drift = serde_json::from_str(&kept).unwrap();
        let found = drift.take(&Sample::of(&report).expect("a run that passed"));
        kept = serde_json::to_string(&drift).unwrap();
        found.into_iter().next().map(|text| (day, light, text))
    })
}

#[test]
fn sinking_light_is_noticed_before_half_of_it_is_gone() {
    let (template, mut most) = (Template::new(), 0.0_f64);
    for seed in 0..40 {
        let mut rng = Rng::new(seed).branch(1);
        let law = Law { at_first: -2.0 - 8.0 * rng.fraction(), noise: 0.1, fall: 0.02 + 0.08 * rng.fraction() };
        // 3 dB, half the light, is what the makers of modules promise their own figure to (SFF-8472, from memory).
        let days = STEADY_DAYS + (3.0 / law.fall) as u32;
        let found = noticed(&template, law, seed, days);
        let (day, light, text) = found.unwrap_or_else(|| panic!("seed {seed}: {} dB a day not noticed", law.fall));
        assert!(day > STEADY_DAYS, "seed {seed}: on day {day}, before it sank");
        assert!(text.starts_with("light received fell from about") && light < law.at_first, "seed {seed}: {text}");
        most = most.max(law.fall * f64::from(day - STEADY_DAYS));
    }
    println!("noticed when {most:.2} dB were gone, at most");
}

#[test]
fn wavering_light_is_no_drift() {
    let template = Template::new();
    for seed in 0..40 {
        let mut rng = Rng::new(seed).branch(2);
        let law = Law { at_first: -2.0 - 8.0 * rng.fraction(), noise: 0.05 + 0.45 * rng.fraction(), fall: 0.0 };
        // A run a day for 200 days on each: 8000 records, where one false alarm in 140 000 is what the test claims.
        assert_eq!(noticed(&template, law, seed, 200), None, "seed {seed}, noise of {} dB", law.noise);
    }
}

/// Three ports of fibre, tested once a night.
struct Quay {
    start: Timestamp,
    origin: Instant,
    template: Template,
    rng: Mutex<Rng>,
}

const PORTS: [(&str, Law); 3] = [
    ("quay0", Law { at_first: -4.0, noise: 0.1, fall: 0.0 }),
    ("quay1", Law { at_first: -4.0, noise: 0.1, fall: 0.05 }),
    ("quay2", Law { at_first: -7.0, noise: 0.4, fall: 0.0 }),
];

const CONFIG: &str = "[limits]\ncpu_share = 1.0\n[[port]]\nselect = { name = 'quay?' }\nspare = true\n[[round]]\nname \
    = 'night'\n\
    select = [{ spare = true }]\nschedule = '0 3 * * *'\n[[announce]]\nname = 'journal'\nlog = true\n";

impl Host for Quay {
    fn now(&self) -> Timestamp {
        self.start + SignedDuration::try_from(self.origin.elapsed()).unwrap()
    }

    fn ports(&self, _: Vec<String>) -> Boxed<Result<Vec<PortFacts>, String>> {
        let facts = |(name, _): (&str, Law)| PortFacts { name: name.into(), ..PortFacts::default() };
        Box::pin(async move { Ok(PORTS.map(facts).to_vec()) })
    }

    fn check(&self, order: Order, _: Say, _: Cancel) -> Boxed<RunEnd> {
        let (_, law) = PORTS.into_iter().find(|(name, _)| *name == order.port).unwrap();
        let day = (self.now().duration_since(self.start).as_hours() / 24) as u32;
        let light = law.light(day, &mut self.rng.lock().unwrap());
        let report = serde_json::from_str(&self.template.report(&order.run, &order.port, light)).unwrap();
        Box::pin(async move {
            tokio::time::sleep(Duration::from_secs(5)).await;
            RunEnd::Report(Box::new(report))
        })
    }

    fn open_case(
        &self,
        _: &str,
        _: crate::work::isolate::runner::Opening,
    ) -> Result<turnback_core::document::case::Case, String> {
        Err("nobody opens a case here".into())
    }

    fn cpu_used(&self) -> Duration {
        Duration::ZERO
    }

    fn processors(&self) -> u32 {
        8
    }
}

/// One life of the daemon, with its records on disk.
async fn live(quay: &Arc<Quay>, records: &Path, days: u64) {
    let config = Config::parse("light.toml", CONFIG).unwrap();
    let clock = Arc::clone(quay);
    let shared = Shared::new(config, Box::new(Store::open(records).unwrap()), move || clock.now());
    let mut supervisor = Supervisor::new(Arc::clone(quay), Arc::clone(&shared), Box::new(|| {})).await.unwrap();
    supervisor.round_max = Duration::from_secs(4 * 3600);
    tokio::spawn(async move {
        tokio::time::sleep(Duration::from_secs(days * 86_400)).await;
        shared.stopped.stop();
    });
    supervisor.go().await;
}

#[test]
fn the_daemon_suspects_a_port_whose_light_sinks_and_no_other() {
    let folder = tempfile::tempdir().unwrap();
    let records = folder.path().join("records.db");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
    runtime.block_on(async {
        let quay = Arc::new(Quay {
            start: "2026-01-01T00:00:00Z".parse().unwrap(),
            origin: Instant::now(),
            template: Template::new(),
            rng: Mutex::new(Rng::new(3)),
        });
        // Restarted in between: what the charts have learnt is in the records.
        for days in [17, 20, 33] {
            live(&quay, &records, days).await;
        }
    });
    let store = Store::open(&records).unwrap();
    let changes = |port: &str| store.changes(port, 100).unwrap();
    for steady in ["quay0", "quay2"] {
        let all = changes(steady);
        assert!(all.iter().all(|change| change.to == State::Proven), "{steady}: {all:#?}");
    }
    let all = changes("quay1");
    let suspected = all.iter().rev().find(|change| change.to == State::Suspect).expect("it was noticed");
    assert!(suspected.why.contains("light received fell from about -4."), "{}", suspected.why);
    // Thirty days of steady light, and noticed before it was 2 dB down: 40 days at 0.05 dB a day.
    let day = (suspected.at_ms - "2026-01-01T00:00:00Z".parse::<Timestamp>().unwrap().as_millisecond()) / 86_400_000;
    assert!((31..70).contains(&day), "on day {day}");
    // Every run passed, and is on record with its light.
    let filter = Filter { port: Some("quay1".into()), ..Filter::default() };
    let runs = store.runs(&filter, Some(1000)).unwrap();
    assert!(runs.len() >= 69 && runs.iter().all(|run| run.outcome == Outcome::Pass.name()), "{}", runs.len());
    let Document::Run(last) = store.get(DocumentKind::Run, &runs[0].run).unwrap() else { panic!("a case") };
    let light = last.ethernet().and_then(|detail| detail.transceiver.as_ref()?.received_dbm());
    assert!(light.is_some_and(|dbm| dbm < -5.0));
}
