//! What the daemon counts, for a Prometheus server: one table with name, unit, help and value. `docs/metrics.md` is written
//! from it.
//!
//! Values come from the running agent at each scrape, so that a metric and a page never disagree. Base units; true is 1.

use std::{collections::BTreeMap, fmt::Write as _};

use prometheus_client::{
    collector::Collector,
    encoding::{DescriptorEncoder, EncodeMetric, text::encode},
    metrics::{MetricType, counter::ConstCounter, gauge::ConstGauge},
    registry::{Registry, Unit},
};
use turnback_core::watch::standing::State;

use crate::daemon::agent::{Figures, Health, PortView};

/// All that metrics are made of, read at one time.
#[derive(Clone, Debug)]
pub struct Snapshot {
    /// Ports.
    pub ports: Vec<PortView>,
    /// Counts since the start.
    pub figures: Figures,
    /// How the daemon fares.
    pub health: Health,
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
    /// Its values.
    pub values: fn(&Snapshot) -> Vec<Sample>,
}

impl Metric {
    /// The name as scraped.
    pub fn full_name(&self) -> String {
        let unit = self.unit.map(|u| format!("_{u}")).unwrap_or_default();
        let total = if self.kind == Kind::Counter { "_total" } else { "" };
        format!("{PREFIX}_{}{unit}{total}", self.name)
    }
}

const PREFIX: &str = "turnback";

/// Every metric.
pub const METRICS: &[Metric] = &[
    Metric {
        name: "port_state",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port", "cabinet", "cable", "state"],
        help: "What is held of a port: 1 for its state, 0 for the others",
        values: |s| {
            let of = |p: &PortView, state: State| {
                let labels = vec![
                    ("port", p.name.clone()),
                    ("cabinet", p.labels.cabinet.clone().unwrap_or_default()),
                    ("cable", p.labels.cable.clone().unwrap_or_default()),
                    ("state", state.name().to_owned()),
                ];
                (labels, f64::from(u8::from(p.standing.state == state)))
            };
            s.ports.iter().flat_map(|p| State::ALL.map(|state| of(p, state))).collect()
        },
    },
    Metric {
        name: "port_state_since_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &["port"],
        help: "When the port came into its state, Unix time",
        values: |s| by_port(s, |p| (p.standing.since_ms > 0).then_some(p.standing.since_ms as f64 / 1e3)),
    },
    Metric {
        name: "port_proven_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &["port"],
        help: "When a run of the port last passed, Unix time; absent before the first",
        values: |s| by_port(s, |p| p.standing.proven_ms.map(|ms| ms as f64 / 1e3)),
    },
    Metric {
        name: "port_present",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "The machine has the port now",
        values: |s| by_port(s, |p| Some(p.present.into())),
    },
    Metric {
        name: "port_in_service",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "The port is in service, as last looked at",
        values: |s| by_port(s, |p| Some((!p.in_service.is_empty()).into())),
    },
    Metric {
        name: "port_hung",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "A run of the port does not end: its driver hangs",
        values: |s| by_port(s, |p| Some(p.hung.into())),
    },
    Metric {
        name: "port_drifts",
        kind: Kind::Gauge,
        unit: None,
        labels: &["port"],
        help: "Figures of the port that drift",
        values: |s| by_port(s, |p| Some(p.drifts.len() as f64)),
    },
    Metric {
        name: "runs_on",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "Runs that are on",
        values: |s| vec![(Vec::new(), s.ports.iter().filter(|p| p.running.is_some()).count() as f64)],
    },
    Metric {
        name: "runs",
        kind: Kind::Counter,
        unit: None,
        labels: &["port", "outcome"],
        help: "Runs by outcome",
        values: |s| {
            let all = s.figures.runs.iter();
            all.flat_map(|(port, outcomes)| {
                outcomes.iter().map(|(o, n)| (vec![("port", port.clone()), ("outcome", o.clone())], *n as f64))
            })
            .collect()
        },
    },
    Metric {
        name: "run_errors",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Runs that could not be made",
        values: |s| of(&s.figures.run_errors, s),
    },
    Metric {
        name: "run_timeouts",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Runs cut off by their time limit",
        values: |s| of(&s.figures.run_timeouts, s),
    },
    Metric {
        name: "skips",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Times a port was left alone because it was in service",
        values: |s| of(&s.figures.skips, s),
    },
    Metric {
        name: "missed_times",
        kind: Kind::Counter,
        unit: None,
        labels: &["round"],
        help: "Times of a round that passed while the daemon was not there",
        values: |s| labelled("round", &s.figures.missed),
    },
    Metric {
        name: "compared_bits",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Bits that came back and were compared",
        values: |s| of(&s.figures.bits_compared, s),
    },
    Metric {
        name: "bit_errors",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Of the bits compared, wrong",
        values: |s| of(&s.figures.bit_errors, s),
    },
    Metric {
        name: "frames_sent",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Frames sent",
        values: |s| of(&s.figures.frames_sent, s),
    },
    Metric {
        name: "frames_lost",
        kind: Kind::Counter,
        unit: None,
        labels: &["port"],
        help: "Frames lost on the wire; those lost in this computer are not among them",
        values: |s| of(&s.figures.frames_lost, s),
    },
    Metric {
        name: "round_trip_median",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &["port"],
        help: "Half of the round trips of the last run took at most this",
        values: |s| {
            let seconds = |(port, ns): (&String, &u64)| (vec![("port", port.clone())], *ns as f64 / 1e9);
            s.figures.latency_ns_p50.iter().map(seconds).collect()
        },
    },
    Metric {
        name: "announcements_delivered",
        kind: Kind::Counter,
        unit: None,
        labels: &["target"],
        help: "Announcements delivered",
        values: |s| labelled("target", &s.figures.announced),
    },
    Metric {
        name: "announcement_failures",
        kind: Kind::Counter,
        unit: None,
        labels: &["target"],
        help: "Attempts to deliver an announcement that failed; it is tried again",
        values: |s| labelled("target", &s.figures.announce_failures),
    },
    Metric {
        name: "announcements_waiting",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "Announcements that are not delivered yet",
        values: |s| vec![(Vec::new(), s.figures.outbox as f64)],
    },
    Metric {
        name: "configuration_reloads",
        kind: Kind::Counter,
        unit: None,
        labels: &["result"],
        help: "Times the configuration was read again, by result: taken or refused",
        values: |s| {
            let (taken, refused) = s.figures.reloads;
            let line = |result: &str, n: u64| (vec![("result", result.to_owned())], n as f64);
            vec![line("taken", taken), line("refused", refused)]
        },
    },
    Metric {
        name: "healthy",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "Nothing is wrong with the daemon itself",
        values: |s| vec![(Vec::new(), s.health.ok.into())],
    },
    Metric {
        name: "start_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &[],
        help: "When the daemon started, Unix time",
        values: |s| vec![(Vec::new(), s.health.started_ms as f64 / 1e3)],
    },
    Metric {
        name: "cpu",
        kind: Kind::Counter,
        unit: Some("seconds"),
        labels: &[],
        help: "Processor time the daemon has used",
        values: |s| vec![(Vec::new(), s.figures.cpu_seconds)],
    },
    Metric {
        name: "build_info",
        kind: Kind::Gauge,
        unit: None,
        labels: &["version"],
        help: "Version of the program; always 1",
        values: |s| vec![(vec![("version", s.health.version.clone())], 1.0)],
    },
];

fn by_port(s: &Snapshot, value: impl Fn(&PortView) -> Option<f64>) -> Vec<Sample> {
    s.ports.iter().filter_map(|p| Some((vec![("port", p.name.clone())], value(p)?))).collect()
}

fn labelled(name: &'static str, counts: &BTreeMap<String, u64>) -> Vec<Sample> {
    counts.iter().map(|(of, n)| (vec![(name, of.clone())], *n as f64)).collect()
}

/// Counts by port, 0 for a port that has none yet: a counter should be there before it first grows.
fn of(counts: &BTreeMap<String, u64>, s: &Snapshot) -> Vec<Sample> {
    let mut all: BTreeMap<String, u64> = s.ports.iter().map(|p| (p.name.clone(), 0)).collect();
    all.extend(counts.iter().map(|(port, n)| (port.clone(), *n)));
    labelled("port", &all)
}

#[derive(Debug)]
struct Scrape(Snapshot);

impl Collector for Scrape {
    fn encode(&self, mut encoder: DescriptorEncoder<'_>) -> std::fmt::Result {
        for metric in METRICS {
            let unit = metric.unit.map(|u| Unit::Other(u.to_owned()));
            let name = format!("{PREFIX}_{}", metric.name);
            let of_kind = match metric.kind {
                Kind::Counter => MetricType::Counter,
                Kind::Gauge => MetricType::Gauge,
            };
            let mut family = encoder.encode_descriptor(&name, metric.help, unit.as_ref(), of_kind)?;
            for (labels, value) in (metric.values)(&self.0) {
                match metric.kind {
                    Kind::Counter => ConstCounter::new(value).encode(family.encode_family(&labels)?)?,
                    Kind::Gauge => ConstGauge::new(value).encode(family.encode_family(&labels)?)?,
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
    let mut registry = Registry::default();
    registry.register_collector(Box::new(Scrape(snapshot)));
    let mut text = String::new();
    // Writing into a string does not fail.
    let _ = encode(&mut text, &registry);
    text
}

/// `docs/metrics.md`, whole.
pub fn document() -> String {
    let mut text = String::from(
        "# Metrics\n\nWhat `GET /metrics` of the daemon gives, in the OpenMetrics text format. This page is written from the table in\n\
         `agent/src/metrics.rs` by `scripts/regen-docs`; a test holds it to that.\n\n\
         | metric | kind | labels | is |\n|---|---|---|---|\n",
    );
    for metric in METRICS {
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
        let text = exposition(Snapshot { ports: Vec::new(), figures: Figures::default(), health: Health::default() });
        for metric in METRICS {
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
        figures.bits_compared.insert(hostile, 7);
        let snapshot = Snapshot { ports: Vec::new(), figures, health: Health::default() };
        for metric in METRICS {
            for (labels, _) in (metric.values)(&snapshot) {
                let names: Vec<_> = labels.iter().map(|(name, _)| *name).collect();
                assert_eq!(names, metric.labels, "{}", metric.name);
            }
        }
        let text = exposition(snapshot);
        // OpenMetrics 1.0: backslash, line feed and double quote are escaped in a label's value.
        assert!(text.contains(r#"turnback_runs_total{port="quay\"0\n\\",outcome="pass"} 3.0"#), "{text}");
    }
}
