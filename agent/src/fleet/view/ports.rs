//! Ports as they stand: lists of them, the worst first, and one.

use serde::Serialize;
use tokio_postgres::{Row, types::ToSql};
use uuid::Uuid;

use super::{Conditions, View, beginning, ms, ms_of, whole};
use crate::fleet::error::FleetError;

/// A port as it stands. Times are ms since 1970-01-01 UTC.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Port {
    /// Its number in the tables.
    #[serde(skip)]
    pub id: i32,
    /// Place in a list: the worst state first.
    #[serde(skip)]
    pub rank: i16,
    /// Its site.
    pub site: String,
    /// Its machine.
    pub machine: String,
    /// Its name there.
    pub port: String,
    /// What it carries.
    pub kind: String,
    /// It is simulated.
    pub simulated: bool,
    /// Label on the port.
    pub label: Option<String>,
    /// Label of its cable.
    pub cable: Option<String>,
    /// Its cabinet.
    pub cabinet: Option<String>,
    /// It is called spare.
    pub spare: bool,
    /// Address burnt into the adapter.
    pub permanent_address: Option<String>,
    /// Driver's name.
    pub driver: Option<String>,
    /// Address on the bus.
    pub bus: Option<String>,
    /// A round chooses it.
    pub watched: bool,
    /// The machine had it when it last told.
    pub present: bool,
    /// What is held of it, a word; [`SILENT`] where its machine is silent and told nothing bad.
    pub state: String,
    /// What its machine told last.
    pub told: String,
    /// Since when.
    pub since_ms: Option<i64>,
    /// Why, in words.
    pub why: String,
    /// Places among which a fault lies.
    pub location: Vec<String>,
    /// What to do next.
    pub next_action: Option<String>,
    /// The run that its state rests on.
    pub run: Option<String>,
    /// Where the plug was in that run.
    pub placement: Option<String>,
    /// When it last passed with a plug.
    pub proven_ms: Option<i64>,
    /// When its proof ends.
    pub proof_ends_ms: Option<i64>,
    /// Somebody has to look at it, and nobody has acknowledged that.
    pub needs_attention: bool,
    /// Who acknowledged its state.
    pub acknowledged_by: Option<String>,
    /// The open case that has it for itself.
    pub case: Option<String>,
    /// When its machine was last heard.
    pub heard_ms: i64,
    /// Its machine is silent.
    pub silent: bool,
}

/// The state of a port whose machine is silent, unless it told something bad: nobody knows how it stands.
pub const SILENT: &str = "silent";

const RANK: &str = "state_rank(shown_state(p.state, m.heard_at))";

const COLUMNS: &str =
    "p.id, shown_state(p.state, m.heard_at) AS state, p.state AS told, is_silent(m.heard_at) AS silent,
    m.site, m.name AS machine, p.name, p.kind, p.simulated,
    p.label, p.cable, p.cabinet, p.spare, p.permanent_address, p.driver, p.bus, p.watched, p.present, p.since,
    p.why, p.location, p.next_action, p.run, p.placement, p.proven_at, p.proof_ends_at, p.needs_attention,
    p.acknowledged_by, p.open_case, m.heard_at";

impl Port {
    fn of(row: &Row) -> Self {
        let id = |column| row.get::<_, Option<Uuid>>(column).map(|id| id.to_string());
        let location: &str = row.get("location");
        Self {
            id: row.get("id"),
            rank: row.get("rank"),
            site: row.get("site"),
            machine: row.get("machine"),
            port: row.get("name"),
            kind: row.get("kind"),
            simulated: row.get("simulated"),
            label: row.get("label"),
            cable: row.get("cable"),
            cabinet: row.get("cabinet"),
            spare: row.get("spare"),
            permanent_address: row.get("permanent_address"),
            driver: row.get("driver"),
            bus: row.get("bus"),
            watched: row.get("watched"),
            present: row.get("present"),
            state: row.get("state"),
            told: row.get("told"),
            since_ms: ms_of(row, "since"),
            why: row.get("why"),
            location: location.split(',').filter(|place| !place.is_empty()).map(str::to_owned).collect(),
            next_action: row.get("next_action"),
            run: id("run"),
            placement: row.get("placement"),
            proven_ms: ms_of(row, "proven_at"),
            proof_ends_ms: ms_of(row, "proof_ends_at"),
            needs_attention: row.get("needs_attention"),
            acknowledged_by: row.get("acknowledged_by"),
            case: id("open_case"),
            heard_ms: ms(row.get("heard_at")),
            silent: row.get("silent"),
        }
    }
}

/// What a list of ports is narrowed to; empty means all.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Narrowed {
    /// Site.
    pub site: String,
    /// Machine.
    pub machine: String,
    /// Cabinet.
    pub cabinet: String,
    /// A state's word, or one of [`ATTENTION`], [`STALE`], [`NOT_WATCHED`].
    pub state: String,
    /// Beginning of a name, label, cable, cabinet, address, machine, site or of the serial number of a card.
    pub q: String,
    /// The list goes on after this rank and number.
    pub after: Option<(i16, i32)>,
}

/// Ports that need attention.
pub const ATTENTION: &str = "attention";
/// Ports whose proof ended or ends soon, or that have none, or whose machine is silent.
pub const STALE: &str = "stale";
/// Ports that no round chooses.
pub const NOT_WATCHED: &str = "not-watched";

/// The numbers of ports that a word finds. Each way of finding one is a look into one index, and gives no more than a
/// person reads. The addresses of cards are an array, since for a join the planner reads every port.
const FOUND: &str = "(SELECT id FROM port WHERE lower(name) LIKE $1 LIMIT 1000)
    UNION (SELECT id FROM port WHERE lower(label) LIKE $1 LIMIT 1000)
    UNION (SELECT id FROM port WHERE lower(cable) LIKE $1 LIMIT 1000)
    UNION (SELECT id FROM port WHERE lower(permanent_address) LIKE $1 LIMIT 1000)
    UNION (SELECT id FROM port WHERE lower(cabinet) LIKE $1 LIMIT 1000)
    UNION (SELECT f.id FROM machine n JOIN port f ON f.machine_id = n.id WHERE lower(n.name) LIKE $1 LIMIT 1000)
    UNION (SELECT f.id FROM machine n JOIN port f ON f.machine_id = n.id WHERE lower(n.site) LIKE $1 LIMIT 1000)
    UNION (SELECT id FROM port WHERE lower(permanent_address) = ANY(ARRAY(SELECT lower(a)
        FROM card_test c CROSS JOIN unnest(c.addresses) a WHERE lower(c.serial) LIKE $1 LIMIT 1000)) LIMIT 1000)";

/// The same for those that a word names wholly: whoever reads a label off a port means that port.
const NAMED: &str = "(SELECT id FROM port WHERE lower(label) LIKE $1 LIMIT 20)
    UNION (SELECT id FROM port WHERE lower(cable) LIKE $1 LIMIT 20)
    UNION (SELECT id FROM port WHERE lower(permanent_address) LIKE $1 LIMIT 20)";

const IS_STALE: &str = "p.watched AND (p.state IN ('expired', 'never-tested', 'chip-proven')
    OR p.proof_ends_at < now() + interval '3 days' OR is_unknown(p.state, m.heard_at))";

fn conditions(narrowed: &Narrowed) -> Conditions {
    let mut conditions = Conditions::default();
    conditions.sql.push_str(" AND NOT p.forgotten");
    conditions.given("m.site = $?", &narrowed.site);
    conditions.given("m.name = $?", &narrowed.machine);
    conditions.given("p.cabinet = $?", &narrowed.cabinet);
    match narrowed.state.trim() {
        "" => {}
        ATTENTION => conditions.sql.push_str(" AND p.needs_attention"),
        STALE => conditions.sql.push_str(&format!(" AND {IS_STALE}")),
        NOT_WATCHED => conditions.sql.push_str(" AND NOT p.watched"),
        SILENT => conditions.sql.push_str(" AND p.watched AND is_unknown(p.state, m.heard_at)"),
        state => {
            conditions.and("p.watched AND NOT is_unknown(p.state, m.heard_at) AND p.state = $?", state.to_owned());
        }
    }
    conditions
}

impl View {
    /// Ports, the worst first; of those that a word finds, the ones that it names wholly come before the others.
    ///
    /// # Errors
    /// What the database says.
    pub async fn ports(&self, narrowed: &Narrowed, limit: u32) -> Result<Vec<Port>, FleetError> {
        let mut conditions = conditions(narrowed);
        let mut named = None;
        if !narrowed.q.trim().is_empty() {
            // Apart: together with the rest the planner expects many, and reads every port.
            let (pattern, whole) = (beginning(&narrowed.q), whole(&narrowed.q));
            let (found, wholly): ([&(dyn ToSql + Sync); 1], [&(dyn ToSql + Sync); 1]) = ([&pattern], [&whole]);
            let asked = (self.ask("a search", FOUND, &found), self.ask("a search", NAMED, &wholly));
            let (found, wholly) = tokio::try_join!(asked.0, asked.1)?;
            let ids = |rows: &[Row]| rows.iter().map(|row| row.get(0)).collect::<Vec<i32>>();
            // A word that begins many names may have more in an index than were looked at.
            conditions.and("p.id = ANY($?)", [ids(&found), ids(&wholly)].concat());
            named = Some(conditions.value(ids(&wholly)));
        }
        let ranked = |rank: &str| match &named {
            Some(named) => format!("({rank} - CASE WHEN p.id = ANY({named}) THEN 100 ELSE 0 END)::smallint"),
            None => rank.to_owned(),
        };
        let after = narrowed.after.map(|(rank, id)| (conditions.value(rank), conditions.value(id)));
        // Two lists, each from an index of its own: what is silent changes with the time, and is in no index.
        let shown = ranked(RANK);
        let part = |which: &str, rank: &str| {
            let rank = ranked(rank);
            let after = after.as_ref().map_or(String::new(), |(at, id)| format!(" AND ({rank}, p.id) > ({at}, {id})"));
            format!(
                "(SELECT {shown} AS rank, {COLUMNS} FROM port p JOIN machine m ON m.id = p.machine_id
                 WHERE {which}{}{after}
                 ORDER BY {rank}, p.id LIMIT {limit})",
                conditions.sql
            )
        };
        let unknown = part("is_unknown(p.state, m.heard_at)", "state_rank('silent')");
        let others = part("NOT is_unknown(p.state, m.heard_at)", "state_rank(p.state)");
        let sql = format!("{unknown} UNION ALL {others} ORDER BY rank, id LIMIT {limit}");
        let rows = self.ask("ports", &sql, &conditions.values()).await?;
        Ok(rows.iter().map(Port::of).collect())
    }

    /// One port.
    ///
    /// # Errors
    /// What the database says.
    pub async fn port(&self, site: &str, machine: &str, name: &str) -> Result<Option<Port>, FleetError> {
        let sql = format!(
            "SELECT {RANK} AS rank, {COLUMNS} FROM port p JOIN machine m ON m.id = p.machine_id
             WHERE m.site = $1 AND m.name = $2 AND p.name = $3"
        );
        Ok(self.ask("a port", &sql, &[&site, &machine, &name]).await?.first().map(Port::of))
    }

    /// Ports that need attention, the worst first, then those that came so last.
    pub(super) async fn wrong(&self, limit: u32) -> Result<Vec<Port>, FleetError> {
        let sql = format!(
            "SELECT {RANK} AS rank, {COLUMNS} FROM port p JOIN machine m ON m.id = p.machine_id
             WHERE p.needs_attention AND NOT p.forgotten ORDER BY state_rank(p.state), p.since DESC LIMIT {limit}"
        );
        Ok(self.ask("ports that need attention", &sql, &[]).await?.iter().map(Port::of).collect())
    }

    /// Watched ports whose proof ends first, or ended longest ago.
    pub(super) async fn oldest_proofs(&self, limit: u32) -> Result<Vec<Port>, FleetError> {
        let sql = format!(
            "SELECT {RANK} AS rank, {COLUMNS} FROM port p JOIN machine m ON m.id = p.machine_id
             WHERE p.watched AND NOT p.forgotten AND p.proof_ends_at IS NOT NULL
             ORDER BY p.proof_ends_at LIMIT {limit}"
        );
        Ok(self.ask("the oldest proofs", &sql, &[]).await?.iter().map(Port::of).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_people_write_is_a_value_and_never_a_part_of_the_query() {
        let hostile = "'; DROP TABLE port; --";
        let narrowed = Narrowed {
            site: hostile.into(),
            machine: hostile.into(),
            cabinet: hostile.into(),
            state: hostile.into(),
            q: hostile.into(),
            after: Some((1, 2)),
        };
        let conditions = conditions(&narrowed);
        assert!(!conditions.sql.contains("DROP"), "{}", conditions.sql);
        assert_eq!(conditions.values().len(), 4);
    }
}
