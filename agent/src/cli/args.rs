//! Words of the command line.

use std::path::PathBuf;

use clap::{Parser, Subcommand};

/// Tells a bad port from a bad cable with a loopback plug.
#[derive(Debug, Parser)]
#[command(name = "turnback", version, about, long_about = LONG, after_help = AFTER, max_term_width = 100)]
pub struct Args {
    /// Say more about what the program does (repeat for more still)
    #[arg(short, long, action = clap::ArgAction::Count, global = true)]
    pub verbose: u8,
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

const LONG: &str = "Tells a bad port from a bad cable with a loopback plug.\n\n\
    With a loopback plug a port talks to itself: what goes out must come back. turnback sends patterned frames out of the \
    port, compares what comes back, reads every counter this computer has, and says: pass, fault and where, or undecided \
    and what would decide it.";

const AFTER: &str = "Exit status: 0 pass, 1 fault found, 2 wrong usage or configuration, 3 undecided, 4 not tested.\n\n\
    Start with:  turnback check sim:good          a check on a simulated port; needs no hardware and no rights\n             \
                 turnback ports                   what this machine has to test\n             \
                 turnback wiring 8p8c-2pair       how to make the plug";

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Check one port with a plug fitted, and say what is at fault
    Check(Box<Check>),
    /// Lead through a case, stage by stage, until the port, the plug or a segment of the cable is found at fault
    Isolate(Box<Isolate>),
    /// List the ports of this machine, and whether each can be tested now
    Ports {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
        /// Restore the settings that a killed run left changed, and say so; nothing is sent
        #[arg(long, alias = "put-back")]
        restore: bool,
    },
    /// Make a page of a run or case to print, mail or file; or JSON, CSV, text
    Report(Report),
    /// List the recorded runs; show, compare, export, import or drop them
    Records(Box<super::records::args::Records>),
    /// List the profiles, or show one as TOML to start from
    Profiles {
        /// The profile to show
        name: Option<String>,
    },
    /// List the simulated rigs, or show one as TOML to start from
    Rigs {
        /// The rig to show
        name: Option<String>,
    },
    /// Draw the loopback plugs: pins, what each can test, cautions
    Wiring {
        /// The plug to draw; all are listed without it
        kind: Option<String>,
    },
    /// Have the adapter measure the cable pair by pair, where it can
    ///
    /// Takes the link down for some seconds. Take the plug off first: it joins pairs, which reads as a short. Make sure that
    /// nothing gives power on the pairs (PoE). A port in service is refused. Exit status: 0 no fault, 1 a fault on a pair,
    /// 3 not found out, 4 not tested, as where the adapter offers no such test.
    CableTest {
        /// Interface name
        port: String,
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
    /// Blink the light of a port, to find it in the rack
    Locate {
        /// Interface name
        port: String,
        /// For how long
        #[arg(long = "for", value_name = "TIME", default_value = "10s")]
        time: String,
    },
    /// Keep spare ports proven: test them on schedule, tell of changes, serve a page
    Agent(Agent),
    /// Print a completion script for a shell
    #[command(hide = true)]
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page
    #[command(hide = true)]
    Manual {
        /// As Markdown, the help of every command: docs/cli.md
        #[arg(long)]
        markdown: bool,
    },
}

/// Options of a report.
#[derive(Debug, clap::Args)]
#[command(after_help = REPORT_AFTER)]
pub struct Report {
    /// Beginning of the id of a recorded run or case, or `last` for what was done last, a run or a case; or a file with the JSON document of a run or case; or - for the
    /// standard input
    #[arg(value_name = "RUN|CASE|FILE")]
    pub run: String,
    /// The file of records to look in
    #[arg(long, value_name = "FILE")]
    pub store: Option<PathBuf>,
    /// The report as one JSON document
    #[arg(long, group = "form")]
    pub json: bool,
    /// Every figure of the report as a row of CSV
    #[arg(long, group = "form")]
    pub csv: bool,
    /// Plain text, for a ticket
    #[arg(long, group = "form")]
    pub text: bool,
    /// Write to this file; it is replaced as a whole or not at all
    #[arg(long, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

const REPORT_AFTER: &str = "Examples:\n  \
    turnback report last --output run.html           a page of the newest run or case, one or two sheets\n  \
    turnback report 01a2130b-9185 --text             to paste into a ticket\n  \
    turnback check quay7 --json > run.json           keep a run in a file ...\n  \
    turnback report run.json --csv                   ... and show it from there\n  \
    turnback check sim:bad-cable --json | turnback report - --output run.html\n\n\
    The page needs no network and no scripts. Exit status: 0 made, 2 not made.";

/// Options of a check.
#[derive(Debug, clap::Args)]
#[command(after_help = CHECK_AFTER)]
pub struct Check {
    /// Interface name, path of a serial line (such as /dev/ttyS1, or any link to it), `sim:NAME` for a built-in rig, or
    /// `sim:FILE` for a rig of your own
    pub port: String,
    /// Where the plug is: internal (no plug, loop inside the chip), at-port, far-end [default: at-port]
    #[arg(long, value_name = "PLACE")]
    pub placement: Option<String>,
    /// Label of the cable, when the plug is at its far end; implies --placement far-end
    #[arg(long, value_name = "LABEL", value_parser = label)]
    pub cable: Option<String>,
    /// Other labels
    #[command(flatten)]
    pub labels: Labels,
    /// A second interface at the other end of the cable, in place of a plug; both directions are tested
    #[arg(long, value_name = "PORT", conflicts_with = "placement")]
    pub return_port: Option<String>,
    /// Profile by name or file: quick, standard, proof, soak, rate-search
    #[arg(long, value_name = "NAME|FILE", default_value = "quick")]
    pub profile: String,
    /// How long to send in all (soak, proof: at most), such as 4s or 1h
    #[arg(long = "for", value_name = "TIME")]
    pub time: Option<String>,
    /// Frame sizes with FCS, as the standards count, such as 64,512,1518
    #[arg(long, value_name = "BYTES", value_delimiter = ',')]
    pub sizes: Option<Vec<u32>>,
    /// Patterns, such as prbs31,zeros,hex:DEADBEEF
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    pub patterns: Option<Vec<String>>,
    /// How fast: full, a share of line rate (10%), or frames a second (3000)
    #[arg(long, value_name = "RATE")]
    pub rate: Option<String>,
    /// Bit error ratio a good line stays below, such as 1e-10
    #[arg(long, value_name = "RATIO")]
    pub target_ber: Option<f64>,
    /// How sure a pass must be, 0.5 to just under 1
    #[arg(long, value_name = "SHARE")]
    pub confidence: Option<f64>,
    /// Force this speed in Mb/s, full duplex; put back afterwards
    #[arg(long, value_name = "MBPS")]
    pub speed: Option<u32>,
    /// Serial ports: speed in bits a second and format, such as 9600, 115200,8N1 or 9600,7E1,rts-cts
    #[arg(long, value_name = "SPEED[,FORMAT]")]
    pub line: Option<String>,
    /// Serial ports: the wiring of the fitted plug: data-only, de9, de9-ri, db25, db25-ri, rs422, or rs485 for none on two wires
    /// [default: data-only]
    #[arg(long, value_name = "KIND")]
    pub wiring: Option<String>,
    /// Seed of the run, and of a simulated rig: the same seed gives the same simulated run
    #[arg(long)]
    pub seed: Option<u64>,
    /// Do not confirm a failure from another place (the loop inside the chip)
    #[arg(long)]
    pub no_confirm: bool,
    /// Test although the port has an address, a route or the like, or a serial line has a lock file. Whoever uses it is cut
    /// off meanwhile. Never overrides the default route or your own connection, nor a program that has the line open
    #[arg(long)]
    pub although_in_service: bool,
    /// Print one JSON document
    #[arg(long)]
    pub json: bool,
    /// Write one JSON object a line to this file, as things happen
    #[arg(long, value_name = "FILE")]
    pub events: Option<PathBuf>,
    /// Where the run is recorded
    #[command(flatten)]
    pub record: Record,
}

/// Labels under which a run is found again, beside the cable's.
#[derive(Debug, Default, clap::Args)]
pub struct Labels {
    /// What is written at the port or its socket
    #[arg(long, value_name = "LABEL", value_parser = label)]
    pub port_label: Option<String>,
    /// Label of the cable's segment at whose end the plug is; implies --placement far-end
    #[arg(long, value_name = "LABEL", value_parser = label)]
    pub segment: Option<String>,
    /// What is written where the cable or segment ends
    #[arg(long, value_name = "LABEL", value_parser = label)]
    pub far_end: Option<String>,
    /// Label of the plug used
    #[arg(long, value_name = "LABEL", value_parser = label)]
    pub plug: Option<String>,
    /// A note to keep with the run
    #[arg(long, value_name = "TEXT", value_parser = label)]
    pub note: Option<String>,
}

impl From<&Labels> for turnback_core::base::labels::Labels {
    fn from(given: &Labels) -> Self {
        Self {
            port: given.port_label.clone(),
            segment: given.segment.clone(),
            far_end: given.far_end.clone(),
            plug: given.plug.clone(),
            note: given.note.clone(),
        }
    }
}

/// Whether and where a run is recorded.
#[derive(Debug, Default, clap::Args)]
pub struct Record {
    /// Keep what is found in this file of records [default: see `turnback records --help`]
    #[arg(long, value_name = "FILE", conflicts_with = "no_record")]
    pub store: Option<PathBuf>,
    /// Keep nothing
    #[arg(long)]
    pub no_record: bool,
}

/// A label as people write it: one line, with something on it.
fn label(text: &str) -> Result<String, String> {
    let text = text.trim();
    match text {
        "" => Err("nothing is written on it".into()),
        _ if text.chars().any(char::is_control) => Err("it may hold no line breaks or control characters".into()),
        _ if text.chars().count() > LABEL_CHARACTERS_MAX => Err(format!("at most {LABEL_CHARACTERS_MAX} characters")),
        _ => Ok(text.to_owned()),
    }
}

/// Longer than any label, and enough for a note (our own choice).
const LABEL_CHARACTERS_MAX: usize = 500;

/// Options of a case.
#[derive(Debug, clap::Args)]
#[command(after_help = ISOLATE_AFTER)]
pub struct Isolate {
    /// Interface name, path of a serial line, `sim:NAME` for a built-in rig, or `sim:FILE` for a rig of your own
    pub port: String,
    /// Label of the cable
    #[arg(long, value_name = "LABEL", value_parser = label)]
    pub cable: String,
    /// Labels of the cable's segments in order from the port, such as lead-3,A-14,cabinet-tail [default: one piece; a
    /// simulated rig knows its own]
    #[arg(long, value_name = "LABELS", value_delimiter = ',')]
    pub segments: Vec<String>,
    /// Label of the plug
    #[arg(long, value_name = "LABEL", value_parser = label)]
    pub plug: Option<String>,
    /// Go on with this case (the beginning of its id is enough)
    #[arg(long, value_name = "ID")]
    pub case: Option<String>,
    /// Do this one stage and end: internal, at-port, far-end, far-end:SEGMENT, soak, soak:at-port, two-pairs,
    /// other-plug, known-good-port, cable-test. Goes on with the open case of this port and cable
    #[arg(long, value_name = "STAGE", conflicts_with = "answers")]
    pub stage: Option<String>,
    /// Leave a stage out (may be given several times)
    #[arg(long, value_name = "STAGE")]
    pub skip: Vec<String>,
    /// Set the earlier attempts at a stage aside and do it again (may be given several times)
    #[arg(long, value_name = "STAGE")]
    pub redo: Vec<String>,
    /// Do not ask: the plug is where the stage wants it. A simulated rig moves its plug by itself and does all stages; elsewhere
    /// give --stage too
    #[arg(long)]
    pub yes: bool,
    /// Take the answers from this file, one a line, in place of the terminal
    #[arg(long, value_name = "FILE")]
    pub answers: Option<PathBuf>,
    /// Port of this machine known to be good, for stage known-good-port
    #[arg(long, value_name = "PORT")]
    pub known_good: Option<String>,
    /// Take a stage from a record of the same port that is not older than this, such as 2h
    #[arg(long, value_name = "AGE")]
    pub from_records: Option<String>,
    /// Profile of a stage by name or file
    #[arg(long, value_name = "NAME|FILE", default_value = "quick")]
    pub profile: String,
    /// How fast: full, a share of line rate (10%), or frames a second (3000)
    #[arg(long, value_name = "RATE")]
    pub rate: Option<String>,
    /// Serial ports: speed and format, as for check
    #[arg(long, value_name = "SPEED[,FORMAT]")]
    pub line: Option<String>,
    /// Serial ports: the wiring of the plug, as for check
    #[arg(long, value_name = "KIND")]
    pub wiring: Option<String>,
    /// How long a soak stage takes
    #[arg(long = "for", value_name = "TIME", default_value = "60s")]
    pub soak_time: String,
    /// Seed of the first run, and of a simulated rig
    #[arg(long)]
    pub seed: Option<u64>,
    /// Test although the port has an address, a route or the like, as for check
    #[arg(long)]
    pub although_in_service: bool,
    /// Print the case as one JSON document
    #[arg(long)]
    pub json: bool,
    /// Where the case and its runs are recorded
    #[command(flatten)]
    pub record: Record,
}

const ISOLATE_AFTER: &str = "Examples:\n  \
    turnback isolate sim:bad-cable --cable Q-12 --yes                a simulated case from end to end\n  \
    turnback isolate quay7 --cable Q-12 --segments lead-3,A-14,tail  asks for each move of the plug\n  \
    turnback isolate quay7 --cable Q-12 --stage far-end:A-14 --yes   one stage, the plug is there already\n  \
    turnback isolate quay7 --cable Q-12 --redo at-port               the plug was not seated: once more\n  \
    turnback isolate /dev/ttyS1 --cable Q-12 --wiring de9            a serial line\n\n\
    Answers: nothing (the plug is there), skip [WHY], plug LABEL, on PORT, passes, fails, redo STAGE, leave, help.\n\
    A case is kept after each stage and can be left and taken up again. Exit status: that of its verdict, as for check.";

const CHECK_AFTER: &str = "Examples:\n  \
    turnback check sim:bad-cable                      a simulated cable with a fault\n  \
    turnback check quay7                              plug in port quay7, a few seconds\n  \
    turnback check quay7 --cable Q-12                 plug at the far end of cable Q-12\n  \
    turnback check quay7 --port-label A-14 --plug P-3 --note 'after the storm'\n  \
    turnback check quay7 --return-port quay8          cable between two ports of this machine\n  \
    turnback check quay7 --profile proof --target-ber 1e-12\n  \
    turnback check quay7 --profile soak --for 1h --events run.jsonl\n  \
    turnback check /dev/ttyS1 --line 9600,8N1 --wiring de9   a serial port with a full plug\n\n\
    Needs CAP_NET_RAW, and CAP_NET_ADMIN to change settings; a serial line needs the right to read and\n\
    write its device file; a simulated rig needs nothing.\n\
    Never look into a fibre or an optical port. Make sure that no power (PoE) is on a pair that the plug joins.\n\
    RS-232 drives up to 15 V: know the levels of a serial port before you connect anything to it.";

/// Options of the agent.
#[derive(Debug, clap::Args)]
#[command(after_help = AGENT_AFTER, args_conflicts_with_subcommands = true)]
pub struct Agent {
    /// Configuration file (docs/config.md)
    #[arg(long, value_name = "FILE", required_unless_present = "demo")]
    pub config: Option<PathBuf>,
    /// Only check the configuration, and say what is wrong
    #[arg(long, requires = "config")]
    pub check_config: bool,
    /// Simulated ports of an invented harbour, with a few faults in the making; needs no hardware and no rights
    #[arg(long, conflicts_with = "config")]
    pub demo: bool,
    /// How fast the demo's runs go: real, fast
    #[arg(long, value_name = "PACE", default_value = "real", requires = "demo")]
    pub pace: AgentPace,
    /// Keep the demo's records in this file; without it they go with the program
    #[arg(long, value_name = "FILE", requires = "demo")]
    pub store: Option<PathBuf>,
    /// Where the demo's page listens [default: 127.0.0.1:7440, or any free port if that is taken]; port 0 takes any that is free
    #[arg(long, value_name = "ADDRESS", requires = "demo")]
    pub listen: Option<std::net::SocketAddr>,
    /// What else to do
    #[command(subcommand)]
    pub command: Option<AgentCommand>,
}

/// What else to do with an agent.
#[derive(Debug, Subcommand)]
pub enum AgentCommand {
    /// Ask the running agent how it and its ports fare
    Status {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
    },
}

/// How fast the demo's runs go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum AgentPace {
    /// As on a real port
    Real,
    /// As fast as they can be reckoned
    Fast,
}

const AGENT_AFTER: &str = "Examples:\n  \
    turnback agent --demo                                   the harbour, to try it out\n  \
    turnback agent --config agent.toml --check-config\n  \
    turnback agent --config agent.toml                      run until SIGTERM; SIGHUP reads the file again\n  \
    turnback agent status\n\n\
    Needs CAP_NET_RAW and CAP_NET_ADMIN for real ports. Ports in service are never tested.\n\n\
    Exit status: 0 ended by a signal, 2 wrong usage or configuration, 4 could not start. status: 0 all is well, 1 a port\n\
    has failed, 3 a port is suspect or unknown, or the agent is in trouble, 4 no agent answers.";
