//! Keeping what a command found. The records never stand in the way of a run: what could not be kept is said, the report is
//! printed all the same, and the exit status stays the verdict's.

use turnback_core::report::Report;

use super::args;
use crate::store::{Store, StoreError};

/// Keeps the runs of one command.
pub struct Keeper {
    store: Option<Store>,
    asked: bool,
}

impl Keeper {
    /// Opens the records before the run, so that a person who needs them can still stop it.
    pub fn open(args: &args::Record) -> Self {
        let asked = !args.no_record;
        let store = asked.then(|| Store::open_at(args.store.as_deref())).and_then(|opened| match opened {
            Ok(store) => Some(store),
            Err(error) => {
                warn("this run will not be recorded", &error);
                None
            }
        });
        Self { store, asked }
    }

    /// Keeps a run.
    pub fn keep(&mut self, report: &Report) {
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
    let mut text = format!("warning: {what}: {error}");
    let mut cause = std::error::Error::source(error);
    while let Some(inner) = cause {
        text.push_str(&format!(": {inner}"));
        cause = inner.source();
    }
    eprintln!("{text}");
    if let Some(hint) = error.hint() {
        eprintln!("hint: {hint}");
    }
}
