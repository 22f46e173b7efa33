//! What each account may do at the broker, as a file that `nats-server` includes.
//!
//! An account is an NKey: the broker's file holds public keys only, and each machine has its own seed. An agent may
//! publish under its own name only, and hears answers to its own messages only.

use std::{
    collections::BTreeMap,
    fmt::Write as _,
    path::{Path, PathBuf},
};

use nkeys::KeyPair;

use super::{Party, streams};
use crate::{config::fleet::Stream, fleet::error::FleetError, secret};

/// What checks asked for by the fleet's page are sent to; `SITE.MACHINE` follows.
pub const ASK: &str = "turnback.ask.v1";
/// What agents answer on, with progress; `SITE.MACHINE` follows.
pub const ANSWER: &str = "turnback.answer.v1";

/// An account with its key.
#[derive(Debug)]
pub struct Account {
    /// Whose it is.
    pub party: Party,
    /// Public key.
    pub key: String,
    /// File with the seed.
    pub file: PathBuf,
    /// The seed was made just now.
    pub is_new: bool,
}

/// What a party may publish and hear.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Permissions {
    /// Subjects that it may publish on.
    pub publish: Vec<String>,
    /// Subjects that it may hear.
    pub subscribe: Vec<String>,
}

impl Permissions {
    /// Of a party, with these streams.
    pub fn of(party: &Party, stream: &Stream) -> Self {
        let streams = [stream.name.to_string(), streams::heartbeats(stream)];
        let of_streams = |parts: &[&str]| -> Vec<String> {
            let one = |part: &&str| streams.iter().map(|name| part.replace("{stream}", name)).collect::<Vec<_>>();
            parts.iter().flat_map(one).collect()
        };
        let (publish, mut subscribe) = match party {
            Party::Agent(sender) => {
                (vec![sender.own_subjects().to_string(), format!("{ANSWER}.{sender}")], vec![format!("{ASK}.{sender}")])
            }
            Party::Collector => {
                let consumer = streams::CONSUMER;
                let next = format!("$JS.API.CONSUMER.MSG.NEXT.{{stream}}.{consumer}");
                let info = format!("$JS.API.CONSUMER.INFO.{{stream}}.{consumer}");
                let ack = format!("$JS.ACK.{{stream}}.{consumer}.>");
                let stream = ["INFO", "MSG.GET", "MSG.DELETE"].map(|call| format!("$JS.API.STREAM.{call}.{{stream}}"));
                let calls: Vec<&str> = stream.iter().chain([&info, &next, &ack]).map(String::as_str).collect();
                (of_streams(&calls), Vec::new())
            }
            Party::View => (vec![format!("{ASK}.*.*")], vec![format!("{ANSWER}.*.*")]),
            Party::Init => (vec!["$JS.API.>".into()], Vec::new()),
        };
        subscribe.push(format!("{}.>", party.inbox()));
        Self { publish, subscribe }
    }
}

/// Reads the seed of each party in `folder`, and makes those that are not there, readable by their owner only.
///
/// # Errors
/// The folder cannot be written; a seed that others can read, or that is none.
pub fn prepare(folder: &Path, parties: &[Party]) -> Result<Vec<Account>, FleetError> {
    let one = |party: &Party| {
        let file = folder.join(file_name(party));
        let (key, is_new) = match file.exists() {
            true => {
                let read = KeyPair::from_seed(secret::read(&file)?.trim());
                (read.map_err(|_| FleetError::NoCredentials { path: file.clone() })?, false)
            }
            false => (make(&file)?, true),
        };
        Ok(Account { party: party.clone(), key: key.public_key(), file, is_new })
    };
    parties.iter().map(one).collect()
}

fn make(file: &Path) -> Result<KeyPair, FleetError> {
    let unwritable = |source| FleetError::Unwritable { path: file.to_owned(), source };
    let random = secret::random().map_err(FleetError::Random)?;
    let key = KeyPair::new_from_raw(nkeys::KeyPairType::User, random)
        .map_err(|error| unwritable(std::io::Error::other(error)))?;
    let seed = key.seed().map_err(|error| unwritable(std::io::Error::other(error)))?;
    secret::create(file, &seed).map_err(unwritable)?;
    Ok(key)
}

/// The seed's file of a party: `agent.SITE.MACHINE.seed`, `collect.seed`.
pub fn file_name(party: &Party) -> String {
    match party {
        Party::Agent(sender) => format!("agent.{sender}.seed"),
        Party::Collector => "collect.seed".into(),
        Party::View => "view.seed".into(),
        Party::Init => "init.seed".into(),
    }
}

/// The file that the broker's configuration includes.
pub fn broker_file(accounts: &[Account], stream: &Stream) -> String {
    let mut text =
        String::from("# Made by `turnback fleet accounts`. Public keys only.\nauthorization {\n  users = [\n");
    let by_name: BTreeMap<String, &Account> =
        accounts.iter().map(|account| (account.party.to_string(), account)).collect();
    for (name, account) in by_name {
        let Permissions { publish, subscribe } = Permissions::of(&account.party, stream);
        let listed =
            |subjects: &[String]| subjects.iter().map(|subject| format!("{subject:?}")).collect::<Vec<_>>().join(", ");
        let (publish, subscribe) = (listed(&publish), listed(&subscribe));
        let _ = writeln!(text, "    # {name}\n    {{ nkey: {}, permissions: {{", account.key);
        let _ = writeln!(text, "      publish: {{ allow: [{publish}] }}\n      subscribe: {{ allow: [{subscribe}] }}");
        text.push_str("    } }\n");
    }
    text.push_str("  ]\n}\n");
    text
}
