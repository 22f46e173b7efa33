//! Ports that fit, a line each; and one port: its state, its past, and where its card and cable were besides.

use askama::Template;
use axum::{
    Extension,
    extract::Path,
    http::{HeaderMap, Uri},
};
use turnback_core::watch::standing::State;

use super::{
    Book, asks,
    line::{self, PortLine, RunRow},
    query::{self, Asked, fields},
};
use crate::{
    fleet::view::{
        cards::Card,
        changes::Change,
        overview::Counts,
        ports::{ATTENTION, NOT_WATCHED, Port, SILENT, STALE},
    },
    http::page::{
        cover::{Around, Page, filled, now_ms},
        words,
    },
};

/// A link that narrows down, and how many ports it leads to, where that is known.
pub struct Filter {
    /// Its word.
    pub word: String,
    /// Its address.
    pub href: String,
    /// How many.
    pub count: String,
    /// It is what is shown.
    pub is_here: bool,
}

/// A link for each state. Counts are those of the whole fleet.
pub fn filters(asked: &query::Ports, counts: Option<&Counts>) -> Vec<Filter> {
    let states = State::ALL.map(|state| (words::state(state), state.name()));
    let whole = [("all", ""), ("need attention", ATTENTION), ("grow stale", STALE)];
    let links = whole.into_iter().chain(states).chain([("silent", SILENT), ("not watched", NOT_WATCHED)]);
    let link = |(word, name): (&str, &str)| {
        let of = |counts: &Counts| match name {
            "" => Some(counts.ports + counts.not_watched),
            ATTENTION => Some(counts.needs_attention),
            STALE => None,
            NOT_WATCHED => Some(counts.not_watched),
            state => Some(counts.states.get(state).copied().unwrap_or_default()),
        };
        let count = counts.and_then(of);
        let is_here = counts.is_none() && asked.state == name;
        let narrowed = query::Ports { state: name.into(), after: String::new(), ..asked.clone() };
        (count != Some(0) || is_here).then(|| Filter {
            word: word.into(),
            href: narrowed.href("/ports"),
            count: count.map_or(String::new(), line::count),
            is_here,
        })
    };
    links.filter_map(link).collect()
}

#[derive(Template)]
#[template(path = "http/fleet/ports.html")]
struct Ports {
    around: Around,
    title: String,
    lead: String,
    filters: Vec<Filter>,
    shown: Vec<PortLine>,
    cards: Vec<CardLine>,
    next: String,
    csv: String,
}

/// A card test in a line.
pub struct CardLine {
    /// Its page.
    pub href: String,
    /// Label.
    pub label: String,
    /// Grade.
    pub grade: String,
    /// Serial number, lot and addresses.
    pub place: String,
    /// Where and when it was tested.
    pub says: String,
}

impl CardLine {
    /// Of a card test, at a time in ms since 1970.
    pub fn new(card: &Card, now_ms: i64) -> Self {
        let serial = card.serial.iter().map(|serial| format!("serial {serial}"));
        let lot = card.lot.iter().map(|lot| format!("lot {lot}"));
        Self {
            href: format!("/cards/{}", card.test),
            label: card.label.clone(),
            grade: card.grade.clone(),
            place: serial.chain(lot).chain(card.addresses.iter().cloned()).collect::<Vec<_>>().join(", "),
            says: format!("tested at {} {}, {} ago", card.site, card.machine, words::age(now_ms - card.changed_ms)),
        }
    }
}

/// Ports that fit, and cards if a word is searched for.
pub async fn list(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri, asked: Asked<query::Ports>) -> Page {
    let asked = fields(asked)?;
    let narrowed = asked.narrowed()?;
    let found = book.view.ports(&narrowed, LINES_MAX).await?;
    let cards = match asked.q.trim() {
        "" => Vec::new(),
        q => book.view.cards(q, CARDS_MAX).await?,
    };
    let now_ms = now_ms();
    let mut around = book.cover.around(&headers, &uri, "overview", title(&asked));
    (around.moving, around.sought) = (true, asked.q.clone());
    let full = found.len() == LINES_MAX as usize;
    let next = found.last().filter(|_| full).map(query::Ports::place);
    let lead = match (found.len(), full) {
        (0, _) => "no port fits".to_owned(),
        (n, false) => line::plural(n as i64, "port"),
        (n, true) => format!("the first {n}, the worst first"),
    };
    filled(&Ports {
        title: around.title.clone(),
        lead,
        filters: filters(&asked, None),
        shown: found.iter().map(|port| PortLine::new(port, now_ms)).collect(),
        cards: cards.iter().map(|card| CardLine::new(card, now_ms)).collect(),
        next: next.map_or(String::new(), |after| query::Ports { after, ..asked.clone() }.href("/ports")),
        csv: query::Ports { after: String::new(), ..asked }.href("/ports.csv"),
        around,
    })
}

fn title(asked: &query::Ports) -> String {
    let what = match asked.state.as_str() {
        "" => "Ports".to_owned(),
        ATTENTION => "Ports that need attention".into(),
        STALE => "Ports that grow stale".into(),
        NOT_WATCHED => "Ports that no round watches".into(),
        state => format!("Ports: {}", line::word(state)),
    };
    let place =
        [("in", &asked.cabinet), ("of", &asked.machine), ("at", &asked.site)].map(|(word, name)| match name.trim() {
            "" => String::new(),
            name => format!(" {word} {name}"),
        });
    let sought = Some(asked.q.trim()).filter(|q| !q.is_empty()).map(|q| format!(" with “{q}”")).unwrap_or_default();
    format!("{what}{}{sought}", place.concat())
}

#[derive(Template)]
#[template(path = "http/fleet/port.html")]
struct One {
    around: Around,
    line: PortLine,
    port: Port,
    machine_href: String,
    site_href: String,
    since: String,
    advice: String,
    /// Whoever looks may ask for a check, and the machine accepts it.
    may_ask: bool,
    profiles: Vec<String>,
    facts: Vec<(&'static str, String)>,
    ground: Option<String>,
    changes: Vec<ChangeLine>,
    runs: Vec<RunRow>,
    runs_href: String,
    of_card: Vec<RunRow>,
    of_cable: Vec<RunRow>,
    cards: Vec<CardLine>,
}

/// A change of state as a line.
pub struct ChangeLine {
    /// When.
    pub when: String,
    /// How long ago.
    pub ago: String,
    /// State before.
    pub from: String,
    /// State after.
    pub to: String,
    /// Why.
    pub why: String,
}

impl ChangeLine {
    fn all(changes: Vec<Change>, now_ms: i64, zone: &jiff::tz::TimeZone) -> Vec<Self> {
        let at: Vec<i64> = changes.iter().map(|change| change.at_ms).collect();
        let line = |(change, when): (Change, String)| Self {
            when,
            ago: words::age(now_ms - change.at_ms),
            from: line::word(&change.from),
            to: line::word(&change.to),
            why: change.why,
        };
        changes.into_iter().zip(words::moments(&at, zone)).map(line).collect()
    }
}

/// One port of one machine.
pub async fn one(
    Extension(book): Extension<Book>,
    Path((site, machine, name)): Path<(String, String, String)>,
    headers: HeaderMap,
    uri: Uri,
) -> Page {
    let view = &book.view;
    let port = view.port(&site, &machine, &name).await?.ok_or_else(|| query::unknown("port", &name))?;
    let address = port.permanent_address.clone().unwrap_or_default();
    let cable = port.cable.clone().unwrap_or_default();
    // What has no address or no cable was nowhere else that anybody could tell.
    let of_card = async {
        if address.is_empty() {
            Ok(Vec::new())
        } else {
            view.runs_of_card_elsewhere(&address, port.id, ELSEWHERE).await
        }
    };
    let of_cable = async {
        if cable.is_empty() { Ok(Vec::new()) } else { view.runs_of_cable_elsewhere(&cable, port.id, ELSEWHERE).await }
    };
    let cards =
        async { if address.is_empty() { Ok(Vec::new()) } else { view.cards_of_address(&address, ELSEWHERE).await } };
    let (machine_of, changes, runs, of_card, of_cable, cards) = tokio::try_join!(
        view.machine(&site, &machine),
        view.changes(port.id, RECENT),
        view.runs_of_port(port.id, RECENT),
        of_card,
        of_cable,
        cards
    )?;
    let accepts = book.broker.is_some() && machine_of.is_some_and(|machine| machine.accepts_requests);
    let now_ms = now_ms();
    let line = PortLine::short(&port, now_ms);
    let mut around = book.cover.around(&headers, &uri, "overview", format!("{machine} {name} {}", line.word));
    around.moving = true;
    let zone = around.clock.clone();
    let newest = runs.first().map(|run| run.run.clone());
    let newest = newest.as_deref();
    let of_port = query::Runs { site, machine, port: name, ..query::Runs::default() };
    filled(&One {
        machine_href: line::machine_href(&port.site, &port.machine),
        site_href: line::site_href(&port.site),
        since: port.since_ms.map_or(String::new(), |ms| words::minute(ms, &zone)),
        advice: line::advice(&port, now_ms),
        may_ask: around.may_test && accepts,
        profiles: asks::profiles(),
        facts: facts(&port, now_ms),
        ground: port.run.as_ref().map(|run| words::run_href(run)),
        changes: ChangeLine::all(changes, now_ms, &zone),
        runs: RunRow::all(&runs, newest, &zone),
        runs_href: of_port.href("/runs"),
        of_card: RunRow::all(&of_card, newest, &zone),
        of_cable: RunRow::all(&of_cable, newest, &zone),
        cards: cards.iter().map(|card| CardLine::new(card, now_ms)).collect(),
        around,
        line,
        port,
    })
}

fn facts(port: &Port, now_ms: i64) -> Vec<(&'static str, String)> {
    let ago = |ms: i64| format!("{} ago", words::age(now_ms - ms));
    let (ends, ended) = match port.proof_ends_ms {
        Some(ms) if ms > now_ms => (Some(format!("in {}", words::age(ms - now_ms))), None),
        ended => (None, ended.map(ago)),
    };
    // A newer program may know more kinds.
    let known = port.kind.parse().map(|kind| words::kind(kind, port.simulated).to_owned());
    let kind = (!port.kind.is_empty()).then(|| known.unwrap_or_else(|_| port.kind.clone()));
    let all = [
        ("last proven", port.proven_ms.map(ago)),
        ("proof ends", ends),
        ("proof ended", ended),
        ("tested with", port.placement.as_deref().map(|placement| words::place_of_plug(placement, None))),
        ("kind", kind),
        ("label", port.label.clone()),
        ("cable", port.cable.clone()),
        ("burnt-in address", port.permanent_address.clone()),
        ("driver", port.driver.clone()),
        ("bus", port.bus.clone()),
        ("watched", (!port.watched).then(|| "no round chooses it".to_owned())),
        ("machine heard", Some(ago(port.heard_ms))),
    ];
    all.into_iter().filter_map(|(word, value)| Some((word, value?))).collect()
}

const LINES_MAX: u32 = 120;
const CARDS_MAX: u32 = 20;
const RECENT: u32 = 12;
const ELSEWHERE: u32 = 8;
