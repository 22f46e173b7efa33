//! Ids of what is recorded.

use uuid::{NoContext, Timestamp, Uuid};

/// A new id: a UUID of version 7 (RFC 9562, 5.7), which begins with the time.
///
/// It follows the clock also when that was set back. `Uuid::now_v7` goes on from the latest time that the process has
/// seen: an agent whose clock was once a year ahead would date its runs so until its next start.
pub fn new_id() -> Uuid {
    Uuid::new_v7(Timestamp::now(NoContext))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_begins_with_the_time_and_comes_once() {
        let now_ms = || std::time::UNIX_EPOCH.elapsed().unwrap().as_millis();
        let (before, first, second, after) = (now_ms(), new_id(), new_id(), now_ms());
        assert_ne!(first, second);
        // RFC 9562, 5.7: the first 48 bits are milliseconds since 1970, the next four the version.
        let (time, version) = (first.as_u128() >> 80, first.as_u128() >> 76 & 0xf);
        assert!((before..=after).contains(&time) && version == 7, "{first}");
    }
}
