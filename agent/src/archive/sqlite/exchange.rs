//! Records out of the file and in again: whole reports as JSON lines, or their columns as CSV.
//!
//! A line of JSON is a report as `check --json` prints it, so that such a document can be taken in too, or a case.
//! Nothing is taken in twice: the id of the run decides.

use std::io::{self, BufRead, Write};

use turnback_core::document::{Document, case::Case};

use super::{
    Kept, Store, bench, case, insert,
    query::{as_parameters, columns},
};
use crate::{
    archive::{
        bench::BenchRow,
        error::ArchiveError,
        filter::Filter,
        record::{Record, changed_ms, check_id},
    },
    error_chain::{plain, with_causes},
};

/// In which form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// One report a line.
    JsonLines,
    /// One run a row, its columns only; RFC 4180 with a heading.
    Csv,
}

/// What taking in has done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct TakenIn {
    /// Runs that are new.
    pub new: u64,
    /// Runs whose report was added to the columns.
    pub completed: u64,
    /// Runs that were there already.
    pub already_there: u64,
    /// Cases that are new, or that were here as they were before.
    pub cases: u64,
    /// Card tests and lots of the bench, likewise.
    pub bench: u64,
}

/// What putting out has done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct PutOut {
    /// Runs written.
    pub written: u64,
    /// Runs left out because they have no report to write.
    pub without_report: u64,
    /// Cases written, after the runs: all of them where all runs are written as JSON lines, else none.
    pub cases: u64,
    /// Card tests and lots of the bench, likewise.
    pub bench: u64,
}

/// Taking out stopped.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The records cannot be read.
    #[error(transparent)]
    Store(#[from] ArchiveError),
    /// What was read cannot be written.
    #[error("cannot write")]
    Write(#[from] io::Error),
}

impl Store {
    /// Writes the records that the filter lets through, the oldest first.
    ///
    /// # Errors
    /// When they cannot be read or written.
    pub fn export(&self, filter: &Filter, form: Form, mut to: impl Write) -> Result<PutOut, ExportError> {
        let done = match form {
            Form::JsonLines => self.export_lines(filter, &mut to)?,
            Form::Csv => self.export_csv(filter, &mut to)?,
        };
        to.flush()?;
        Ok(done)
    }

    fn export_lines(&self, filter: &Filter, to: &mut impl Write) -> Result<PutOut, ExportError> {
        let (condition, values) = filter.sql();
        let sql = format!(
            "SELECT report.document FROM run LEFT JOIN report ON report.run_id = run.id {condition} \
             ORDER BY started_ms, id"
        );
        let told = |error| ExportError::Store(self.told(error));
        let mut statement = self.db.prepare(&sql).map_err(told)?;
        let mut rows = statement.query(&*as_parameters(&values)).map_err(told)?;
        let mut done = PutOut::default();
        while let Some(row) = rows.next().map_err(told)? {
            let document = row.get_ref(0).and_then(|value| value.as_str_or_null().map_err(Into::into)).map_err(told)?;
            match document {
                Some(document) => {
                    to.write_all(document.as_bytes())?;
                    to.write_all(b"\n")?;
                    done.written += 1;
                }
                None => done.without_report += 1,
            }
        }
        if *filter == Filter::default() {
            done.cases = self.export_all("case_document", to)?;
            done.bench = self.export_all("bench_document", to)?;
        }
        Ok(done)
    }

    fn export_all(&self, table: &str, to: &mut impl Write) -> Result<u64, ExportError> {
        let told = |error| ExportError::Store(self.told(error));
        let sql = format!("SELECT document FROM {table} ORDER BY changed_ms, id");
        let mut statement = self.db.prepare(&sql).map_err(told)?;
        let documents = statement.query_map([], |row| row.get::<_, String>(0)).map_err(told)?;
        let mut written = 0;
        for document in documents {
            writeln!(to, "{}", document.map_err(told)?)?;
            written += 1;
        }
        Ok(written)
    }

    fn export_csv(&self, filter: &Filter, to: &mut impl Write) -> Result<PutOut, ExportError> {
        let (condition, values) = filter.sql();
        let sql = format!("SELECT {} FROM run {condition} ORDER BY started_ms, id", columns());
        let told = |error| ExportError::Store(self.told(error));
        let mut statement = self.db.prepare(&sql).map_err(told)?;
        let rows = statement.query_map(&*as_parameters(&values), Record::from_row).map_err(told)?;
        let mut csv = csv::WriterBuilder::new().has_headers(false).from_writer(to);
        // As it is, so that a reader who has gone can be told from a full disk.
        let written = |error: csv::Error| match error.into_kind() {
            csv::ErrorKind::Io(error) => ExportError::Write(error),
            other => ExportError::Write(io::Error::other(format!("{other:?}"))),
        };
        csv.write_record(Record::COLUMNS).map_err(written)?;
        let mut done = PutOut::default();
        for record in rows {
            csv.serialize(record.map_err(told)?).map_err(written)?;
            done.written += 1;
        }
        csv.flush()?;
        Ok(done)
    }

    /// Takes in what [`Store::export`] wrote, or a report that `check --json` printed. `name` is for error messages.
    ///
    /// Lines are written in portions of [`PORTION`]: an error leaves those before it taken in.
    ///
    /// # Errors
    /// [`ArchiveError::Line`] for what is no record; when the file cannot be written.
    pub fn import(&mut self, form: Form, name: &str, from: impl BufRead) -> Result<TakenIn, ArchiveError> {
        match form {
            Form::JsonLines => self.import_lines(name, from),
            Form::Csv => self.import_csv(name, from),
        }
    }

    fn import_lines(&mut self, name: &str, mut from: impl BufRead) -> Result<TakenIn, ArchiveError> {
        let mut done = TakenIn::default();
        let mut portion = Vec::new();
        let (mut number, mut line) = (0, String::new());
        let mut failed = None;
        loop {
            line.clear();
            number += 1;
            let wrong = |cause: String| ArchiveError::Line { name: name.to_owned(), line: number, cause };
            match from.read_line(&mut line) {
                Ok(0) => break,
                Ok(_) => {}
                Err(error) => {
                    failed = Some(wrong(format!("cannot be read: {}", plain(&error))));
                    break;
                }
            }
            let mut text = line.trim();
            // A document over several lines, as `check --json` prints it, is one report.
            let whole;
            if number == 1 && text == "{" {
                let mut rest = line.clone();
                if let Err(error) = from.read_to_string(&mut rest) {
                    return Err(wrong(format!("cannot be read: {}", plain(&error))));
                }
                whole = match serde_json::from_str::<serde_json::Value>(&rest) {
                    Ok(value) => value.to_string(),
                    Err(error) => return Err(wrong(format!("no report: {error}"))),
                };
                text = &whole;
            }
            if text.is_empty() {
                continue;
            }
            match taken_from(text) {
                Ok(record) => portion.push(record),
                Err(cause) => {
                    failed = Some(wrong(cause));
                    break;
                }
            }
            if portion.len() == PORTION {
                self.take_in(&mut portion, &mut done)?;
            }
        }
        self.take_in(&mut portion, &mut done)?;
        failed.map_or(Ok(done), Err)
    }

    fn import_csv(&mut self, name: &str, from: impl BufRead) -> Result<TakenIn, ArchiveError> {
        let mut csv = csv::Reader::from_reader(from);
        let wrong = |line: u64, cause: String| ArchiveError::Line { name: name.to_owned(), line, cause };
        let heading = csv.headers().map_err(|error| wrong(1, error.to_string()))?.clone();
        if let Some(unknown) = heading.iter().find(|column| !Record::COLUMNS.contains(column)) {
            let known = Record::COLUMNS.join(", ");
            return Err(wrong(1, format!("there is no column `{unknown}`; columns are {known}")));
        }
        let mut done = TakenIn::default();
        let mut portion = Vec::new();
        let mut failed = None;
        let mut rows = csv.deserialize::<Record>();
        loop {
            let line = rows.reader().position().line();
            let Some(row) = rows.next() else { break };
            match row
                .map_err(|error| in_words(&error, &heading))
                .and_then(|row| row.validated().map_err(|e| e.to_string()))
            {
                Ok(record) => portion.push(Line::Run(Box::new(record), None)),
                Err(cause) => {
                    failed = Some(wrong(line, cause));
                    break;
                }
            }
            if portion.len() == PORTION {
                self.take_in(&mut portion, &mut done)?;
            }
        }
        self.take_in(&mut portion, &mut done)?;
        failed.map_or(Ok(done), Err)
    }

    fn take_in(&mut self, portion: &mut Vec<Line>, done: &mut TakenIn) -> Result<(), ArchiveError> {
        let mut counted = *done;
        self.write(|tx| {
            for line in portion.iter() {
                match line {
                    Line::Run(record, document) => match insert(tx, record, document.as_deref())? {
                        Kept::New => counted.new += 1,
                        Kept::Completed => counted.completed += 1,
                        Kept::AlreadyThere => counted.already_there += 1,
                    },
                    Line::Case(case, changed_ms, document) => {
                        counted.cases += u64::from(case::put_newer(tx, case, *changed_ms, document)?);
                    }
                    Line::Bench(row, document) => counted.bench += u64::from(bench::put_newer(tx, row, document)?),
                }
            }
            Ok(())
        })?;
        *done = counted;
        portion.clear();
        Ok(())
    }
}

/// What is wrong with a row, with the column's name where one is to blame.
fn in_words(error: &csv::Error, heading: &csv::StringRecord) -> String {
    let csv::ErrorKind::Deserialize { err, .. } = error.kind() else { return error.to_string() };
    let column = err.field().and_then(|number| heading.get(number as usize));
    column.map_or_else(|| err.kind().to_string(), |column| format!("column {column}: {}", err.kind()))
}

/// What a line holds.
enum Line {
    /// A run, with its report where there is one.
    Run(Box<Record>, Option<String>),
    /// A case, when it was changed last, and its document.
    Case(Box<Case>, i64, String),
    /// A card test or a lot, and its document.
    Bench(Box<BenchRow>, String),
}

fn taken_from(text: &str) -> Result<Line, String> {
    let document = Document::read(text).map_err(|error| format!("no report: {}", with_causes(&error)))?;
    let row = BenchRow::of(&document).map_err(|error| error.to_string())?;
    if let Some(row) = row {
        return check_id(&row.id).map(|()| Line::Bench(Box::new(row), text.to_owned())).map_err(|e| e.to_string());
    }
    let taken = match document {
        Document::Case(case) => check_id(&case.case)
            .and_then(|()| changed_ms(&case))
            .map(|changed_ms| Line::Case(case, changed_ms, text.to_owned())),
        Document::Run(report) => check_id(&report.run)
            .and_then(|()| Record::of(&report))
            .map(|record| Line::Run(Box::new(record), Some(text.to_owned()))),
        Document::CardTest(_) | Document::Lot(_) => Err(ArchiveError::NotARecord("a document without a row".into())),
    };
    taken.map_err(|error| error.to_string())
}

/// Records written in one go when taken in: a few megabytes of reports (our own choice).
pub const PORTION: usize = 200;
