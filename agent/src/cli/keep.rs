//! Keeping what a command found. The records never stand in the way of a run: what could not be kept is said, the report is
//! printed all the same, and the exit status stays the verdict's.

use std::path::PathBuf;

use turnback_core::document::run::Report;

use super::args;
use crate::{
    archive::{error::StoreError, sqlite::Store},
    error_chain::with_causes,
};

/// Keeps the runs of one command.
pub struct Keeper {
    asked: bool,
    file: Option<PathBuf>,
    store: Option<Store>,
    opened: bool,
}

impl Keeper {
    /// Nothing is opened yet.
    pub fn new(args: &args::Record) -> Self {
        Self { asked: !args.no_record, file: args.store.clone(), store: None, opened: false }
    }

    /// Opens the records before the run, so that a person who needs them can still stop it.
    pub fn open(&mut self) {
        if !self.asked || std::mem::replace(&mut self.opened, true) {
            return;
        }
        match Store::open_at(self.file.as_deref()) {
            Ok(store) => self.store = Some(store),
            Err(error) => warn("this run will not be recorded", &error),
        }
    }

    /// Keeps a run.
    pub fn keep(&mut self, report: &Report) {
        self.open();
        let what = format!("run {} is not recorded", report.run);
        match &mut self.store {
            Some(store) => {
                if let Err(error) = store.keep(report) {
                    warn(&what, &error);
                    eprintln!(
                        "hint: its report above is all there is; as JSON, `turnback records import` takes it in later"
                    );
                }
            }
            None if self.asked => eprintln!("warning: {what}, as said before"),
            None => {}
        }
    }
}

fn warn(what: &str, error: &StoreError) {
    eprintln!("warning: {what}: {}", with_causes(error));
    if let Some(hint) = error.hint() {
        eprintln!("hint: {hint}");
    }
}
