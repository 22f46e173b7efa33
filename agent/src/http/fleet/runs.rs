//! Runs of all machines, the report of one, and two of them side by side.

use askama::Template;
use axum::{
    Extension,
    extract::Path,
    http::{HeaderMap, Uri},
    response::Html,
};
use turnback_core::{
    document::difference::{Change, Difference, Kind, difference},
    judge::Outcome,
};

use super::{
    Book,
    line::{self, RunRow},
    query::{self, Asked, fields, run_id},
};
use crate::{
    fleet::view::runs::Run,
    http::{
        error::ApiError,
        page::{
            cover::{Around, Page, filled, laid_out},
            words,
        },
    },
    show::{
        figure,
        sheet::{self, layout::Trail},
    },
};

#[derive(Template)]
#[template(path = "http/fleet/runs.html")]
struct Runs {
    around: Around,
    runs: Vec<RunRow>,
    asked: query::Runs,
    outcomes: Vec<(&'static str, &'static str)>,
    older: String,
    csv: String,
}

pub async fn list(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri, asked: Asked<query::Runs>) -> Page {
    let asked = fields(asked)?;
    let found = book.view.runs(&asked.narrowed()?, PAGE).await?;
    let mut around = book.cover.around(&headers, &uri, "runs", "Runs");
    around.moving = asked.before.is_empty();
    let last = found.last().filter(|_| found.len() == PAGE as usize).map(|run| run.run.clone());
    let outcomes = [Outcome::Fault, Outcome::Undecided, Outcome::Pass, Outcome::NotTested];
    let outcomes = outcomes.map(|outcome| (outcome.name(), words::outcome(outcome)));
    filled(&Runs {
        runs: RunRow::all(&found, None, &around.clock),
        outcomes: std::iter::once(("", "any")).chain(outcomes).collect(),
        older: last.map_or(String::new(), |before| query::Runs { before, ..asked.clone() }.href("/runs")),
        csv: asked.href("/runs.csv"),
        asked,
        around,
    })
}

/// The report of a run.
pub async fn one(Extension(book): Extension<Book>, Path(run): Path<String>) -> Page {
    let found = book.view.report(run_id(&run)?).await?;
    let (of, report) = found.ok_or_else(|| query::unknown("run", &run))?;
    let trail = [
        ("Overview".to_owned(), "/".to_owned()),
        (of.machine.clone(), line::machine_href(&of.site, &of.machine)),
        (of.port.clone(), line::port_href(&of.site, &of.machine, &of.port)),
        ("Compare".into(), format!("/compare?a={}", of.run)),
        ("as JSON".into(), format!("/api/1/runs/{}", of.run)),
    ];
    let trail = trail.into_iter().map(|(word, href)| Trail { word, href }).collect();
    laid_out(sheet::run::render_in_book(&report, trail)).map(Html)
}

#[derive(Template)]
#[template(path = "http/fleet/compare.html")]
struct Compare {
    around: Around,
    asked: query::Pair,
    /// Which of the two cannot be shown, and why.
    refused: Vec<String>,
    found: Option<Compared>,
}

/// Two runs side by side.
struct Compared {
    says: String,
    runs: Vec<Subject>,
    conditions: Vec<Row>,
    figures: Vec<Row>,
    confidence: String,
}

/// One of the two.
struct Subject {
    href: String,
    when: String,
    port: String,
    port_href: String,
    site: String,
}

/// One thing in both runs.
struct Row {
    name: String,
    values: [String; 2],
    change: &'static str,
    differs: bool,
    chance: String,
}

pub async fn compare(
    Extension(book): Extension<Book>,
    headers: HeaderMap,
    uri: Uri,
    asked: Asked<query::Pair>,
) -> Page {
    let asked = fields(asked)?;
    let around = book.cover.around(&headers, &uri, "runs", "Two runs");
    let (mut refused, mut found) = (Vec::new(), None);
    if !asked.a.trim().is_empty() && !asked.b.trim().is_empty() {
        match compared(&book, &asked).await {
            Ok((runs, difference)) => found = Some(Compared::new(&runs, difference, &around)),
            Err(error) if error.code == "unknown-run" => refused.push(error.message),
            Err(error) => return Err(error.into()),
        }
    }
    filled(&Compare { around, asked, refused, found })
}

/// Two runs of any two machines, and what changed between them.
///
/// # Errors
/// There is no such run; the database.
pub async fn compared(book: &Book, asked: &query::Pair) -> Result<([Run; 2], Difference), ApiError> {
    let one = async |id: &str| {
        let found = book.view.report(run_id(id)?).await?;
        found.ok_or_else(|| query::unknown("run", id))
    };
    let ((a, of_a), (b, of_b)) = (one(&asked.a).await?, one(&asked.b).await?);
    let difference = difference(&of_a, &of_b);
    Ok(([a, b], difference))
}

impl Compared {
    fn new(runs: &[Run; 2], found: Difference, around: &Around) -> Self {
        let rows = RunRow::all(runs, None, &around.clock);
        let subject = |row: RunRow| Subject {
            href: row.href,
            when: row.when,
            port: row.port,
            port_href: row.port_href,
            site: row.site,
        };
        Self {
            says: words::sentence(found.says.as_str()),
            runs: rows.into_iter().map(subject).collect(),
            conditions: found.conditions.into_iter().map(Row::new).collect(),
            figures: found.figures.into_iter().map(Row::new).collect(),
            confidence: format!("{}", found.confidence * 100.0),
        }
    }
}

impl Row {
    fn new(change: Change) -> Self {
        let word = match change.change {
            Kind::Same => "the same",
            Kind::Other => "another",
            Kind::Higher => "higher, beyond chance",
            Kind::Lower => "lower, beyond chance",
            Kind::WithinChance => "within chance",
            Kind::NotComparable => "not comparable",
        };
        Self {
            name: change.name,
            values: change.values,
            change: word,
            differs: matches!(change.change, Kind::Other | Kind::Higher | Kind::Lower),
            chance: change.chance.map_or(String::new(), figure::ratio),
        }
    }
}

const PAGE: u32 = 50;
