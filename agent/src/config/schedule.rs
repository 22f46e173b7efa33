//! When a round is due: a cron expression in a time zone, a delay drawn for each port and time, and allowed hours.
//!
//! Pure: the present is an argument, and the delay is drawn from a seed, so that a restart draws it no other.
//!
//! Clocks that are put forward or back: a fixed time that does not exist on a day is due at the first moment after the
//! gap; one that exists twice is due once.

use std::time::Duration;

use croner::{
    Cron,
    parser::{CronParser, Seconds},
};
use jiff::{
    SignedDuration, Timestamp, ToSpan, Zoned,
    civil::{Date, Time},
    tz::TimeZone,
};
use turnback_core::base::rng::Rng;

/// When a round is due.
#[derive(Clone, Debug)]
pub struct Schedule {
    cron: Cron,
    zone: TimeZone,
    jitter: Duration,
    hours: Vec<Hours>,
}

/// A part of each day, which may go over midnight. Its end does not belong to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hours {
    from: Time,
    until: Time,
}

impl Hours {
    /// Reads `22:00-05:00`; `24:00` is the end of a day.
    ///
    /// # Errors
    /// What is allowed.
    pub fn parse(text: &str) -> Result<Self, String> {
        let clock = |text: &str| {
            let (hour, minute) = text.split_once(':')?;
            let number = |digits: &str| {
                (digits.len() == 2 && digits.bytes().all(|b| b.is_ascii_digit())).then(|| digits.parse::<i8>().ok())?
            };
            match (number(hour)?, number(minute)?) {
                (24, 0) => Some(Time::midnight()),
                (hour, minute) => Time::new(hour, minute, 0, 0).ok(),
            }
        };
        let parsed = text.split_once('-').and_then(|(from, until)| Some((clock(from)?, clock(until)?)));
        let (from, until) = parsed.ok_or("a part of the day such as `22:00-05:00`")?;
        if from == until && from != Time::midnight() {
            return Err("two different times; `00:00-24:00` is the whole day".into());
        }
        Ok(Self { from, until })
    }

    /// Its length on a day without a change of the clocks.
    pub fn length(&self) -> Duration {
        let seconds = |t: Time| i64::from(t.hour()) * 3600 + i64::from(t.minute()) * 60;
        let length = (seconds(self.until) - seconds(self.from)).rem_euclid(86_400);
        Duration::from_secs(if length == 0 { 86_400 } else { length as u64 })
    }

    /// Beginning and end on the day it begins.
    fn on(&self, date: Date, zone: &TimeZone) -> Option<(Timestamp, Timestamp)> {
        let moment = |date: Date, time| Some(zone.to_zoned(date.to_datetime(time)).ok()?.timestamp());
        let end = if self.until > self.from { date } else { date.tomorrow().ok()? };
        Some((moment(date, self.from)?, moment(end, self.until)?))
    }
}

impl Schedule {
    /// From a cron expression of five fields, or six with seconds first.
    ///
    /// # Errors
    /// What is wrong with the expression and what is allowed.
    pub fn new(expression: &str, zone: TimeZone, jitter: Duration, hours: Vec<Hours>) -> Result<Self, String> {
        let allowed = "minute, hour, day of month, month, day of week, such as `30 2 * * *`";
        let parser = CronParser::builder().seconds(Seconds::Optional).build();
        let cron = parser.parse(expression).map_err(|error| format!("{error}; a schedule has {allowed}"))?;
        let schedule = Self { cron, zone, jitter, hours };
        let Some(mut time) = schedule.after(Timestamp::UNIX_EPOCH) else {
            return Err(format!("such a time never comes; a schedule has {allowed}"));
        };
        // A delay that can be longer than the time to the next would make one run of two, or of many.
        for _ in 0..TIMES_LOOKED_AT {
            let Some(next) = schedule.after(time) else { break };
            let gap = next.duration_since(time);
            if gap < SignedDuration::try_from(jitter).unwrap_or(SignedDuration::MAX) {
                return Err(format!("its times are {} s apart, less than the jitter", gap.as_secs()));
            }
            time = next;
        }
        Ok(schedule)
    }

    /// The first time after `moment` by the expression alone.
    pub fn after(&self, moment: Timestamp) -> Option<Timestamp> {
        Some(self.cron.find_next_occurrence(&self.local(moment), false).ok()?.timestamp())
    }

    /// The last time at or before `moment` by the expression alone.
    pub fn at_or_before(&self, moment: Timestamp) -> Option<Timestamp> {
        // Whole seconds only: the search looks at nothing finer.
        let whole = Timestamp::from_second(moment.as_second()).ok()?;
        Some(self.cron.find_previous_occurrence(&self.local(whole), true).ok()?.timestamp())
    }

    /// The next times by the expression alone, for people: in the zone of the schedule, with its name.
    pub fn next_times(&self, moment: Timestamp, count: usize) -> Vec<String> {
        let times = std::iter::successors(self.after(moment), |time| self.after(*time));
        let told = |time: Timestamp| {
            let local = self.local(time);
            let form = if local.second() == 0 { "%Y-%m-%d %H:%M %Q" } else { "%Y-%m-%d %H:%M:%S %Q" };
            local.strftime(form).to_string()
        };
        times.take(count).map(told).collect()
    }

    /// The delay of a port at one time of the schedule, below the jitter; the same whenever it is asked for.
    pub fn delay(&self, seed: u64, round: &str, port: &str, time: Timestamp) -> Duration {
        let millis = self.jitter.as_millis() as u64;
        if millis == 0 {
            return Duration::ZERO;
        }
        let mut rng = Rng::new(seed).branch(mix(round)).branch(mix(port)).branch(time.as_second() as u64);
        Duration::from_millis(rng.below(millis))
    }

    /// The first moment from `moment` on when a run that takes `takes` may begin and end within the allowed hours.
    pub fn allowed_from(&self, moment: Timestamp, takes: Duration) -> Option<Timestamp> {
        if self.hours.is_empty() {
            return Some(moment);
        }
        let takes = SignedDuration::try_from(takes).ok()?;
        let day = self.local(moment).date();
        // From the day before, whose night may reach into this day. A change of the clocks can shorten a night below
        // what the run takes, so a few days are looked through.
        let mut date = day.checked_sub(1.day()).ok()?;
        let mut best: Option<Timestamp> = None;
        for _ in 0..5 {
            for (from, until) in self.hours.iter().filter_map(|hours| hours.on(date, &self.zone)) {
                let start = from.max(moment);
                if start.checked_add(takes).is_ok_and(|end| end <= until) {
                    best = Some(best.map_or(start, |b| b.min(start)));
                }
            }
            date = date.tomorrow().ok()?;
        }
        best
    }

    /// The longest of the allowed hours; none: there is no such limit.
    pub fn longest_window(&self) -> Option<Duration> {
        self.hours.iter().map(Hours::length).max()
    }

    fn local(&self, moment: Timestamp) -> Zoned {
        moment.to_zoned(self.zone.clone())
    }
}

/// Times of a schedule that the jitter is held against.
const TIMES_LOOKED_AT: u32 = 50;

/// A number from a name (FNV-1a, 64 bits: offset and prime from memory).
fn mix(name: &str) -> u64 {
    name.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn schedule(expression: &str, zone: &str, hours: &[&str]) -> Schedule {
        let hours = hours.iter().map(|h| Hours::parse(h).unwrap()).collect();
        Schedule::new(expression, TimeZone::get(zone).unwrap(), Duration::from_secs(600), hours).unwrap()
    }

    fn moment(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn clocks_put_forward_and_back_lose_and_double_nothing() {
        // Central European clocks went from 2:00 to 3:00 on 2026-03-29 and from 3:00 to 2:00 on 2026-10-25, each at
        // 1:00 UTC (Directive 2000/84/EC, articles 2 and 3).
        let nightly = schedule("30 2 * * *", "Europe/Berlin", &[]);
        let mut at = moment("2026-03-28T12:00:00Z");
        let mut days = Vec::new();
        for _ in 0..3 {
            at = nightly.after(at).unwrap();
            days.push(at.to_string());
        }
        assert_eq!(days[1..], ["2026-03-30T00:30:00Z", "2026-03-31T00:30:00Z"]);
        assert_eq!(days[0], "2026-03-29T01:00:00Z", "the first moment after the gap");
        let mut at = moment("2026-10-24T12:00:00Z");
        let mut days = Vec::new();
        for _ in 0..2 {
            at = nightly.after(at).unwrap();
            days.push(at.to_string());
        }
        assert_eq!(days, ["2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z"], "once, although 2:30 came twice");
        // A year has as many nights as days.
        let (mut at, end, mut count) = (moment("2026-01-01T00:00:00Z"), moment("2027-01-01T00:00:00Z"), 0);
        while let Some(next) = nightly.after(at).filter(|next| *next < end) {
            (at, count) = (next, count + 1);
        }
        assert_eq!(count, 365);
    }

    #[test]
    fn the_last_time_before_is_found_across_years() {
        let yearly = schedule("0 6 1 1 *", "UTC", &[]);
        assert_eq!(yearly.at_or_before(moment("2026-11-25T00:00:00Z")), Some(moment("2026-01-01T06:00:00Z")));
        let minutely = Schedule::new("* * * * *", TimeZone::UTC, Duration::ZERO, vec![]).unwrap();
        assert_eq!(minutely.at_or_before(moment("2026-11-25T10:00:59.9Z")), Some(moment("2026-11-25T10:00:00Z")));
        assert_eq!(minutely.at_or_before(moment("2026-11-25T10:00:00Z")), Some(moment("2026-11-25T10:00:00Z")));
    }

    #[test]
    fn a_delay_is_the_same_after_a_restart_and_spreads_ports() {
        let nightly = schedule("30 2 * * *", "UTC", &[]);
        let time = moment("2026-05-01T02:30:00Z");
        let delays: Vec<Duration> = (0..50).map(|n| nightly.delay(7, "night", &format!("quay{n}"), time)).collect();
        assert_eq!(delays[3], nightly.delay(7, "night", "quay3", time));
        assert!(delays.iter().all(|d| *d < Duration::from_secs(600)));
        let early = delays.iter().filter(|d| **d < Duration::from_secs(300)).count();
        assert!((10..=40).contains(&early), "{early} of 50 in the first half");
    }

    #[test]
    fn allowed_hours_go_over_midnight_and_leave_time_for_the_run() {
        let night = schedule("0 * * * *", "Europe/Berlin", &["22:00-05:00"]);
        let takes = Duration::from_secs(1800);
        // 23:30 local in winter is 22:30 UTC.
        let within = moment("2026-01-10T22:30:00Z");
        assert_eq!(night.allowed_from(within, takes), Some(within));
        let at_noon = moment("2026-01-10T11:00:00Z");
        assert_eq!(night.allowed_from(at_noon, takes), Some(moment("2026-01-10T21:00:00Z")));
        // 4:45 is too late for half an hour.
        let too_late = moment("2026-01-10T03:45:00Z");
        assert_eq!(night.allowed_from(too_late, takes), Some(moment("2026-01-10T21:00:00Z")));
        assert_eq!(night.allowed_from(at_noon, Duration::from_secs(8 * 3600)), None);
        // In the night when clocks go forward, seven hours on the clock are six.
        let six_and_a_half = Duration::from_secs(6 * 3600 + 1800);
        assert_eq!(
            night.allowed_from(moment("2026-03-28T12:00:00Z"), six_and_a_half),
            Some(moment("2026-03-29T20:00:00Z"))
        );
    }

    #[test]
    fn hours_are_read_strictly() {
        for bad in ["22-5", "22:00", "25:00-05:00", "7:00-8:00", "08:00-08:00", "08:00-09:60", "", "-", "24:01-01:00"] {
            assert!(Hours::parse(bad).is_err(), "{bad}");
        }
        assert_eq!(Hours::parse("00:00-24:00").unwrap().length(), Duration::from_secs(86_400));
        assert_eq!(Hours::parse("22:00-05:00").unwrap().length(), Duration::from_secs(7 * 3600));
    }

    #[test]
    fn an_expression_that_never_comes_is_refused() {
        let often = Schedule::new("* * * * *", TimeZone::UTC, Duration::from_secs(61), vec![]);
        assert!(often.unwrap_err().contains("less than the jitter"));
        assert!(Schedule::new("*/5 * * * * *", TimeZone::UTC, Duration::ZERO, vec![]).is_ok());
        for bad in ["0 0 31 2 *", "61 * * * *", "* * * *", "", "every night"] {
            assert!(Schedule::new(bad, TimeZone::UTC, Duration::ZERO, vec![]).is_err(), "{bad}");
        }
    }
}
