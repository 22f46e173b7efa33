//! What the broker keeps: a stream of documents and states, one of heartbeats, and the consumer that all collectors
//! share on each. They are created where they are missing, and never changed unless that was asked for.
//!
//! Documents wait until they are collected; a full stream refuses more, and agents keep them. Of heartbeats only the
//! newest of each machine is kept, so that they do not fill a disk while no collector runs.

use async_nats::jetstream::{
    Context,
    consumer::{AckPolicy, DeliverPolicy, pull},
    context::GetStreamErrorKind,
    stream::{Config, DiscardPolicy, RetentionPolicy, StorageType, Stream},
};
use turnback_core::fleet::subject::{ROOT, What};

use crate::{
    config::fleet::Stream as Wanted,
    fleet::{error::FleetError, payload::PACKED_MAX},
};

/// Name of the durable consumer on each stream.
pub const CONSUMER: &str = "collect";

/// What was done about a stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Done {
    /// It was not there.
    Created,
    /// It is as configured.
    AsWanted,
    /// It was another, and was set as configured.
    Changed,
}

impl Done {
    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Created => "created",
            Self::AsWanted => "as configured",
            Self::Changed => "changed",
        }
    }
}

/// Name of the stream of heartbeats.
pub fn heartbeats(wanted: &Wanted) -> String {
    format!("{}-HEARTBEATS", wanted.name)
}

/// Creates or checks everything; says of each stream what was done. With `change` what differs is set as configured.
///
/// # Errors
/// [`FleetError::Differs`] without `change`; the broker refuses.
pub async fn prepare(broker: &Context, wanted: &Wanted, change: bool) -> Result<Vec<(String, Done)>, FleetError> {
    let mut told = Vec::new();
    for config in [documents(wanted), of_heartbeats(wanted)] {
        let name = config.name.clone();
        told.push((format!("stream {name}"), prepare_one(broker, config, change).await?));
        let stream = find(broker, &name).await?;
        told.push((format!("consumer {CONSUMER} of {name}"), prepare_consumer(&stream, &name, wanted, change).await?));
    }
    Ok(told)
}

async fn prepare_one(broker: &Context, config: Config, change: bool) -> Result<Done, FleetError> {
    let what = format!("stream {}", config.name);
    let refused = |source| FleetError::Refused { what: what.clone(), source };
    let found = match broker.get_stream(&config.name).await {
        Ok(stream) => stream.cached_info().config.clone(),
        Err(error) if is_missing(&error.kind()) => {
            broker.create_stream(config).await.map_err(|error| refused(Box::new(error)))?;
            return Ok(Done::Created);
        }
        Err(error) => return Err(refused(Box::new(error))),
    };
    let differences = differences(&found, &config);
    match (differences.is_empty(), change) {
        (true, _) => Ok(Done::AsWanted),
        (false, false) => Err(FleetError::Differs { what, differences }),
        (false, true) => {
            broker.update_stream(config).await.map_err(|error| refused(Box::new(error)))?;
            Ok(Done::Changed)
        }
    }
}

fn is_missing(kind: &GetStreamErrorKind) -> bool {
    // 10059: "stream not found" (NATS server, errors.json).
    matches!(kind, GetStreamErrorKind::JetStream(error) if error.code() == 404)
}

async fn prepare_consumer(stream: &Stream, name: &str, wanted: &Wanted, change: bool) -> Result<Done, FleetError> {
    let what = format!("consumer {CONSUMER} of {name}");
    let refused = |source| FleetError::Refused { what: what.clone(), source };
    let config = consumer(wanted);
    let found = match stream.get_consumer::<pull::Config>(CONSUMER).await {
        Ok(found) => Some(found.cached_info().config.clone()),
        Err(_) => None,
    };
    let mut differences = Vec::new();
    if let Some(found) = &found {
        differ(&mut differences, "ack_wait", found.ack_wait, config.ack_wait);
        differ(&mut differences, "max_deliver", found.max_deliver, config.max_deliver);
        differ(&mut differences, "max_ack_pending", found.max_ack_pending, config.max_ack_pending);
        differ(&mut differences, "filter", &found.filter_subject, &config.filter_subject);
    }
    let done = match (&found, differences.is_empty(), change) {
        (Some(_), true, _) => return Ok(Done::AsWanted),
        (Some(_), false, false) => return Err(FleetError::Differs { what, differences }),
        (Some(_), false, true) => Done::Changed,
        (None, ..) => Done::Created,
    };
    stream.create_consumer(config).await.map_err(|error| refused(Box::new(error)))?;
    Ok(done)
}

/// The stream with this name.
///
/// # Errors
/// [`FleetError::Missing`]; the broker does not answer.
pub async fn find(broker: &Context, name: &str) -> Result<Stream, FleetError> {
    broker.get_stream(name).await.map_err(|error| match is_missing(&error.kind()) {
        true => FleetError::Missing { what: format!("stream {name}"), source: Box::new(error) },
        false => FleetError::Refused { what: format!("stream {name}"), source: Box::new(error) },
    })
}

fn documents(wanted: &Wanted) -> Config {
    let whats = What::ALL.into_iter().filter(|what| *what != What::Heartbeat);
    Config {
        name: wanted.name.to_string(),
        description: Some("documents and states of the fleet's machines, until they are collected".into()),
        subjects: whats.map(|what| format!("{ROOT}.*.*.{}", what.name())).collect(),
        retention: RetentionPolicy::WorkQueue,
        discard: DiscardPolicy::New,
        max_bytes: (wanted.size_mib * 1024 * 1024).cast_signed(),
        ..common(wanted)
    }
}

fn of_heartbeats(wanted: &Wanted) -> Config {
    Config {
        name: heartbeats(wanted),
        description: Some("the newest heartbeat of each of the fleet's machines".into()),
        subjects: vec![format!("{ROOT}.*.*.{}", What::Heartbeat.name())],
        retention: RetentionPolicy::Limits,
        discard: DiscardPolicy::Old,
        max_messages_per_subject: 1,
        max_bytes: 256 * 1024 * 1024,
        ..common(wanted)
    }
}

fn common(wanted: &Wanted) -> Config {
    Config {
        storage: StorageType::File,
        num_replicas: wanted.replicas as usize,
        duplicate_window: wanted.duplicate_window,
        max_message_size: MESSAGE_MAX as i32,
        max_messages: -1,
        max_messages_per_subject: -1,
        max_consumers: -1,
        ..Config::default()
    }
}

fn consumer(wanted: &Wanted) -> pull::Config {
    pull::Config {
        durable_name: Some(CONSUMER.into()),
        description: Some("shared by every turnback fleet collect".into()),
        deliver_policy: DeliverPolicy::All,
        ack_policy: AckPolicy::Explicit,
        ack_wait: wanted.ack_wait,
        // Never given up by the broker: collectors set aside what they cannot take, with the reason.
        max_deliver: -1,
        max_ack_pending: PENDING_MAX,
        ..pull::Config::default()
    }
}

fn differences(found: &Config, wanted: &Config) -> Vec<String> {
    let mut all = Vec::new();
    let sorted = |subjects: &[String]| {
        let mut subjects = subjects.to_vec();
        subjects.sort();
        subjects.join(" ")
    };
    differ(&mut all, "subjects", sorted(&found.subjects), sorted(&wanted.subjects));
    differ(&mut all, "retention", found.retention, wanted.retention);
    differ(&mut all, "discard", found.discard, wanted.discard);
    differ(&mut all, "storage", found.storage, wanted.storage);
    differ(&mut all, "max_bytes", found.max_bytes, wanted.max_bytes);
    differ(&mut all, "max_age", found.max_age, wanted.max_age);
    differ(&mut all, "max_msgs", found.max_messages, wanted.max_messages);
    differ(&mut all, "max_msgs_per_subject", found.max_messages_per_subject, wanted.max_messages_per_subject);
    differ(&mut all, "max_msg_size", found.max_message_size, wanted.max_message_size);
    differ(&mut all, "replicas", found.num_replicas, wanted.num_replicas);
    differ(&mut all, "duplicate_window", found.duplicate_window, wanted.duplicate_window);
    all
}

fn differ<T: PartialEq + std::fmt::Debug>(all: &mut Vec<String>, name: &str, found: T, wanted: T) {
    if found != wanted {
        all.push(format!("{name} is {found:?}, configured is {wanted:?}"));
    }
}

/// Messages that all collectors together have in hand.
const PENDING_MAX: i64 = 20_000;
/// The largest message that an agent sends, with its headers, bytes.
pub const MESSAGE_MAX: usize = PACKED_MAX + 4096;
