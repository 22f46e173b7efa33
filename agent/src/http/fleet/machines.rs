//! Machines, the one that was silent longest first; and one machine with its ports.

use askama::Template;
use axum::{
    Extension,
    extract::Path,
    http::{HeaderMap, Uri},
};

use super::{
    Book,
    line::{self, MachineLine, PortLine},
    query::{self, Asked, fields},
};
use crate::{
    fleet::view::{machines::Machine, ports},
    http::page::{
        cover::{Around, Page, filled, now_ms},
        words,
    },
};

#[derive(Template)]
#[template(path = "http/fleet/machines.html")]
struct Machines {
    around: Around,
    title: String,
    lead: String,
    asked: query::Machines,
    shown: Vec<MachineLine>,
    next: String,
    csv: String,
}

pub async fn list(
    Extension(book): Extension<Book>,
    headers: HeaderMap,
    uri: Uri,
    asked: Asked<query::Machines>,
) -> Page {
    let asked = fields(asked)?;
    let narrowed = asked.narrowed()?;
    let (found, counts) = tokio::try_join!(book.view.machines(&narrowed, LINES_MAX), book.view.counts())?;
    let now_ms = now_ms();
    let title = match (asked.state.as_str(), asked.site.trim()) {
        ("silent", "") => "Silent machines".to_owned(),
        ("silent", site) => format!("Silent machines at {site}"),
        (_, "") => "Machines".into(),
        (_, site) => format!("Machines at {site}"),
    };
    let mut around = book.cover.around(&headers, &uri, "machines", title.clone());
    around.moving = true;
    let full = found.len() == LINES_MAX as usize;
    let after = (narrowed.skip + i64::from(LINES_MAX)).to_string();
    filled(&Machines {
        lead: format!("{} in the fleet, {} silent", line::count(counts.machines), line::count(counts.silent)),
        shown: found.iter().map(|machine| MachineLine::new(machine, now_ms)).collect(),
        next: if full { query::Machines { after, ..asked.clone() }.href("/machines") } else { String::new() },
        csv: query::Machines { after: String::new(), ..asked.clone() }.href("/machines.csv"),
        title,
        asked,
        around,
    })
}

#[derive(Template)]
#[template(path = "http/fleet/machine.html")]
struct One {
    around: Around,
    machine: Machine,
    line: MachineLine,
    site_href: String,
    facts: Vec<(&'static str, String)>,
    ports: Vec<PortLine>,
    csv: String,
}

pub async fn one(
    Extension(book): Extension<Book>,
    Path((site, name)): Path<(String, String)>,
    headers: HeaderMap,
    uri: Uri,
) -> Page {
    let machine = book.view.machine(&site, &name).await?.ok_or_else(|| query::unknown("machine", &name))?;
    let narrowed = ports::Narrowed { site: site.clone(), machine: name.clone(), ..ports::Narrowed::default() };
    let ports = book.view.ports(&narrowed, PORTS_MAX).await?;
    let now_ms = now_ms();
    let mut around = book.cover.around(&headers, &uri, "machines", format!("Machine {name}"));
    around.moving = true;
    let all = query::Ports { site: site.clone(), machine: name, ..query::Ports::default() };
    filled(&One {
        line: MachineLine::new(&machine, now_ms),
        site_href: line::site_href(&site),
        facts: facts(&machine, now_ms),
        ports: ports.iter().map(|port| PortLine::short(port, now_ms)).collect(),
        csv: all.href("/ports.csv"),
        machine,
        around,
    })
}

fn facts(machine: &Machine, now_ms: i64) -> Vec<(&'static str, String)> {
    let ago = |ms: i64| format!("{} ago", words::age(now_ms - ms));
    let waiting = match (machine.waiting, machine.oldest_ms) {
        (None, _) | (Some(0), _) => None,
        (Some(n), None) => Some(line::plural(n, "document")),
        (Some(n), Some(ms)) => Some(format!("{}, the oldest from {}", line::plural(n, "document"), ago(ms))),
    };
    let all = [
        ("heard", Some(ago(machine.heard_ms))),
        ("host", machine.host.clone()),
        ("program", machine.program.clone()),
        ("up", machine.started_ms.map(|ms| words::age(now_ms - ms))),
        ("not sent yet", waiting),
        ("given up", machine.given_up.filter(|n| *n > 0).map(|n| line::plural(n, "document"))),
        ("takes checks from here", Some(if machine.accepts_requests { "yes" } else { "no" }.into())),
    ];
    all.into_iter().filter_map(|(word, value)| Some((word, value?))).collect()
}

const LINES_MAX: u32 = 120;
const PORTS_MAX: u32 = 500;
