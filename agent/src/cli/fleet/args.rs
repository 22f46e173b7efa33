//! Words of `turnback fleet`.

use std::{net::SocketAddr, path::PathBuf};

use clap::Subcommand;

use crate::fleet::view::tokens::Role;

/// Options of the fleet.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub struct Fleet {
    /// What to do
    #[command(subcommand)]
    pub command: FleetCommand,
}

const AFTER: &str = "Examples:\n  \
    turnback fleet demo          try it out with the demo harbour's fleet\n  \
    turnback fleet accounts --config fleet.toml --folder keys north-quay.closet-3\n  \
    turnback fleet init --config fleet.toml\n  \
    turnback fleet collect --config fleet.toml\n  \
    turnback fleet serve --config fleet.toml\n  \
    turnback fleet token make night-shift --role write --config fleet.toml\n\n\
    docs/fleet.md describes the file, the broker's and the database's set-up, and what each account may do.";

/// What to do.
#[derive(Debug, Subcommand)]
pub enum FleetCommand {
    /// Create the broker's streams and the database's tables, or check them; changes nothing that is there
    Init {
        /// Where broker and database are
        #[command(flatten)]
        place: Place,
        /// Set streams that differ as configured
        #[arg(long)]
        change: bool,
        /// Credentials for this, in place of those in the file: collectors may not create streams
        #[arg(long, value_name = "FILE")]
        credentials: Option<PathBuf>,
    },
    /// Make the keys of machines, and the broker's file of who may do what
    ///
    /// Each machine gets a seed of its own (credentials_file of its agent), and may publish under its own name only.
    /// Keys that are there are kept, so run it again when machines come. The broker's configuration includes
    /// FOLDER/accounts.conf.
    Accounts {
        /// Where broker and database are
        #[command(flatten)]
        place: Place,
        /// Folder for the seeds and accounts.conf
        #[arg(long, value_name = "FOLDER")]
        folder: PathBuf,
        /// Machines to add, as SITE.MACHINE; those that have a seed in the folder stay
        #[arg(value_name = "SITE.MACHINE")]
        machines: Vec<String>,
    },
    /// Take messages from the broker into the database until a signal ends it
    ///
    /// Start as many as are needed, on any machines: they share the work. Broker and database may come and go.
    Collect {
        /// Where broker and database are
        #[command(flatten)]
        place: Place,
    },
    /// Serve the page and the API of the whole fleet until a signal ends it
    ///
    /// Shows what collectors wrote: ports of all machines by site and cabinet, their history, and runs side by side.
    /// The address is `listen` of the view in the file, 127.0.0.1:7441 by default, and is printed once it listens.
    Serve {
        /// Where broker and database are
        #[command(flatten)]
        place: Place,
    },
    /// Try the fleet out: a broker, a database, a collector, the page, and simulated machines, all on this machine
    ///
    /// Needs the packages nats-server and postgresql, whose programs it runs in a folder of its own, reached from this
    /// machine only. Nothing of it stays after Ctrl-C.
    Demo {
        /// Simulated machines
        #[arg(long, value_name = "N", default_value_t = 4, value_parser = clap::value_parser!(u32).range(1..=24))]
        machines: u32,
        /// Address of the page; port 0 takes any free port [default: 127.0.0.1:7441, or any free port if that is taken]
        #[arg(long, value_name = "ADDRESS")]
        listen: Option<SocketAddr>,
    },
    /// Make, list and revoke tokens for the fleet's page and API
    #[command(subcommand)]
    Token(TokenCommand),
    /// Let an agent send again what it recorded since a moment, such as after the loss of the broker's disk
    ///
    /// Run it at the agent's machine, as the agent's user. What the fleet has already stays as it is.
    Resend {
        /// When to begin, such as 2026-03-01T08:00:00Z
        #[arg(long, value_name = "TIME")]
        since: String,
        /// Records file of the agent
        #[arg(long, value_name = "FILE")]
        store: Option<PathBuf>,
    },
    /// List messages that no collector could take, with the reason
    SetAside {
        /// Where broker and database are
        #[command(flatten)]
        place: Place,
        /// Try them again, such as after an upgrade; what is taken leaves the list
        #[arg(long, conflicts_with = "json")]
        retry: bool,
        /// Print one JSON document
        #[arg(long)]
        json: bool,
        /// Messages listed, at most
        #[arg(long, value_name = "N", default_value_t = 100)]
        limit: u32,
    },
}

/// What to do about tokens.
#[derive(Debug, Subcommand)]
pub enum TokenCommand {
    /// Make a token and print it; it is not shown again
    Make {
        /// A name to know it by: 1 to 40 of a-z, 0-9 and -
        name: String,
        /// What its holder may do
        #[arg(long, value_name = "ROLE", default_value = "read")]
        role: Role,
        /// Where broker and database are
        #[command(flatten)]
        place: Place,
    },
    /// List the tokens with their roles and when each was last used
    List {
        /// Print one JSON document
        #[arg(long)]
        json: bool,
        /// Where broker and database are
        #[command(flatten)]
        place: Place,
    },
    /// Revoke a token; it counts no more within a few seconds, and its sessions end
    Revoke {
        /// Its name
        name: String,
        /// Where broker and database are
        #[command(flatten)]
        place: Place,
    },
}

/// Where broker and database are.
#[derive(Debug, clap::Args)]
pub struct Place {
    /// Configuration of the fleet
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
}
