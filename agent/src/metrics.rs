//! What the daemon counts, for a Prometheus server: one table with name, unit, help and value. `docs/metrics.md` is
//! written from it.
//!
//! Figures of runs come from the list of figures that every outlet has; `DAEMON` is what the daemon counts beside them.
//! Values come from the desk at each scrape, so that a metric and a page never disagree. Base units; true is 1.

mod bench;

use std::{collections::BTreeMap, fmt::Write as _};

use prometheus_client::{
    collector::Collector,
    encoding::{DescriptorEncoder, EncodeMetric, text::encode},
    metrics::{MetricType, counter::ConstCounter, gauge::ConstGauge},
    registry::{Registry, Unit},
};
use turnback_core::{
    base::figure::{Definition, Group},
    document::run::figures,
    watch::standing::State,
};

use crate::daemon::agent::{BenchView, Figures, FleetFigures, Health, PortView, QueueEntry, Watch};

/// All that metrics are made of, read at one time.
#[derive(Clone, Debug)]
pub struct Snapshot {
    /// Ports.
    pub ports: Vec<PortView>,
    /// Counts since the start.
    pub figures: Figures,
    /// How the daemon fares.
    pub health: Health,
    /// Runs that wait.
    pub queue: Vec<QueueEntry>,
    /// The bench, where this machine is one.
    pub bench: Option<BenchView>,
}

/// One value under its labels.
pub type Sample = (Vec<(&'static str, String)>, f64);

/// Whether a value only grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Grows, from 0 at the daemon's start; its name ends in `_total`.
    Counter,
    /// Goes up and down.
    Gauge,
}

/// One line of the table.
#[derive(Clone, Copy)]
pub struct Metric {
    /// Name without prefix, unit and `_total`.
    pub name: &'static str,
    /// Kind.
    pub kind: Kind,
    /// Unit, part of the full name.
    pub unit: Option<&'static str>,
    /// Names of its labels.
    pub labels: &'static [&'static str],
    /// What it is.
    pub help: &'static str,
    /// Where its values come from.
    pub values: Values,
}

/// Where the values of a metric come from.
#[derive(Clone, Copy)]
pub enum Values {
    /// From what the daemon knows.
    Daemon(fn(&Snapshot) -> Vec<Sample>),
    /// A figure of runs, added up over the runs of each port.
    Total(&'static str),
    /// A figure of the last run of each port.
    Last(&'static str),
}

impl Metric {
    /// The name as scraped.
    pub fn full_name(&self) -> String {
        let unit = self.unit.map(|u| format!("_{u}")).unwrap_or_default();
        let total = if self.kind == Kind::Counter { "_total" } else { "" };
        format!("{PREFIX}_{}{unit}{total}", self.name)
    }

    /// A figure of runs.
    fn of_runs(what: Definition, kind: Kind) -> Self {
        let values = match kind {
            Kind::Counter => Values::Total(what.id),
            Kind::Gauge => Values::Last(what.id),
        };
        Self { name: what.id, kind, unit: what.unit, labels: &["port"], help: what.about, values }
    }

    fn samples(&self, s: &Snapshot) -> Vec<Sample> {
        match self.values {
            Values::Daemon(values) => values(s),
            Values::Total(id) => of(s.figures.totals.get(id).into_iter().flatten(), s),
            Values::Last(id) => labelled("port", s.figures.last.get(id).into_iter().flatten()),
        }
    }
}

const PREFIX: &str = "turnback";

/// Every metric: what the daemon counts, then the figures of runs.
pub fn all() -> Vec<Metric> {
    let of_runs = |group, kind| {
        let defined = figures::defined().into_iter().filter(move |what| what.groups.contains(&group));
        defined.map(move |what| Metric::of_runs(what, kind))
    };
    let (totals, last) = (of_runs(Group::Total, Kind::Counter), of_runs(Group::Last, Kind::Gauge));
    DAEMON.iter().chain(bench::BENCH).copied().chain(totals).chain(last).collect()
}

/// What the daemon counts beside the figures of runs.
const DAEMON: &[Metric] = &[
    Metric {
        name: "port_state",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port", "cabinet", "cable", "state"],
        help: "What is held of a watched port: 1 for its state, 0 for the others",
        values: Values::Daemon(|s| {
            let of = |p: &PortView, state: State| {
                let labels = vec![
                    ("port", p.name.clone()),
                    ("cabinet", p.labels.cabinet.clone().unwrap_or_default()),
                    ("cable", p.labels.cable.clone().unwrap_or_default()),
                    ("state", state.name().to_owned()),
                ];
                (labels, f64::from(u8::from(p.standing.state == state)))
            };
            watched(s).flat_map(|p| State::ALL.map(|state| of(p, state))).collect()
        }),
    },
    Metric {
        name: "port_state_since_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &["port"],
        help: "When the port came into its state, Unix time",
        values: Values::Daemon(|s| {
            by_port(s, |p| (p.standing.since_ms > 0).then_some(p.standing.since_ms as f64 / 1e3))
        }),
    },
    Metric {
        name: "port_proven_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &["port"],
        help: "When a run of the port last passed, Unix time; absent before the first",
        values: Values::Daemon(|s| by_port(s, |p| p.standing.proven_ms.map(|ms| ms as f64 / 1e3))),
    },
    Metric {
        name: "port_proof_ends_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &["port"],
        help: "When the proof of the port ends, Unix time; absent where there is none",
        values: Values::Daemon(|s| by_port(s, |p| p.proof_ends_ms.map(|ms| ms as f64 / 1e3))),
    },
    Metric {
        name: "port_needs_attention",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "Somebody has to look at the port, and nobody has acknowledged that",
        values: Values::Daemon(|s| by_port(s, |p| Some(p.needs_attention.into()))),
    },
    Metric {
        name: "port_under_diagnosis",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "An open case has the port for itself: no scheduled run begins on it",
        values: Values::Daemon(|s| by_port(s, |p| Some(p.diagnosis.is_some().into()))),
    },
    Metric {
        name: "port_paused",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "A pause for maintenance covers the port",
        values: Values::Daemon(|s| by_port(s, |p| Some(p.paused.is_some().into()))),
    },
    Metric {
        name: "port_muted",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "Changes of the port are not announced for a while",
        values: Values::Daemon(|s| by_port(s, |p| Some(p.muted.is_some().into()))),
    },
    Metric {
        name: "port_present",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "The machine has the port now",
        values: Values::Daemon(|s| by_port(s, |p| Some(p.present.into()))),
    },
    Metric {
        name: "port_in_service",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "The port is in service, as last looked at",
        values: Values::Daemon(|s| by_port(s, |p| Some((!p.in_service.is_empty()).into()))),
    },
    Metric {
        name: "port_hung",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "A run of the port does not end: its driver hangs",
        values: Values::Daemon(|s| by_port(s, |p| Some(p.hung.into()))),
    },
    Metric {
        name: "port_drifts",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "Figures of the port that drift",
        values: Values::Daemon(|s| by_port(s, |p| Some(p.drifts.len() as f64))),
    },
    Metric {
        name: "runs_on",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "Runs that are on",
        values: Values::Daemon(|s| vec![(Vec::new(), s.ports.iter().filter(|p| p.running.is_some()).count() as f64)]),
    },
    Metric {
        name: "runs_waiting",
        kind: Kind::Gauge,
        unit: None,
        labels: &["asked"],
        help: "Runs that wait for their turn, those that somebody asked for and scheduled ones",
        values: Values::Daemon(|s| {
            let waiting = |asked: bool| {
                let count = s.queue.iter().filter(|entry| entry.by.is_some() == asked).count();
                (vec![("asked", asked.to_string())], count as f64)
            };
            vec![waiting(true), waiting(false)]
        }),
    },
    Metric {
        name: "runs",
        kind: Kind::Counter,
        unit: None,
        labels: &["port", "outcome"],
        help: "Runs by outcome",
        values: Values::Daemon(|s| {
            let all = s.figures.runs.iter();
            all.flat_map(|(port, outcomes)| {
                outcomes.iter().map(|(o, n)| (vec![("port", port.clone()), ("outcome", o.clone())], *n as f64))
            })
            .collect()
        }),
    },
    Metric {
        name: "run_errors",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Runs that could not be made",
        values: Values::Daemon(|s| runs_of(&s.figures.run_errors, s)),
    },
    Metric {
        name: "run_timeouts",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Runs cut off by their time limit",
        values: Values::Daemon(|s| runs_of(&s.figures.run_timeouts, s)),
    },
    Metric {
        name: "skips",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Times a port was left alone because it was in service",
        values: Values::Daemon(|s| runs_of(&s.figures.skips, s)),
    },
    Metric {
        name: "missed_times",
        kind: Kind::Counter,
        unit: None,
        labels: &["round"],
        help: "Times of a round that passed while the daemon was not there",
        values: Values::Daemon(|s| counted("round", &s.figures.missed)),
    },
    Metric {
        name: "announcements_delivered",
        kind: Kind::Counter,
        unit: None,
        labels: &["target"],
        help: "Announcements delivered",
        values: Values::Daemon(|s| counted("target", &s.figures.announced)),
    },
    Metric {
        name: "announcement_failures",
        kind: Kind::Counter,
        unit: None,
        labels: &["target"],
        help: "Attempts to deliver an announcement that failed; it is tried again",
        values: Values::Daemon(|s| counted("target", &s.figures.announce_failures)),
    },
    Metric {
        name: "announcements_waiting",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "Announcements that are not delivered yet",
        values: Values::Daemon(|s| vec![(Vec::new(), s.figures.outbox as f64)]),
    },
    Metric {
        name: "fleet_connected",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "The broker of the fleet is reached; absent where the machine belongs to none, like the next five",
        values: Values::Daemon(|s| of_fleet(s, |fleet| Some(f64::from(u8::from(fleet.connected))))),
    },
    Metric {
        name: "fleet_waiting",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "Documents and changes that wait to go to the fleet",
        values: Values::Daemon(|s| of_fleet(s, |fleet| Some(fleet.waiting as f64))),
    },
    Metric {
        name: "fleet_oldest_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &[],
        help: "When the oldest that waits was recorded, Unix time; absent where nothing waits",
        values: Values::Daemon(|s| of_fleet(s, |fleet| fleet.oldest_ms.map(|ms| ms as f64 / 1e3))),
    },
    Metric {
        name: "fleet_sent",
        kind: Kind::Counter,
        unit: None,
        labels: &[],
        help: "Documents and changes that the fleet's stream has taken",
        values: Values::Daemon(|s| of_fleet(s, |fleet| Some(fleet.sent as f64))),
    },
    Metric {
        name: "fleet_given_up",
        kind: Kind::Counter,
        unit: None,
        labels: &[],
        help: "Documents and changes that were given up for the fleet: the backlog was full",
        values: Values::Daemon(|s| of_fleet(s, |fleet| Some(fleet.given_up as f64))),
    },
    Metric {
        name: "fleet_set_aside",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "Documents and changes that the fleet's broker does not take, kept aside with the reason",
        values: Values::Daemon(|s| of_fleet(s, |fleet| Some(fleet.set_aside as f64))),
    },
    Metric {
        name: "configuration_reloads",
        kind: Kind::Counter,
        unit: None,
        labels: &["result"],
        help: "Times the configuration was read again, by result: taken or refused",
        values: Values::Daemon(|s| {
            let (taken, refused) = s.figures.reloads;
            let line = |result: &str, n: u64| (vec![("result", result.to_owned())], n as f64);
            vec![line("taken", taken), line("refused", refused)]
        }),
    },
    Metric {
        name: "healthy",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "Nothing is wrong with the daemon itself",
        values: Values::Daemon(|s| vec![(Vec::new(), s.health.ok.into())]),
    },
    Metric {
        name: "start_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &[],
        help: "When the daemon started, Unix time",
        values: Values::Daemon(|s| vec![(Vec::new(), s.health.started_ms as f64 / 1e3)]),
    },
    Metric {
        name: "cpu",
        kind: Kind::Counter,
        unit: Some("seconds"),
        labels: &[],
        help: "Processor time the daemon has used",
        values: Values::Daemon(|s| vec![(Vec::new(), s.figures.cpu_seconds)]),
    },
    Metric {
        name: "build_info",
        kind: Kind::Gauge,
        unit: None,
        labels: &["version"],
        help: "Version of the program; always 1",
        values: Values::Daemon(|s| vec![(vec![("version", s.health.version.clone())], 1.0)]),
    },
];

fn by_port(s: &Snapshot, value: impl Fn(&PortView) -> Option<f64>) -> Vec<Sample> {
    watched(s).filter_map(|p| Some((vec![("port", p.name.clone())], value(p)?))).collect()
}

/// A value of a machine that belongs to a fleet.
fn of_fleet(s: &Snapshot, value: fn(&FleetFigures) -> Option<f64>) -> Vec<Sample> {
    s.figures.fleet.as_ref().and_then(value).map(|value| (Vec::new(), value)).into_iter().collect()
}

/// Ports that no round chooses are in no metric of states.
fn watched(s: &Snapshot) -> impl Iterator<Item = &PortView> {
    s.ports.iter().filter(|port| port.watch == Watch::Watched)
}

fn labelled<'a>(name: &'static str, counts: impl IntoIterator<Item = (&'a String, &'a f64)>) -> Vec<Sample> {
    counts.into_iter().map(|(of, n)| (vec![(name, of.clone())], *n)).collect()
}

fn counted(name: &'static str, counts: &BTreeMap<String, u64>) -> Vec<Sample> {
    counts.iter().map(|(of, n)| (vec![(name, of.clone())], *n as f64)).collect()
}

fn runs_of(counts: &BTreeMap<String, u64>, s: &Snapshot) -> Vec<Sample> {
    let counts: BTreeMap<String, f64> = counts.iter().map(|(port, n)| (port.clone(), *n as f64)).collect();
    of(&counts, s)
}

/// Counts by port, 0 for a watched port that has none yet: a counter should be there before it first grows.
fn of<'a>(counts: impl IntoIterator<Item = (&'a String, &'a f64)>, s: &Snapshot) -> Vec<Sample> {
    let mut all: BTreeMap<String, f64> = watched(s).map(|p| (p.name.clone(), 0.0)).collect();
    all.extend(counts.into_iter().map(|(port, n)| (port.clone(), *n)));
    labelled("port", &all)
}

/// A metric with its values.
#[derive(Debug)]
pub struct Family {
    /// Name without prefix, unit and `_total`.
    pub name: &'static str,
    /// Kind.
    pub kind: Kind,
    /// Unit, part of the full name.
    pub unit: Option<&'static str>,
    /// What it is.
    pub help: &'static str,
    /// Its values.
    pub samples: Vec<Sample>,
}

#[derive(Debug)]
struct Scrape(Vec<Family>);

impl Collector for Scrape {
    fn encode(&self, mut encoder: DescriptorEncoder<'_>) -> std::fmt::Result {
        for metric in &self.0 {
            let unit = metric.unit.map(|u| Unit::Other(u.to_owned()));
            let name = format!("{PREFIX}_{}", metric.name);
            let of_kind = match metric.kind {
                Kind::Counter => MetricType::Counter,
                Kind::Gauge => MetricType::Gauge,
            };
            let mut family = encoder.encode_descriptor(&name, metric.help, unit.as_ref(), of_kind)?;
            for (labels, value) in &metric.samples {
                let value = *value;
                match metric.kind {
                    Kind::Counter => ConstCounter::new(value).encode(family.encode_family(labels)?)?,
                    Kind::Gauge => ConstGauge::new(value).encode(family.encode_family(labels)?)?,
                }
            }
        }
        Ok(())
    }
}

/// Media type of [`exposition`].
pub const MEDIA_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// The OpenMetrics text of a snapshot.
pub fn exposition(snapshot: Snapshot) -> String {
    let family = |metric: Metric| {
        let samples = metric.samples(&snapshot);
        Family { name: metric.name, kind: metric.kind, unit: metric.unit, help: metric.help, samples }
    };
    text(all().into_iter().map(family).collect())
}

/// The OpenMetrics text of metrics with their values.
pub fn text(families: Vec<Family>) -> String {
    let mut registry = Registry::default();
    registry.register_collector(Box::new(Scrape(families)));
    let mut text = String::new();
    // Writing into a string does not fail.
    let _ = encode(&mut text, &registry);
    text
}

/// `docs/metrics.md`, whole.
pub fn document() -> String {
    let mut text = String::from(
        "# Metrics\n\nWhat `GET /metrics` of the daemon gives, in the OpenMetrics text format. This page is written \
         from the table in\n\
         `agent/src/metrics.rs` by `scripts/regen-docs`; a test holds it to that.\n\n\
         | metric | kind | labels | is |\n|---|---|---|---|\n",
    );
    for metric in all() {
        let kind = match metric.kind {
            Kind::Counter => "counter",
            Kind::Gauge => "gauge",
        };
        let labels: Vec<_> = metric.labels.iter().map(|l| format!("`{l}`")).collect();
        let _ = writeln!(text, "| `{}` | {kind} | {} | {} |", metric.full_name(), labels.join(", "), metric.help);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_metric_is_there_from_the_first_moment_and_named_as_documented() {
        let text = exposition(Snapshot {
            ports: Vec::new(),
            figures: Figures::default(),
            health: Health::default(),
            queue: Vec::new(),
            bench: None,
        });
        for metric in all() {
            let family = metric.full_name();
            let family = family.strip_suffix("_total").unwrap_or(&family);
            assert!(text.contains(&format!("# TYPE {family} ")), "{family}\n{text}");
        }
        assert!(text.ends_with("# EOF\n"));
    }

    #[test]
    fn labels_are_those_of_the_table() {
        let mut figures = Figures::default();
        let hostile = "quay\"0\n\\".to_owned();
        figures.runs.insert(hostile.clone(), BTreeMap::from([("pass".to_owned(), 3)]));
        figures.missed.insert("nightly".into(), 1);
        figures.announced.insert("harbour-office".into(), 2);
        figures.announce_failures.insert("harbour-office".into(), 2);
        figures.totals.insert("compared_bits", BTreeMap::from([(hostile.clone(), 7.0)]));
        figures.last.insert("round_trip_median", BTreeMap::from([(hostile, 1e-5)]));
        let (ports, queue, health) = (Vec::new(), Vec::new(), Health::default());
        let snapshot = Snapshot { ports, figures, health, queue, bench: Some(bench::a_bench("quay-01")) };
        for metric in all() {
            for (labels, _) in metric.samples(&snapshot) {
                let names: Vec<_> = labels.iter().map(|(name, _)| *name).collect();
                assert_eq!(names, metric.labels, "{}", metric.name);
            }
        }
        let text = exposition(snapshot);
        // OpenMetrics 1.0: backslash, line feed and double quote are escaped in a label's value.
        assert!(text.contains(r#"turnback_runs_total{port="quay\"0\n\\",outcome="pass"} 3.0"#), "{text}");
        assert!(text.contains(r#"turnback_compared_bits_total{port="quay\"0\n\\"} 7.0"#), "{text}");
        assert!(text.contains(r#"turnback_round_trip_median_seconds{port="quay\"0\n\\"} "#), "{text}");
    }
}
