//! From the words of a filter to a filter: ages and dates become times.

use jiff::{Timestamp, Zoned, civil, tz::TimeZone};

use super::{Failure, args};
use crate::archive::{filter::Filter, sqlite::retention::parse_age};

/// The filter that the words name.
pub(super) fn filter(words: &args::Filter) -> Result<Filter, Failure> {
    let when = |given: &Option<String>| given.as_deref().map(|text| milliseconds(text, &Zoned::now())).transpose();
    Ok(Filter {
        port: words.port.clone(),
        machine: words.machine.clone(),
        cable: words.cable.clone(),
        segment: words.segment.clone(),
        plug: words.plug.clone(),
        placement: words.placement,
        outcome: words.outcome.clone(),
        since_ms: when(&words.since).map_err(Failure::Usage)?,
        until_ms: when(&words.until).map_err(Failure::Usage)?,
        before: None,
    })
}

/// An age before now, midnight of a date here, a time of day here, or a time with its zone.
fn milliseconds(text: &str, now: &Zoned) -> Result<i64, String> {
    if let Ok(age_s) = parse_age(text) {
        return Ok(now.timestamp().as_millisecond().saturating_sub_unsigned(age_s * 1000));
    }
    let here = |time: civil::DateTime, zone: &TimeZone| zone.to_timestamp(time).map(Timestamp::as_millisecond).ok();
    let found = text
        .parse::<Timestamp>()
        .map(Timestamp::as_millisecond)
        .ok()
        .or_else(|| here(text.parse::<civil::DateTime>().ok()?, now.time_zone()));
    found.ok_or_else(|| format!("`{text}` is no age (36h, 2d), date (2026-03-01) or time (2026-03-01T08:00+01:00)"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Central European Time is an hour ahead of UTC in winter, two in summer (from memory).
    #[test]
    fn ages_dates_and_times_are_told_apart() {
        let now: Zoned = "2026-07-02T12:00:00+02:00[Europe/Berlin]".parse().unwrap();
        let at = |text: &str| text.parse::<Timestamp>().unwrap().as_millisecond();
        for (given, meant) in [
            ("2d", "2026-06-30T10:00:00Z"),
            ("36h", "2026-06-30T22:00:00Z"),
            ("2026-03-01", "2026-02-28T23:00:00Z"),
            ("2026-07-01", "2026-06-30T22:00:00Z"),
            ("2026-07-01T06:30", "2026-07-01T04:30:00Z"),
            ("2026-07-01T06:30:00Z", "2026-07-01T06:30:00Z"),
            ("2026-07-01T06:30:00+09:00", "2026-06-30T21:30:00Z"),
        ] {
            assert_eq!(milliseconds(given, &now), Ok(at(meant)), "{given}");
        }
        for given in ["", "yesterday", "2", "2026-13-01", "d"] {
            assert!(milliseconds(given, &now).unwrap_err().contains("no age"), "{given}");
        }
    }
}
