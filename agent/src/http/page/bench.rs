//! The bench: a large tile for each slot, readable across the room; what hands are to do, how far the lot is, and its
//! paper.

use askama::Template;
use axum::{
    Extension, Form,
    extract::{Path, rejection::FormRejection},
    http::{HeaderMap, StatusCode, Uri, header},
    response::{Html, IntoResponse, Redirect},
};
use serde::Deserialize;
use turnback_core::document::card_test::{CardTest, Grade};

use super::{Around, Book, Page, PageError, enter::not_understood, filled, laid_out, now_ms, words};
use crate::{
    daemon::{
        agent::{BenchAnswer, BenchOrder, BenchView, HandsView, LotView, SlotState, SlotView, Testing},
        keys::Caller,
    },
    http::{api::ask, error::ApiError},
    show::{
        figure,
        label::{self, Size},
        sheet::{self, layout::Trail},
    },
};

#[derive(Template)]
#[template(path = "http/page/bench.html")]
struct Bench {
    around: Around,
    bench: String,
    headline: String,
    trouble: Option<String>,
    tiles: Vec<Tile>,
    cautions: Vec<String>,
    lot: Option<LotView>,
}

/// What a slot shows.
struct Tile {
    slot: String,
    /// Name of the state, for its look.
    state: &'static str,
    /// The word that is read across the room.
    word: String,
    card: String,
    kind: String,
    href: String,
    /// The test that is on: its name and number, its share, and the time left.
    test: Option<(String, Option<f64>, String)>,
    why: String,
    hands: Option<HandsView>,
    is_left: bool,
    has_paper: bool,
}

impl Tile {
    fn new(slot: &SlotView, now_ms: i64) -> Self {
        let card = slot.card.clone().unwrap_or_default();
        let (state, word) = match (slot.state, slot.grade) {
            (SlotState::Empty, _) => ("empty", "empty".to_owned()),
            (SlotState::Testing, _) => ("testing", "testing".to_owned()),
            (SlotState::Hands, _) => ("hands", "hands needed".to_owned()),
            (SlotState::Waits, _) => ("waits", "waits".to_owned()),
            (SlotState::Left, _) => ("left", "left".to_owned()),
            (SlotState::LeftAlone, _) => ("alone", "left alone".to_owned()),
            (SlotState::Graded, Some(grade)) => (grade.name(), grade.name().to_owned()),
            (SlotState::Graded | SlotState::Unfinished, _) => ("unfinished", Grade::Unfinished.name().to_owned()),
        };
        Self {
            slot: slot.slot.clone(),
            state,
            word,
            kind: slot.kind.clone().unwrap_or_default(),
            href: card_href(&card),
            test: slot.testing.as_ref().map(|testing| told(testing, now_ms)),
            why: waiting(slot, now_ms),
            hands: slot.hands.clone(),
            is_left: slot.state == SlotState::Left || fails_as_reference(slot),
            has_paper: slot.grade.is_some() && !slot.is_reference,
            card,
        }
    }
}

/// Why it waits, is left alone or has its grade; and how long it still waits, where that is known.
fn waiting(slot: &SlotView, now_ms: i64) -> String {
    let why = words::plainly(&slot.why);
    match slot.until_ms.map(|until_ms| (until_ms - now_ms) as f64 / 1e3) {
        Some(left_s) if left_s >= 1.0 => format!("{why}: about {} left", figure::seconds(left_s.ceil())),
        Some(_) => format!("{why}: nearly done"),
        None => why.to_owned(),
    }
}

/// Until the reference card passes no other card is tested.
fn fails_as_reference(slot: &SlotView) -> bool {
    slot.is_reference && slot.grade.is_some_and(|grade| grade != Grade::Accepted)
}

/// `links, test 3 of 7`, its share, and how long it and the card still take.
fn told(testing: &Testing, now_ms: i64) -> (String, Option<f64>, String) {
    let name = format!("{}, test {} of {}", testing.test.name(), testing.number, testing.of);
    let left = match testing.left_s(now_ms) {
        Some(left_s) if left_s >= 1.0 => format!("about {} left for this card", figure::seconds(left_s.ceil())),
        Some(_) => "nearly done".to_owned(),
        None => String::new(),
    };
    (name, testing.share(now_ms), left)
}

/// What is to be read first.
fn headline(view: &BenchView) -> String {
    let of = |state| view.slots.iter().filter(move |slot| slot.state == state);
    let hands: Vec<&str> = of(SlotState::Hands).map(|slot| slot.slot.as_str()).collect();
    let testing: Vec<&str> = of(SlotState::Testing).filter_map(|slot| slot.card.as_deref()).collect();
    let is_done = view.lot.as_ref().is_some_and(|lot| lot.tested >= lot.to_test);
    match () {
        () if view.trouble.is_some() => "The bench cannot work".to_owned(),
        () if !hands.is_empty() => format!("Hands are needed at {}", hands.join(", ")),
        () if !testing.is_empty() => format!("Testing {}", testing.join(", ")),
        () if is_done => "Every card is graded".to_owned(),
        () => "Waiting for cards".to_owned(),
    }
}

fn card_href(card: &str) -> String {
    format!("/bench/cards/{}", words::encoded(card))
}

fn lot_href(lot: &str) -> String {
    format!("/bench/lots/{}", words::encoded(lot))
}

pub async fn view(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let Some(view) = book.desk.bench() else {
        let text = "this machine is no bench; [bench] in the configuration makes it one";
        return Err(PageError(ApiError::new(StatusCode::NOT_FOUND, "unknown-page", text)));
    };
    let now_ms = now_ms();
    let mut around = book.around(&headers, &uri, "bench", headline(&view));
    around.moving = true;
    // Each once, however many cards they apply to.
    let mut cautions: Vec<String> = Vec::new();
    for caution in view.slots.iter().filter_map(|slot| slot.hands.as_ref()).flat_map(|hands| &hands.cautions) {
        cautions.retain(|known| known != caution);
        cautions.push(caution.clone());
    }
    filled(&Bench {
        headline: headline(&view),
        tiles: view.slots.iter().map(|slot| Tile::new(slot, now_ms)).collect(),
        bench: view.bench,
        trouble: view.trouble,
        cautions,
        lot: view.lot,
        around,
    })
}

type Sent<T> = Result<Form<T>, FormRejection>;

/// An answer as sent from a tile.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Answer {
    request: String,
    answer: BenchAnswer,
    #[serde(default)]
    sticker: String,
    #[serde(default)]
    light: String,
}

pub async fn answer(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    form: Sent<Answer>,
) -> Result<Redirect, PageError> {
    let Form(Answer { request, answer, sticker, light }) = form.map_err(not_understood)?;
    // What stands in the field of a card that is left says nothing.
    let given = |text: String| Some(text).filter(|text| !text.trim().is_empty() && answer == BenchAnswer::Done);
    let order = BenchOrder { request, answer, sticker: given(sticker), light: given(light) };
    ask(&book.desk, move |desk| desk.answer_bench(order, &caller.name)).await?;
    Ok(Redirect::to("/bench"))
}

/// The card for which somebody asks anew.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Again {
    card: String,
}

pub async fn again(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    form: Sent<Again>,
) -> Result<Redirect, PageError> {
    let Form(Again { card }) = form.map_err(not_understood)?;
    ask(&book.desk, move |desk| desk.ask_bench_again(&card, &caller.name)).await?;
    Ok(Redirect::to("/bench"))
}

fn trail() -> Vec<Trail> {
    [("Overview", "/"), ("Bench", "/bench")].map(|(word, href)| Trail { word: word.into(), href: href.into() }).into()
}

pub async fn certificate(Extension(book): Extension<Book>, Path(card): Path<String>) -> Page {
    let test = ask(&book.desk, move |desk| desk.card_test(&card)).await?;
    laid_out(sheet::bench::certificate_in_book(&test, trail())).map(Html)
}

pub async fn label(Extension(book): Extension<Book>, Path(card): Path<String>) -> Result<impl IntoResponse, PageError> {
    let test: CardTest = ask(&book.desk, move |desk| desk.card_test(&card)).await?;
    let size = Size { width: 62.0, height: 29.0 };
    let svg = label::render(&test, size)
        .map_err(|error| PageError(ApiError::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", error.to_string())))?;
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], svg))
}

pub async fn lot(Extension(book): Extension<Book>, Path(lot): Path<String>) -> Page {
    let lot = ask(&book.desk, move |desk| desk.lot(&lot)).await?;
    laid_out(sheet::bench::lot_in_book(&lot, trail())).map(Html)
}

#[cfg(test)]
mod tests {
    use turnback_core::bench::procedure::TestName;

    use super::*;

    fn slot(state: SlotState) -> SlotView {
        SlotView { slot: "slot-1".into(), card: Some("quay-01".into()), state, ..SlotView::default() }
    }

    #[test]
    fn a_card_that_waits_for_a_burn_in_says_how_long() {
        let why = "the burn-in of quay-01 is on, and links would disturb it";
        let told = |until_ms| waiting(&SlotView { why: why.into(), until_ms, ..slot(SlotState::Waits) }, 1000);
        assert_eq!(told(None), why);
        assert_eq!(told(Some(121_000)), format!("{why}: about 2 min left"));
        assert_eq!(told(Some(1500)), format!("{why}: nearly done"));
    }

    #[test]
    fn what_needs_somebody_is_read_first() {
        let lot = LotView { to_test: 2, tested: 2, ..LotView::default() };
        let of = |states: &[SlotState], trouble: Option<&str>| {
            let slots = states.iter().map(|state| slot(*state)).collect();
            headline(&BenchView { slots, trouble: trouble.map(str::to_owned), ..BenchView::default() })
        };
        let both = [SlotState::Testing, SlotState::Hands];
        assert_eq!(of(&both, Some("no lot")), "The bench cannot work");
        assert_eq!(of(&both, None), "Hands are needed at slot-1");
        assert_eq!(of(&[SlotState::Testing, SlotState::Empty], None), "Testing quay-01");
        assert_eq!(of(&[SlotState::Graded], None), "Waiting for cards");
        assert_eq!(headline(&BenchView { lot: Some(lot), ..BenchView::default() }), "Every card is graded");
    }

    #[test]
    fn a_tile_says_how_far_its_test_is_and_shows_paper_of_a_grade_only() {
        let testing =
            Testing { test: TestName::Links, number: 3, of: 7, began_ms: 0, takes_s: Some(20.0), then_s: 95.2 };
        let shown = Tile::new(&SlotView { testing: Some(testing.clone()), ..slot(SlotState::Testing) }, 5000);
        let (name, share, left) = shown.test.unwrap();
        assert_eq!((name.as_str(), share), ("links, test 3 of 7", Some(0.25)));
        assert!(left.contains("1 min 51 s") || left.contains("111 s"), "{left}");
        let unknown = told(&Testing { takes_s: None, ..testing }, 5000);
        assert_eq!((unknown.1, unknown.2.as_str()), (None, ""));
        assert!(!shown.has_paper);
        let graded = Tile::new(&SlotView { grade: Some(Grade::Limited), ..slot(SlotState::Graded) }, 0);
        assert_eq!((graded.state, graded.word.as_str(), graded.has_paper), ("limited", "limited", true));
    }
}
