//! Messages whose headers no client can read. The broker stores any headers; a client that is given such a message ends
//! the connection, or takes it for a word of the broker's own. No collector can take it, so it comes again and again.
//! They are found in the stream by their numbers, set aside and deleted there.

use std::{str::FromStr, sync::Arc};

use async_nats::{
    HeaderName,
    jetstream::{
        Context,
        consumer::pull,
        response::Response,
        stream::{RawMessage, Stream},
    },
};
use base64::{Engine, prelude::BASE64_STANDARD};
use deadpool_postgres::Pool;
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::json;
use tokio::sync::watch;

use super::{
    Counts, stopped_within,
    taken::Delivered,
    write::{self, Known, SetAside},
};
use crate::{
    config::fleet::FleetConfig,
    error_chain::with_causes,
    fleet::{broker::streams, error::FleetError},
};

/// Looks through one stream.
pub(super) struct Look {
    pub broker: Context,
    pub stream: String,
    pub pool: Pool,
    pub config: Arc<FleetConfig>,
    pub counts: Arc<Counts>,
}

/// A message as the broker hands it out by its number.
#[derive(Deserialize)]
struct Found {
    message: RawMessage,
}

impl Look {
    /// Each time that a message could have come again, until stopped.
    pub(super) async fn for_ever(self, mut stop: watch::Receiver<bool>) {
        let mut from = 0;
        while !stopped_within(&mut stop, self.config.stream.ack_wait).await {
            match self.once(from).await {
                Ok(next) => from = next,
                // Workers say so too.
                Err(error) => tracing::debug!(error = with_causes(&error), "no look for messages without headers"),
            }
        }
    }

    /// Looks at some messages from this number on; where to go on.
    async fn once(&self, from: u64) -> Result<u64, FleetError> {
        let stream = streams::find(&self.broker, &self.stream).await?;
        let refused = |source| FleetError::Refused { what: format!("consumer of stream {}", self.stream), source };
        let mut consumer = stream.get_consumer::<pull::Config>(streams::CONSUMER).await.map_err(refused)?;
        let info = consumer.info().await.map_err(|error| refused(Box::new(error)))?.clone();
        // What comes for the first time may be as good as any.
        if info.num_redelivered == 0 {
            return Ok(0);
        }
        let last = info.delivered.stream_sequence;
        let first = stream.cached_info().state.first_sequence;
        let mut number = if (first..=last).contains(&from) { from } else { first };
        for _ in 0..LOOKED_AT {
            let Some(message) = self.message(number).await?.filter(|message| message.sequence <= last) else {
                return Ok(0);
            };
            number = message.sequence + 1;
            let headers = message.headers.as_deref().map(|text| BASE64_STANDARD.decode(text).unwrap_or_default());
            if headers.is_some_and(|headers| !are_readable(&headers)) {
                self.set_aside(&stream, message).await?;
            }
        }
        Ok(number)
    }

    /// The message with this number or the next one after it; none: there is none.
    async fn message(&self, number: u64) -> Result<Option<RawMessage>, FleetError> {
        let subject = format!("STREAM.MSG.GET.{}", self.stream);
        let asked = self.broker.request(subject, &json!({ "seq": number, "next_by_subj": ">" })).await;
        let refused = |source| FleetError::Refused { what: format!("message {number} of {}", self.stream), source };
        match asked.map_err(|error| refused(Box::new(error)))? {
            Response::Ok(Found { message }) => Ok(Some(message)),
            Response::Err { error } if error.code() == 404 => Ok(None),
            Response::Err { error } => Err(refused(Box::new(error))),
        }
    }

    async fn set_aside(&self, stream: &Stream, message: RawMessage) -> Result<(), FleetError> {
        let (subject, number) = (message.subject.clone(), message.sequence);
        let published = Timestamp::from_nanosecond(message.time.unix_timestamp_nanos()).unwrap_or_default();
        let delivered = Delivered {
            // Nobody else can make anything of them either.
            headers: message.headers.map(|headers| (UNREADABLE.to_owned(), headers)).into_iter().collect(),
            payload: BASE64_STANDARD.decode(&message.payload).unwrap_or_default().into(),
            subject: message.subject,
            sequence: number.cast_signed(),
            published,
        };
        let reason = "its headers cannot be read".to_owned();
        let aside = SetAside { message: delivered, tries: 1, reason };
        let mut client = self.pool.get().await.map_err(|error| FleetError::Unreachable(Box::new(error)))?;
        let written = write::write(&mut client, &mut Known::default(), &[], &[aside], false).await;
        let written = written.map_err(|source| FleetError::Database { what: "a message to set aside", source })?;
        tracing::error!(subject, "a message with unreadable headers is set aside: turnback fleet set-aside lists it");
        self.counts.add(&written);
        let deleted = stream.delete_message(number).await;
        deleted.map(|_| ()).map_err(|error| FleetError::Refused {
            what: format!("to delete message {number} of {}", self.stream),
            source: Box::new(error),
        })
    }
}

/// Whether a client takes these headers for those of a message: the version, nothing else in that line, then names with
/// values (NATS, ADR-4 "NATS Message Headers"). A status in the first line is a word of the broker.
fn are_readable(headers: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(headers) else { return false };
    let mut lines = text.lines();
    if lines.next().and_then(|line| line.strip_prefix("NATS/1.0")).is_none_or(|rest| !rest.trim().is_empty()) {
        return false;
    }
    // A value may go on in the next line, after a space.
    let mut lines = lines.filter(|line| !line.is_empty() && !line.starts_with(char::is_whitespace));
    lines.all(|line| line.split_once(':').is_some_and(|(name, _)| HeaderName::from_str(name).is_ok()))
}

/// Under this name the headers are kept, in base 64.
const UNREADABLE: &str = "unreadable";
/// Messages that one look goes over.
const LOOKED_AT: u32 = 2000;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headers_are_names_with_values_after_the_version() {
        for good in ["NATS/1.0\r\nA: b\r\n\r\n", "NATS/1.0\r\n\r\n", "NATS/1.0\r\nA:b\r\n  more\r\nB-c:\r\n\r\n"] {
            assert!(are_readable(good.as_bytes()), "{good:?}");
        }
        for bad in [
            "",
            "HTTP/1.1\r\nA: b\r\n",
            "NATS/1.0 404 No Messages\r\n\r\n",
            "NATS/1.0\r\nA\r\n",
            "NATS/1.0\r\nA b: c\r\n",
        ] {
            assert!(!are_readable(bad.as_bytes()), "{bad:?}");
        }
        assert!(!are_readable(b"NATS/1.0\r\nA: \xff\r\n\r\n"));
    }
}
