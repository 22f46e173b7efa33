//! Forms that change something. The gate has made sure that whoever sends them holds a session, from one of our own
//! pages.

use axum::{
    Extension, Form,
    extract::{Path, rejection::FormRejection},
    response::Redirect,
};
use serde::Deserialize;

use super::{
    Book, PageError,
    enter::not_understood,
    view::{case_href, port_href, run_href},
    words,
};
use crate::{
    daemon::{
        agent::{CaseOrder, Shown, StageOrder, StartOrder},
        keys::Caller,
    },
    http::api::ask,
};

type Done = Result<Redirect, PageError>;

/// A field left empty means that nothing was given.
fn given(text: String) -> Option<String> {
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

/// A check as asked for on a port's page.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Start {
    #[serde(default)]
    profile: String,
    #[serde(default)]
    placement: String,
    #[serde(default)]
    cable: String,
}

pub async fn start(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(port): Path<String>,
    form: Result<Form<Start>, FormRejection>,
) -> Done {
    let Form(Start { profile, placement, cable }) = form.map_err(not_understood)?;
    let order =
        StartOrder { port: port.clone(), profile: given(profile), placement: given(placement), cable: given(cable) };
    let run = ask(&book.desk, move |desk| desk.start(order, &caller.name)).await?;
    // A run that waits for its turn is known to nobody but its port.
    Ok(Redirect::to(&format!("{}?port={}", run_href(&run), words::encoded(&port))))
}

/// Where to go after a run was ended.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct End {
    #[serde(default)]
    port: String,
}

pub async fn end(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(run): Path<String>,
    form: Result<Form<End>, FormRejection>,
) -> Done {
    let Form(End { port }) = form.map_err(not_understood)?;
    ask(&book.desk, move |desk| desk.cancel(&run, &caller.name)).await?;
    Ok(Redirect::to(&if port.is_empty() { "/".to_owned() } else { port_href(&port) }))
}

/// A case as opened on a port's page.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Open {
    #[serde(default)]
    cable: String,
    #[serde(default)]
    segments: String,
    #[serde(default)]
    plug: String,
}

pub async fn open_case(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(port): Path<String>,
    form: Result<Form<Open>, FormRejection>,
) -> Done {
    let Form(Open { cable, segments, plug }) = form.map_err(not_understood)?;
    let segments = segments.split(',').filter_map(|label| given(label.to_owned())).collect();
    let order = CaseOrder { port, cable: given(cable), segments, plug: given(plug) };
    let case = ask(&book.desk, move |desk| desk.open_case(order, &caller.name)).await?;
    Ok(Redirect::to(&case_href(&case)))
}

/// Which stage, with what it is carried out, or why it is skipped.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stage {
    stage: String,
    #[serde(default)]
    plug: String,
    #[serde(default)]
    on: String,
    shows: Option<Shown>,
    #[serde(default)]
    why: String,
}

pub async fn perform(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    form: Result<Form<Stage>, FormRejection>,
) -> Done {
    let Form(Stage { stage, plug, on, shows, .. }) = form.map_err(not_understood)?;
    let back = case_href(&case);
    let order = StageOrder { stage, plug: given(plug), on: given(on), shows, ..StageOrder::default() };
    ask(&book.desk, move |desk| desk.perform(&case, order, &caller.name)).await?;
    Ok(Redirect::to(&back))
}

pub async fn skip(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    form: Result<Form<Stage>, FormRejection>,
) -> Done {
    let Form(Stage { stage, why, .. }) = form.map_err(not_understood)?;
    let back = case_href(&case);
    ask(&book.desk, move |desk| desk.skip(&case, &stage, why.trim(), &caller.name)).await?;
    Ok(Redirect::to(&back))
}

pub async fn set_aside(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    form: Result<Form<Stage>, FormRejection>,
) -> Done {
    let Form(Stage { stage, .. }) = form.map_err(not_understood)?;
    let back = case_href(&case);
    ask(&book.desk, move |desk| desk.set_aside(&case, &stage, &caller.name)).await?;
    Ok(Redirect::to(&back))
}
