//! `turnback bench`.

pub mod args;
mod lot;
mod progress;
mod test;

use std::process::ExitCode;

use args::{Action, Bench, Paper, Sampling};
use serde_json::json;
use turnback_core::{
    bench::{procedure::Procedure, sim},
    document::{Document, DocumentKind, lot as lot_document},
    stats::sampling::{SamplingError, SamplingPlan},
};

use super::{USAGE, complain, report, show as lists};
use crate::{
    archive::{Archive, error::ArchiveError, location, sqlite::Store},
    error_chain::with_causes,
    ports,
    show::lines::tell,
    show::{bench as shown, file::write_whole, label, lines::output_width},
    work::bench::{
        BenchError,
        lot::{procedure, rig},
        plugs,
    },
};

/// Runs the command.
pub fn run(args: Bench) -> ExitCode {
    let done = match args.action {
        Action::Test(args) => test::run(&args),
        Action::Cards { bench, json } => cards(bench.as_deref(), json),
        Action::Lot { action } => lot::run(action),
        Action::Certificate(paper) => return paper_of(&paper, DocumentKind::CardTest),
        Action::Label { card, size, output, store } => card_label(&card, &size, output.as_deref(), store.as_deref()),
        Action::Plugs { json, store } => plugs(json, store.as_deref()),
        Action::Transceivers { json, store } => transceivers(json, store.as_deref()),
        Action::Plan { quantity, sampling, json } => plan(quantity, &sampling, json),
        Action::Procedures { name } => procedures(name.as_deref()),
        Action::Rigs { name } => rigs(name.as_deref()),
    };
    match done {
        Ok(code) => code,
        Err(Failure::Usage(text, hint)) => {
            tell("error: ", &text);
            if let Some(hint) = hint {
                tell("hint: ", hint);
            }
            ExitCode::from(USAGE)
        }
        Err(Failure::Bench(error)) => {
            let hint = error.hint();
            complain(&error, hint);
            ExitCode::from(USAGE)
        }
    }
}

/// Why the command could not be carried out.
#[derive(Debug)]
enum Failure {
    Usage(String, Option<&'static str>),
    Bench(BenchError),
}

impl<E: Into<BenchError>> From<E> for Failure {
    fn from(error: E) -> Self {
        Self::Bench(error.into())
    }
}

type Done = Result<ExitCode, Failure>;

fn usage(text: impl ToString) -> Failure {
    Failure::Usage(text.to_string(), None)
}

fn print_json(value: &impl serde::Serialize, status: ExitCode) -> Done {
    let text = serde_json::to_string_pretty(value).map_err(usage)?;
    Ok(super::print(&(text + "\n"), status))
}

fn sampling(quantity: u32, given: &Sampling) -> Result<Option<lot_document::Sampling>, SamplingError> {
    let Some(aql) = given.aql else { return Ok(None) };
    let plan = SamplingPlan::new(quantity, aql, given.level)?;
    let drawn = plan.draw(given.seed);
    Ok(Some(lot_document::Sampling { plan, seed: given.seed, drawn }))
}

fn plan(quantity: u32, given: &Sampling, json: bool) -> Done {
    let Some(sampling) = sampling(quantity, given).map_err(usage)? else {
        return Err(Failure::Usage("a plan needs --aql".into(), Some("for example --aql 1.0")));
    };
    if !json {
        return Ok(super::print(&shown::plan(&sampling, output_width()), ExitCode::SUCCESS));
    }
    let plan = &sampling.plan;
    let point = |(faulty, accepted): (u32, f64)| json!({ "faulty": faulty, "accepted": accepted });
    let document = json!({
        "plan": plan,
        "seed": sampling.seed,
        "drawn": sampling.drawn,
        "producers_risk": plan.producers_risk(),
        "consumers_point": point(plan.consumers_point(0.1)),
        "curve": plan.curve(40).into_iter().map(point).collect::<Vec<_>>(),
    });
    print_json(&document, ExitCode::SUCCESS)
}

fn procedures(name: Option<&str>) -> Done {
    match name {
        Some(name) => Ok(super::print(&procedure(name)?.to_toml(), ExitCode::SUCCESS)),
        None => Ok(lists::list(
            Procedure::builtin().iter().map(|procedure| (procedure.name.clone(), procedure.about.as_str())),
            "`turnback bench procedures NAME` shows one as TOML; save it, change it, and give the file to --procedure.",
        )),
    }
}

fn rigs(name: Option<&str>) -> Done {
    match name {
        Some(name) => Ok(super::print(&rig(name)?.to_toml(), ExitCode::SUCCESS)),
        None => Ok(lists::list(
            sim::BUILTIN.into_iter().map(|(name, about)| (format!("sim:{name}"), about)),
            "`turnback bench rigs NAME` shows one as TOML; save it, change it, and test `sim:FILE`.",
        )),
    }
}

fn cards(bench: Option<&str>, json: bool) -> Done {
    let Some(bench) = bench else { return cards_here(json) };
    if !bench.starts_with("sim:") {
        return Err(Failure::Usage(format!("{bench} is no simulated bench"), Some(ONLY_SIMULATED)));
    }
    let rig = rig(bench)?;
    let cards: Vec<_> = rig.cards.iter().map(|card| rig.card(&card.serial)).collect();
    if json {
        return print_json(&cards, ExitCode::SUCCESS);
    }
    Ok(super::print(&shown::cards(&cards, output_width()), ExitCode::SUCCESS))
}

/// The cards of this computer.
fn cards_here(json: bool) -> Done {
    let found = ports::cards::cards().map_err(|error| usage(with_causes(&error)))?;
    let cards: Vec<_> = found.into_iter().map(|(entry, _)| entry).collect();
    if json {
        return print_json(&cards, ExitCode::SUCCESS);
    }
    Ok(super::print(&shown::cards_here(&cards, output_width()), ExitCode::SUCCESS))
}

const ONLY_SIMULATED: &str =
    "turnback bench rigs lists the simulated benches; without a name, the cards of this computer are listed";

fn plugs(json: bool, store: Option<&std::path::Path>) -> Done {
    let plugs = plugs::plugs(&open(store)?)?;
    if json {
        return print_json(&plugs, ExitCode::SUCCESS);
    }
    Ok(super::print(&shown::plugs(&plugs, output_width()), ExitCode::SUCCESS))
}

fn transceivers(json: bool, store: Option<&std::path::Path>) -> Done {
    let transceivers = plugs::transceivers(&open(store)?)?;
    if json {
        return print_json(&transceivers, ExitCode::SUCCESS);
    }
    Ok(super::print(&shown::transceivers(&transceivers, output_width()), ExitCode::SUCCESS))
}

fn card_label(card: &str, size: &str, output: Option<&std::path::Path>, store: Option<&std::path::Path>) -> Done {
    let size = label::Size::parse(size).map_err(usage)?;
    let Document::CardTest(test) = open(store)?.find(Some(DocumentKind::CardTest), card)? else {
        return Err(usage(format!("{card} is no card")));
    };
    let svg = label::render(&test, size).map_err(usage)?;
    match output {
        Some(path) => {
            write_whole(path, &svg).map_err(|error| usage(format!("cannot write {}: {error}", path.display())))?;
            Ok(ExitCode::SUCCESS)
        }
        None => Ok(super::print(&svg, ExitCode::SUCCESS)),
    }
}

fn open(store: Option<&std::path::Path>) -> Result<Store, ArchiveError> {
    Store::open_existing(&location::path(store)?)
}

/// Writes a card test or a lot in the form that is asked for.
fn paper_of(paper: &Paper, kind: DocumentKind) -> ExitCode {
    let found = || Ok(open(paper.store.as_deref())?.find(Some(kind), &paper.name)?);
    report::write(&paper.form, found)
}
