//! `turnback records`.

pub mod args;
mod exchange;
mod when;

use std::{
    path::{Path, PathBuf},
    process::ExitCode,
};

use args::{Action, Cases, Correct, Labelled, List, Prune, Records};
use turnback_core::{
    base::{figure::counted, labels::Correction},
    document::{Document, DocumentKind, difference::difference, run::Report},
    watch::selector::matches,
};

use super::{USAGE, complain};
use crate::{
    archive::{
        Archive, Listed, Query,
        error::ArchiveError,
        filter::Filter,
        location,
        record::CaseRow,
        sqlite::{
            Store,
            backup::Soundness,
            retention::{Dropped, Retention, parse_age},
        },
    },
    error_chain::with_causes,
    show::lines::tell,
    show::{lines::output_width, records as shown, text},
    tell::answer,
};

/// Exit status when the records are damaged.
const DAMAGED: u8 = 1;

/// Runs the command.
pub fn run(args: Records) -> ExitCode {
    if args.action.is_some() && !args.list.is_plain() {
        tell("error: ", "options of the list go after its name, as in `turnback records list --port quay7`");
        return ExitCode::from(USAGE);
    }
    let done = match args.action {
        None => list(args.store, &args.list),
        Some(Action::List(options)) => list(args.store, &options),
        Some(Action::Show { run, json }) => show(args.store, &run, json),
        Some(Action::Compare { a, b, json }) => compare(args.store, [&a, &b], json),
        Some(Action::Cases(options)) => cases(args.store, &options),
        Some(Action::Export { filter, format, output }) => exchange::export(args.store, &filter, format, output),
        Some(Action::Import { file, format, json }) => exchange::import(args.store, &file, format, json),
        Some(Action::Backup { file }) => backup(args.store, &file),
        Some(Action::Correct(options)) => correct(args.store, &options),
        Some(Action::Drop { id, yes }) => drop_one(args.store, &id, yes),
        Some(Action::Prune(options)) => prune(args.store, &options),
        Some(Action::Check { json }) => check(args.store, json),
    };
    match done {
        Ok(code) => code,
        Err(Failure::Store(error)) => {
            let hint = error.hint();
            complain(&error, hint);
            ExitCode::from(USAGE)
        }
        Err(Failure::Check(error)) => {
            complain(&error, Some("is the disk full or failing?".to_owned()));
            ExitCode::from(USAGE)
        }
        Err(Failure::Usage(text)) => {
            tell("error: ", &text);
            ExitCode::from(USAGE)
        }
        Err(Failure::Output(error)) => super::unwritten(&error),
    }
}

enum Failure {
    Store(ArchiveError),
    /// While the file was checked, which nobody is sent to again.
    Check(ArchiveError),
    Usage(String),
    Output(std::io::Error),
}

impl From<ArchiveError> for Failure {
    fn from(error: ArchiveError) -> Self {
        Self::Store(error)
    }
}

type Done = Result<ExitCode, Failure>;

/// Records that are there; reading makes no file.
fn open(given: Option<PathBuf>) -> Result<Store, ArchiveError> {
    Store::open_existing(&location::path(given.as_deref())?)
}

fn print(text: &str) -> Result<(), Failure> {
    answer(text.as_bytes()).map_err(Failure::Output)
}

fn print_json(value: &impl serde::Serialize) -> Result<(), Failure> {
    let text = serde_json::to_string_pretty(value).map_err(|error| Failure::Usage(error.to_string()))?;
    print(&format!("{text}\n"))
}

fn list(store: Option<PathBuf>, options: &List) -> Done {
    let filter = when::filter(&options.filter)?;
    let store = match (open(store.clone()), store) {
        // Nobody named the file, and no run has made it yet: that is no mistake.
        (Err(ArchiveError::Missing { path }), None) => {
            if options.json {
                print("[]\n")?;
            }
            tell!("nothing is recorded yet; a check makes {}", path.display());
            return Ok(ExitCode::SUCCESS);
        }
        (opened, _) => opened?,
    };
    let limit = (!options.all).then_some(options.limit);
    let found = store.list(Query::Runs(&filter), limit)?;
    let records: Vec<_> = found.into_iter().filter_map(Listed::into_run).collect();
    if options.json {
        print_json(&records)?;
    } else if !records.is_empty() {
        let ids = records.iter().map(|r| store.short_id(&r.run)).collect::<Result<Vec<_>, _>>()?;
        print(&shown::list(&records, &ids, output_width()))?;
    }
    let all = store.count(&filter)?;
    if records.is_empty() && all == 0 {
        let what = if filter == Filter::default() { "nothing is recorded" } else { "no run matches" };
        tell!("{what} in {}", store.path().display());
    } else if (records.len() as u64) < all {
        tell!("{} of {all} shown; --all shows the rest", records.len());
    }
    Ok(ExitCode::SUCCESS)
}

fn cases(store: Option<PathBuf>, options: &Cases) -> Done {
    let found = open(store)?.list(Query::Cases { only_open: options.open }, None)?;
    let fits = |pattern: &Option<String>, text: &str| pattern.as_ref().is_none_or(|pattern| matches(pattern, text));
    let is_meant = |row: &CaseRow| fits(&options.port, &row.port) && fits(&options.cable, &row.cable);
    let rows: Vec<_> = found.into_iter().filter_map(Listed::into_case).filter(is_meant).collect();
    if options.json {
        print_json(&rows)?;
    } else if rows.is_empty() {
        tell!("no such case is recorded");
    } else {
        print(&shown::cases(&rows, output_width()))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn show(store: Option<PathBuf>, run: &str, json: bool) -> Done {
    let store = open(store)?;
    let record = store.record(run).map_err(|error| or_another(&store, run, error))?;
    match (store.document(&record.run)?, json) {
        (Some(document), true) => print(&format!("{document}\n"))?,
        (Some(_), false) => {
            let (report, width) = (run_of(&store, &record.run)?, output_width());
            print(&format!("{}\n{}", text::details(&report, width), text::answer(&report, width)))?;
        }
        (None, true) => return Err(ArchiveError::ColumnsOnly { run: record.run }.into()),
        (None, false) => {
            print(&shown::columns(&record))?;
            tell!("only these columns are recorded: the run came in as CSV");
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn compare(store: Option<PathBuf>, runs: [&str; 2], json: bool) -> Done {
    let store = open(store)?;
    let [a, b] = runs.map(|run| run_of(&store, run));
    let found = difference(&a?, &b?);
    if json {
        print_json(&found)?;
    } else {
        let ids = [store.short_id(&found.runs[0])?, store.short_id(&found.runs[1])?];
        print(&shown::difference(&found, &ids, output_width()))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Why there is no such run: the id may be that of something else.
fn or_another(archive: &impl Archive, given: &str, error: ArchiveError) -> ArchiveError {
    if !matches!(error, ArchiveError::Unknown { .. }) {
        return error;
    }
    match archive.find(None, given) {
        Ok(other) => ArchiveError::NotARun { kind: other.kind(), given: given.to_owned() },
        Err(_) => error,
    }
}

/// The report of the run whose id begins so.
fn run_of(archive: &impl Archive, beginning: &str) -> Result<Report, ArchiveError> {
    let found = archive.find(Some(DocumentKind::Run), beginning);
    match found.map_err(|error| or_another(archive, beginning, error))? {
        Document::Run(report) => Ok(*report),
        other => Err(ArchiveError::Unknown { kind: Some(DocumentKind::Run), given: other.id().to_owned() }),
    }
}

fn backup(store: Option<PathBuf>, file: &Path) -> Done {
    let store = open(store)?;
    store.backup(file)?;
    tell!("{} copied to {}", store.path().display(), file.display());
    Ok(ExitCode::SUCCESS)
}

fn correct(store: Option<PathBuf>, options: &Correct) -> Done {
    let mut store = open(store)?;
    let mut report = run_of(&store, &options.run)?;
    let at = crate::work::now();
    let mut told = String::new();
    {
        let (cable, labels, given) = (&mut report.cable, &mut report.labels, &options.labels);
        let mut corrections = Vec::new();
        for (what, which, now, was) in [
            ("cable", Labelled::Cable, &options.cable, cable),
            ("port_label", Labelled::PortLabel, &given.port_label, &mut labels.port),
            ("segment", Labelled::Segment, &given.segment, &mut labels.segment),
            ("far_end", Labelled::FarEnd, &given.far_end, &mut labels.far_end),
            ("plug", Labelled::Plug, &given.plug, &mut labels.plug),
            ("note", Labelled::Note, &given.note, &mut labels.note),
        ] {
            let (is_removed, plain) = (options.remove.contains(&which), what.replace('_', " "));
            if is_removed && now.is_some() {
                return Err(Failure::Usage(format!("{plain} is both given and removed: do one of the two")));
            }
            if is_removed && was.is_none() {
                return Err(Failure::Usage(format!("this run has no {plain}: nothing to remove")));
            }
            if now == was || (now.is_none() && !is_removed) {
                continue;
            }
            let old = std::mem::replace(was, now.clone());
            let word = |label: &Option<String>| label.clone().unwrap_or_else(|| "none".into());
            told.push_str(&format!("{what}: {} (was {}, kept in the report)\n", word(now), word(&old)));
            corrections.push(Correction { at: at.clone(), what: what.into(), was: old });
        }
        labels.corrections.extend(corrections);
    }
    if told.is_empty() {
        return Err(Failure::Usage(
            "nothing to correct: give --cable, --port-label, --segment, --far-end, --plug or --note, or --remove with \
             one of their names"
                .into(),
        ));
    }
    store.replace(&report)?;
    let of = format!("run {} of {}, {}:\n", store.short_id(&report.run)?, report.port.name, report.started_at);
    print(&shown::harmless(&format!("{of}{told}")))?;
    Ok(ExitCode::SUCCESS)
}

fn drop_one(store: Option<PathBuf>, id: &str, yes: bool) -> Done {
    let mut store = open(store)?;
    let found = store.find(None, id)?;
    let what = match &found {
        Document::Run(report) => format!("run {} of {}, {}", report.run, report.port.name, report.started_at),
        Document::Case(case) => {
            format!("case {} of {}, cable {} (its runs stay)", case.case, case.port.name, case.cable)
        }
        Document::CardTest(test) => format!("card test {} of {}", test.test, test.label),
        Document::Lot(lot) => format!("lot {} (its card tests stay)", lot.label),
    };
    if !yes {
        return Err(Failure::Usage(format!("this would delete {what}; add --yes to do it")));
    }
    match &found {
        Document::Run(report) => store.drop_run(&report.run)?,
        Document::Case(case) => store.drop_case(&case.case)?,
        Document::CardTest(_) | Document::Lot(_) => store.drop_bench(found.id())?,
    }
    print(&shown::harmless(&format!("deleted {what}\n")))?;
    Ok(ExitCode::SUCCESS)
}

/// What is old enough and stays, and why.
fn kept(store: &Store, retention: Retention, now_ms: i64) -> Result<String, ArchiveError> {
    Ok(match store.kept_for_cases(retention, now_ms)? {
        0 => String::new(),
        kept => format!(
            "{} kept, because open cases use them (`turnback records cases --open` lists these)\n",
            counted(kept, "older run")
        ),
    })
}

fn prune(store: Option<PathBuf>, options: &Prune) -> Done {
    let mut store = open(store)?;
    if options.no_automatic {
        store.set_retention(None)?;
        tell!("from now on no run is dropped by itself");
        return Ok(ExitCode::SUCCESS);
    }
    let older_than_s = options.older_than.as_deref().map(parse_age).transpose();
    let given = Retention {
        older_than_s: older_than_s.map_err(|error| Failure::Usage(error.to_string()))?,
        keep: options.keep,
    };
    let retention = if given == Retention::default() {
        let stored = store.retention()?.filter(|_| !options.automatic);
        stored
            .ok_or_else(|| Failure::Usage("nothing says what to drop: use --older-than AGE or --keep NUMBER".into()))?
    } else {
        given
    };
    let now_ms = jiff::Timestamp::now().as_millisecond();
    let would_drop = store.would_prune(retention, now_ms)?;
    let kept = kept(&store, retention, now_ms)?;
    if !options.yes && would_drop != Dropped::default() {
        let (dropped, all) = (dropped_in_words(would_drop), counted(store.count(&Filter::default())?, "run"));
        print(&format!("{dropped} would be dropped, of {all}\n{kept}"))?;
        return Err(Failure::Usage("nothing was deleted; add --yes to do it".into()));
    }
    if options.automatic {
        store.set_retention(Some(retention))?;
    }
    let dropped = dropped_in_words(store.prune(retention, now_ms)?);
    store.give_room_back()?;
    print(&format!("{dropped} dropped, {} left\n{kept}", counted(store.count(&Filter::default())?, "run")))?;
    Ok(ExitCode::SUCCESS)
}

/// `155 runs and 9 cases`.
fn dropped_in_words(dropped: Dropped) -> String {
    let runs = counted(dropped.runs, "run");
    match dropped.cases {
        0 => runs,
        cases => format!("{runs} and {}", counted(cases, "case")),
    }
}

fn check(store: Option<PathBuf>, json: bool) -> Done {
    let found = match open(store).and_then(|store| store.look_through()) {
        // So damaged that nothing can be read: that is an answer too.
        Err(ArchiveError::Damaged { path, source }) => Soundness {
            problems: vec![format!("nothing in {} can be read: {}", path.display(), with_causes(&source))],
            ..Soundness::default()
        },
        Err(error @ ArchiveError::Database { .. }) => return Err(Failure::Check(error)),
        found => found?,
    };
    if json {
        print_json(&found)?;
    } else {
        print(&shown::soundness(&found))?;
    }
    if found.problems.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    tell("hint: ", "take the newest backup, and import what was exported");
    Ok(ExitCode::from(DAMAGED))
}
