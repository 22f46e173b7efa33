//! What became worse in the last day.

use askama::Template;
use axum::{
    Extension,
    http::{HeaderMap, Uri},
};

use super::{Book, line};
use crate::http::page::{
    cover::{Around, Page, filled, now_ms},
    words,
};

#[derive(Template)]
#[template(path = "http/fleet/failures.html")]
struct Failures {
    around: Around,
    lead: String,
    shown: Vec<Line>,
    full: bool,
}

struct Line {
    state: &'static str,
    word: String,
    name: String,
    href: String,
    place: String,
    why: String,
    ago: String,
    note: String,
}

pub async fn list(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let found = book.view.failures(LINES_MAX).await?;
    let now_ms = now_ms();
    let mut around = book.cover.around(&headers, &uri, "failures", "The last day");
    around.moving = true;
    let full = found.len() == LINES_MAX as usize;
    let lead = match found.len() {
        0 => "no port became worse in 24 hours".to_owned(),
        n if full => format!("the newest {n} changes for the worse, of more"),
        n => format!("{} for the worse in 24 hours, the newest first", line::plural(n as i64, "change")),
    };
    let shown = found.into_iter().map(|change| Line {
        state: line::look(&change.to),
        word: line::word(&change.to),
        name: format!("{} {}", change.machine, change.port),
        href: line::port_href(&change.site, &change.machine, &change.port),
        place: std::iter::once(change.site.clone()).chain(change.cabinet).collect::<Vec<_>>().join(", "),
        why: words::sentence(words::plainly(&change.why)),
        ago: words::age(now_ms - change.at_ms),
        note: match change.now == change.to {
            true => String::new(),
            false => format!("now {}", line::word(&change.now)),
        },
    });
    filled(&Failures { lead, shown: shown.collect(), full, around })
}

const LINES_MAX: u32 = 200;
