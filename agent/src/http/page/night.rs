//! The schedule of the hours to come: the night, as it is planned now.

use askama::Template;
use axum::{
    Extension,
    http::{HeaderMap, Uri},
};

use super::{
    Around, Book, Page, filled, now_ms,
    rows::{LiveLine, WaitingLine},
    words,
};

#[derive(Template)]
#[template(path = "http/page/night.html")]
struct Night {
    around: Around,
    live: Vec<LiveLine>,
    waiting: Vec<WaitingLine>,
    hours: Vec<Hour>,
    runs: usize,
}

/// The runs of one round that are due in one hour.
struct Hour {
    at: String,
    round: String,
    /// Each port with its page and the minute when it is due.
    ports: Vec<(String, String, String)>,
}

pub async fn view(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let mut around = book.around(&headers, &uri, "night", "The next 24 hours");
    around.moving = true;
    let coming = book.desk.coming();
    let mut hours: Vec<Hour> = Vec::new();
    for run in &coming {
        let minute = words::minute(run.due_ms, &around.clock);
        let (at, round) = (format!("{}:00 and later", minute.split_once(':').map_or("", |(hour, _)| hour)), &run.round);
        if !hours.iter().any(|hour| hour.at == at && hour.round == *round) {
            hours.push(Hour { at: at.clone(), round: round.clone(), ports: Vec::new() });
        }
        let hour = hours.iter_mut().find(|hour| hour.at == at && hour.round == *round);
        let due = words::time_of_day(run.due_ms, &around.clock);
        if let Some(hour) = hour {
            hour.ports.push((run.port.clone(), words::port_href(&run.port), due));
        }
    }
    let now_ms = now_ms();
    filled(&Night {
        live: book.desk.ports().iter().filter_map(|p| p.running.as_ref()).map(|r| LiveLine::new(r, now_ms)).collect(),
        waiting: book.desk.queue().iter().map(|entry| WaitingLine::new(entry, now_ms)).collect(),
        hours,
        runs: coming.len(),
        around,
    })
}
