//! `turnback bench lot`.

use std::{path::Path, process::ExitCode};

use serde_json::json;
use turnback_core::{
    document::{Document, DocumentKind, lot::Lot},
    judge::Outcome,
};

use super::{Done, Failure, args::LotAction, open, paper_of, print_json, sampling, usage};
use crate::{
    archive::{Archive, Listed, Query, error::ArchiveError, sqlite::Store},
    show::{bench as shown, lines::output_width},
    work::bench::lot::{self, Opening, card_tests, procedure},
};

/// Runs the command.
pub(super) fn run(action: LotAction) -> Done {
    match action {
        LotAction::Open { label, claim, quantity, source, procedure: name, sampling: given, store } => {
            if quantity == 0 {
                return Err(usage("--quantity 0: a lot has at least one card"));
            }
            let opening = Opening {
                label,
                source,
                claim: claim.parse().map_err(usage)?,
                quantity,
                procedure: procedure(&name)?,
                sampling: sampling(quantity, &given).map_err(usage)?,
            };
            let lot = lot::open(&mut Store::open_at(store.as_deref())?, opening)?;
            Ok(crate::cli::print(&shown::lot(&lot, output_width()), ExitCode::SUCCESS))
        }
        LotAction::List { json, store } => {
            let found = open(store.as_deref())?.list(Query::Lots, None)?;
            let lots: Vec<Lot> = found.into_iter().filter_map(Listed::into_lot).collect();
            if json {
                return print_json(&lots, ExitCode::SUCCESS);
            }
            Ok(crate::cli::print(&shown::lots(&lots, output_width()), ExitCode::SUCCESS))
        }
        LotAction::Show { label, json, store } => {
            let store = open(store.as_deref())?;
            answer(&store, &named(&store, &label)?, json)
        }
        LotAction::Report(paper) => Ok(paper_of(&paper, DocumentKind::Lot)),
        LotAction::Close { label, undecided, store } => close(&label, undecided, store.as_deref()),
    }
}

fn named(store: &dyn Archive, label: &str) -> Result<Lot, Failure> {
    match store.find(Some(DocumentKind::Lot), label)? {
        Document::Lot(lot) => Ok(*lot),
        _ => Err(ArchiveError::Unknown { kind: Some(DocumentKind::Lot), given: label.to_owned() }.into()),
    }
}

/// Prints a lot with its cards; the exit status is its verdict.
pub(super) fn answer(archive: &dyn Archive, lot: &Lot, json: bool) -> Done {
    let status = ExitCode::from(lot.verdict.outcome.exit_status());
    if json {
        return print_json(&json!({ "lot": lot, "cards": card_tests(archive, &lot.label)? }), status);
    }
    Ok(crate::cli::print(&shown::lot(lot, output_width()), status))
}

fn close(label: &str, why: Option<String>, store: Option<&Path>) -> Done {
    let mut store = open(store)?;
    let mut lot = named(&store, label)?;
    lot::settle(&mut store, &mut lot)?;
    if lot.verdict.outcome == Outcome::Undecided && why.is_none() {
        let reason = lot.verdict.reasons.first().map_or(String::new(), |reason| reason.text.clone());
        let hint = "--undecided WHY closes it all the same; it is then not accepted";
        return Err(Failure::Usage(format!("lot {label} is not decided: {reason}"), Some(hint)));
    }
    lot.closed = Some(why.unwrap_or_else(|| "decided".to_owned()));
    store.put(&Document::from(lot.clone()))?;
    answer(&store, &lot, false)
}
