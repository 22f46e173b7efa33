//! `turnback report`.

use std::{
    fs, io,
    io::IsTerminal,
    path::{Path, PathBuf},
    process::ExitCode,
};

use thiserror::Error;
use turnback_core::document::{Document, DocumentKind, ReadError};

use super::{USAGE, args, complain, shared::FormArgs};
use crate::{
    archive::{Archive, error::ArchiveError, location, sqlite::Store},
    show::{
        bench as bench_text, case as case_text, csv,
        file::write_whole,
        lines::{WIDTH_UNKNOWN, output_width},
        sheet, text,
    },
    tell::answer,
};

/// Shows a report; the exit status says whether that was done, not what the report says.
pub fn run(args: &args::Report) -> ExitCode {
    write(&args.form, || load(args))
}

/// Writes a document in the form that is asked for.
pub(super) fn write(args: &FormArgs, load: impl FnOnce() -> Result<Document, ReportError>) -> ExitCode {
    match try_write(args, load) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&error, error.hint());
            ExitCode::from(USAGE)
        }
    }
}

/// A report could not be shown.
#[derive(Debug, Error)]
pub(super) enum ReportError {
    #[error(transparent)]
    Store(#[from] ArchiveError),
    #[error("{given} is neither a file nor the id of a recorded run or case")]
    Neither { given: String },
    #[error("cannot read the report {name}")]
    Read { name: String, source: io::Error },
    #[error("{name} holds no JSON document")]
    NotJson { name: String, source: serde_json::Error },
    #[error("{name} holds a JSON document that this program does not make")]
    NotAReport { name: String, source: Option<serde_json::Error> },
    #[error("{name} is of {what} format {format}; this program knows formats up to {known}")]
    Newer { name: String, what: &'static str, format: u64, known: u32 },
    #[error("the name {} ends in another form than the one asked for", path.display())]
    Ending { path: PathBuf },
    #[error("cannot make the document")]
    Make(#[source] Box<dyn std::error::Error>),
    #[error("cannot write {}", path.display())]
    Write { path: PathBuf, source: io::Error },
    #[error("cannot write to the standard output")]
    Print(#[source] io::Error),
}

impl ReportError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::Store(error) => return error.hint(),
            Self::Neither { .. } => "`turnback records` lists the runs, `turnback records cases` the cases".into(),
            Self::Read { .. } => {
                "give the file that `turnback check PORT --json > FILE` wrote, - for the standard input, or \
                                  the id of a run or case: `turnback records` and `turnback records cases` list them"
                    .into()
            }
            Self::NotJson { .. } | Self::NotAReport { .. } => {
                "give one document as `turnback check PORT --json` prints it; the lines of --events are none".into()
            }
            Self::Newer { .. } => "show it with the version of turnback that made it, or a newer one".into(),
            Self::Ending { .. } => {
                "name the file .html for a page, .json, .csv or .txt; without --json, --csv or --text its name decides"
                    .into()
            }
            Self::Make(_) | Self::Write { .. } | Self::Print(_) => return None,
        })
    }
}

fn try_write(args: &FormArgs, load: impl FnOnce() -> Result<Document, ReportError>) -> Result<(), ReportError> {
    let form = form(args, io::stdout().is_terminal())?;
    let document = load()?;
    let document = match form {
        Form::Json => json(&document),
        Form::Csv => csv(&document),
        Form::Text => Ok(text(&document, if args.output.is_none() { output_width() } else { WIDTH_UNKNOWN })),
        Form::Page => page(&document),
    }?;
    match &args.output {
        Some(path) => write_whole(path, &document).map_err(|source| ReportError::Write { path: path.clone(), source }),
        None => answer(document.as_bytes()).map_err(ReportError::Print),
    }
}

/// What is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Page,
    Json,
    Csv,
    Text,
}

/// The form asked for, else the one that the name of the file ends in, else text for a terminal and a page for a file.
///
/// # Errors
/// When the two differ: nobody looks for a page in a `.csv`.
fn form(args: &FormArgs, at_terminal: bool) -> Result<Form, ReportError> {
    let asked = [(args.json, Form::Json), (args.csv, Form::Csv), (args.text, Form::Text)];
    let asked = asked.into_iter().find_map(|(given, form)| given.then_some(form));
    let ending = args.output.as_ref().and_then(|path| path.extension()?.to_str().map(str::to_ascii_lowercase));
    let named = ending.as_deref().and_then(|ending| match ending {
        "html" | "htm" => Some(Form::Page),
        "json" => Some(Form::Json),
        "csv" => Some(Form::Csv),
        "txt" => Some(Form::Text),
        _ => None,
    });
    match (asked, named, &args.output) {
        (Some(asked), Some(named), Some(path)) if asked != named => Err(ReportError::Ending { path: path.clone() }),
        (None, None, None) if at_terminal => Ok(Form::Text),
        (asked, named, _) => Ok(asked.or(named).unwrap_or(Form::Page)),
    }
}

fn made(error: impl std::error::Error + 'static) -> ReportError {
    ReportError::Make(Box::new(error))
}

fn json(document: &Document) -> Result<String, ReportError> {
    serde_json::to_string_pretty(document).map(|json| json + "\n").map_err(made)
}

fn csv(document: &Document) -> Result<String, ReportError> {
    csv::render(document).map_err(made)
}

fn text(document: &Document, width: usize) -> String {
    match document {
        Document::Run(report) => text::ticket(report, width),
        Document::Case(case) => case_text::ticket(case, width),
        Document::CardTest(test) => bench_text::ticket(test, width),
        Document::Lot(lot) => bench_text::lot(lot, width),
    }
}

fn page(document: &Document) -> Result<String, ReportError> {
    match document {
        Document::Run(report) => sheet::run::render(report),
        Document::Case(case) => sheet::case::render(case),
        Document::CardTest(test) => sheet::bench::certificate(test),
        Document::Lot(lot) => sheet::bench::lot(lot),
    }
    .map_err(made)
}

/// The document in a file, from the standard input, or of a recorded run or case.
fn load(args: &args::Report) -> Result<Document, ReportError> {
    let given = args.run.as_str();
    if given == "-" {
        let name = "the standard input".to_owned();
        return match io::read_to_string(io::stdin()) {
            Ok(json) => parse(name, &json),
            Err(source) => Err(ReportError::Read { name, source }),
        };
    }
    // What cannot be an id is meant as a file; an id is one unless there is a file of that name.
    if !may_be_id(given) || Path::new(given).is_file() {
        return match fs::read_to_string(given) {
            Ok(json) => parse(given.to_owned(), &json),
            Err(source) => Err(ReportError::Read { name: given.to_owned(), source }),
        };
    }
    let store = Store::open_existing(&location::path(args.store.as_deref())?)?;
    store.find(None, given).map_err(|error| match error {
        ArchiveError::Unknown { given, .. } => ReportError::Neither { given },
        error => error.into(),
    })
}

fn may_be_id(given: &str) -> bool {
    given == "last" || given.bytes().all(|b| b.is_ascii_hexdigit() || b == b'-')
}

fn parse(name: String, json: &str) -> Result<Document, ReportError> {
    Document::read(json).map_err(|error| match error {
        ReadError::NotJson(source) => ReportError::NotJson { name, source },
        ReadError::NotADocument => ReportError::NotAReport { name, source: None },
        ReadError::Field { source, .. } => ReportError::NotAReport { name, source: Some(source) },
        ReadError::Newer { kind, found } => {
            let what = match kind {
                DocumentKind::Run => "report",
                kind => kind.name(),
            };
            ReportError::Newer { name, what, format: found, known: kind.format() }
        }
    })
}
