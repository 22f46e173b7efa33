//! Why a message was not taken: for what it is, or for now.

use async_nats::jetstream::{
    self, ErrorCode,
    context::{PublishError, PublishErrorKind},
};

use crate::error_chain::with_causes;

/// Why a message was not taken.
#[derive(Debug, PartialEq, Eq)]
pub enum Unsent {
    /// It is too large for the broker or the stream as they are set: the same message is never taken, another may be.
    TooLarge(String),
    /// Nothing may be taken now. The same message may be later.
    Now(String),
}

impl From<PublishError> for Unsent {
    fn from(error: PublishError) -> Self {
        let is_too_large = error.kind() == PublishErrorKind::MaxPayloadExceeded || {
            let said = std::error::Error::source(&error).and_then(|source| source.downcast_ref::<jetstream::Error>());
            said.is_some_and(|said| TOO_LARGE.contains(&said.error_code()))
        };
        match is_too_large {
            true => Self::TooLarge(with_causes(&error)),
            false => Self::Now(format!("nothing can be sent: {}", with_causes(&error))),
        }
    }
}

/// What a broker says of a message that breaks the stream's `max_msg_size`, and of headers that break its own limit
/// (NATS server, errors.json: 10054, 10097). A stream that is full says something else.
const TOO_LARGE: [ErrorCode; 2] = [ErrorCode::STREAM_MESSAGE_EXCEEDS_MAXIMUM, ErrorCode::STREAM_HEADER_EXCEEDS_MAXIMUM];

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn a_message_that_is_too_large_and_a_stream_that_is_full_are_told_apart() {
        let said = |code: u16, err_code: u32| {
            let error = json!({"code": code, "err_code": err_code, "description": "no"});
            let error: jetstream::Error = serde_json::from_value(error).unwrap();
            Unsent::from(PublishError::with_source(PublishErrorKind::Other, error))
        };
        // NATS server, errors.json.
        for (code, err_code, is_too_large) in [
            (400, 10054, true),  // JSStreamMessageExceedsMaximumErr
            (400, 10097, true),  // JSStreamHeaderExceedsMaximumErr
            (503, 10077, false), // JSStreamStoreFailedF, such as "maximum bytes exceeded"
            (503, 10023, false), // JSInsufficientResourcesErr
            (400, 10109, false), // JSStreamSealedErr: no message at all is taken
        ] {
            assert_eq!(matches!(said(code, err_code), Unsent::TooLarge(_)), is_too_large, "{err_code}");
        }
        let larger = PublishError::with_source(PublishErrorKind::MaxPayloadExceeded, "limit of 1 exceeded");
        assert!(matches!(Unsent::from(larger), Unsent::TooLarge(_)));
        assert!(matches!(Unsent::from(PublishError::new(PublishErrorKind::TimedOut)), Unsent::Now(_)));
    }
}
