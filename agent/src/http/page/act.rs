//! Forms that change something. The gate has made sure that whoever sends them holds a session whose role allows it,
//! from one of our own pages.

use askama::Template;
use axum::{
    Extension, Form,
    extract::{Path, rejection::FormRejection},
    http::{HeaderMap, Uri},
    response::Redirect,
};
use serde::Deserialize;

use super::{
    Around, Book, Page, PageError,
    case::is_caution_name,
    enter::not_understood,
    filled, now_ms,
    words::{self, case_href, port_href, run_href},
};
use crate::{
    daemon::{
        agent::{AcknowledgeOrder, CaseOrder, MuteOrder, PauseOrder, Shown, StageOrder, StartOrder},
        keys::Caller,
    },
    http::api::ask,
};

type Done = Result<Redirect, PageError>;
type Sent<T> = Result<Form<T>, FormRejection>;

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
    form: Sent<Start>,
) -> Done {
    let Form(Start { profile, placement, cable }) = form.map_err(not_understood)?;
    let order =
        StartOrder { port: port.clone(), profile: given(profile), placement: given(placement), cable: given(cable) };
    let run = ask(&book.desk, move |desk| desk.start(order, &caller.name)).await?;
    // A run that waits for its turn is known to nobody but its port.
    Ok(Redirect::to(&format!("{}?port={}", run_href(&run), words::encoded(&port))))
}

/// Which cabinet is tested.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cabinet {
    cabinet: String,
}

#[derive(Template)]
#[template(path = "http/page/asked.html")]
struct Asked {
    around: Around,
    cabinet: String,
    href: String,
    begun: Vec<(String, String)>,
    refused: Vec<(String, String, String)>,
}

pub async fn start_cabinet(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    uri: Uri,
    form: Sent<Cabinet>,
) -> Page {
    let Form(Cabinet { cabinet }) = form.map_err(not_understood)?;
    let name = cabinet.clone();
    let ports = ask(&book.desk, move |desk| desk.start_cabinet(&name, &caller.name)).await?;
    let (mut begun, mut refused) = (Vec::new(), Vec::new());
    for (port, answer) in ports {
        let href = port_href(&port);
        match answer {
            Ok(_) => begun.push((port, href)),
            Err(error) => refused.push((port, href, error.to_string())),
        }
    }
    let around = book.around(&headers, &uri, "overview", format!("{cabinet} is tested"));
    filled(&Asked { around, href: format!("/?cabinet={}", words::encoded(&cabinet)), cabinet, begun, refused })
}

/// Where to go after a run was ended.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct End {
    #[serde(default)]
    port: String,
    #[serde(default)]
    case: String,
}

pub async fn end(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(run): Path<String>,
    form: Sent<End>,
) -> Done {
    let Form(End { port, case }) = form.map_err(not_understood)?;
    ask(&book.desk, move |desk| desk.cancel(&run, &caller.name)).await?;
    Ok(Redirect::to(&match (port.is_empty(), case.is_empty()) {
        (_, false) => case_href(&case),
        (false, true) => port_href(&port),
        (true, true) => "/".to_owned(),
    }))
}

/// An acknowledgement, or that it is taken back.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Acknowledge {
    #[serde(default)]
    note: String,
    #[serde(default)]
    withdraw: bool,
}

pub async fn acknowledge(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(port): Path<String>,
    form: Sent<Acknowledge>,
) -> Done {
    let Form(Acknowledge { note, withdraw }) = form.map_err(not_understood)?;
    let back = port_href(&port);
    let order = AcknowledgeOrder { note: note.trim().to_owned(), withdraw };
    ask(&book.desk, move |desk| desk.acknowledge(&port, order, &caller.name)).await?;
    Ok(Redirect::to(&back))
}

/// For how long something is muted or paused, or that it ends.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct While {
    #[serde(default)]
    cabinet: String,
    #[serde(default)]
    hours: u32,
    #[serde(default)]
    note: String,
    #[serde(default)]
    end: bool,
}

impl While {
    fn until_ms(&self) -> i64 {
        now_ms() + i64::from(self.hours) * 3_600_000
    }
}

pub async fn mute(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(port): Path<String>,
    form: Sent<While>,
) -> Done {
    let Form(while_) = form.map_err(not_understood)?;
    let back = port_href(&port);
    let order = MuteOrder { until_ms: (!while_.end).then(|| while_.until_ms()), note: while_.note.trim().to_owned() };
    ask(&book.desk, move |desk| desk.mute(&port, order, &caller.name)).await?;
    Ok(Redirect::to(&back))
}

pub async fn pause(Extension(book): Extension<Book>, Extension(caller): Extension<Caller>, form: Sent<While>) -> Done {
    let Form(while_) = form.map_err(not_understood)?;
    let cabinet = given(while_.cabinet.clone());
    let back = cabinet.as_ref().map_or("/".into(), |cabinet| format!("/?cabinet={}", words::encoded(cabinet)));
    let order = PauseOrder {
        cabinet,
        until_ms: (!while_.end).then(|| while_.until_ms()),
        note: while_.note.trim().to_owned(),
        end: while_.end,
    };
    ask(&book.desk, move |desk| desk.pause(order, &caller.name)).await?;
    Ok(Redirect::to(&back))
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
    form: Sent<Open>,
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
    profile: String,
    #[serde(default)]
    on: String,
    shows: Option<Shown>,
    #[serde(default)]
    why: String,
    /// Names of the cautions that stood beside it or an earlier stage.
    #[serde(default)]
    read: String,
}

impl Stage {
    /// The case again, with the cautions that were read.
    fn back(&self, case: &str) -> String {
        let names: Vec<_> = self.read.split(',').filter(|name| is_caution_name(name)).collect();
        let href = case_href(case);
        if names.is_empty() { href } else { format!("{href}?read={}", names.join(",")) }
    }
}

pub async fn perform(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    form: Sent<Stage>,
) -> Done {
    let Form(stage) = form.map_err(not_understood)?;
    let back = stage.back(&case);
    let Stage { stage, plug, profile, on, shows, .. } = stage;
    let order = StageOrder { stage, plug: given(plug), profile: given(profile), on: given(on), shows };
    ask(&book.desk, move |desk| desk.perform(&case, order, &caller.name)).await?;
    Ok(Redirect::to(&back))
}

pub async fn skip(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    form: Sent<Stage>,
) -> Done {
    let Form(stage) = form.map_err(not_understood)?;
    let back = stage.back(&case);
    ask(&book.desk, move |desk| desk.skip(&case, &stage.stage, stage.why.trim(), &caller.name)).await?;
    Ok(Redirect::to(&back))
}

pub async fn set_aside(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    form: Sent<Stage>,
) -> Done {
    let Form(stage) = form.map_err(not_understood)?;
    let back = stage.back(&case);
    ask(&book.desk, move |desk| desk.set_aside(&case, &stage.stage, &caller.name)).await?;
    Ok(Redirect::to(&back))
}

/// Why a case is closed.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Close {
    #[serde(default)]
    why: String,
}

pub async fn close_case(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    form: Sent<Close>,
) -> Done {
    let Form(Close { why }) = form.map_err(not_understood)?;
    let back = case_href(&case);
    ask(&book.desk, move |desk| desk.close_case(&case, why.trim(), &caller.name)).await?;
    Ok(Redirect::to(&back))
}
