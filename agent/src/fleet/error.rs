//! What can go wrong between agents, broker and database, each with the way out.

use std::{error::Error, io, path::PathBuf};

use thiserror::Error;

use crate::secret::SecretError;

/// The fleet's broker or database cannot be used.
#[derive(Debug, Error)]
pub enum FleetError {
    /// A file with a secret cannot be used.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// What is in it is neither NATS credentials nor the seed of an NKey.
    #[error("{} holds neither NATS credentials nor the seed of an NKey", path.display())]
    NoCredentials {
        /// The file.
        path: PathBuf,
    },
    /// The file with the authority's certificates cannot be used.
    #[error("no certificate authority can be read from {}", path.display())]
    Authority {
        /// The file.
        path: PathBuf,
        /// The cause.
        #[source]
        source: Box<dyn Error + Send + Sync>,
    },
    /// The broker cannot be reached.
    #[error("cannot reach the broker at {servers}")]
    Broker {
        /// Its addresses.
        servers: String,
        /// The cause.
        #[source]
        source: Box<dyn Error + Send + Sync>,
    },
    /// The broker refused something.
    #[error("the broker refused: {what}")]
    Refused {
        /// What was asked of it.
        what: String,
        /// The cause.
        #[source]
        source: Box<dyn Error + Send + Sync>,
    },
    /// A stream or consumer is there, and is another than the configuration says.
    #[error("{what} differs from the configuration: {}", differences.join("; "))]
    Differs {
        /// `stream TURNBACK`.
        what: String,
        /// Each difference in words.
        differences: Vec<String>,
    },
    /// A stream or consumer is not there.
    #[error("the broker has no {what}")]
    Missing {
        /// `stream TURNBACK`.
        what: String,
        /// The cause.
        #[source]
        source: Box<dyn Error + Send + Sync>,
    },
    /// The database cannot be reached.
    #[error("cannot reach the database")]
    Unreachable(#[source] Box<dyn Error + Send + Sync>),
    /// The database refused something.
    #[error("the database refused: {what}")]
    Database {
        /// What was asked of it.
        what: &'static str,
        /// The cause.
        #[source]
        source: tokio_postgres::Error,
    },
    /// The tables cannot be brought to today's format.
    #[error("the tables cannot be brought to today's format")]
    Migration(#[source] Box<dyn Error + Send + Sync>),
    /// The tables have another format than this program.
    #[error("the tables have format {found}, this program knows format {known}")]
    Format {
        /// Of the tables; 0: there are none.
        found: i32,
        /// Of this program.
        known: i32,
    },
    /// A document that is kept cannot be read.
    #[error("document {id} cannot be read: {cause}")]
    Unreadable {
        /// Its id.
        id: String,
        /// Why.
        cause: String,
    },
    /// The machine gives no random numbers.
    #[error("this machine gives no random numbers")]
    Random(#[source] io::Error),
    /// A file cannot be written.
    #[error("cannot write {}", path.display())]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
}

impl FleetError {
    /// What the person can do about it.
    pub fn hint(&self) -> Option<String> {
        let text = match self {
            Self::Secret(error) => return error.hint(),
            Self::NoCredentials { .. } => "`turnback fleet accounts` makes such files",
            Self::Broker { .. } => "is nats-server running there, with these credentials and TLS as configured?",
            Self::Differs { .. } => {
                "nothing was changed; `turnback fleet init --change` sets it as configured, where the broker can"
            }
            Self::Missing { .. } => "`turnback fleet init` creates it",
            Self::Unreachable(_) => "is PostgreSQL running there, and does the user have this database?",
            Self::Format { found, known } if found < known => "`turnback fleet init` brings them to today's format",
            Self::Format { .. } => "use the newer program",
            Self::Refused { .. } => "do these credentials allow it? docs/fleet.md lists what each account may do",
            Self::Unreadable { .. }
            | Self::Random(_)
            | Self::Authority { .. }
            | Self::Database { .. }
            | Self::Migration(_)
            | Self::Unwritable { .. } => return None,
        };
        Some(text.to_owned())
    }
}
