//! The plots of a port's past: each run a dot at its time, one series for each placement and profile.

use jiff::{Timestamp, ToSpan, Zoned, tz::TimeZone};
use turnback_core::judge::Outcome;

use crate::{
    daemon::agent::RecordLine,
    show::{
        figure,
        plot::{
            Figure, Table,
            scale::{Scale, power, short},
            series::{self, Dot, Series, Shape},
        },
    },
};

use super::words;

/// A stretch of time that a person chooses: its word in the address, its word on the page, its length in days.
pub const PERIODS: [(&str, &str, f64); 5] = [
    ("day", "a day", 1.0),
    ("week", "a week", 7.0),
    ("month", "a month", 31.0),
    ("quarter", "three months", 92.0),
    ("all", "all", f64::INFINITY),
];

/// The shortest period that shows enough runs, where nobody has chosen one.
pub fn fitting(records: &[RecordLine], now_ms: i64) -> &'static str {
    let ages = || records.iter().filter_map(|record| Some((now_ms - began_ms(record)?) as f64 / DAY_MS));
    let enough = records.len().min(RUNS_ENOUGH);
    let fits = PERIODS.into_iter().find(|(_, _, days)| ages().filter(|age| age <= days).count() >= enough);
    fits.map_or("all", |(word, ..)| word)
}

/// Plots of records, the newest first, in a period by its word. A series without two runs is no past to draw.
pub fn figures(records: &[RecordLine], period: &str, now_ms: i64, zone: &TimeZone) -> Vec<Figure> {
    let days = PERIODS.into_iter().find(|(word, ..)| *word == period).map_or(f64::INFINITY, |(_, _, days)| days);
    let runs: Vec<Past> = records.iter().filter_map(Past::new).collect();
    let runs: Vec<Past> = runs.into_iter().filter(|run| (now_ms as f64 - run.at_ms) / DAY_MS <= days).collect();
    let Some(first) = runs.last() else { return Vec::new() };
    let axis = Axis::new(first.at_ms, now_ms as f64, zone);
    let mut kinds: Vec<SeriesOf> = Vec::new();
    for run in &runs {
        let kind = run.kind();
        if !kinds.contains(&kind) {
            kinds.push(kind);
        }
    }
    let of = |kind: &SeriesOf| -> Vec<Past> { runs.iter().filter(|run| run.kind() == *kind).copied().collect() };
    let series: Vec<_> = kinds.iter().map(|kind| (kind, of(kind))).filter(|(_, runs)| runs.len() > 1).collect();
    let draw = |(n, ((placement, segment, profile), runs)): (usize, &(&SeriesOf, Vec<Past>))| {
        let name = format!("{}, profile {profile}", words::place_of_plug(placement, *segment));
        [ratios(RATIO_IDS[n], &name, runs, &axis, zone), trips(TRIP_IDS[n], &name, runs, &axis, zone)]
    };
    series.iter().take(RATIO_IDS.len()).enumerate().flat_map(draw).flatten().collect()
}

/// What tells one series of runs from another: placement, segment, profile.
type SeriesOf<'a> = (&'a str, Option<&'a str>, &'a str);

/// A run and when it began, ms since 1970 UTC.
#[derive(Clone, Copy)]
struct Past<'a> {
    at_ms: f64,
    record: &'a RecordLine,
}

impl<'a> Past<'a> {
    fn new(record: &'a RecordLine) -> Option<Self> {
        Some(Self { at_ms: began_ms(record)? as f64, record })
    }

    fn kind(&self) -> SeriesOf<'a> {
        (self.record.placement.as_str(), self.record.segment.as_deref(), self.record.profile.as_str())
    }

    fn shape(&self) -> Shape {
        match self.record.outcome {
            Outcome::Fault => Shape::Cross,
            Outcome::Pass => Shape::Full,
            Outcome::Undecided | Outcome::NotTested => Shape::Hollow,
        }
    }
}

fn began_ms(record: &RecordLine) -> Option<i64> {
    Some(record.started_at.parse::<Timestamp>().ok()?.as_millisecond())
}

fn ratios(id: &'static str, name: &str, runs: &[Past], axis: &Axis, zone: &TimeZone) -> Option<Figure> {
    let dot = |run: &Past| {
        let (estimate, upper) = (run.record.bit_error_ratio?, run.record.bit_error_ratio_upper);
        // Without an error, what was proved is the upper end of the interval.
        let (value, shape) = match (estimate, run.shape()) {
            (0.0, Shape::Full) => (upper?, Shape::Below),
            (0.0, shape) => (upper?, shape),
            (ratio, shape) => (ratio, shape),
        };
        Some(Dot { at: run.at_ms, value, shape })
    };
    let dots: Vec<Dot> = runs.iter().filter_map(dot).collect();
    if dots.is_empty() {
        return None;
    }
    let limit = runs.iter().find_map(|run| run.record.limit);
    let clean = dots.iter().filter(|dot| dot.shape == Shape::Below).count();
    let summary = format!(
        "{}. Wedge: no error; the ratio is below this ({clean} of {}). Dot: passed with errors. Cross: fault. \
         Circle: undecided.",
        name,
        dots.len()
    );
    let value = |record: &RecordLine| figure::ratio_or_below(record.bit_error_ratio, record.bit_error_ratio_upper);
    let y = series::fitted_by_factors(dots.iter().map(|dot| dot.value), limit);
    let plot = Plot { id, title: "Bit error ratio", summary, y, y_title: String::new(), written: power };
    Some(plot.figure(runs, &dots, limit.map(|limit| (limit, "limit")), axis, zone, &value))
}

fn trips(id: &'static str, name: &str, runs: &[Past], axis: &Axis, zone: &TimeZone) -> Option<Figure> {
    let longest = runs.iter().filter_map(|run| run.record.latency_ns_p50).max()?;
    let (unit, unit_ns) = match longest {
        0..10_000 => ("ns", 1.0),
        10_000..10_000_000 => ("us", 1e3),
        _ => ("ms", 1e6),
    };
    let dot = |run: &Past| {
        Some(Dot { at: run.at_ms, value: run.record.latency_ns_p50? as f64 / unit_ns, shape: run.shape() })
    };
    let dots: Vec<Dot> = runs.iter().filter_map(dot).collect();
    let summary = format!("{name}. Half of a run's round trips took at most this.");
    let value = |record: &RecordLine| record.latency_ns_p50.map_or("-".into(), figure::time_ns);
    let y = series::fitted(dots.iter().map(|dot| dot.value), None);
    let y_title = format!("median round trip, {unit}");
    let plot = Plot { id, title: "Round trip", summary, y, y_title, written: short };
    Some(plot.figure(runs, &dots, None, axis, zone, &value))
}

/// What tells one plot from another.
struct Plot {
    id: &'static str,
    title: &'static str,
    summary: String,
    y: Scale,
    y_title: String,
    written: fn(f64) -> String,
}

impl Plot {
    /// With its table, in which `value` says a run's figure in words.
    fn figure(
        self,
        runs: &[Past],
        dots: &[Dot],
        limit: Option<(f64, &str)>,
        axis: &Axis,
        zone: &TimeZone,
        value: &dyn Fn(&RecordLine) -> String,
    ) -> Figure {
        let Self { id, title, summary, y, y_title, written } = self;
        let svg = series::draw(&Series {
            id,
            title,
            summary: &summary,
            x: axis.scale,
            x_marks: &axis.marks,
            y,
            y_title: &y_title,
            written,
            dots,
            limit,
        });
        let rows = runs.iter().map(|run| {
            let began = words::second(run.at_ms as i64, zone);
            vec![began, words::outcome(run.record.outcome).to_owned(), value(run.record)]
        });
        let table = Table::new(vec!["begun", "found", "figure"], rows);
        Figure { id, title: title.into(), summary, legend: Vec::new(), svg, is_wide: false, table }
    }
}

/// The axis of time, from the first run to now, and its marks.
struct Axis {
    scale: Scale,
    marks: Vec<(f64, String)>,
}

impl Axis {
    fn new(first_ms: f64, now_ms: f64, zone: &TimeZone) -> Self {
        let (low, high) = (first_ms, now_ms.max(first_ms + MINUTE_MS));
        Self { scale: Scale::Linear { low, high }, marks: marks(low, high, zone) }
    }
}

/// Round times of day, or days, on the clock of the zone; about five.
fn marks(low: f64, high: f64, zone: &TimeZone) -> Vec<(f64, String)> {
    let step = STEPS_MIN.into_iter().find(|minutes| (high - low) / (*minutes as f64 * MINUTE_MS) <= MARKS_MAX);
    let step = step.unwrap_or_else(|| ((high - low) / MARKS_MAX / DAY_MS).ceil() as i64 * 1440);
    let zoned = |ms: f64| Timestamp::from_millisecond(ms as i64).map(|time| time.to_zoned(zone.clone()));
    let Ok(start) = zoned(low).and_then(|time| time.start_of_day()) else { return Vec::new() };
    let form = if step < 1440 { "%H:%M" } else { "%-d %b" };
    let later = |n: i64| -> Option<Zoned> {
        // A day is one of the calendar, whatever the clocks do.
        let span = if step % 1440 == 0 { (n * step / 1440).days() } else { (n * step).minutes() };
        start.checked_add(span).ok()
    };
    let times = (0..).map_while(later).map(|time| (time.timestamp().as_millisecond() as f64, time));
    times
        .skip_while(|(ms, _)| *ms < low)
        .take_while(|(ms, _)| *ms <= high)
        .map(|(ms, time)| (ms, time.strftime(form).to_string()))
        .collect()
}

const MINUTE_MS: f64 = 60_000.0;
const DAY_MS: f64 = 86_400_000.0;
const MARKS_MAX: f64 = 5.0;
const STEPS_MIN: [i64; 13] = [1, 2, 5, 10, 30, 60, 180, 360, 720, 1440, 2880, 10_080, 20_160];
/// Fewer runs than these are no history where there are more.
const RUNS_ENOUGH: usize = 20;
/// Names of the plots of each series; a port with more kinds of runs shows the newest.
const RATIO_IDS: [&str; 4] = ["past-ratio", "past-ratio-2", "past-ratio-3", "past-ratio-4"];
const TRIP_IDS: [&str; 4] = ["past-trip", "past-trip-2", "past-trip-3", "past-trip-4"];

#[cfg(test)]
mod tests {
    use super::*;

    fn record(day: u32, outcome: Outcome, ratio: Option<f64>) -> RecordLine {
        RecordLine {
            run: format!("run-{day}"),
            started_at: format!("2026-03-{day:02}T02:00:00+00:00"),
            port: "quay0".into(),
            cable: None,
            placement: "at-port".into(),
            segment: None,
            profile: "quick".into(),
            outcome,
            location: Vec::new(),
            scope: None,
            rule: None,
            bit_error_ratio: ratio,
            bit_error_ratio_upper: ratio.map(|ratio| ratio + 3e-8),
            bit_error_ratio_below: None,
            limit: Some(1e-7),
            latency_ns_p50: Some(12_000 + u64::from(day)),
        }
    }

    fn now_ms() -> i64 {
        "2026-03-30T12:00:00Z".parse::<Timestamp>().unwrap().as_millisecond()
    }

    fn drawn(records: &[RecordLine], period: &str) -> Vec<Figure> {
        figures(records, period, now_ms(), &TimeZone::UTC)
    }

    #[test]
    fn a_past_of_one_run_is_not_drawn() {
        assert!(drawn(&[record(1, Outcome::Pass, Some(0.0))], "all").is_empty());
    }

    #[test]
    fn every_run_is_in_the_table_and_every_fault_is_a_cross() {
        let records = [
            record(20, Outcome::Fault, Some(2e-6)),
            record(10, Outcome::Pass, Some(0.0)),
            record(5, Outcome::NotTested, None),
        ];
        let figures = drawn(&records, "all");
        let ratio = figures.iter().find(|f| f.id == "past-ratio").unwrap();
        let found: Vec<_> = ratio.table.rows.iter().map(|row| (row[1].as_str(), row[2].as_str())).collect();
        assert_eq!(found, [("fault", "2e-6"), ("pass", "below 3e-8"), ("not tested", "-")]);
        assert_eq!(ratio.svg.matches("class=\"thick\"").count(), 1, "{}", ratio.svg);
        assert!(ratio.svg.contains(">limit<") && ratio.svg.contains("class=\"mark\""), "{}", ratio.svg);
        assert!(figures.iter().any(|f| f.id == "past-trip"));
    }

    #[test]
    fn each_placement_and_profile_has_a_series_of_its_own() {
        let inside = |day| RecordLine { placement: "internal".into(), ..record(day, Outcome::Pass, Some(0.0)) };
        let plugged = |day| record(day, Outcome::Pass, Some(0.0));
        let ids: Vec<_> =
            drawn(&[plugged(9), inside(8), plugged(7), inside(6)], "all").into_iter().map(|f| f.id).collect();
        assert_eq!(ids, ["past-ratio", "past-trip", "past-ratio-2", "past-trip-2"]);
    }

    #[test]
    fn a_period_leaves_out_what_is_older_and_the_axis_fits() {
        let records: Vec<_> = [29, 28, 27, 2].map(|day| record(day, Outcome::Pass, Some(0.0))).into();
        let week = drawn(&records, "week");
        assert_eq!(week[0].table.rows.len(), 3);
        assert!(week[0].svg.contains(">29 Mar<") && !week[0].svg.contains(">2 Mar<"), "{}", week[0].svg);
        assert_eq!(drawn(&records, "all")[0].table.rows.len(), 4);
        assert_eq!(fitting(&records, now_ms()), "month");
        assert_eq!(fitting(&records[..3], now_ms()), "week");
    }

    /// On the last Sunday of March a day has 23 hours where summer time begins (EU directive 2000/84/EC, article 2).
    #[test]
    fn marks_are_midnights_of_the_zone() {
        let Ok(zone) = TimeZone::get("Europe/Berlin") else { return };
        let ms = |text: &str| text.parse::<Timestamp>().unwrap().as_millisecond() as f64;
        let marks = marks(ms("2026-03-27T12:00:00Z"), ms("2026-03-31T12:00:00Z"), &zone);
        let midnights =
            ["2026-03-27T23:00:00Z", "2026-03-28T23:00:00Z", "2026-03-29T22:00:00Z", "2026-03-30T22:00:00Z"];
        assert_eq!(marks.iter().map(|(at, _)| *at).collect::<Vec<_>>(), midnights.map(ms));
        assert_eq!(marks[0].1, "28 Mar");
    }
}
