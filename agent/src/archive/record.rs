//! What lists show of a run and of a case, and what runs are found by. The documents hold the rest.

use std::str::FromStr;

use rusqlite::{Row, ToSql};
use serde::{Deserialize, Serialize};
use turnback_core::{
    base::placement::Placement,
    document::{
        case::{Case, CaseState},
        run::{FORMAT, Report},
    },
    judge::{Location, Outcome, in_list, ratio::Basis},
    kind::{Kind, port::kind_and_simulated},
};

use super::error::ArchiveError;

/// Makes the struct, and its way into a row and back, from one list of columns.
macro_rules! record {
    ($($(#[$doc:meta])* $name:ident: $type:ty,)*) => {
        /// One recorded run; also a row of CSV, whose columns have these names.
        #[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
        #[serde(default)]
        pub struct Record {
            $($(#[$doc])* pub $name: $type,)*
        }

        impl Record {
            /// The columns in order.
            pub const COLUMNS: &[&str] = &[$(stringify!($name)),*];

            pub(super) fn from_row(row: &Row<'_>) -> rusqlite::Result<Self> {
                let mut columns = 0..;
                let mut next = move || columns.next().unwrap_or_default();
                Ok(Self { $($name: row.get(next())?,)* })
            }

            pub(super) fn values(&self) -> Vec<&dyn ToSql> {
                vec![$(&self.$name as &dyn ToSql),*]
            }
        }
    };
}

record! {
    /// Id of the run.
    run: String,
    /// When it began, RFC 3339.
    started_at: String,
    /// The same in milliseconds since 1970 UTC.
    started_ms: i64,
    /// Machine that ran it.
    machine: String,
    /// Port, as named on the command line.
    port: String,
    /// What the port carries: `ethernet` or `serial`.
    kind: String,
    /// Hardware address at the time.
    address: Option<String>,
    /// Address or number burnt into the adapter.
    permanent_address: Option<String>,
    /// Place on the bus.
    bus: Option<String>,
    /// Driver.
    driver: Option<String>,
    /// Firmware version.
    firmware: Option<String>,
    /// Second port of a return-port run.
    return_port: Option<String>,
    /// Where the plug was.
    placement: String,
    /// Label of the cable.
    cable: Option<String>,
    /// Label of the segment at whose end the plug was.
    segment: Option<String>,
    /// Label at the port.
    port_label: Option<String>,
    /// Label at the far end.
    far_end: Option<String>,
    /// Plug used.
    plug: Option<String>,
    /// Operator's note.
    note: Option<String>,
    /// Profile.
    profile: String,
    /// `pass`, `fault`, `undecided`, `not-tested`.
    outcome: String,
    /// Places among which a fault lies, joined by commas.
    location: String,
    /// The rule that decided.
    rule: Option<String>,
    /// `bits` or `frames`.
    error_basis: Option<String>,
    /// Units tried.
    error_trials: Option<u64>,
    /// Units failed.
    errors: Option<u64>,
    /// Bit error ratio.
    error_ratio: Option<f64>,
    /// Lower end of its interval.
    error_ratio_lower: Option<f64>,
    /// Upper end of its interval.
    error_ratio_upper: Option<f64>,
    /// Limit it was held against.
    error_ratio_limit: Option<f64>,
    /// Probes sent.
    frames_sent: Option<u64>,
    /// Probes lost on the wire.
    frames_lost_on_wire: Option<u64>,
    /// Share of frames lost on the way.
    loss_ratio: Option<f64>,
    /// Clock of the round trips.
    latency_clock: Option<String>,
    /// Median round trip of probes that travelled alone, nanoseconds.
    latency_ns_p50: Option<u64>,
    /// 99th percentile, nanoseconds.
    latency_ns_p99: Option<u64>,
    /// Link speed, Mb/s.
    link_mbps: Option<u32>,
    /// Times the link dropped and came back.
    link_flaps: Option<u64>,
    /// Program and version.
    program: String,
    /// The port was a simulated one.
    simulated: bool,
    /// The bit error ratio is proved to be below this.
    error_ratio_below: Option<f64>,
    /// What a pass is limited to, or how far a run got that was ended early: `at 100 Mb/s: pairs 2 and 3 only`.
    scope: Option<String>,
}

impl Record {
    /// The columns of a report.
    ///
    /// # Errors
    /// When its start is no time, or its format is newer than this program.
    pub fn of(report: &Report) -> Result<Self, ArchiveError> {
        if report.format > FORMAT {
            return Err(ArchiveError::NotARecord(format!(
                "the report has format {}, made by a newer version of this program; this one knows up to {FORMAT}",
                report.format
            )));
        }
        let ratio = report.error_ratio.as_ref();
        let frames = report.ethernet();
        let totals = report.totals.frames().filter(|totals| totals.frames_sent > 0);
        Ok(Self {
            run: report.run.clone(),
            started_ms: milliseconds(&report.started_at)?,
            started_at: report.started_at.clone(),
            machine: report.machine.clone(),
            port: report.port.name.clone(),
            kind: report.port.kind.name().into(),
            address: report.port.address.clone(),
            permanent_address: report.port.permanent_address.clone(),
            bus: report.port.bus.clone(),
            driver: report.port.driver.clone(),
            firmware: report.port.firmware.clone(),
            return_port: report.return_port.as_ref().map(|p| p.name.clone()),
            placement: report.placement.to_string(),
            cable: report.cable.clone(),
            segment: report.labels.segment.clone(),
            port_label: report.labels.port.clone(),
            far_end: report.labels.far_end.clone(),
            plug: report.labels.plug.clone(),
            note: report.labels.note.clone(),
            profile: report.profile.clone(),
            outcome: report.verdict.outcome.name().into(),
            location: places(&report.verdict.location),
            rule: report.verdict.rule().map(ToString::to_string),
            error_basis: ratio.map(|r| if r.basis == Basis::Bits { "bits" } else { "frames" }.into()),
            error_trials: ratio.map(|r| r.trials),
            errors: ratio.map(|r| r.errors),
            error_ratio: ratio.map(|r| r.estimate),
            error_ratio_lower: ratio.map(|r| r.lower),
            error_ratio_upper: ratio.map(|r| r.upper),
            error_ratio_limit: Some(report.limit.bit_error_ratio),
            frames_sent: totals.map(|t| t.frames_sent),
            frames_lost_on_wire: totals.map(|t| t.frames_lost_on_wire),
            loss_ratio: frames.and_then(|detail| detail.loss_ratio).map(|l| l.estimate),
            latency_clock: Some(report.latency_ns.clock.clone()).filter(|_| report.latency_ns.count > 0),
            latency_ns_p50: report.latency_ns.p50,
            latency_ns_p99: report.latency_ns.p99,
            link_mbps: frames.and_then(|detail| detail.link.speed_mbps),
            link_flaps: frames.filter(|_| totals.is_some()).map(|detail| detail.link_flaps),
            program: report.program.clone(),
            simulated: report.port.simulated,
            error_ratio_below: ratio.map(|r| r.proved_below),
            scope: report.verdict.scope.clone(),
        })
    }

    /// Says what is wrong with a row that did not come from a report, and sets what follows from the rest.
    ///
    /// # Errors
    /// [`ArchiveError::NotARecord`], naming the column.
    pub(super) fn validated(mut self) -> Result<Self, ArchiveError> {
        let wrong = |column: &str, given: &str, allowed: &str| {
            ArchiveError::NotARecord(format!("column {column} holds `{given}`: {allowed}"))
        };
        if self.port.is_empty() {
            return Err(wrong("port", "", "a port's name is needed"));
        }
        if Placement::from_str(&self.placement).is_err() {
            return Err(wrong("placement", &self.placement, "one of internal, at-port, far-end, return-port"));
        }
        let known = [Outcome::Pass, Outcome::Fault, Outcome::Undecided, Outcome::NotTested];
        if !known.iter().any(|outcome| outcome.name() == self.outcome) {
            return Err(wrong("outcome", &self.outcome, "one of pass, fault, undecided, not-tested"));
        }
        let (kind, simulated) = kind_and_simulated(&self.kind, self.simulated)
            .map_err(|_| wrong("kind", &self.kind, "one of ethernet, serial"))?;
        // A file of an older program says `simulated` for both kinds: what was measured there, and not in frames, was a
        // serial line.
        let is_serial = self.kind == "simulated" && self.frames_sent.is_none() && self.error_trials.is_some();
        self.kind = if is_serial { Kind::Serial } else { kind }.name().to_owned();
        self.simulated = simulated;
        check_id(&self.run)?;
        self.started_ms = milliseconds(&self.started_at)?;
        Ok(self)
    }

    pub(super) fn insert_sql() -> String {
        let marks = vec!["?"; Self::COLUMNS.len()].join(", ");
        format!("INSERT INTO run ({}) VALUES ({marks})", Self::COLUMNS.join(", "))
    }

    /// Outcome and location in a few words: `fault: port or plug`; a limited pass says what it is limited to.
    pub fn says(&self) -> String {
        in_list(&self.outcome, &one_of(&self.location), self.scope.as_deref())
    }

    /// Bit error ratio to show; none where every frame failed, for then no bit was compared.
    pub fn ratio(&self) -> Option<f64> {
        let is_all_lost = self.error_basis.as_deref() == Some("frames") && self.errors == self.error_trials;
        self.error_ratio.filter(|_| !is_all_lost)
    }
}

/// Stored places in words, in the order in which they are always named.
fn one_of(location: &str) -> String {
    let mut places: Vec<&str> = location.split(',').collect();
    places.sort_by_key(|place| Location::ALL.iter().position(|known| known.name() == *place));
    places.join(" or ")
}

/// A run's id is a UUID: then no two machines give the same.
pub(super) fn check_id(run: &str) -> Result<(), ArchiveError> {
    match uuid::Uuid::try_parse(run) {
        Ok(id) if id.to_string() == run => Ok(()),
        _ => Err(ArchiveError::NotARecord(format!("`{run}` is no id of a run (a UUID in small letters with hyphens)"))),
    }
}

fn milliseconds(started_at: &str) -> Result<i64, ArchiveError> {
    let time: jiff::Timestamp = started_at.parse().map_err(|_| {
        ArchiveError::NotARecord(format!(
            "started_at is `{started_at}`: a time such as 2026-03-01T08:00:00+01:00 is needed"
        ))
    })?;
    Ok(time.as_millisecond())
}

/// A case in a list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CaseRow {
    /// Its id.
    pub case: String,
    /// When a stage was added last, RFC 3339.
    pub changed_at: String,
    /// Port under test.
    pub port: String,
    /// Label of the cable.
    pub cable: String,
    /// `open`, `decided`, `exhausted`.
    pub state: String,
    /// `pass`, `fault`, `undecided`, `not-tested`.
    pub outcome: String,
    /// Places among which a fault lies, joined by commas.
    pub location: String,
    /// The segment, where the case has narrowed it down to one.
    pub segment: Option<String>,
    /// What a pass is limited to.
    pub scope: Option<String>,
}

impl CaseRow {
    /// Something is left to do in it.
    pub fn is_open(&self) -> bool {
        self.state == CaseState::Open.name()
    }

    /// So much of the id as people are shown.
    pub fn short_id(&self) -> &str {
        short_id(&self.case)
    }

    /// Outcome and location in a few words: `fault: cable, quay-duct`; a limited pass says what it is limited to. What
    /// an open case points to is no verdict.
    pub fn says(&self) -> String {
        let segment = self.segment.as_ref().map_or(String::new(), |segment| format!(", {segment}"));
        let place = one_of(&self.location);
        let place = if place.is_empty() { place } else { format!("{place}{segment}") };
        if self.is_open() {
            return if place.is_empty() { "not decided yet".to_owned() } else { format!("points to {place}") };
        }
        in_list(&self.outcome, &place, self.scope.as_deref())
    }

    /// The row of a case.
    pub(super) fn of(case: &Case) -> Self {
        Self {
            case: case.case.clone(),
            changed_at: case.changed_at.clone(),
            port: case.port.name.clone(),
            cable: case.cable.clone(),
            state: case.state.name().into(),
            outcome: case.verdict.outcome.name().into(),
            location: places(&case.verdict.location),
            segment: case.verdict.segment.clone(),
            scope: case.verdict.scope.clone(),
        }
    }
}

/// When a run began, ms since 1970 UTC: its id knows it finer than its report, which tells whole seconds.
pub(super) fn begun_ms(run: &str, started_ms: i64) -> i64 {
    let of_id = uuid::Uuid::parse_str(run).ok().and_then(|id| id.get_timestamp());
    let ms = of_id.map(|time| time.to_unix()).map(|(seconds, ns)| seconds as i64 * 1000 + i64::from(ns / 1_000_000));
    // An id that came from elsewhere may hold any time.
    ms.filter(|ms| (started_ms..started_ms + 1000).contains(ms)).unwrap_or(started_ms)
}

pub(super) fn changed_ms(case: &Case) -> Result<i64, ArchiveError> {
    let time: jiff::Timestamp = case.changed_at.parse().map_err(|_| {
        ArchiveError::NotARecord(format!(
            "changed_at of case {} is `{}`, no time with zone",
            case.case, case.changed_at
        ))
    })?;
    Ok(time.as_millisecond())
}

/// Places in one text, joined by commas.
pub(crate) fn places(location: &[Location]) -> String {
    location.iter().map(|place| place.name()).collect::<Vec<_>>().join(",")
}

/// The beginning of an id that people are shown at least. Two groups of an id of version 7: its 48 bits of time in ms.
pub const SHORT_ID_MIN: usize = 13;

/// So much of an id as people are shown, which is enough to name it: the milliseconds of a UUID of version 7 (RFC 9562
/// 5.7).
pub fn short_id(id: &str) -> &str {
    id.get(..SHORT_ID_MIN).unwrap_or(id)
}
