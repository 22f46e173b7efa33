//! The broker: how it is reached, and what it keeps.
//!
//! [`streams`] creates and checks the streams, [`accounts`] writes down what each account may do.

pub mod accounts;
pub mod streams;

use std::{fmt, time::Duration};

use async_nats::{Client, ConnectOptions, Event};
use turnback_core::fleet::subject::Sender;

use super::error::FleetError;
use crate::{config::fleet::Broker, secret};

/// Header with the id of a message: the broker takes one that comes again as the same.
pub const MESSAGE_ID: &str = "Nats-Msg-Id";
/// Header with the machine's number of a message: a later one has a higher number.
pub const NUMBER: &str = "Turnback-Number";
/// Header of a document that came without its series; its value is `series`.
pub const LEFT_OUT: &str = "Turnback-Left-Out";

/// Who speaks with the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Party {
    /// An agent.
    Agent(Sender),
    /// Collectors.
    Collector,
    /// The fleet's page.
    View,
    /// Whoever creates the streams.
    Init,
}

impl Party {
    /// What answers to this party begin with. Nobody else may listen there.
    pub fn inbox(&self) -> String {
        match self {
            Self::Agent(sender) => format!("_INBOX.agent.{sender}"),
            Self::Collector => "_INBOX.collect".into(),
            Self::View => "_INBOX.view".into(),
            Self::Init => "_INBOX.init".into(),
        }
    }
}

impl fmt::Display for Party {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Agent(sender) => write!(f, "turnback agent {sender}"),
            Self::Collector => f.write_str("turnback fleet collect"),
            Self::View => f.write_str("turnback fleet serve"),
            Self::Init => f.write_str("turnback fleet init"),
        }
    }
}

/// What to do while the broker is away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhenAway {
    /// Try until it is there. Messages sent meanwhile fail after a time.
    Wait,
    /// Give up.
    Fail,
}

/// Connects to the broker.
///
/// # Errors
/// Credentials that cannot be used; with [`WhenAway::Fail`] a broker that cannot be reached or refuses.
pub async fn connect(broker: &Broker, party: &Party, when_away: WhenAway) -> Result<Client, FleetError> {
    let mut options = ConnectOptions::new()
        .name(party.to_string())
        .custom_inbox_prefix(party.inbox())
        .require_tls(broker.tls)
        .connection_timeout(CONNECT_LIMIT)
        .request_timeout(Some(ANSWER_LIMIT))
        .ping_interval(PING_EVERY)
        // Others that the broker names have not been checked for TLS or loopback.
        .ignore_discovered_servers()
        .reconnect_delay_callback(delay)
        .event_callback(|event| async move { tell(&event) });
    if let Some(file) = &broker.ca_file {
        options = options.add_root_certificates(file.clone());
    }
    if let Some(file) = &broker.credentials_file {
        let text = secret::read(file)?;
        let unusable = |_| FleetError::NoCredentials { path: file.clone() };
        options = match text.trim() {
            seed if seed.starts_with("SU") => {
                nkeys::KeyPair::from_seed(seed).map_err(|_| FleetError::NoCredentials { path: file.clone() })?;
                options.nkey(seed.to_owned())
            }
            _ => options.credentials(&text).map_err(unusable)?,
        };
    }
    if when_away == WhenAway::Wait {
        options = options.retry_on_initial_connect();
    }
    let connected = options.connect(&broker.servers).await;
    connected.map_err(|error| FleetError::Broker { servers: broker.servers.join(", "), source: Box::new(error) })
}

/// Twice as long after each failure, and drawn so that a thousand agents do not come back in the same moment.
fn delay(attempts: usize) -> Duration {
    if attempts == 0 {
        return Duration::ZERO;
    }
    let most = DELAY_FIRST.saturating_mul(1 << attempts.min(8)).min(DELAY_MAX);
    let mut drawn = [0; 4];
    // Without a draw all wait equally long.
    let _ = getrandom::fill(&mut drawn);
    most / 2 + most.mul_f64(f64::from(u32::from_le_bytes(drawn)) / f64::from(u32::MAX) / 2.0)
}

fn tell(event: &Event) {
    match event {
        Event::Connected => tracing::info!("connected to the broker"),
        Event::Disconnected => tracing::warn!("the broker is away"),
        Event::ServerError(error) => tracing::warn!(%error, "the broker says"),
        Event::ClientError(error) => tracing::debug!(%error, "connection to the broker"),
        other => tracing::debug!(%other, "connection to the broker"),
    }
}

const CONNECT_LIMIT: Duration = Duration::from_secs(10);
/// A broker that takes longer to answer is as good as away.
const ANSWER_LIMIT: Duration = Duration::from_secs(15);
/// A connection that died without a word is noticed within two of these.
const PING_EVERY: Duration = Duration::from_secs(20);
const DELAY_FIRST: Duration = Duration::from_millis(250);
const DELAY_MAX: Duration = Duration::from_secs(30);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn delays_grow_and_differ() {
        assert_eq!(delay(0), Duration::ZERO);
        for (attempts, most) in [(1, 500), (3, 2000), (7, 30_000), (10_000, 30_000)] {
            let drawn = delay(attempts).as_millis();
            assert!((most / 2..=most).contains(&drawn), "{attempts}: {drawn}");
        }
    }
}
