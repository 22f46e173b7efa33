//! What a page shows of ports, runs and cases: words made of the desk's answers.

use std::collections::BTreeMap;

use turnback_core::{
    base::{caution::Caution, figure::Group},
    document::run::{Report, figures},
    judge::Outcome,
    kind::Kind,
    watch::standing::{Change, Standing, State},
};

use super::words;
use crate::{
    daemon::{
        agent::{LiveRun, PortView, RecordLine},
        status::ASKED,
    },
    show::{
        figure,
        plot::Table,
        tables::{self, TableId},
    },
};

/// A port as a line in the book.
pub struct PortLine {
    /// Name.
    pub name: String,
    /// Its page.
    pub href: String,
    /// What is held of it.
    pub held: State,
    /// The word for that.
    pub state: &'static str,
    /// Shape of its pennant.
    pub pennant: &'static str,
    /// Age of the proof, in words.
    pub proof: String,
    /// When it was proven, for programs; empty if never.
    pub proven_at: String,
    /// Labels on the port and its cable, and what is going on.
    pub now: String,
    /// Share done of the run that is on, percent.
    pub percent: Option<u32>,
    /// Why the state is as it is, without the name of the rule; empty where there is nothing to explain.
    pub why: String,
}

impl PortLine {
    /// Of a port, at a time in ms since 1970.
    pub fn new(port: &PortView, now_ms: i64) -> Self {
        let (label, cable) = (port.labels.label.iter().cloned(), port.labels.cable.iter());
        let percent = port.running.as_ref().and_then(|run| run.share_done).map(percent);
        let now = match &port.running {
            _ if !port.present => "the machine does not have it now".to_owned(),
            _ if port.hung => "a run of it does not end: its driver hangs".to_owned(),
            Some(run) => format!("on test for {}", words::age(now_ms - run.started_ms)),
            None if port.waiting > 0 => "waits for its turn".to_owned(),
            None if !port.in_service.is_empty() => "in service: left alone".to_owned(),
            None => match port.next_due_ms {
                Some(due) if due >= now_ms + 1000 => format!("due in {}", words::age(due - now_ms)),
                Some(_) => "due now".to_owned(),
                None => String::new(),
            },
        };
        let told = label.chain(cable.map(|c| format!("cable {c}"))).chain((!now.is_empty()).then_some(now));
        let proven_ms = port.standing.proven_ms;
        Self {
            href: port_href(&port.name),
            name: port.name.clone(),
            held: port.standing.state,
            state: port.standing.state.name(),
            pennant: words::pennant(port.standing.state),
            proof: proof(&port.standing, now_ms),
            proven_at: proven_ms.map_or(String::new(), words::stamp),
            now: told.collect::<Vec<_>>().join("; "),
            percent,
            why: words::plainly(&port.standing.why).to_owned(),
        }
    }
}

impl PortLine {
    /// The last run that decided anything passed, and not too long ago.
    pub fn is_proven(&self) -> bool {
        self.held == State::Proven
    }
}

/// How old the proof of a port is, and how long it has been anything but proven.
fn proof(standing: &Standing, now_ms: i64) -> String {
    let ago = |ms: i64| words::age(now_ms - ms);
    let last = standing.proven_ms.map_or("never proven".to_owned(), |ms| format!("last proven {} ago", ago(ms)));
    match (standing.state, standing.proven_ms, standing.since_ms) {
        (State::Proven, Some(ms), _) => format!("proven {} ago", ago(ms)),
        (_, None, 0) => "not tested yet".to_owned(),
        (_, _, 0) => last,
        (state, _, since_ms) => format!("{} for {}; {last}", state.name(), ago(since_ms)),
    }
}

/// The ports of one cabinet.
pub struct Cabinet {
    /// Its name.
    pub name: String,
    /// How many of its ports are in each state, in words.
    pub summary: String,
    /// Its ports, by name.
    pub ports: Vec<PortLine>,
}

/// Ports by cabinet; those without one last.
pub fn cabinets(ports: &[PortView], now_ms: i64) -> Vec<Cabinet> {
    let mut by_name: BTreeMap<(bool, String), Vec<PortLine>> = BTreeMap::new();
    for port in ports {
        let name = port.labels.cabinet.clone();
        let key = (name.is_none(), name.unwrap_or_else(|| "no cabinet given".into()));
        by_name.entry(key).or_default().push(PortLine::new(port, now_ms));
    }
    by_name.into_iter().map(|((_, name), ports)| Cabinet { name, summary: summary(&ports), ports }).collect()
}

/// `1 failed, 3 proven`, the worst first.
pub fn summary(ports: &[PortLine]) -> String {
    let count = |state| ports.iter().filter(|p| p.held == state).count();
    let all = State::ALL.map(|state| (count(state), state.name()));
    let some: Vec<_> = all.into_iter().filter(|(n, _)| *n > 0).map(|(n, word)| format!("{n} {word}")).collect();
    some.join(", ")
}

/// A run that is on.
pub struct LiveLine {
    /// Its page.
    pub href: String,
    /// Its port.
    pub port: String,
    /// Profile.
    pub profile: String,
    /// Why it runs.
    pub cause: String,
    /// How long it has been on.
    pub since: String,
    /// Share done, percent, where known.
    pub percent: Option<u32>,
    /// What it said last.
    pub said: String,
}

impl LiveLine {
    /// Of a run, at a time in ms since 1970.
    pub fn new(run: &LiveRun, now_ms: i64) -> Self {
        Self {
            href: run_href(&run.run),
            port: run.port.clone(),
            profile: run.profile.clone(),
            // The name of a round says why; the id of a case says nothing.
            cause: match run.cause.as_str() {
                ASKED => "asked for by hand".into(),
                case if uuid::Uuid::parse_str(case).is_ok() => "for a case".into(),
                round => format!("round {round}"),
            },
            since: words::age(now_ms - run.started_ms),
            percent: run.share_done.map(percent),
            said: run.last_event.as_ref().map_or("begins".into(), words::said),
        }
    }
}

fn percent(share: f64) -> u32 {
    (share.clamp(0.0, 1.0) * 100.0).floor() as u32
}

/// A record as a row.
pub struct RecordRow {
    /// Its page.
    pub href: String,
    /// When, to the minute.
    pub when: String,
    /// Port.
    pub port: String,
    /// Its page.
    pub port_href: String,
    /// Cable.
    pub cable: String,
    /// Where the plug was.
    pub placement: String,
    /// Profile.
    pub profile: String,
    /// Outcome, with its location if it is a fault.
    pub outcome: String,
    /// Word for the outcome's look.
    pub tone: &'static str,
    /// Bit error ratio.
    pub ratio: String,
    /// Median round trip.
    pub trip: String,
}

impl RecordRow {
    /// Of a record.
    pub fn new(line: &RecordLine) -> Self {
        let places: Vec<_> = line.location.iter().map(|l| l.name()).collect();
        let outcome = match line.outcome {
            Outcome::Fault if !places.is_empty() => format!("fault: {}", places.join(" or ")),
            other => words::outcome(other).to_owned(),
        };
        Self {
            href: run_href(&line.run),
            when: words::minute(&line.started_at),
            port: line.port.clone(),
            port_href: port_href(&line.port),
            cable: line.cable.clone().unwrap_or_else(|| "-".into()),
            placement: line.placement.clone(),
            profile: line.profile.clone(),
            outcome,
            tone: line.outcome.name(),
            ratio: line.bit_error_ratio.map_or("-".into(), figure::ratio),
            trip: line.latency_ns_p50.map_or("-".into(), figure::time_ns),
        }
    }
}

/// What the last run found of the port itself: its line and pins, or its link and light.
pub struct Measured {
    /// The run's page.
    pub href: String,
    /// How long ago it began, in words.
    pub ago: String,
    /// Name and value.
    pub facts: Vec<(&'static str, String)>,
    /// Modem lines of a serial port, with their pins.
    pub lines: Option<Table>,
}

impl Measured {
    /// Of a report, at a time in ms since 1970.
    pub fn new(report: &Report, now_ms: i64) -> Self {
        let mut facts = figures::lines(report, Group::Setup);
        // What is counted in frames or bytes is on the report's own page.
        facts.extend(figures::lines(report, Group::Port));
        let modem = tables::of(report).into_iter().find(|table| table.id == TableId::ModemLines);
        let began = report.started_at.parse::<jiff::Timestamp>().map_or(now_ms, jiff::Timestamp::as_millisecond);
        Self {
            href: run_href(&report.run),
            ago: words::age(now_ms - began),
            facts,
            lines: modem.map(|table| Table::new(table.headings, table.rows)),
        }
    }
}

/// A change of state as a line.
pub struct ChangeLine {
    /// When.
    pub when: String,
    /// How long ago, in words.
    pub ago: String,
    /// The same for programs.
    pub at: String,
    /// Before.
    pub from: &'static str,
    /// Then.
    pub to: &'static str,
    /// Why.
    pub why: String,
}

impl ChangeLine {
    /// Of a change, at a time in ms since 1970.
    pub fn new(change: Change, now_ms: i64) -> Self {
        Self {
            when: words::moment(change.at_ms),
            ago: words::age(now_ms - change.at_ms),
            at: words::stamp(change.at_ms),
            from: change.from.name(),
            to: change.to.name(),
            why: change.why,
        }
    }
}

/// Title, harm and action of the dangers of fitting a plug to a port of this kind.
pub fn cautions(kind: Kind) -> Vec<[&'static str; 3]> {
    let all: &[Caution] = match kind {
        Kind::Serial => &[Caution::SerialLevels, Caution::GroundPotential],
        Kind::Ethernet => &[Caution::LaserLight, Caution::PowerOverEthernet, Caution::RingingVoltage],
    };
    all.iter().map(|c| [c.title(), c.harm(), c.action()]).collect()
}

/// A port's page.
pub fn port_href(name: &str) -> String {
    format!("/ports/{}", words::encoded(name))
}

/// A run's page.
pub fn run_href(run: &str) -> String {
    format!("/runs/{}", words::encoded(run))
}

/// A case's page.
pub fn case_href(case: &str) -> String {
    format!("/cases/{}", words::encoded(case))
}
