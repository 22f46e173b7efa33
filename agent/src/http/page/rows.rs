//! What a page shows of runs, what waits, records and changes: words made of the agent's answers.

use jiff::tz::TimeZone;
use turnback_core::{
    base::{figure::Group, placement::Placement},
    document::run::{Report, figures},
    judge::in_list,
    kind::{Kind, ethernet::link::Medium},
    watch::standing::Change,
};

use super::words;
use crate::{
    daemon::{
        agent::{LiveRun, QueueEntry, RecordLine},
        status::ASKED,
    },
    show::{
        figure,
        plot::Table,
        tables::{self, TableId},
    },
};

/// A run that is on.
pub struct LiveLine {
    /// Its page.
    pub href: String,
    /// Its port.
    pub port: String,
    /// Profile, why it runs and for whom.
    pub what: String,
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
            href: words::run_href(&run.run),
            port: run.port.clone(),
            what: what(&run.profile, &run.cause, run.by.as_deref()),
            since: words::age(now_ms - run.started_ms),
            percent: run.share_done.map(|share| (share.clamp(0.0, 1.0) * 100.0).floor() as u32),
            said: run.last_event.as_ref().map_or("begins".into(), words::said),
        }
    }
}

/// A run that waits for its turn.
pub struct WaitingLine {
    /// Its id, if somebody asked for it: then it can be cancelled.
    pub run: Option<String>,
    /// Its place in the queue.
    pub position: u32,
    /// Its port.
    pub port: String,
    /// The port's page.
    pub href: String,
    /// Profile, why it is to run and for whom.
    pub what: String,
    /// Why it waits and for how long at about.
    pub waits: String,
}

impl WaitingLine {
    /// Of an entry of the queue, at a time in ms since 1970.
    pub fn new(entry: &QueueEntry, now_ms: i64) -> Self {
        let begins = match entry.begins_ms {
            Some(begins) if begins > now_ms => format!("; begins in about {}", words::age(begins - now_ms)),
            _ => String::new(),
        };
        Self {
            run: entry.run.clone(),
            position: entry.position,
            port: entry.port.clone(),
            href: words::port_href(&entry.port),
            what: what(&entry.profile, &entry.cause, entry.by.as_deref()),
            waits: format!("{}{begins}", entry.reason),
        }
    }
}

fn what(profile: &str, cause: &str, by: Option<&str>) -> String {
    // The name of a round says why; the id of a case says nothing.
    let cause = match cause {
        ASKED => "asked for".to_owned(),
        case if uuid::Uuid::parse_str(case).is_ok() => "for a case".into(),
        round => format!("round {round}"),
    };
    format!("profile {profile}, {cause}{}", by.map_or(String::new(), |by| format!(" by {by}")))
}

/// A record as a row.
pub struct RecordRow {
    /// Its page.
    pub href: String,
    /// When.
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
    /// Of records, in their order.
    pub fn all(lines: &[RecordLine], zone: &TimeZone) -> Vec<Self> {
        let began: Vec<i64> = lines.iter().map(|line| words::began_ms(&line.started_at)).collect();
        lines.iter().zip(words::moments(&began, zone)).map(|(line, when)| Self::new(line, when)).collect()
    }

    fn new(line: &RecordLine, when: String) -> Self {
        let places: Vec<_> = line.location.iter().map(|l| l.name()).collect();
        let outcome = in_list(words::outcome(line.outcome), &places.join(" or "), line.scope.as_deref());
        let ratio =
            figure::ratio_or_below(line.bit_error_ratio, line.bit_error_ratio_below.or(line.bit_error_ratio_upper));
        Self {
            href: words::run_href(&line.run),
            when,
            port: line.port.clone(),
            port_href: words::port_href(&line.port),
            cable: line.cable.clone().unwrap_or_else(|| "-".into()),
            placement: words::place_of_plug(&line.placement, line.segment.as_deref()),
            profile: line.profile.clone(),
            outcome,
            tone: line.outcome.name(),
            ratio,
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
        Self {
            href: words::run_href(&report.run),
            ago: words::age(now_ms - words::began_ms(&report.started_at)),
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
    /// When, for programs.
    pub at: String,
    /// State before.
    pub from: &'static str,
    /// State after.
    pub to: &'static str,
    /// Why.
    pub why: String,
}

impl ChangeLine {
    /// Of changes, in their order, at a time in ms since 1970.
    pub fn all(changes: Vec<Change>, now_ms: i64, zone: &TimeZone) -> Vec<Self> {
        let at: Vec<i64> = changes.iter().map(|change| change.at_ms).collect();
        let line = |(change, when): (Change, String)| Self {
            when,
            ago: words::age(now_ms - change.at_ms),
            at: words::stamp(change.at_ms),
            from: words::state(change.from),
            to: words::state(change.to),
            why: change.why,
        };
        changes.into_iter().zip(words::moments(&at, zone)).map(line).collect()
    }
}

/// Title, harm and action of the dangers of fitting a plug to a port, or to the cable on it.
pub fn cautions(kind: Kind, medium: Medium) -> Vec<[&'static str; 3]> {
    let all = kind.cautions(medium, Placement::FarEnd);
    all.into_iter().map(|c| [c.title(), c.harm(), c.action()]).collect()
}
