//! Words of `turnback bench`.

use std::path::PathBuf;

use clap::Subcommand;
use turnback_core::stats::sampling::Level;

use crate::cli::{
    labels::label,
    shared::{FormArgs, Record},
};

/// Options of `turnback bench`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub struct Bench {
    /// What to do
    #[command(subcommand)]
    pub action: Action,
}

/// What to do on the bench.
#[derive(Debug, Subcommand)]
pub enum Action {
    /// Test the cards of a lot that have no grade yet: those of this computer, or of a simulated bench
    Test(Test),
    /// List the network cards of this computer, or of a simulated bench, and who they are
    Cards {
        /// `sim:NAME` for a built-in bench, or `sim:FILE` for one of your own [default: this computer]
        bench: Option<String>,
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
    /// Open, list, show, report or close a lot
    Lot {
        /// What to do
        #[command(subcommand)]
        action: LotAction,
    },
    /// Write the certificate of a card as a page, or as JSON, CSV or text
    Certificate(Paper),
    /// Print the label of a card as SVG in millimetres
    Label {
        /// Label of the card, or the beginning of the id of its card test
        card: String,
        /// Width and height in millimetres
        #[arg(long, value_name = "WxH", default_value = "62x29")]
        size: String,
        /// Write to this file
        #[arg(long, value_name = "FILE")]
        output: Option<PathBuf>,
        /// Records file to read
        #[arg(long, value_name = "FILE")]
        store: Option<PathBuf>,
    },
    /// List the plugs of the benches, how often each was fitted, and which are at fault
    Plugs {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
        /// Records file to read
        #[arg(long, value_name = "FILE")]
        store: Option<PathBuf>,
    },
    /// List the transceivers of the benches, how often each was fitted, and which are at fault
    Transceivers {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
        /// Records file to read
        #[arg(long, value_name = "FILE")]
        store: Option<PathBuf>,
    },
    /// Print a sampling plan and what it proves, without a lot
    Plan {
        /// Number of cards in the lot
        #[arg(long, value_name = "NUMBER")]
        quantity: u32,
        /// How it samples
        #[command(flatten)]
        sampling: Sampling,
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
    /// List the procedures, or print one as TOML to edit
    Procedures {
        /// Procedure to print
        name: Option<String>,
    },
    /// List the simulated benches, or print one as TOML to edit
    Rigs {
        /// Bench to print
        name: Option<String>,
    },
}

/// How a lot is sampled.
#[derive(Debug, clap::Args)]
pub struct Sampling {
    /// Acceptable quality level, percent faulty, such as 1.0
    #[arg(long, value_name = "PERCENT")]
    pub aql: Option<f64>,
    /// Inspection level: S1 to S4, I, II or III
    #[arg(long, value_name = "LEVEL", default_value = "II")]
    pub level: Level,
    /// Seed of the drawing
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
}

/// Options of a test.
#[derive(Debug, clap::Args)]
pub struct Test {
    /// Cards to test, also again: label, port, slot or serial number [default: all without a grade]. For a simulated
    /// bench, its name goes first: `sim:NAME`, or `sim:FILE` for one of your own
    #[arg(value_name = "CARD")]
    pub cards: Vec<String>,
    /// Label of the lot [default for a simulated bench: its own lot, opened if it is not there]
    #[arg(long, value_name = "LABEL", value_parser = label)]
    pub lot: Option<String>,
    /// Labels of this bench's loopback plugs [default: each port keeps a plug of its own]
    #[arg(long, value_name = "LABEL,...", value_delimiter = ',', value_parser = label)]
    pub plugs: Vec<String>,
    /// The card of this computer that is known to be good, by port, slot or serial number: it proves the bench
    #[arg(long, value_name = "CARD")]
    pub reference: Option<String>,
    /// Do not ask: the plugs are in place. What needs an exchange stays unfinished; only a simulated bench moves its
    /// cards and plugs itself
    #[arg(long, conflicts_with = "answers")]
    pub yes: bool,
    /// Read the answers from this file, one a line
    #[arg(long, value_name = "FILE")]
    pub answers: Option<PathBuf>,
    /// Seed of the simulated bench
    #[arg(long)]
    pub seed: Option<u64>,
    /// Print one JSON document: the lot and its cards
    #[arg(long)]
    pub json: bool,
    /// Write events to this file as they happen, one JSON object per line
    #[arg(long, value_name = "FILE")]
    pub events: Option<PathBuf>,
    /// Where it is recorded
    #[command(flatten)]
    pub record: Record,
}

/// What to do with a lot.
#[derive(Debug, Subcommand)]
pub enum LotAction {
    /// Open a lot
    Open {
        /// Its label
        #[arg(value_parser = label)]
        label: String,
        /// What its source says the cards are: device=, subsystem=, part=, ports=, speed=, joined by commas
        #[arg(long, value_name = "KEY=VALUE,...", default_value = "")]
        claim: String,
        /// Number of cards
        #[arg(long, value_name = "NUMBER")]
        quantity: u32,
        /// Where the cards come from
        #[arg(long, value_name = "TEXT", value_parser = label, default_value = "not said")]
        source: String,
        /// Procedure by name or file
        #[arg(long, value_name = "NAME|FILE", default_value = "standard")]
        procedure: String,
        /// Which cards are tested; without --aql, all
        #[command(flatten)]
        sampling: Sampling,
        /// Records file to write
        #[arg(long, value_name = "FILE")]
        store: Option<PathBuf>,
    },
    /// List the lots, the one changed last first
    List {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
        /// Records file to read
        #[arg(long, value_name = "FILE")]
        store: Option<PathBuf>,
    },
    /// Show the cards and grades of a lot
    Show {
        /// Its label, or `last`
        label: String,
        /// Print one JSON document: the lot and its cards
        #[arg(long)]
        json: bool,
        /// Records file to read
        #[arg(long, value_name = "FILE")]
        store: Option<PathBuf>,
    },
    /// Write the report of a lot as a page, or as JSON, CSV or text
    Report(Paper),
    /// Close a lot, so that nothing is added to it
    Close {
        /// Its label
        label: String,
        /// Why it is closed although it is not decided
        #[arg(long, value_name = "WHY", value_parser = label)]
        undecided: Option<String>,
        /// Records file to write
        #[arg(long, value_name = "FILE")]
        store: Option<PathBuf>,
    },
}

/// Which document is written, and in which form.
#[derive(Debug, clap::Args)]
pub struct Paper {
    /// Label of the card or lot, or the beginning of its id
    pub name: String,
    /// Records file to read
    #[arg(long, value_name = "FILE")]
    pub store: Option<PathBuf>,
    /// How it is written
    #[command(flatten)]
    pub form: FormArgs,
}

const AFTER: &str = "Exit status of test, lot show and lot close: 0 the lot is accepted by its sampling plan, or, \
    without one, every card has a grade and one at least is accepted (others may be rejected); 1 the lot is rejected, \
    or no card accepted; 3 not decided. Of others: 0 done, 2 wrong usage.\n\n\
    Start with:  turnback bench cards                      the network cards of this computer\n             \
                 turnback bench test sim:bench --yes       test and grade a simulated lot\n             \
                 turnback bench lot show last              its cards and grades\n             \
                 turnback bench certificate stores-bench-01 --output card.html";
