//! Words of `turnback records`.

use std::path::PathBuf;

use clap::{Subcommand, ValueEnum};

use crate::cli::number::whole;
use crate::{
    archive::sqlite::exchange::Form,
    cli::{
        complete,
        labels::{Labels, label},
    },
};

/// Options of `turnback records`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub struct Records {
    /// Records file [default: TURNBACK_STORE; else records.db in the state directory of a service or of root; else in
    /// turnback/ under XDG_DATA_HOME or ~/.local/share]
    #[arg(long, value_name = "FILE", global = true)]
    pub store: Option<PathBuf>,
    /// What to do [default: list]
    #[command(subcommand)]
    pub action: Option<Action>,
    /// What to list
    #[command(flatten)]
    pub list: List,
}

/// What to do with records.
#[derive(Debug, Subcommand)]
pub enum Action {
    /// List recorded runs, newest first
    List(List),
    /// Show the report of one run
    Show {
        /// Beginning of its id, or `last`
        run: String,
        /// Print the report as JSON
        #[arg(long)]
        json: bool,
    },
    /// Show what changed from run A to run B, and whether by more than chance
    Compare {
        /// Beginning of the first run's id
        a: String,
        /// Beginning of the second run's id, or `last`
        b: String,
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
    /// List recorded cases, the most recently changed first
    Cases(Cases),
    /// Export records: whole reports as JSON lines, or their columns as CSV
    Export {
        /// Which
        #[command(flatten)]
        filter: Filter,
        /// File format [default: by the name of the file, else json-lines]
        #[arg(long, value_name = "FORM")]
        format: Option<Format>,
        /// Write to this file instead of standard output
        #[arg(long, value_name = "FILE")]
        output: Option<PathBuf>,
    },
    /// Import exported records, or a report that `check --json` printed; nothing is imported twice
    Import {
        /// The file, or - for standard input
        file: PathBuf,
        /// File format [default: by the name of the file, else json-lines]
        #[arg(long, value_name = "FORM")]
        format: Option<Format>,
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
    /// Copy all records into a new file, also while they are in use
    Backup {
        /// The new file
        file: PathBuf,
    },
    /// Correct a label or the note of a run; the old one is kept in its report
    Correct(Correct),
    /// Delete one run or one case
    Drop {
        /// Beginning of its id
        id: String,
        /// Do it; without this, only says what would be deleted
        #[arg(long)]
        yes: bool,
    },
    /// Delete old runs, and the ended cases of their time
    Prune(Prune),
    /// Check the whole file for damage
    Check {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
}

/// What to list, and how.
#[derive(Debug, clap::Args)]
pub struct List {
    /// Which
    #[command(flatten)]
    pub filter: Filter,
    /// List at most this many
    #[arg(long, value_name = "NUMBER", default_value_t = LIMIT, value_parser = whole::<u64>)]
    pub limit: u64,
    /// List all
    #[arg(long, conflicts_with = "limit")]
    pub all: bool,
    /// Print one JSON document
    #[arg(long)]
    pub json: bool,
}

/// Which records. Names and labels may hold * and ?.
#[derive(Debug, Default, PartialEq, clap::Args)]
pub struct Filter {
    /// Name or label of the port
    #[arg(long, value_name = "NAME")]
    pub port: Option<String>,
    /// Name of the machine
    #[arg(long, value_name = "NAME")]
    pub machine: Option<String>,
    /// Label of the cable
    #[arg(long, value_name = "LABEL", add = complete::labels(|run| run.cable.as_ref()))]
    pub cable: Option<String>,
    /// Label of the segment
    #[arg(long, value_name = "LABEL", add = complete::labels(|run| run.segment.as_ref()))]
    pub segment: Option<String>,
    /// Label of the plug
    #[arg(long, value_name = "LABEL", add = complete::labels(|run| run.plug.as_ref()))]
    pub plug: Option<String>,
    /// Where the plug was: internal, at-port, far-end, return-port
    #[arg(long, value_name = "PLACE")]
    pub placement: Option<turnback_core::base::placement::Placement>,
    /// pass, fault, undecided or not-tested
    #[arg(long, value_name = "OUTCOME", value_parser = ["pass", "fault", "undecided", "not-tested"])]
    pub outcome: Option<String>,
    /// Started since: an age (36h, 2d), a date (2026-03-01), or a time with its zone
    #[arg(long, value_name = "WHEN")]
    pub since: Option<String>,
    /// Started before; as for --since
    #[arg(long, value_name = "WHEN")]
    pub until: Option<String>,
}

/// Which cases to list, and how. Names and labels may hold * and ?.
#[derive(Debug, clap::Args)]
pub struct Cases {
    /// Only undecided cases
    #[arg(long)]
    pub open: bool,
    /// Name of the port; may hold * and ?
    #[arg(long, value_name = "NAME")]
    pub port: Option<String>,
    /// Label of the cable; may hold * and ?
    #[arg(long, value_name = "LABEL", add = complete::labels(|run| run.cable.as_ref()))]
    pub cable: Option<String>,
    /// Print one JSON document
    #[arg(long)]
    pub json: bool,
}

/// What to correct.
#[derive(Debug, clap::Args)]
pub struct Correct {
    /// Beginning of the run's id, or `last`
    pub run: String,
    /// Label of the cable
    #[arg(long, value_name = "LABEL", value_parser = label, add = complete::labels(|run| run.cable.as_ref()))]
    pub cable: Option<String>,
    /// Other labels, and the note
    #[command(flatten)]
    pub labels: Labels,
    /// Take a label or the note away
    #[arg(long, value_name = "WHICH", value_delimiter = ',')]
    pub remove: Vec<Labelled>,
}

/// What a label can be on, and the note.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Labelled {
    /// The cable
    Cable,
    /// The port or its socket
    PortLabel,
    /// The segment of the cable that ends at the plug
    Segment,
    /// Where the cable or segment ends
    FarEnd,
    /// The plug
    Plug,
    /// The note
    Note,
}

/// What to drop.
#[derive(Debug, clap::Args)]
#[command(after_help = PRUNE_AFTER)]
pub struct Prune {
    /// Delete runs older than this: 36h, 400d, 2y
    #[arg(long, value_name = "AGE")]
    pub older_than: Option<String>,
    /// Keep only this many of the newest runs
    #[arg(long, value_name = "NUMBER", value_parser = whole::<u64>)]
    pub keep: Option<u64>,
    /// Do it; without this, only says how many would be deleted
    #[arg(long)]
    pub yes: bool,
    /// Apply this rule after every recorded run from now on
    #[arg(long)]
    pub automatic: bool,
    /// Stop automatic deletion; deletes nothing now
    #[arg(long, conflicts_with_all = ["older_than", "keep", "yes", "automatic"])]
    pub no_automatic: bool,
}

/// Form of an exchanged file.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum Format {
    /// One whole report per line
    JsonLines,
    /// One run per row, columns only
    Csv,
}

impl List {
    /// As without any option.
    pub fn is_plain(&self) -> bool {
        self.filter == Filter::default() && self.limit == LIMIT && !self.all && !self.json
    }
}

/// Rows listed unless asked otherwise.
const LIMIT: u64 = 50;

impl From<Format> for Form {
    fn from(format: Format) -> Self {
        match format {
            Format::JsonLines => Self::JsonLines,
            Format::Csv => Self::Csv,
        }
    }
}

const AFTER: &str = "Examples:\n  \
    turnback records --port quay7 --since 2d     recent runs of quay7\n  \
    turnback records --cable 'Q-*' --outcome fault\n  \
    turnback records show last\n  \
    turnback records compare 019ab3c41d02 last   worse, by more than chance?\n  \
    turnback records export --format csv --output runs.csv\n  \
    turnback records backup /mnt/backup/records-monday.db\n  \
    turnback records prune --older-than 400d --keep 10000 --yes\n\n\
    A run is named by the beginning of its id, as the list shows it, or by `last`.";

const PRUNE_AFTER: &str =
    "A run is deleted if either rule applies to it. Without a rule, the one set by --automatic is used.";
