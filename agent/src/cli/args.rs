//! Words of the command line.

use std::path::PathBuf;

use clap::{Parser, Subcommand};

use super::{
    complete,
    labels::{Labels, label},
    number::{ratio, whole},
    shared::{FormArgs, Record},
};
use crate::daemon::keys::Role;

/// Tells a bad port from a bad cable with a loopback plug.
#[derive(Debug, Parser)]
#[command(name = "turnback", version, about, long_about = LONG, after_help = AFTER, max_term_width = 120)]
pub struct Args {
    /// Log more detail; repeat for even more
    #[arg(short, long, action = clap::ArgAction::Count, global = true)]
    pub verbose: u8,
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

const LONG: &str = "Tells a bad port from a bad cable with a loopback plug.\n\n\
    With a loopback plug a port talks to itself: what goes out must come back. turnback sends patterned frames or \
    bytes out of the port, compares what comes back, and reads every counter this computer has. It reports a pass, or \
    a fault and where it is, or that the test was undecided and what would decide it.";

const AFTER: &str = "Exit status: 0 pass, 1 fault found, 2 wrong usage or configuration, 3 undecided, 4 not tested.\n\n\
    Start with:  turnback check sim:good      test a simulated port, without root\n             \
                 turnback ports               list the ports of this machine\n             \
                 turnback wiring 8p8c-2pair   show how to make a plug";

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Test one port with a plug fitted, and say what is at fault
    Check(Box<Check>),
    /// Find the fault step by step: in the port, the plug, or one segment of the cable
    Isolate(Box<Isolate>),
    /// List the ports of this machine, and whether each can be tested now
    Ports {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
        /// Restore the settings that a killed run left changed; sends nothing
        #[arg(long, alias = "put-back")]
        restore: bool,
    },
    /// Write the report of a run or case as a page to print or mail, or as JSON, CSV or text
    Report(Report),
    /// List recorded runs; show, compare, export, import, drop or prune them
    Records(Box<super::records::args::Records>),
    /// Test network cards by the lot, and grade, label and certify each
    Bench(Box<super::bench::args::Bench>),
    /// List the profiles, or print one as TOML to edit
    Profiles {
        /// Profile to print
        #[arg(add = complete::profiles())]
        name: Option<String>,
    },
    /// List the simulated rigs, or print one as TOML to edit
    Rigs {
        /// Rig to print
        #[arg(add = complete::rigs())]
        name: Option<String>,
    },
    /// Draw a loopback plug: its pins, what it can test, cautions
    Wiring {
        /// Plug to draw; without it, lists all
        #[arg(add = complete::drawings())]
        kind: Option<String>,
    },
    /// Measure each pair of the cable, if the adapter can
    ///
    /// The link goes down for some seconds. Remove the plug first: it joins pairs, which looks like a short. Make sure
    /// that nothing feeds power into the pairs (PoE). A port in service is refused. Exit status: 0 no fault, 1 a fault
    /// on a pair, 3 undecided, 4 not tested (also if the adapter has no such test).
    CableTest {
        /// Interface name
        #[arg(add = complete::ports_here())]
        port: String,
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
    /// Blink the light of a port, so that you can find it in the rack
    Locate {
        /// Interface name
        #[arg(add = complete::ports_here())]
        port: String,
        /// For how long
        #[arg(long = "for", value_name = "TIME", default_value = "10s")]
        time: String,
    },
    /// Test spare ports on a schedule, report changes, and serve a web page
    Agent(Agent),
    /// Collect what many agents record, over a broker into a database
    Fleet(super::fleet::args::Fleet),
    /// Print a completion script for a shell
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page
    #[command(hide = true)]
    Manual {
        /// Print the help of every command as Markdown (docs/cli.md)
        #[arg(long)]
        markdown: bool,
    },
}

/// Options of a report.
#[derive(Debug, clap::Args)]
#[command(after_help = REPORT_AFTER)]
pub struct Report {
    /// Beginning of the id of a recorded run or case; `last` for the newest run or case; a file with the JSON document
    /// of one; or - for standard input
    #[arg(value_name = "RUN|CASE|FILE")]
    pub run: String,
    /// Records file to read
    #[arg(long, value_name = "FILE")]
    pub store: Option<PathBuf>,
    /// How it is written
    #[command(flatten)]
    pub form: FormArgs,
}

const REPORT_AFTER: &str = "Examples:\n  \
    turnback report last --output run.html   the newest run or case as a page\n  \
    turnback report 01a2130b-9185 --text     text to paste into a ticket\n  \
    turnback check quay7 --json > run.json   save a run in a file ...\n  \
    turnback report run.json --csv           ... and read it from there\n  \
    turnback check sim:bad-cable --json | turnback report - --output run.html\n\n\
    The page needs no network and no scripts. Exit status: 0 written, 2 not written.";

/// Options of a check.
#[derive(Debug, clap::Args)]
#[command(after_help = CHECK_AFTER)]
pub struct Check {
    /// Interface name; path of a serial port (/dev/ttyS1, or any link to it); `sim:NAME` for a built-in rig; or
    /// `sim:FILE` for a rig of your own
    #[arg(add = complete::ports())]
    pub port: String,
    /// Where the plug is: internal (no plug, loop inside the chip), at-port, far-end [default: at-port]
    #[arg(long, value_name = "PLACE", add = complete::placements())]
    pub placement: Option<String>,
    /// Label of the cable, if the plug is at its far end; implies --placement far-end
    #[arg(long, value_name = "LABEL", value_parser = label, add = complete::labels(|run| run.cable.as_ref()))]
    pub cable: Option<String>,
    /// Other labels
    #[command(flatten)]
    pub labels: Labels,
    /// Second interface at the other end of the cable, instead of a plug; tests both directions
    #[arg(long, value_name = "PORT", conflicts_with = "placement", add = complete::ports_here())]
    pub return_port: Option<String>,
    /// Profile by name or file: quick, standard, proof, soak, rate-search
    #[arg(long, value_name = "NAME|FILE", default_value = "quick", add = complete::profiles())]
    pub profile: String,
    /// Total time to send (for soak and proof: the longest), such as 4s or 1h
    #[arg(long = "for", value_name = "TIME")]
    pub time: Option<String>,
    /// Frame sizes in bytes, FCS included, such as 64,512,1518
    #[arg(long, value_name = "BYTES", value_delimiter = ',', value_parser = whole::<u32>)]
    pub sizes: Option<Vec<u32>>,
    /// Patterns, such as prbs31,zeros,hex:DEADBEEF
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    pub patterns: Option<Vec<String>>,
    /// Sending rate: full, a share of line rate (10%), or frames per second (3000)
    #[arg(long, value_name = "RATE")]
    pub rate: Option<String>,
    /// Highest bit error ratio of a good line, such as 1e-10 (one wrong bit in ten thousand million)
    #[arg(long, value_name = "RATIO", value_parser = ratio)]
    pub target_ber: Option<f64>,
    /// Confidence that a pass needs, from 0.5 to just under 1
    #[arg(long, value_name = "SHARE", value_parser = ratio)]
    pub confidence: Option<f64>,
    /// Force this speed in Mb/s, full duplex; restored afterwards
    #[arg(long, value_name = "MBPS", value_parser = whole::<u32>)]
    pub speed: Option<u32>,
    /// Serial ports: speed in bits per second and format, such as 9600, 115200,8N1 or 9600,7E1,rts-cts
    #[arg(long, value_name = "SPEED[,FORMAT]")]
    pub line: Option<String>,
    /// Serial ports: wiring of the plug: data-only, de9, de9-ri, db25, db25-ri, rs422; or rs485 for a two-wire port
    /// without a plug [default: data-only]
    #[arg(long, value_name = "KIND", add = complete::line_plugs())]
    pub wiring: Option<String>,
    /// Seed of the run and of a simulated rig; the same seed repeats a simulated run exactly
    #[arg(long, value_parser = whole::<u64>)]
    pub seed: Option<u64>,
    /// After a failure, do not repeat the test from another place (the loop inside the chip)
    #[arg(long)]
    pub no_confirm: bool,
    /// Test the port although it has an address, a route or the like, or a lock file for a serial port. This cuts off
    /// whoever uses it. Never overrides the default route, your own connection, or a program that has the port open
    #[arg(long)]
    pub although_in_service: bool,
    /// Print more than the answer: every reason, figures, tables, changed settings, what a plug cannot show, cautions
    #[arg(long, conflicts_with = "json")]
    pub details: bool,
    /// Ring the terminal's bell when frames or bytes get lost or come back wrong
    #[arg(long)]
    pub bell: bool,
    /// Print one JSON document
    #[arg(long)]
    pub json: bool,
    /// Write events to this file as they happen, one JSON object per line
    #[arg(long, value_name = "FILE")]
    pub events: Option<PathBuf>,
    /// Where the run is recorded
    #[command(flatten)]
    pub record: Record,
}

/// Options of a case.
#[derive(Debug, clap::Args)]
#[command(after_help = ISOLATE_AFTER)]
pub struct Isolate {
    /// Interface name; path of a serial port; `sim:NAME` for a built-in rig; or `sim:FILE` for a rig of your own
    #[arg(add = complete::ports())]
    pub port: String,
    /// Label of the cable; not needed with --case
    #[arg(long, value_name = "LABEL", value_parser = label, required_unless_present = "case",
        add = complete::labels(|run| run.cable.as_ref()))]
    pub cable: Option<String>,
    /// Labels of the cable's segments in order from the port, such as lead-3,A-14,cabinet-tail [default: one segment; a
    /// simulated rig knows its own]
    #[arg(long, value_name = "LABELS", value_delimiter = ',')]
    pub segments: Vec<String>,
    /// Label of the plug
    #[arg(long, value_name = "LABEL", value_parser = label, add = complete::labels(|run| run.plug.as_ref()))]
    pub plug: Option<String>,
    /// Continue this case (the beginning of its id is enough)
    #[arg(long, value_name = "ID")]
    pub case: Option<String>,
    /// Open another case, although one of this port and cable is open. Without it, the open case is continued
    #[arg(long, conflicts_with = "case")]
    pub new: bool,
    /// Close the open case of this port and cable, with this reason
    #[arg(long, value_name = "WHY", value_parser = label, conflicts_with_all = ["new", "stage", "skip", "redo"])]
    pub close: Option<String>,
    /// What was entered as the first stage was in fact the second: the plug was elsewhere than was said
    #[arg(long, value_name = "STAGE=STAGE")]
    pub correct: Vec<String>,
    /// Do one stage and stop: internal, at-port, far-end, far-end:SEGMENT, soak, soak:at-port, two-pairs, other-plug,
    /// known-good-port, cable-test
    #[arg(long, value_name = "STAGE", conflicts_with = "answers")]
    pub stage: Option<String>,
    /// Skip this stage (may be given several times)
    #[arg(long, value_name = "STAGE")]
    pub skip: Vec<String>,
    /// Ignore earlier attempts at this stage and repeat it (may be given several times)
    #[arg(long, value_name = "STAGE")]
    pub redo: Vec<String>,
    /// Do not ask: the plug is already where the stage needs it. A simulated rig moves its own plug and runs all
    /// stages; on a real port give --stage too
    #[arg(long)]
    pub yes: bool,
    /// Read the answers from this file, one per line, instead of the terminal
    #[arg(long, value_name = "FILE")]
    pub answers: Option<PathBuf>,
    /// A port of this machine known to be good, for stage known-good-port
    #[arg(long, value_name = "PORT", add = complete::ports_here())]
    pub known_good: Option<String>,
    /// Second port of this machine in place of a plug: the stages go over a cord or the cable to this one, and back.
    /// Tests gigabit copper at its own speed
    #[arg(long, value_name = "PORT", conflicts_with_all = ["plug", "from_records"], add = complete::ports_here())]
    pub return_port: Option<String>,
    /// Use a recorded run of the same port for a stage if it is not older than this, such as 2h
    #[arg(long, value_name = "AGE")]
    pub from_records: Option<String>,
    /// Profile of each stage, by name or file [default: quick]. The case keeps this and the following options
    #[arg(long, value_name = "NAME|FILE", add = complete::profiles())]
    pub profile: Option<String>,
    /// Sending rate: full, a share of line rate (10%), or frames per second (3000)
    #[arg(long, value_name = "RATE")]
    pub rate: Option<String>,
    /// Serial ports: speed and format, as for check
    #[arg(long, value_name = "SPEED[,FORMAT]")]
    pub line: Option<String>,
    /// Serial ports: wiring of the plug, as for check
    #[arg(long, value_name = "KIND", add = complete::line_plugs())]
    pub wiring: Option<String>,
    /// Least length of a soak stage [default: 60s]. A soak takes longer where a longer one decides more
    #[arg(long = "for", value_name = "TIME")]
    pub soak_time: Option<String>,
    /// Seed of the first run and of a simulated rig
    #[arg(long, value_parser = whole::<u64>)]
    pub seed: Option<u64>,
    /// Test the port although it has an address, a route or the like, as for check
    #[arg(long)]
    pub although_in_service: bool,
    /// Print more than the answer: every reason, and the table of stages
    #[arg(long, conflicts_with = "json")]
    pub details: bool,
    /// Print the case as one JSON document
    #[arg(long)]
    pub json: bool,
    /// Where the case and its runs are recorded
    #[command(flatten)]
    pub record: Record,
}

const ISOLATE_AFTER: &str = "Examples:\n  \
    A simulated case from start to end:\n    \
      turnback isolate sim:bad-cable --cable Q-12 --yes\n  \
    A cable of three segments; you are asked to move the plug:\n    \
      turnback isolate quay7 --cable Q-12 --segments lead-3,A-14,tail\n  \
    One stage of it; the plug is there already:\n    \
      turnback isolate quay7 --cable Q-12 --stage far-end:A-14 --yes\n  \
    Repeat a stage, since the plug was loose:\n    \
      turnback isolate quay7 --cable Q-12 --redo at-port\n  \
    A cable with both ends here, at its full speed:\n    \
      turnback isolate quay7 --cable Q-12 --return-port quay8\n  \
    A serial line:\n    \
      turnback isolate /dev/ttyS1 --cable Q-12 --wiring de9\n\n\
    Answers: Enter or yes (it is done), skip [STAGE] [WHY], redo STAGE, correct STAGE STAGE, plug LABEL, on PORT, \
    passes, fails, leave, help.\n\n\
    The case is saved after each stage, so you can leave and continue later. Exit status: as for check; 3 as long as \
    the case is not decided and stages are left.";

const CHECK_AFTER: &str = "Examples:\n  \
    turnback check sim:bad-cable              a simulated cable with a fault\n  \
    turnback check quay7                      plug in port quay7, a few seconds\n  \
    turnback check quay7 --cable Q-12         plug at the far end of cable Q-12\n  \
    turnback check quay7 --return-port quay8  a cable between two ports\n  \
    turnback check quay7 --port-label A-14 --plug P-3 --note 'after the storm'\n  \
    turnback check quay7 --profile proof --target-ber 1e-12\n  \
    turnback check quay7 --profile soak --for 1h --events run.jsonl\n  \
    turnback check /dev/ttyS1 --line 9600,8N1 --wiring de9\n\n\
    Needs CAP_NET_RAW, and CAP_NET_ADMIN to change settings. A serial port needs read and write access to its device \
    file. A simulated rig needs nothing.\n\n\
    Never look into a fibre or an optical port. Make sure that no power (PoE) is on a pair that the plug joins. RS-232 \
    drives up to 15 V: know the levels of a serial port before you connect anything to it.";

/// Options of the agent.
#[derive(Debug, clap::Args)]
#[command(after_help = AGENT_AFTER, args_conflicts_with_subcommands = true)]
pub struct Agent {
    /// Configuration file (docs/config.md)
    #[arg(long, value_name = "FILE", required_unless_present = "demo")]
    pub config: Option<PathBuf>,
    /// Check the configuration, report mistakes, and exit
    #[arg(long, requires = "config")]
    pub check_config: bool,
    /// Use simulated ports of an invented harbour, some about to fail; needs no hardware and no rights
    #[arg(long, conflicts_with = "config")]
    pub demo: bool,
    /// Speed of the demo's runs: real, fast
    #[arg(long, value_name = "PACE", default_value = "real", requires = "demo")]
    pub pace: AgentPace,
    /// Keep the demo's records in this file; without it they are lost at the end
    #[arg(long, value_name = "FILE", requires = "demo")]
    pub store: Option<PathBuf>,
    /// Address of the demo's page; port 0 takes any free port [default: 127.0.0.1:7440, or any free port if that is
    /// taken]
    #[arg(long, value_name = "ADDRESS", requires = "demo")]
    pub listen: Option<std::net::SocketAddr>,
    /// What else to do
    #[command(subcommand)]
    pub command: Option<AgentCommand>,
}

/// What else to do with an agent.
#[derive(Debug, Subcommand)]
pub enum AgentCommand {
    /// Show the state of the running agent and its ports
    Status {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
    /// Make, list and revoke tokens for the API and the page
    #[command(subcommand)]
    Token(TokenCommand),
    /// Show a code and a QR code with which a phone signs in once, within ten minutes
    Pair {
        /// What the phone may do: read, test, administer
        #[arg(long, value_name = "ROLE", default_value = "test")]
        role: Role,
    },
}

/// What to do about tokens.
#[derive(Debug, Subcommand)]
pub enum TokenCommand {
    /// Make a token and print it; it is not shown again
    Make {
        /// A name to know it by: 1 to 40 of a-z, 0-9 and -
        name: String,
        /// What its holder may do: metrics, read, test, administer
        #[arg(long, value_name = "ROLE", default_value = "read")]
        role: Role,
    },
    /// List the tokens with their roles and when each was last used
    List {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
    /// Revoke a token and end the sessions that were opened with it
    Revoke {
        /// Its name
        name: String,
    },
}

/// How fast the demo's runs go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum AgentPace {
    /// As on a real port
    Real,
    /// As fast as this computer can simulate them
    Fast,
}

const AGENT_AFTER: &str = "Examples:\n  \
    turnback agent --demo                try it out with the demo harbour\n  \
    turnback agent --config agent.toml   run until SIGTERM; SIGHUP reads the file again\n  \
    turnback agent --config agent.toml --check-config\n  \
    turnback agent status\n  \
    turnback agent token make night-shift --role test\n  \
    turnback agent pair                  sign a phone in\n\n\
    Needs CAP_NET_RAW and CAP_NET_ADMIN for real ports. Ports in service are never tested.\n\n\
    Exit status: 0 ended by a signal, 2 wrong usage or configuration, 4 could not start. Of `status`: 0 all is well, \
    1 a port has failed, 3 a port is not proven, or the agent has a problem, 4 no agent answers. Of `token`, `pair`: \
    0 done, 2 refused, 4 no agent answers.";
