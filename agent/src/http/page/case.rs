//! Cases: their list, one that is worked at the cable with a phone in hand, and the sheet that is printed at its end.

use askama::Template;
use axum::{
    Extension,
    extract::{Path, Query, rejection::QueryRejection},
    http::{HeaderMap, Uri},
    response::Html,
};
use data_encoding::HEXLOWER;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use turnback_core::{document::case::CaseState, plan::Profile};

use super::{
    Around, Book, Page, filled, laid_out, now_ms,
    port::waiting,
    rows::{LiveLine, WaitingLine},
    words,
};
use crate::{
    daemon::agent::{CaseView, NextView, StageView},
    http::api::ask,
    show::{
        case as case_text, figure,
        plot::stage,
        sheet::{self, layout::Trail},
        text,
    },
};

#[derive(Template)]
#[template(path = "http/page/cases.html")]
struct Cases {
    around: Around,
    cases: Vec<CaseLine>,
}

/// A case in the list.
struct CaseLine {
    href: String,
    when: String,
    port: String,
    cable: String,
    state: String,
    says: String,
}

const CASES_MAX: u32 = 100;

pub async fn list(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let cases = ask(&book.desk, |desk| desk.cases(CASES_MAX)).await?;
    let mut around = book.around(&headers, &uri, "cases", "Cases");
    around.moving = true;
    let opened: Vec<i64> = cases.iter().map(|case| words::began_ms(&case.opened_at)).collect();
    let line = |(case, when): (CaseView, String)| CaseLine {
        says: says(&case),
        href: words::case_href(&case.case),
        when,
        port: case.port,
        cable: case.cable.map_or(String::new(), |cable| format!("cable {cable}, ")),
        state: CaseState::said(&case.state).to_owned(),
    };
    let cases = cases.into_iter().zip(words::moments(&opened, &around.clock)).map(line).collect();
    filled(&Cases { around, cases })
}

/// The verdict in a few words, or what an open case points to.
fn says(case: &CaseView) -> String {
    let said = case.verdict.as_ref().and_then(|verdict| match case.state == CaseState::Open.name() {
        true => case_text::so_far(verdict),
        false => Some(text::headline(verdict)),
    });
    said.unwrap_or_else(|| "nothing yet".to_owned())
}

#[derive(Template)]
#[template(path = "http/page/case.html")]
struct Case {
    around: Around,
    case: CaseView,
    /// Whether anything is left to do in it.
    state: String,
    href: String,
    opened: String,
    port_href: String,
    headline: String,
    live: Option<LiveLine>,
    waiting: Option<WaitingLine>,
    step: Option<Step>,
    stages: Vec<StageLine>,
    profiles: Vec<String>,
}

/// What there is to do now.
struct Step {
    next: NextView,
    /// Where the plug goes: a drawing.
    drawing: String,
    /// `Stage 2 of about 4, at most 9: plug at the port. Its run takes 12 s.`
    count: String,
    /// Cautions that are new in this case.
    unread: Vec<String>,
    /// Those that stood beside an earlier stage.
    read: Vec<String>,
    /// Names of all that will have been read once this stage is done.
    reads: String,
    /// Nothing has to be done by hand: the run begins at a touch.
    is_ready: bool,
}

impl Step {
    /// `read`: names of the cautions that were read, with commas between.
    fn new(next: NextView, drawing: String, read: &str) -> Self {
        let known = |text: &&String| read.split(',').any(|name| name == caution_name(text));
        let (seen, unread): (Vec<_>, Vec<_>) = next.cautions.iter().partition(known);
        let time = |seconds: u64| figure::seconds(seconds as f64);
        let mut names: Vec<String> = read.split(',').filter(|name| is_caution_name(name)).map(str::to_owned).collect();
        names.extend(unread.iter().map(|text| caution_name(text)));
        Self {
            count: format!(
                "Stage {} of about {}{}: {}. Its run takes {}{}; all that is left, {} and your own time.",
                next.number,
                next.of,
                if next.of_most > next.of { format!(", at most {}", next.of_most) } else { String::new() },
                words::stage(&next.stage),
                time(next.time_s),
                next.no_link_s.map_or(String::new(), |s| format!(" with a link, {} without one", time(s))),
                match next.time_left_most_s > next.time_left_s {
                    true => format!("{} to {}", time(next.time_left_s), time(next.time_left_most_s)),
                    false => format!("about {}", time(next.time_left_s)),
                },
            ),
            unread: unread.into_iter().cloned().collect(),
            read: seen.into_iter().cloned().collect(),
            reads: names.join(","),
            is_ready: next.stage.ends_with("internal"),
            drawing,
            next,
        }
    }
}

/// A short name of a caution: cautions are told apart by their text alone.
fn caution_name(text: &str) -> String {
    HEXLOWER.encode(&Sha256::digest(text)[..3])
}

/// Whether a word from an address may be such a name.
pub fn is_caution_name(name: &str) -> bool {
    name.len() == 6 && name.bytes().all(|b| b.is_ascii_hexdigit())
}

/// A stage that was done or skipped.
struct StageLine {
    /// Its name, for programs.
    name: String,
    /// What that means, for people.
    stage: String,
    result: String,
    run_href: String,
    /// It has a result that the person may not stand by.
    may_be_set_aside: bool,
}

impl StageLine {
    /// `running`: the run that is on, which has no report yet.
    fn new(stage: &StageView, running: Option<&String>) -> Self {
        let again = if stage.attempt > 1 { format!(", attempt {}", stage.attempt) } else { String::new() };
        let reported = stage.run.as_ref().filter(|run| stage.counts && Some(*run) != running);
        Self {
            name: stage.stage.clone(),
            may_be_set_aside: stage.counts && running.is_none(),
            stage: format!("{}{again}", words::upper(&words::stage(&stage.stage))),
            result: match &stage.skipped {
                Some(why) if why.is_empty() => "skipped".into(),
                Some(why) => format!("skipped: {why}"),
                None => stage.result.clone(),
            },
            run_href: reported.map_or(String::new(), |run| words::run_href(run)),
        }
    }
}

/// Names of the cautions that were read in this case.
#[derive(Default, Deserialize)]
#[serde(default)]
pub struct Read {
    read: String,
}

pub async fn one(
    Extension(book): Extension<Book>,
    Path(case): Path<String>,
    headers: HeaderMap,
    uri: Uri,
    read: Result<Query<Read>, QueryRejection>,
) -> Page {
    let (case, drawing) = ask(&book.desk, move |desk| {
        let view = desk.case(&case)?;
        let stage = view.next.as_ref().and_then(|next| next.stage.parse().ok());
        let drawing = match stage {
            Some(stage) => stage::draw(&desk.case_document(&case)?, &stage),
            None => String::new(),
        };
        Ok((view, drawing))
    })
    .await?;
    let now_ms = now_ms();
    let mut around = book.around(&headers, &uri, "cases", format!("Case of {}", case.port));
    (around.watch, around.moving) = (case.port.clone(), true);
    let ports = book.desk.ports();
    let running = ports.iter().filter_map(|p| p.running.as_ref()).find(|r| Some(&r.run) == case.running.as_ref());
    let queued = waiting(&book, &case.port, now_ms).into_iter().find(|w| w.run.is_some() && w.run == case.running);
    let read = read.map_or(String::new(), |Query(read)| read.read);
    filled(&Case {
        opened: words::minute(words::began_ms(&case.opened_at), &around.clock),
        href: words::case_href(&case.case),
        port_href: words::port_href(&case.port),
        headline: says(&case),
        state: CaseState::said(&case.state).to_owned(),
        live: running.map(|run| LiveLine::new(run, now_ms)),
        waiting: queued,
        step: case.next.clone().map(|next| Step::new(next, drawing, &read)),
        stages: case.stages.iter().map(|stage| StageLine::new(stage, case.running.as_ref())).collect(),
        profiles: Profile::builtin().into_iter().map(|p| p.name).collect(),
        around,
        case,
    })
}

/// The sheet of a case, as `turnback report` makes it.
pub async fn printed(Extension(book): Extension<Book>, Path(case): Path<String>) -> Page {
    let case = ask(&book.desk, move |desk| desk.case_document(&case)).await?;
    let trail = vec![
        Trail { word: "Overview".into(), href: "/".into() },
        Trail { word: format!("Case of {}", case.port.name), href: words::case_href(&case.case) },
        Trail { word: case.port.name.clone(), href: words::port_href(&case.port.name) },
    ];
    laid_out(sheet::case::render_in_book(&case, trail)).map(Html)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_caution_is_new_once() {
        let next = |cautions: &[&str]| NextView {
            cautions: cautions.iter().map(|text| (*text).to_owned()).collect(),
            ..NextView::default()
        };
        let first = Step::new(next(&["light", "power"]), String::new(), "");
        assert_eq!((first.unread.len(), first.read.len()), (2, 0));
        let second = Step::new(next(&["light", "ringing"]), String::new(), &first.reads);
        assert_eq!((second.unread, second.read), (vec!["ringing".to_owned()], vec!["light".to_owned()]));
        let third = Step::new(next(&["light", "power", "ringing"]), String::new(), &second.reads);
        assert!(third.unread.is_empty(), "{:?}", third.unread);
    }
}
