//! The harbour: spare ports of an invented harbour authority, simulated, with a few faults in the making. For trying
//! out everything without hardware and rights.
//!
//! Each port is a rig whose faults depend on how long the demo has run. Runs go at the pace of real time, or as fast as
//! they can be reckoned.

use std::{
    sync::Arc,
    thread,
    time::{Duration, Instant},
};

use jiff::Timestamp;
use turnback_core::{
    document::case::Case,
    event::Event,
    kind::{Kind, ethernet::link::Medium, rig::AnyRig},
};

use super::{
    Boxed, Host, Order, PortFacts, RunEnd, Say,
    this_machine::{self, on_thread},
};
use crate::{
    engine::cancel::Cancel,
    ports::{Port, simulated},
    work::{
        self,
        isolate::runner::{Opening, open_case},
    },
};

/// The configuration of the demo: short times, so that something is seen.
pub const CONFIG: &str = r#"
[limits]
runs_at_once = 3

[[port]]
select = { name = "quay2" }
cabinet = "quay cabinet 3"
cable = "Q-17"
spare = true

[[port]]
select = { name = "quay3" }
cabinet = "quay cabinet 3"
cable = "Q-12"
spare = true

[[port]]
select = { name = "quay?" }
cabinet = "quay cabinet 3"
spare = true

[[port]]
select = { name = "lock1" }
cabinet = "lock-gate controller"
cable = "L-04"
spare = true

[[port]]
select = { name = "lock?" }
cabinet = "lock-gate controller"
spare = true

[[port]]
select = { name = "office?" }
cabinet = "signal office"
spare = true

[[port]]
select = { name = "/dev/ttyS4" }
cabinet = "tide gauge"
cable = "T-02"
line = "9600,8N1"
wiring = "de9"
spare = true

[[port]]
select = { name = "/dev/ttyS5" }
cabinet = "tide gauge"
cable = "T-03"
spare = true

[[port]]
select = { name = "/dev/ttyS6" }
cabinet = "weigh-bridge"
spare = true

[[round]]
name = "watch"
select = [{ name = "lock?" }, { name = "office?" }, { name = "/dev/*" }, { name = "quay0" }, { name = "quay1" },
    { name = "quay3" }, { name = "quay4" }, { name = "quay5" }]
schedule = "0,30 * * * * *"
jitter = "25s"
repeat_after = "15s"
side_by_side = true

[[round]]
name = "far-ends"
select = [{ name = "quay2" }]
placement = "far-end"
schedule = "0,30 * * * * *"
jitter = "25s"
repeat_after = "15s"
side_by_side = true

[bench]
rig = "sim:bench"

[[announce]]
name = "journal"
log = true
"#;

/// A card takes some minutes; in the demo one minute of them passes in five seconds.
const BENCH_SPEED: f64 = 12.0;

/// How fast simulated time goes by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// As on a real port.
    Real,
    /// As fast as it can be reckoned.
    Fast,
}

/// The harbour, and since when it has been open.
pub struct Harbour {
    began: Instant,
    pace: Pace,
}

impl Harbour {
    /// Opens the harbour.
    pub fn new(pace: Pace) -> Arc<Self> {
        Arc::new(Self { began: Instant::now(), pace })
    }

    /// A harbour that has been open for a while already.
    pub fn aged(pace: Pace, age: Duration) -> Arc<Self> {
        let now = Instant::now();
        Arc::new(Self { began: now.checked_sub(age).unwrap_or(now), pace })
    }

    fn age(&self) -> Duration {
        self.began.elapsed()
    }
}

/// Ports and what each shows.
pub const PORTS: [(&str, &str); 15] = [
    ("/dev/ttyS4", "serial, nothing wrong"),
    ("/dev/ttyS5", "serial: its chip damages ever more characters: drifts, then fails"),
    ("/dev/ttyS6", "serial: from the third minute on clear to send reads on whatever drives it"),
    ("lock0", "nothing wrong"),
    ("lock1", "its electronics damage ever more bits: drifts, then fails"),
    ("lock2", "is taken into service after three minutes, and freed again after six"),
    ("office0", "nothing wrong"),
    ("office1", "fibre, nothing wrong"),
    ("office2", "no plug is fitted: no link, so port or plug are at fault"),
    ("quay0", "nothing wrong"),
    ("quay1", "nothing wrong"),
    ("quay2", "segments office-riser, crane-rail: the second is chafed, and damages bits from the second minute on"),
    ("quay3", "a worn plug that is replaced after five minutes: fails, and is proven again"),
    ("quay4", "a loose connector drops the link now and then"),
    ("quay5", "a slow machine: loses frames in the host, which is nobody else's fault"),
];

/// The rig of a port when the demo has run this long.
pub fn rig(port: &str, age: Duration) -> Option<AnyRig> {
    let (name, about) = PORTS.into_iter().find(|(name, _)| *name == port)?;
    let minutes = age.as_secs_f64() / 60.0;
    let base = match name {
        "/dev/ttyS4" | "/dev/ttyS5" | "/dev/ttyS6" => "serial-good",
        "office1" => "fibre-good",
        "office2" => "no-plug",
        "quay5" => "slow-host",
        "quay2" => "bursty-cable",
        _ => "good",
    };
    // Ten times as many each minute and a half, from well below the limit to well above.
    let ever_more = |at_first: f64| {
        let ratio = at_first * 10f64.powf(minutes / 1.5).min(1e4);
        format!("place = 'port-host'\nkind = {{ bit-errors = {{ ratio = {ratio:e} }} }}")
    };
    let fault = match name {
        // Limits of 1e-7 and 1e-5.
        "lock1" => ever_more(1e-9),
        "/dev/ttyS5" => ever_more(1e-7),
        "/dev/ttyS6" if minutes >= 2.0 => {
            "place = 'port-line'\nkind = { stuck-line = { line = 'cts', asserted = true } }".to_owned()
        }
        "quay2" if minutes >= 2.0 => "place = 'segment:crane-rail'\n\
            kind = { bursts = { good_ratio = 0.0, bad_ratio = 1e-4, mean_good_s = 0.4, mean_bad_s = 0.01 } }"
            .to_owned(),
        "quay3" if (1.0..5.0).contains(&minutes) => {
            "place = 'plug'\nkind = { bit-errors = { ratio = 1e-6 } }".to_owned()
        }
        "quay4" if (minutes as u64) % 3 == 2 => {
            "place = 'port-line'\nkind = { flap = { every_s = 1.5, down_s = 0.3 } }".to_owned()
        }
        _ => String::new(),
    };
    let mut rig = AnyRig::builtin(base)?;
    match &mut rig {
        AnyRig::Frames(rig) => {
            (rig.name, rig.about) = (name.to_owned(), about.to_owned());
            if name == "quay2" {
                rig.faults.clear();
            }
            if !fault.is_empty() {
                rig.faults.push(toml::from_str(&fault).ok()?);
            }
        }
        AnyRig::Serial(rig) => {
            (rig.name, rig.about) = (name.to_owned(), about.to_owned());
            if !fault.is_empty() {
                rig.faults.push(toml::from_str(&fault).ok()?);
            }
        }
    }
    Some(rig)
}

/// A port of the harbour when the demo has run this long.
pub fn open(port: &str, age: Duration, seed: u64) -> Option<Box<dyn Port>> {
    rig(port, age).map(|rig| simulated::of(&rig, port.to_owned(), seed))
}

impl Host for Harbour {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn ports(&self, _: Vec<String>) -> Boxed<Result<Vec<PortFacts>, String>> {
        let minutes = self.age().as_secs_f64() / 60.0;
        let list = PORTS
            .iter()
            .enumerate()
            .map(|(number, (name, _))| PortFacts {
                name: (*name).to_owned(),
                kind: rig(name, Duration::ZERO).map_or(Kind::default(), |rig| rig.kind()),
                medium: rig(name, Duration::ZERO).map_or(Medium::default(), |rig| rig.medium()),
                simulated: true,
                driver: Some("harbour".into()),
                // Serial ports have none.
                bus: (!name.starts_with('/')).then(|| format!("0000:{:02x}:00.{}", 1 + number / 4, number % 4)),
                in_service: match *name {
                    "lock2" if (3.0..6.0).contains(&minutes) => {
                        vec![
                            "lock2 has the address 192.0.2.17/24: the lock-gate controller's own line has moved here"
                                .into(),
                        ]
                    }
                    _ => Vec::new(),
                },
            })
            .collect();
        Box::pin(async move { Ok(list) })
    }

    fn check(&self, order: Order, mut say: Say, cancel: Cancel) -> Boxed<RunEnd> {
        let (age, pace) = (self.age(), self.pace);
        on_thread(
            "run",
            move || {
                let Some(mut port) = open(&order.port, age, order.seed) else {
                    return RunEnd::Failed(format!("there is no port `{}` in the harbour", order.port));
                };
                let began = Instant::now();
                let mut paced = |event: Event| {
                    if let (Pace::Real, Some(elapsed_s)) = (pace, event.elapsed_s()) {
                        let until = began + Duration::from_secs_f64(elapsed_s.max(0.0));
                        // In small pieces, so that a wish to end is heard.
                        while !cancel.is_cancelled() {
                            let left = until.saturating_duration_since(Instant::now());
                            if left.is_zero() {
                                break;
                            }
                            thread::sleep(left.min(Duration::from_millis(50)));
                        }
                    }
                    say(event);
                };
                let started_at = work::now();
                this_machine::end(this_machine::carry_out(&order, &mut *port, started_at, &mut paced, &cancel))
            },
            RunEnd::Failed,
        )
    }

    fn open_case(&self, port: &str, opening: Opening) -> Result<Case, String> {
        let mut port = open(port, self.age(), 1).ok_or_else(|| format!("there is no port `{port}` in the harbour"))?;
        open_case(&mut *port, opening).map_err(|error| error.to_string())
    }

    fn bench_speed(&self) -> Option<f64> {
        (self.pace == Pace::Real).then_some(BENCH_SPEED)
    }

    fn cpu_used(&self) -> Duration {
        this_machine::cpu_used()
    }

    fn processors(&self) -> u32 {
        this_machine::processors()
    }
}

#[cfg(test)]
mod tests {
    use turnback_core::{judge::Outcome, plan::Profile};

    use super::*;
    use crate::config::Config;

    fn outcome(port: &str, minutes: f64) -> Outcome {
        let mut simulated = open(port, Duration::from_secs_f64(minutes * 60.0), 3).unwrap();
        let order = Order {
            run: "r".into(),
            port: port.into(),
            labels: Default::default(),
            profile: Profile::named("quick").unwrap(),
            placement: None,
            cable: None,
            seed: 3,
            stage: None,
            record: Default::default(),
        };
        let done = this_machine::carry_out(&order, &mut *simulated, String::new(), &mut |_| {}, &Cancel::default());
        let RunEnd::Report(report) = this_machine::end(done) else { panic!("no report") };
        report.verdict.outcome
    }

    #[test]
    fn ports_do_what_the_list_says() {
        for healthy in ["lock0", "office0", "office1", "quay0", "/dev/ttyS4"] {
            assert_eq!(outcome(healthy, 9.0), Outcome::Pass, "{healthy}");
        }
        assert_eq!((outcome("lock1", 0.1), outcome("lock1", 6.0)), (Outcome::Pass, Outcome::Fault));
        assert_eq!((outcome("quay3", 0.5), outcome("quay3", 2.0), outcome("quay3", 6.0)), {
            (Outcome::Pass, Outcome::Fault, Outcome::Pass)
        });
        assert_eq!(outcome("quay2", 3.0), Outcome::Fault);
        for serial in ["/dev/ttyS5", "/dev/ttyS6"] {
            assert_eq!((outcome(serial, 0.1), outcome(serial, 6.0)), (Outcome::Pass, Outcome::Fault), "{serial}");
        }
        assert_ne!(outcome("office2", 1.0), Outcome::Pass);
        assert_ne!(outcome("quay5", 1.0), Outcome::Fault);
    }

    #[test]
    fn its_configuration_is_one_and_every_port_belongs_to_its_round() {
        let config = Config::parse("the demo's configuration", CONFIG).unwrap();
        for (name, _) in PORTS {
            let traits = turnback_core::watch::selector::Traits { name, ..Default::default() };
            assert!(config.ports.iter().any(|entry| entry.select.selects(&traits)), "{name}");
            let rounds = config.rounds.iter().filter(|round| round.select.iter().any(|s| s.selects(&traits)));
            assert_eq!(rounds.count(), 1, "{name}");
        }
    }
}
