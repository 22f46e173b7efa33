//! Whether a case outlives the program, and what is said where it does not.

use turnback_core::document::case::{Case, CaseState};

use super::words_to_repeat;
use crate::{cli::args, show::lines::tell};

/// Whether the records hold a case.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kept {
    /// They do.
    AsItStands,
    /// They hold an earlier state of it: what came after that could not be written.
    AsItWas,
    /// They do not.
    Not,
}

impl Kept {
    /// Options that a command that goes on with the case needs again; none where none can.
    pub(super) fn words(self, args: &args::Isolate) -> Option<Vec<String>> {
        (self != Self::Not).then(|| words_to_repeat(args))
    }

    /// Says what is lost, and the way out.
    pub(super) fn tell(self, args: &args::Isolate, case: &Case) {
        let asked_for = args.record.no_record;
        let what = match self {
            Self::AsItStands => return,
            // Whoever wants no record of a case that is decided misses nothing.
            Self::Not if asked_for && case.state != CaseState::Open => return,
            Self::AsItWas => "the records hold an earlier state of this case: what was done since then is lost",
            Self::Not => "the case is not kept: no command can go on with it, and its stages are lost",
        };
        tell("warning: ", what);
        tell(
            "hint: ",
            match asked_for {
                true => "leave out --no-record to go on with a case another time",
                false => "make room on the disk of the records file, or name a file elsewhere with --store FILE",
            },
        );
    }
}
