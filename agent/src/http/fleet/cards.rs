//! Cards that were tested on benches of the fleet, and the certificate of one.

use askama::Template;
use axum::{
    Extension,
    extract::Path,
    http::{HeaderMap, Uri},
    response::Html,
};

use super::{
    Book, line,
    ports::CardLine,
    query::{self, Asked, fields, run_id},
};
use crate::{
    http::page::cover::{Around, Page, filled, laid_out, now_ms},
    show::sheet::{self, layout::Trail},
};

#[derive(Template)]
#[template(path = "http/fleet/cards.html")]
struct Cards {
    around: Around,
    lead: String,
    q: String,
    cards: Vec<CardLine>,
}

pub async fn list(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri, asked: Asked<query::Words>) -> Page {
    let asked = fields(asked)?;
    let found = book.view.cards(&asked.q, LINES_MAX).await?;
    let mut around = book.cover.around(&headers, &uri, "cards", "Cards");
    around.moving = true;
    let lead = match found.len() {
        0 => "none fits".to_owned(),
        n if n == LINES_MAX as usize => format!("the {n} that were tested last"),
        n => line::plural(n as i64, "card test"),
    };
    let now_ms = now_ms();
    filled(&Cards { lead, q: asked.q, cards: found.iter().map(|card| CardLine::new(card, now_ms)).collect(), around })
}

/// The certificate of a card.
pub async fn one(Extension(book): Extension<Book>, Path(test): Path<String>) -> Page {
    let id = run_id(&test).map_err(|_| query::unknown("card test", &test))?;
    let card = book.view.card(id).await?.ok_or_else(|| query::unknown("card test", &test))?;
    let trail = [("Overview", "/".to_owned()), ("Cards", "/cards".into()), ("as JSON", format!("/api/1/cards/{id}"))];
    let trail = trail.into_iter().map(|(word, href)| Trail { word: word.into(), href }).collect();
    laid_out(sheet::bench::certificate_in_book(&card, trail)).map(Html)
}

const LINES_MAX: u32 = 100;
