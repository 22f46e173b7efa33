//! Runs: lists of them, the newest first, and the report of one.

use serde::Serialize;
use tokio_postgres::Row;
use turnback_core::document::{Document, run::Report};
use uuid::Uuid;

use super::{Conditions, LIST_MAX, View, ms};
use crate::{
    error_chain::with_causes,
    fleet::{error::FleetError, payload},
};

/// A run in a list. Times are ms since 1970-01-01 UTC.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Run {
    /// Its id.
    pub run: String,
    /// Site of the machine that made it.
    pub site: String,
    /// The machine.
    pub machine: String,
    /// The port.
    pub port: String,
    /// When it began, by the machine's clock.
    pub started_ms: i64,
    /// When the broker had it.
    pub received_ms: i64,
    /// Address burnt into the adapter.
    pub permanent_address: Option<String>,
    /// Label on the port.
    pub label: Option<String>,
    /// Cable.
    pub cable: Option<String>,
    /// Segment of the cable.
    pub segment: Option<String>,
    /// Where the plug was.
    pub placement: String,
    /// Profile.
    pub profile: String,
    /// Outcome, a word.
    pub outcome: String,
    /// Places among which a fault lies.
    pub location: Vec<String>,
    /// What a pass is limited to.
    pub scope: Option<String>,
    /// The deciding rule.
    pub rule: Option<String>,
    /// Bit error ratio.
    pub error_ratio: Option<f64>,
    /// Upper end of its interval.
    pub error_ratio_upper: Option<f64>,
    /// Median round trip, ns.
    pub latency_ns_p50: Option<i64>,
    /// Speed of the link, Mb/s.
    pub link_mbps: Option<i32>,
    /// Program and version.
    pub program: String,
    /// Its series stayed at the machine.
    pub without_series: bool,
}

const COLUMNS: &str = "r.id, m.site, m.name AS machine, p.name AS port, r.started_at, r.received_at,
    r.permanent_address, r.port_label, r.cable, r.segment, r.placement, r.profile, r.outcome, r.location, r.scope,
    r.rule, r.error_ratio, r.error_ratio_upper, r.latency_ns_p50, r.link_mbps, r.program, r.without_series";

impl Run {
    fn of(row: &Row) -> Self {
        let location: &str = row.get("location");
        Self {
            run: row.get::<_, Uuid>("id").to_string(),
            site: row.get("site"),
            machine: row.get("machine"),
            port: row.get("port"),
            started_ms: ms(row.get("started_at")),
            received_ms: ms(row.get("received_at")),
            permanent_address: row.get("permanent_address"),
            label: row.get("port_label"),
            cable: row.get("cable"),
            segment: row.get("segment"),
            placement: row.get("placement"),
            profile: row.get("profile"),
            outcome: row.get("outcome"),
            location: location.split(',').filter(|place| !place.is_empty()).map(str::to_owned).collect(),
            scope: row.get("scope"),
            rule: row.get("rule"),
            error_ratio: row.get("error_ratio"),
            error_ratio_upper: row.get("error_ratio_upper"),
            latency_ns_p50: row.get("latency_ns_p50"),
            link_mbps: row.get("link_mbps"),
            program: row.get("program"),
            without_series: row.get("without_series"),
        }
    }
}

/// What a list of runs is narrowed to; empty means all.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Narrowed {
    /// Site.
    pub site: String,
    /// Machine.
    pub machine: String,
    /// Port.
    pub port: String,
    /// Cable.
    pub cable: String,
    /// Address burnt into the adapter.
    pub address: String,
    /// Outcome, a word.
    pub outcome: String,
    /// The list goes on with those that are older than this run.
    pub before: Option<Uuid>,
}

impl View {
    /// Runs, the newest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn runs(&self, narrowed: &Narrowed, limit: u32) -> Result<Vec<Run>, FleetError> {
        let mut conditions = Conditions::default();
        // Numbers of the machines and ports first: then the newest runs of each are read, and no others.
        if !narrowed.port.trim().is_empty() || !narrowed.machine.trim().is_empty() {
            let mut of = Conditions::default();
            of.given("m.site = $?", &narrowed.site);
            of.given("m.name = $?", &narrowed.machine);
            of.given("p.name = $?", &narrowed.port);
            let sql = format!(
                "SELECT p.id FROM port p JOIN machine m ON m.id = p.machine_id WHERE true{} LIMIT {LIST_MAX}",
                of.sql
            );
            let ports: Vec<i32> = self.ask("ports", &sql, &of.values()).await?.iter().map(|row| row.get(0)).collect();
            match ports[..] {
                [one] => conditions.and("r.port_id = $?", one),
                _ => conditions.and("r.port_id = ANY($?)", ports),
            }
        } else if !narrowed.site.trim().is_empty() {
            let site = narrowed.site.trim();
            let rows = self.ask("machines", "SELECT id FROM machine WHERE site = $1", &[&site]).await?;
            conditions.and("r.machine_id = ANY($?)", rows.iter().map(|row| row.get(0)).collect::<Vec<i32>>());
        }
        conditions.given("r.cable = $?", &narrowed.cable);
        conditions.given("r.permanent_address = $?", &narrowed.address);
        conditions.given("r.outcome = $?", &narrowed.outcome);
        self.newest(conditions, narrowed.before, limit).await
    }

    /// Runs of a port; the newest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn runs_of_port(&self, port: i32, limit: u32) -> Result<Vec<Run>, FleetError> {
        let mut conditions = Conditions::default();
        conditions.and("r.port_id = $?", port);
        self.newest(conditions, None, limit).await
    }

    /// Runs of the same adapter, by its burnt-in address, in other places; the newest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn runs_of_card_elsewhere(&self, address: &str, port: i32, n: u32) -> Result<Vec<Run>, FleetError> {
        let mut conditions = Conditions::default();
        conditions.and("r.permanent_address = $?", address.to_owned());
        conditions.and("r.port_id <> $?", port);
        self.newest(conditions, None, n).await
    }

    /// Runs of the same cable at other ports; the newest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn runs_of_cable_elsewhere(&self, cable: &str, port: i32, n: u32) -> Result<Vec<Run>, FleetError> {
        let mut conditions = Conditions::default();
        conditions.and("r.cable = $?", cable.to_owned());
        conditions.and("r.port_id <> $?", port);
        self.newest(conditions, None, n).await
    }

    /// The newest runs are found by their ids alone; then their machines and ports are looked up.
    async fn newest(
        &self,
        mut conditions: Conditions,
        before: Option<Uuid>,
        limit: u32,
    ) -> Result<Vec<Run>, FleetError> {
        if let Some(before) = before {
            conditions.and("r.id < $?", before);
        }
        let sql = format!(
            "SELECT {COLUMNS} FROM (SELECT * FROM run r WHERE true{} ORDER BY r.id DESC LIMIT {limit}) r
             JOIN port p ON p.id = r.port_id JOIN machine m ON m.id = r.machine_id ORDER BY r.id DESC",
            conditions.sql
        );
        Ok(self.ask("runs", &sql, &conditions.values()).await?.iter().map(Run::of).collect())
    }

    /// The report of a run with the run's line; none if there is no such run.
    ///
    /// # Errors
    /// What the database says; [`FleetError::Unreadable`].
    pub async fn report(&self, run: Uuid) -> Result<Option<(Run, Box<Report>)>, FleetError> {
        let sql = format!(
            "SELECT {COLUMNS}, r.document FROM run r JOIN port p ON p.id = r.port_id
             JOIN machine m ON m.id = r.machine_id WHERE r.id = $1"
        );
        let rows = self.ask("a run", &sql, &[&run]).await?;
        let Some(row) = rows.first() else { return Ok(None) };
        match document(row.get("document"), run)? {
            Document::Run(report) => Ok(Some((Run::of(row), report))),
            other => Err(unreadable(run, format!("it is a {}", other.kind().name()))),
        }
    }
}

/// A document as it is kept.
pub(super) fn document(packed: &[u8], id: Uuid) -> Result<Document, FleetError> {
    let text = payload::unpack(packed, payload::PLAIN_MAX).map_err(|error| unreadable(id, error.to_string()))?;
    Document::read(&text).map_err(|error| unreadable(id, with_causes(&error)))
}

pub(super) fn unreadable(id: Uuid, cause: String) -> FleetError {
    FleetError::Unreadable { id: id.to_string(), cause }
}
