//! What is said when a run cannot be recorded. The report is printed all the same, and the exit status stays the
//! verdict's.

use turnback_core::document::run::Report;

use crate::{
    archive::{
        error::ArchiveError,
        recorder::{NotRecorded, Recorder},
    },
    error_chain::with_causes,
    show::lines::tell,
};

/// Opens the records before a run.
pub fn open(recorder: &mut Recorder) {
    if let Err(error) = recorder.open() {
        warn("this run will not be recorded", &error);
    }
}

/// Records a run.
pub fn record(recorder: &mut Recorder, report: Report) {
    open(recorder);
    let what = format!("run {} is not recorded", report.run);
    match recorder.record(&report.into()) {
        Ok(()) => {}
        Err(NotRecorded::NotOpened) => tell("warning: ", format_args!("{what}, as said before")),
        Err(NotRecorded::Unwritten(error)) => {
            warn(&what, &error);
            tell("hint: ", "its report above is all there is; as JSON, `turnback records import` takes it in later");
        }
    }
}

fn warn(what: &str, error: &ArchiveError) {
    tell("warning: ", format_args!("{what}: {}", with_causes(error)));
    if let Some(hint) = error.hint() {
        tell("hint: ", &hint);
    }
}
