//! The overview of the fleet, by site and cabinet, and the page of one site.

use std::collections::BTreeMap;

use askama::Template;
use axum::{
    Extension,
    extract::Path,
    http::{HeaderMap, Uri},
};
use turnback_core::watch::standing::State;

use super::{
    Book,
    line::{self, MachineLine, PortLine},
    ports::{Filter, filters},
    query,
};
use crate::{
    fleet::view::{machines, overview, ports},
    http::page::{
        cover::{Around, Page, filled, now_ms},
        words,
    },
};

#[derive(Template)]
#[template(path = "http/fleet/overview.html")]
struct Overview {
    around: Around,
    headline: String,
    lead: String,
    troubles: Vec<String>,
    filters: Vec<Filter>,
    silent: Vec<MachineLine>,
    silent_more: i64,
    wrong: Vec<PortLine>,
    wrong_more: i64,
    stale: Vec<Stale>,
    oldest: Vec<(String, String, String)>,
    sites: Vec<Site>,
    states: Vec<(&'static str, &'static str, &'static str)>,
    is_empty: bool,
    all_cabinets: bool,
}

/// How many ports grow stale alike.
struct Stale {
    word: String,
    count: String,
    href: String,
}

/// A site with its cabinets.
struct Site {
    name: String,
    href: String,
    summary: String,
    is_bad: bool,
    cabinets: Vec<Cabinet>,
}

/// A cabinet in one cell.
struct Cabinet {
    name: String,
    href: String,
    state: &'static str,
    word: String,
    note: String,
}

pub async fn view(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let found = book.view.overview().await?;
    let (counts, now_ms) = (&*found.counts, now_ms());
    let mut around = book.cover.around(&headers, &uri, "overview", "");
    let [watched, wrong] = [counts.ports, counts.needs_attention].map(i64::unsigned_abs);
    let proven = counts.states.get(State::Proven.name()).map_or(0, |n| n.unsigned_abs());
    let headline = words::headline(words::Fares { watched, proven, wrong });
    (around.title, around.moving) = (headline.clone(), true);
    let silent = counts.silent - found.silent.len() as i64;
    let stale = [State::Expired, State::NeverTested, State::ChipProven].map(State::name);
    let stale = stale.into_iter().chain([ports::SILENT]).filter_map(|state| {
        let count = counts.states.get(state).copied().unwrap_or_default();
        let ports = query::Ports { state: state.into(), ..query::Ports::default() };
        (count > 0).then(|| Stale { word: line::word(state), count: line::count(count), href: ports.href("/ports") })
    });
    filled(&Overview {
        headline,
        lead: format!(
            "{} at {}, {}: {}",
            line::plural(counts.machines, "machine"),
            line::plural(counts.sites.len() as i64, "site"),
            line::plural(counts.ports, "watched port"),
            line::summary(&counts.states)
        ),
        troubles: troubles(counts),
        filters: filters(&query::Ports::default(), Some(counts)),
        silent: found.silent.iter().map(|machine| MachineLine::new(machine, now_ms)).collect(),
        silent_more: silent,
        wrong_more: counts.needs_attention - found.wrong.len() as i64,
        wrong: found.wrong.iter().map(|port| PortLine::new(port, now_ms)).collect(),
        stale: stale.collect(),
        oldest: found.oldest_proofs.iter().map(|port| proof(port, now_ms)).collect(),
        sites: counts.sites.iter().map(site_line).collect(),
        states: meanings(),
        is_empty: counts.machines == 0,
        all_cabinets: counts.all_cabinets,
        around,
    })
}

/// Looks, words and meanings of the states.
fn meanings() -> Vec<(&'static str, &'static str, &'static str)> {
    let silent = "its machine is silent, and told nothing bad of it before: nobody knows how it stands";
    let told = State::ALL.map(|state| (state.name(), words::state(state), words::meaning(state)));
    told.into_iter().chain([(line::look(ports::SILENT), ports::SILENT, silent)]).collect()
}

fn troubles(counts: &overview::Counts) -> Vec<String> {
    let set_aside = (counts.set_aside > 0).then(|| {
        let n = line::plural(counts.set_aside, "message");
        format!("{n} could not be taken: `turnback fleet set-aside` lists them with the reason.")
    });
    let behind = (counts.waiting > BEHIND)
        .then(|| format!("{} wait at machines and are not here yet.", line::plural(counts.waiting, "document")));
    set_aside.into_iter().chain(behind).collect()
}

/// A port with its page and how soon its proof ends.
fn proof(port: &ports::Port, now_ms: i64) -> (String, String, String) {
    let ends = port.proof_ends_ms.unwrap_or_default();
    let when = match ends > now_ms {
        true => format!("ends in {}", words::age(ends - now_ms)),
        false => format!("ended {} ago", words::age(now_ms - ends)),
    };
    let href = line::port_href(&port.site, &port.machine, &port.port);
    (href, format!("{} {}", port.machine, port.port), when)
}

fn site_line(site: &overview::Site) -> Site {
    let silent = (site.silent > 0).then(|| format!("{} silent", line::count(site.silent)));
    let machines = line::plural(site.machines, "machine");
    let ports = line::summary(&site.states);
    let said = std::iter::once(machines).chain(silent).chain((!ports.is_empty()).then_some(ports));
    Site {
        name: site.site.clone(),
        href: line::site_href(&site.site),
        summary: said.collect::<Vec<_>>().join(", "),
        is_bad: site.silent > 0 || site.needs_attention > 0,
        cabinets: in_order(&site.cabinets).map(|cabinet| cabinet_cell(&site.site, cabinet)).collect(),
    }
}

/// As people count, `cabinet 2` before `cabinet 10`; ports without one last.
fn in_order(cabinets: &[overview::Cabinet]) -> impl Iterator<Item = &overview::Cabinet> {
    let mut sorted: Vec<_> = cabinets.iter().collect();
    let named = |name: &Option<String>| (name.is_none(), name.as_deref().map(words::counted));
    sorted.sort_by_cached_key(|cabinet| named(&cabinet.cabinet));
    sorted.into_iter()
}

fn cabinet_cell(site: &str, cabinet: &overview::Cabinet) -> Cabinet {
    let name = cabinet.cabinet.clone().unwrap_or_else(|| "no cabinet given".into());
    let ports = query::Ports {
        site: site.into(),
        cabinet: cabinet.cabinet.clone().unwrap_or_default(),
        ..query::Ports::default()
    };
    Cabinet {
        name,
        href: ports.href("/ports"),
        state: line::look(&cabinet.worst),
        word: line::word(&cabinet.worst),
        note: match cabinet.needs_attention {
            0 => String::new(),
            n => format!("{} of {}", line::count(n), line::count(cabinet.ports)),
        },
    }
}

#[derive(Template)]
#[template(path = "http/fleet/site.html")]
struct SitePage {
    around: Around,
    site: String,
    lead: String,
    silent: Vec<MachineLine>,
    machines: Vec<MachineLine>,
    machines_more: bool,
    machines_href: String,
    wrong: Vec<PortLine>,
    cabinets: Vec<CabinetOfSite>,
    more: String,
    csv: String,
}

/// A cabinet with a cell for each port.
struct CabinetOfSite {
    name: String,
    href: String,
    summary: String,
    ports: Vec<PortLine>,
}

/// One site: silent machines, what is wrong, and every port by cabinet.
pub async fn site(Extension(book): Extension<Book>, Path(site): Path<String>, headers: HeaderMap, uri: Uri) -> Page {
    let counts = book.view.counts().await?;
    let known = counts.sites.iter().find(|known| known.site == site).ok_or_else(|| query::unknown("site", &site))?;
    let of_site = ports::Narrowed { site: site.clone(), ..ports::Narrowed::default() };
    let machines = machines::Narrowed { site: site.clone(), ..machines::Narrowed::default() };
    let (found, mut machines) =
        tokio::try_join!(book.view.ports(&of_site, PORTS_SHOWN), book.view.machines(&machines, MACHINES_SHOWN + 1))?;
    let now_ms = now_ms();
    let mut around = book.cover.around(&headers, &uri, "overview", format!("Site {site}"));
    around.moving = true;
    let machines_more = machines.len() > MACHINES_SHOWN as usize;
    machines.truncate(MACHINES_SHOWN as usize);
    let (silent, heard): (Vec<_>, Vec<_>) = machines.iter().partition(|machine| machine.silent);
    let full = found.len() == PORTS_SHOWN as usize;
    let mut by_cabinet: BTreeMap<_, Vec<&ports::Port>> = BTreeMap::new();
    for port in found.iter().filter(|port| port.watched) {
        let counted = port.cabinet.as_deref().map(words::counted);
        by_cabinet.entry((port.cabinet.is_none(), counted, port.cabinet.clone())).or_default().push(port);
    }
    let all = query::Ports { site: site.clone(), ..query::Ports::default() };
    let cabinet = |name: Option<String>, mut ports: Vec<&ports::Port>| {
        ports.sort_by_cached_key(|port| (words::counted(&port.machine), words::counted(&port.port)));
        let mut states: BTreeMap<String, i64> = BTreeMap::new();
        ports.iter().for_each(|port| *states.entry(port.state.clone()).or_default() += 1);
        CabinetOfSite {
            href: query::Ports { cabinet: name.clone().unwrap_or_default(), ..all.clone() }.href("/ports"),
            name: name.unwrap_or_else(|| "no cabinet given".into()),
            summary: line::summary(&states),
            ports: ports.into_iter().map(|port| PortLine::new(port, now_ms)).collect(),
        }
    };
    filled(&SitePage {
        lead: site_line(known).summary,
        silent: silent.into_iter().map(|machine| MachineLine::new(machine, now_ms)).collect(),
        machines: heard.into_iter().map(|machine| MachineLine::new(machine, now_ms)).collect(),
        machines_more,
        machines_href: query::Machines { site: site.clone(), ..query::Machines::default() }.href("/machines"),
        wrong: found.iter().filter(|port| port.needs_attention).map(|port| PortLine::new(port, now_ms)).collect(),
        cabinets: by_cabinet.into_iter().map(|((_, _, name), ports)| cabinet(name, ports)).collect(),
        more: if full { all.href("/ports") } else { String::new() },
        csv: all.href("/ports.csv"),
        site,
        around,
    })
}

/// Documents that wait anywhere are told of from here on: a few are always on their way.
const BEHIND: i64 = 100;
const PORTS_SHOWN: u32 = 1000;
const MACHINES_SHOWN: u32 = 60;
