//! What a view, a table or a call is asked for: the fields of a query, all of which may be left out or empty.

use axum::{
    extract::{Query, rejection::QueryRejection},
    http::StatusCode,
};
use serde::Deserialize;
use uuid::Uuid;

use crate::{
    fleet::view::{LIST_MAX, machines, ports, runs},
    http::{error::ApiError, page::words},
};

/// A query, or why it is none.
pub type Asked<T> = Result<Query<T>, QueryRejection>;

/// The fields of a query.
///
/// # Errors
/// It is not understood.
pub fn fields<T>(asked: Asked<T>) -> Result<T, ApiError> {
    let wrong = |e: QueryRejection| ApiError::new(StatusCode::BAD_REQUEST, "query-not-understood", e.body_text());
    asked.map(|Query(fields)| fields).map_err(wrong)
}

/// Which ports.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Ports {
    /// Site.
    pub site: String,
    /// Machine.
    pub machine: String,
    /// Cabinet.
    pub cabinet: String,
    /// A state's word, `attention`, `stale` or `not-watched`.
    pub state: String,
    /// Beginning of a word.
    pub q: String,
    /// Where the list goes on.
    pub after: String,
    /// Entries at most.
    pub limit: String,
}

impl Ports {
    /// As the database is asked.
    ///
    /// # Errors
    /// `after` is no place in a list.
    pub fn narrowed(&self) -> Result<ports::Narrowed, ApiError> {
        let place = || {
            let (rank, id) = self.after.split_once('.')?;
            Some((rank.parse().ok()?, id.parse().ok()?))
        };
        let after = match self.after.is_empty() {
            true => None,
            false => Some(place().ok_or_else(|| not_allowed("after", &self.after, "what `next` of a list gave"))?),
        };
        Ok(ports::Narrowed {
            site: self.site.clone(),
            machine: self.machine.clone(),
            cabinet: self.cabinet.clone(),
            state: self.state.clone(),
            q: self.q.clone(),
            after,
        })
    }

    /// An address below `path` for the same ports.
    pub fn href(&self, path: &str) -> String {
        let fields =
            [("site", &self.site), ("machine", &self.machine), ("cabinet", &self.cabinet), ("state", &self.state)];
        let more = [("q", &self.q), ("after", &self.after)];
        href(path, fields.into_iter().chain(more))
    }

    /// The place after this port.
    pub fn place(port: &ports::Port) -> String {
        format!("{}.{}", port.rank, port.id)
    }
}

/// Which machines.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Machines {
    /// Site.
    pub site: String,
    /// Beginning of a name or a site.
    pub q: String,
    /// `silent` for those only.
    pub state: String,
    /// Where the list goes on.
    pub after: String,
    /// Entries at most.
    pub limit: String,
}

impl Machines {
    /// As the database is asked.
    ///
    /// # Errors
    /// `after` or `state` is not allowed.
    pub fn narrowed(&self) -> Result<machines::Narrowed, ApiError> {
        let skip = match self.after.is_empty() {
            true => 0,
            false => self.after.parse().map_err(|_| not_allowed("after", &self.after, "a number"))?,
        };
        if !["", "silent"].contains(&self.state.as_str()) {
            return Err(not_allowed("state", &self.state, "`silent`"));
        }
        let silent = self.state == "silent";
        Ok(machines::Narrowed { site: self.site.clone(), q: self.q.clone(), silent, skip })
    }

    /// An address below `path` for the same machines.
    pub fn href(&self, path: &str) -> String {
        href(path, [("site", &self.site), ("q", &self.q), ("state", &self.state), ("after", &self.after)])
    }
}

/// Which runs.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Runs {
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
    /// Outcome.
    pub outcome: String,
    /// Older than this run.
    pub before: String,
    /// Entries at most.
    pub limit: String,
}

impl Runs {
    /// As the database is asked.
    ///
    /// # Errors
    /// `before` is no id.
    pub fn narrowed(&self) -> Result<runs::Narrowed, ApiError> {
        let before = match self.before.is_empty() {
            true => None,
            false => Some(run_id(&self.before)?),
        };
        Ok(runs::Narrowed {
            site: self.site.clone(),
            machine: self.machine.clone(),
            port: self.port.clone(),
            cable: self.cable.clone(),
            address: self.address.clone(),
            outcome: self.outcome.clone(),
            before,
        })
    }

    /// Nothing is asked for: all runs.
    pub fn is_all(&self) -> bool {
        let fields = [&self.site, &self.machine, &self.port, &self.cable, &self.address, &self.outcome];
        fields.iter().all(|field| field.trim().is_empty())
    }

    /// An address below `path` for the same runs.
    pub fn href(&self, path: &str) -> String {
        let fields = [("site", &self.site), ("machine", &self.machine), ("port", &self.port), ("cable", &self.cable)];
        let more = [("address", &self.address), ("outcome", &self.outcome), ("before", &self.before)];
        href(path, fields.into_iter().chain(more))
    }
}

/// Two runs.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Pair {
    /// Id of the one.
    pub a: String,
    /// Id of the other.
    pub b: String,
}

/// Which cards, or how many entries.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Words {
    /// Beginning of a serial number or label, or an address.
    pub q: String,
    /// Entries at most.
    pub limit: String,
}

/// How many entries a call gives.
///
/// # Errors
/// It is no number from 1 to [`LIST_MAX`].
pub fn limit(text: &str) -> Result<u32, ApiError> {
    if text.is_empty() {
        return Ok(LIST_DEFAULT);
    }
    let limit = text.parse().ok().filter(|limit| (1..=LIST_MAX).contains(limit));
    limit.ok_or_else(|| not_allowed("limit", text, &format!("1 to {LIST_MAX}")))
}

/// The id of a run or a card test.
///
/// # Errors
/// It is none, so there is no such run.
pub fn run_id(text: &str) -> Result<Uuid, ApiError> {
    Uuid::try_parse(text.trim()).map_err(|_| unknown("run", text))
}

/// There is no such thing.
pub fn unknown(what: &'static str, name: &str) -> ApiError {
    let code = match what {
        "port" => "unknown-port",
        "machine" => "unknown-machine",
        "run" => "unknown-run",
        "site" => "unknown-site",
        _ => "unknown",
    };
    ApiError::new(StatusCode::NOT_FOUND, code, format!("there is no {what} `{name}`"))
}

fn not_allowed(field: &str, value: &str, allowed: &str) -> ApiError {
    let message = format!("{field} `{value}` is not allowed: {allowed}");
    ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, "value-not-allowed", message)
}

fn href<'a>(path: &str, fields: impl IntoIterator<Item = (&'static str, &'a String)>) -> String {
    let given = fields.into_iter().filter(|(_, value)| !value.trim().is_empty());
    let query: Vec<_> = given.map(|(name, value)| format!("{name}={}", words::encoded(value.trim()))).collect();
    if query.is_empty() { path.to_owned() } else { format!("{path}?{}", query.join("&")) }
}

const LIST_DEFAULT: u32 = 100;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_holds_what_is_asked_for_and_nothing_else() {
        let ports = Ports { site: "north quay&x".into(), q: " ".into(), after: "3.17".into(), ..Ports::default() };
        assert_eq!(ports.href("/ports"), "/ports?site=north%20quay%26x&after=3.17");
        assert_eq!(ports.narrowed().unwrap().after, Some((3, 17)));
    }

    #[test]
    fn what_is_no_place_no_id_and_no_number_is_refused() {
        for after in ["3", "x.1", "1.x", "."] {
            assert!(Ports { after: after.into(), ..Ports::default() }.narrowed().is_err(), "{after}");
        }
        assert_eq!(run_id("quay0").unwrap_err().code, "unknown-run");
        assert!(limit("0").is_err() && limit("1001").is_err() && limit("x").is_err());
        assert_eq!(limit("").unwrap(), LIST_DEFAULT);
    }
}
