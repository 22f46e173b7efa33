//! What people do about a port while it is watched: acknowledge a failure, mute its announcements, pause the tests for
//! maintenance, and look for the fault in a case, whose finding stands until the port passes again. Times are
//! milliseconds since 1970-01-01 UTC.

use serde::{Deserialize, Serialize};

use crate::judge::Location;

/// Somebody knows of a port's state and takes care of it. It ends with the next change of state.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Acknowledgement {
    /// Who.
    pub by: String,
    /// What they noted.
    pub note: String,
    /// When.
    pub at_ms: i64,
}

/// Changes of a port are not announced until a time. They are recorded all the same; what is different then is
/// announced.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mute {
    /// Until when.
    pub until_ms: i64,
    /// Who.
    pub by: String,
    /// What they noted.
    pub note: String,
    /// When.
    pub at_ms: i64,
}

/// No scheduled run begins and no change is announced, for maintenance.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pause {
    /// The cabinet; none: every port.
    pub cabinet: Option<String>,
    /// Until when; none: until somebody ends it.
    pub until_ms: Option<i64>,
    /// Who.
    pub by: String,
    /// What they noted.
    pub note: String,
    /// When.
    pub at_ms: i64,
}

impl Pause {
    /// Whether it holds at a time.
    pub fn is_on(&self, now_ms: i64) -> bool {
        self.until_ms.is_none_or(|until| now_ms < until)
    }

    /// Whether it is about a port of this cabinet.
    pub fn covers(&self, cabinet: Option<&str>) -> bool {
        self.cabinet.is_none() || self.cabinet.as_deref() == cabinet
    }
}

/// A port is under diagnosis: an open case has it for itself, and no scheduled run begins on it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Diagnosis {
    /// The case.
    pub case: String,
    /// Who opened or resumed it.
    pub by: String,
    /// Since when.
    pub since_ms: i64,
    /// When somebody last did something in the case.
    pub touched_ms: i64,
}

/// Where a case found the fault of a port. It stands until the port passes with a plug, or another case is opened: a
/// run by itself places a fault less closely.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Traced {
    /// The case.
    pub case: String,
    /// Where the fault is.
    pub location: Vec<Location>,
    /// Segment of the cable.
    pub segment: Option<String>,
    /// What to do about it.
    pub next: String,
    /// When.
    pub at_ms: i64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pause_holds_until_its_time_and_for_its_cabinet() {
        let pause = |cabinet: Option<&str>, until_ms| Pause {
            cabinet: cabinet.map(str::to_owned),
            until_ms,
            by: String::new(),
            note: String::new(),
            at_ms: 0,
        };
        for (until, now, on) in [(None, i64::MAX, true), (Some(5), 4, true), (Some(5), 5, false)] {
            assert_eq!(pause(None, until).is_on(now), on, "{until:?} {now}");
        }
        for (paused, of, covered) in [
            (None, None, true),
            (None, Some("quay"), true),
            (Some("quay"), Some("quay"), true),
            (Some("quay"), Some("lock"), false),
            (Some("quay"), None, false),
        ] {
            assert_eq!(pause(paused, None).covers(of), covered, "{paused:?} {of:?}");
        }
    }
}
