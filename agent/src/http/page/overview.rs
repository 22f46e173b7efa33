//! The overview: what is wrong and what to do, what grows stale, what is going on, and all ports by cabinet. Narrowed
//! down, it lists the ports that fit, a line each.

use std::collections::BTreeMap;

use askama::Template;
use axum::{
    Extension,
    extract::{Query, rejection::QueryRejection},
    http::{HeaderMap, StatusCode, Uri},
};
use serde::Deserialize;
use turnback_core::watch::{care::Pause, standing::State};

use super::{
    Around, Book, Page, PageError, filled,
    line::{PortLine, Stale},
    now_ms,
    rows::{LiveLine, WaitingLine},
    words::{self, Fares},
};
use crate::{daemon::agent::PortView, http::error::ApiError};

/// What the ports are narrowed down to; fields of a form, so that empty means all.
#[derive(Clone, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Narrowed {
    /// The name of a state, `attention`, `stale` or `not-watched`.
    state: String,
    cabinet: String,
    /// A part of a name, label, cable or cabinet.
    q: String,
}

/// The query of a view.
pub type Asked = Result<Query<Narrowed>, QueryRejection>;

impl Narrowed {
    /// Whether a port fits.
    fn takes(&self, line: &PortLine) -> bool {
        let state = match self.state.as_str() {
            "" => true,
            "attention" => line.needs_attention,
            "stale" => line.is_watched && line.stale.is_some(),
            NOT_WATCHED => !line.is_watched,
            name => line.is_watched && line.state == name,
        };
        let sought = self.q.trim().to_lowercase();
        let found = || format!("{} {}", line.name, line.place).to_lowercase().contains(&sought);
        state && (self.cabinet.is_empty() || line.cabinet.as_deref() == Some(&self.cabinet)) && found()
    }

    fn is_all(&self) -> bool {
        self.state.is_empty() && self.cabinet.is_empty() && self.q.trim().is_empty()
    }

    /// The same as a query, with another state.
    fn href(&self, state: &str) -> String {
        let pairs = [("state", state), ("cabinet", &self.cabinet), ("q", self.q.trim())];
        let given = pairs.into_iter().filter(|(_, value)| !value.is_empty());
        let query: Vec<_> = given.map(|(name, value)| format!("{name}={}", words::encoded(value))).collect();
        if query.is_empty() { "/".into() } else { format!("/?{}", query.join("&")) }
    }

    /// What is asked for, in words.
    fn title(&self) -> String {
        let state = State::ALL.into_iter().find(|state| state.name() == self.state);
        let what = match self.state.as_str() {
            "" => "Ports".to_owned(),
            "attention" => "Ports that need attention".into(),
            "stale" => "Ports that grow stale".into(),
            NOT_WATCHED => "Ports that no round watches".into(),
            _ => format!("Ports: {}", state.map_or("", words::state)),
        };
        let cabinet = Some(&self.cabinet).filter(|cabinet| !cabinet.is_empty()).map(|c| format!(" in {c}"));
        let sought = Some(self.q.trim()).filter(|q| !q.is_empty()).map(|q| format!(" with “{q}”"));
        format!("{what}{}{}", cabinet.unwrap_or_default(), sought.unwrap_or_default())
    }
}

/// Ports that fit, with their lines.
pub type Fitting<'a> = Vec<(&'a PortView, PortLine)>;

/// The ports that fit a query, with their lines.
///
/// # Errors
/// A query that is not understood.
pub fn chosen(ports: &[PortView], asked: Asked, now_ms: i64) -> Result<(Narrowed, Fitting<'_>), PageError> {
    let wrong = |e: QueryRejection| ApiError::new(StatusCode::BAD_REQUEST, "query-not-understood", e.body_text());
    let Query(narrowed) = asked.map_err(wrong)?;
    let lines = ports.iter().map(|port| (port, PortLine::new(port, now_ms)));
    let fitting = lines.filter(|(_, line)| narrowed.takes(line)).collect();
    Ok((narrowed, fitting))
}

/// A link that narrows down, and how many ports it leads to.
struct Filter {
    word: &'static str,
    href: String,
    count: usize,
    is_here: bool,
}

/// The ports of one cabinet.
struct Cabinet {
    name: String,
    href: String,
    /// How many of its ports are in each state, in words.
    summary: String,
    paused: bool,
    /// How wide its cells are, by the longest name.
    width: &'static str,
    ports: Vec<PortLine>,
}

/// Ports that grow stale alike.
struct StaleGroup {
    word: &'static str,
    href: String,
    shown: Vec<PortLine>,
    more: usize,
}

#[derive(Template)]
#[template(path = "http/page/overview.html")]
struct Overview {
    around: Around,
    headline: String,
    lead: String,
    wrong: Vec<PortLine>,
    acknowledged: Vec<PortLine>,
    stale: Vec<StaleGroup>,
    live: Vec<LiveLine>,
    waiting: Vec<WaitingLine>,
    coming: String,
    filters: Vec<Filter>,
    cabinets: Vec<Cabinet>,
    not_watched: Vec<PortLine>,
    states: Vec<(&'static str, &'static str, &'static str)>,
    troubles: Vec<String>,
    pauses: Vec<PauseLine>,
}

/// A pause for maintenance.
pub struct PauseLine {
    /// What it covers, until when, by whom and why.
    pub words: String,
    /// The cabinet; empty if it covers every port.
    pub cabinet: String,
}

impl PauseLine {
    /// Of a pause, at a time in ms since 1970.
    pub fn new(pause: &Pause, now_ms: i64) -> Self {
        let what = pause.cabinet.as_ref().map_or("All ports".to_owned(), |cabinet| words::upper(cabinet));
        let until =
            pause.until_ms.map_or("until somebody ends it".into(), |ms| format!("for {}", words::age(ms - now_ms)));
        let note = if pause.note.is_empty() { String::new() } else { format!(": {}", pause.note) };
        Self {
            words: format!(
                "{what} paused by {} {until}{note}. No scheduled run begins, nothing is announced.",
                pause.by
            ),
            cabinet: pause.cabinet.clone().unwrap_or_default(),
        }
    }
}

#[derive(Template)]
#[template(path = "http/page/chosen.html")]
struct Chosen {
    around: Around,
    title: String,
    lead: String,
    filters: Vec<Filter>,
    narrowed: Narrowed,
    shown: Vec<PortLine>,
    more: usize,
    csv: String,
    pauses: Vec<PauseLine>,
}

/// The overview, or the ports that fit.
pub async fn view(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri, asked: Asked) -> Page {
    let (mut ports, now_ms) = (book.desk.ports(), now_ms());
    ports.sort_by_cached_key(|port| words::counted(&port.name));
    let (narrowed, fitting) = chosen(&ports, asked, now_ms)?;
    let mut around = book.around(&headers, &uri, "overview", "Overview");
    around.moving = true;
    let all: Vec<PortLine> = ports.iter().map(|port| PortLine::new(port, now_ms)).collect();
    let filters = filters(&all, &narrowed);
    let pauses: Vec<_> = book.desk.pauses();
    if !narrowed.is_all() {
        let here = |pause: &&Pause| pause.cabinet.is_none() || pause.cabinet.as_ref() == Some(&narrowed.cabinet);
        (around.title, around.sought) = (narrowed.title(), narrowed.q.clone());
        let mut shown: Vec<PortLine> = fitting.into_iter().map(|(_, line)| line).collect();
        shown.sort_by_key(|line| State::ALL.iter().position(|state| *state == line.held));
        let lead = summary(&shown);
        let more = shown.len().saturating_sub(LINES_MAX);
        shown.truncate(LINES_MAX);
        return filled(&Chosen {
            title: narrowed.title(),
            lead,
            filters,
            csv: narrowed.href(&narrowed.state).replacen('/', "/ports.csv", 1),
            pauses: pauses.iter().filter(here).map(|pause| PauseLine::new(pause, now_ms)).collect(),
            narrowed,
            shown,
            more,
            around,
        });
    }
    let (watched, not_watched): (Vec<_>, Vec<_>) = all.into_iter().partition(|line| line.is_watched);
    let wrong = pick(&watched, |line| line.needs_attention);
    let headline = words::headline(Fares {
        watched: watched.len() as u64,
        proven: watched.iter().filter(|line| line.is_proven).count() as u64,
        wrong: wrong.len() as u64,
    });
    around.title.clone_from(&headline);
    let coming = book.desk.coming();
    let health = book.desk.health();
    let (acknowledged, stale) = (pick(&watched, |line| line.is_acknowledged), stale(&watched));
    filled(&Overview {
        headline,
        lead: format!("{} watched: {}", watched.len(), summary(&watched)),
        acknowledged,
        stale,
        live: ports.iter().filter_map(|p| p.running.as_ref()).map(|run| LiveLine::new(run, now_ms)).collect(),
        waiting: book.desk.queue().iter().map(|entry| WaitingLine::new(entry, now_ms)).collect(),
        coming: coming.first().map_or(String::new(), |next| {
            let at = words::time_of_day(next.due_ms, &around.clock);
            format!("Next scheduled: {} at {at}, round {}.", next.port, next.round)
        }),
        cabinets: cabinets(watched, &pauses),
        states: State::ALL.map(|state| (state.name(), words::state(state), words::meaning(state))).into(),
        troubles: health.troubles,
        pauses: pauses.iter().map(|pause| PauseLine::new(pause, now_ms)).collect(),
        wrong,
        filters,
        not_watched,
        around,
    })
}

/// `1 failed, 3 proven`, the worst first.
fn summary(ports: &[PortLine]) -> String {
    let count = |state| ports.iter().filter(|p| p.held == state).count();
    let all = State::ALL.map(|state| (count(state), words::state(state)));
    let some: Vec<_> = all.into_iter().filter(|(n, _)| *n > 0).map(|(n, word)| format!("{n} {word}")).collect();
    some.join(", ")
}

/// A link for each state that a port is in.
fn filters(all: &[PortLine], narrowed: &Narrowed) -> Vec<Filter> {
    let states = State::ALL.map(|state| (words::state(state), state.name()));
    let whole = [("all", ""), ("need attention", "attention"), ("grow stale", "stale")];
    let links = whole.into_iter().chain(states).chain([("not watched", NOT_WATCHED)]);
    let link = |(word, name): (&'static str, &str)| {
        let with = Narrowed { state: name.to_owned(), ..narrowed.clone() };
        let count = all.iter().filter(|line| with.takes(line)).count();
        Filter { word, href: narrowed.href(name), count, is_here: narrowed.state == name }
    };
    links.map(link).filter(|link| link.count > 0 || link.is_here).collect()
}

/// Those that fit, the worst first.
fn pick(lines: &[PortLine], fits: impl Fn(&PortLine) -> bool) -> Vec<PortLine> {
    let mut picked: Vec<_> = lines.iter().filter(|line| fits(line)).cloned().collect();
    picked.sort_by_key(|line| State::ALL.iter().position(|state| *state == line.held));
    picked
}

fn stale(watched: &[PortLine]) -> Vec<StaleGroup> {
    let kinds = [
        (Stale::Ends, "proof ends soon", "stale"),
        (Stale::Ended, "proof ended", State::Expired.name()),
        (Stale::NeverTested, "never tested", State::NeverTested.name()),
        (Stale::ChipOnly, "chip proven only", State::ChipProven.name()),
        (Stale::Leans, "begins to drift", "stale"),
    ];
    let group = |(kind, word, state): (Stale, &'static str, &str)| {
        let mut shown = pick(watched, |line| line.stale == Some(kind));
        let more = shown.len().saturating_sub(STALE_MAX);
        shown.truncate(STALE_MAX);
        StaleGroup { word, href: Narrowed::default().href(state), shown, more }
    };
    kinds.into_iter().map(group).filter(|group| !group.shown.is_empty()).collect()
}

/// Ports by cabinet; those without one last.
fn cabinets(ports: Vec<PortLine>, pauses: &[Pause]) -> Vec<Cabinet> {
    let mut by_name: BTreeMap<_, Vec<PortLine>> = BTreeMap::new();
    for port in ports {
        let name = port.cabinet.clone();
        let counted = name.as_deref().map(words::counted);
        by_name.entry((name.is_none(), counted, name.unwrap_or_default())).or_default().push(port);
    }
    let cabinet = |name: String, ports: Vec<PortLine>| Cabinet {
        href: Narrowed { cabinet: name.clone(), ..Narrowed::default() }.href(""),
        summary: summary(&ports),
        width: width(&ports),
        paused: pauses.iter().any(|pause| pause.covers(Some(name.as_str()))),
        name,
        ports,
    };
    by_name.into_iter().map(|((.., name), ports)| cabinet(name, ports)).collect()
}

/// The look of a list of cells.
fn width(ports: &[PortLine]) -> &'static str {
    match ports.iter().map(|line| line.name.chars().count()).max().unwrap_or_default() {
        0..=8 => "",
        9..=12 => "broad",
        _ => "wide",
    }
}

const NOT_WATCHED: &str = "not-watched";
/// Lines of a list; a longer one is narrowed down.
const LINES_MAX: usize = 120;
/// Ports named of those that grow stale alike.
const STALE_MAX: usize = 16;
