//! `turnback records export` and `import`.

use std::{
    error::Error,
    fs::File,
    io::{self, BufReader, BufWriter, Write},
    path::{Path, PathBuf},
    process::ExitCode,
};

use super::{Done, Failure, args, open, print, print_json, when};
use crate::archive::sqlite::{
    Store,
    exchange::{ExportError, Form},
};
use crate::error_chain::{plain, with_causes};
use turnback_core::base::figure::counted;

/// As asked, else by the name of the file.
fn form(asked: Option<args::Format>, file: Option<&Path>) -> Form {
    match (asked, file.and_then(Path::extension)) {
        (Some(format), _) => format.into(),
        (None, Some(extension)) if extension.eq_ignore_ascii_case("csv") => Form::Csv,
        (None, _) => Form::JsonLines,
    }
}

pub(super) fn export(
    store: Option<PathBuf>,
    filter: &args::Filter,
    format: Option<args::Format>,
    output: Option<PathBuf>,
) -> Done {
    let filter = when::filter(filter)?;
    let store = open(store)?;
    let form = form(format, output.as_deref());
    let cannot = |error: &(dyn Error + 'static)| {
        let place = output.as_ref().map_or("standard output".into(), |path| path.display().to_string());
        Failure::Usage(format!("cannot write to {place}: {}; what was written is not whole", with_causes(error)))
    };
    let to: Box<dyn Write> = match &output {
        Some(path) => Box::new(File::create(path).map_err(|error| cannot(&error))?),
        None => Box::new(io::stdout().lock()),
    };
    let done = match store.export(&filter, form, BufWriter::new(to)) {
        Ok(done) => done,
        Err(ExportError::Store(error)) => return Err(error.into()),
        // The reader has seen enough.
        Err(ExportError::Write(error)) if error.kind() == io::ErrorKind::BrokenPipe => return Ok(ExitCode::SUCCESS),
        Err(error) => return Err(cannot(&error)),
    };
    if output.is_some() {
        tell!("{} runs, {} cases and {} documents of the bench written", done.written, done.cases, done.bench);
    }
    if done.without_report > 0 {
        tell!("{} runs left out: only their columns are recorded; --format csv writes these", done.without_report);
    }
    Ok(ExitCode::SUCCESS)
}

pub(super) fn import(store: Option<PathBuf>, file: &Path, format: Option<args::Format>, json: bool) -> Done {
    let form = form(format, Some(file));
    let from: Box<dyn io::Read> = if file == Path::new("-") {
        Box::new(io::stdin())
    } else {
        let opened = File::open(file);
        Box::new(opened.map_err(|error| Failure::Usage(format!("cannot read {}: {}", file.display(), plain(&error))))?)
    };
    let mut store = Store::open_at(store.as_deref())?;
    let done = store.import(form, &file.display().to_string(), BufReader::new(from))?;
    if json {
        print_json(&done)?;
    } else {
        print(&format!(
            "{} taken in, {} completed, {} there already; {} and {} of the bench taken in\n",
            counted(done.new, "run"),
            done.completed,
            done.already_there,
            counted(done.cases, "case"),
            counted(done.bench, "document")
        ))?;
    }
    Ok(ExitCode::SUCCESS)
}
