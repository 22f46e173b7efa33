//! Figures of a document, and numbers in words: ratios, rates, times.
//!
//! A figure is defined once, as an [`Entry`] in the list of its kind of port or in the list that all kinds share. Every
//! outlet asks for a [`Group`] and shows what it gets; none asks for a figure by name.

use serde::{Serialize, Serializer};

/// Which outlets show a figure. A figure may be in several groups.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Group {
    /// What the run went over: shown even if nothing was sent.
    Setup,
    /// The main figures of a run, for its report.
    Run,
    /// What the run found of the port itself, for the page of the port.
    Port,
    /// Counts that add up over runs, for metrics.
    Total,
    /// Values of the last run, for metrics.
    Last,
}

/// Where a figure stands in a list: sections follow each other in this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Section {
    /// Link, format, wiring.
    Setup,
    /// What was sent and what became of it.
    Counts,
    /// Ratios.
    Ratios,
    /// Rates and speeds.
    Rates,
    /// Times.
    Times,
    /// Checks of the port itself.
    Port,
    /// Seconds with and without errors.
    Seconds,
}

/// What a figure is, whatever its value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Definition {
    /// Its name for programs, without the unit.
    pub id: &'static str,
    /// Its name for people.
    pub label: &'static str,
    /// What it is, in a line: the help of its metric.
    pub about: &'static str,
    /// Unit of the value, the end of its full name; none for a count or a ratio.
    pub unit: Option<&'static str>,
    /// Where it stands.
    pub section: Section,
    /// Who shows it.
    pub groups: &'static [Group],
}

impl Definition {
    /// The name for programs with its unit: `round_trip_median_seconds`.
    pub fn name(&self) -> String {
        self.unit.map_or_else(|| self.id.to_owned(), |unit| format!("{}_{unit}", self.id))
    }
}

/// A definition with the function that measures it: one line in a list of figures.
#[derive(Clone, Copy, Debug)]
pub struct Entry<F> {
    /// What it is.
    pub what: Definition,
    /// Its value; none where it does not apply.
    pub measure: F,
}

/// A value for programs, words for people, or both.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Measure {
    /// The number, in the unit of the definition.
    pub value: Option<f64>,
    /// The words. Without them, people are not shown the figure.
    pub text: Option<String>,
}

impl Measure {
    /// A count in a number and in words.
    pub fn count(value: u64, text: impl Into<String>) -> Self {
        Self { value: Some(value as f64), text: Some(text.into()) }
    }

    /// A number that people are not shown.
    pub fn number(value: f64) -> Self {
        Self { value: Some(value), text: None }
    }

    /// Words that are no number.
    pub fn words(text: impl Into<String>) -> Self {
        Self { value: None, text: Some(text.into()) }
    }

    /// A number, where there is one, and words.
    pub fn new(value: Option<f64>, text: impl Into<String>) -> Self {
        Self { value, text: Some(text.into()) }
    }
}

/// One figure of one document.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// What it is.
    pub what: Definition,
    /// Its value.
    pub measure: Measure,
}

impl Figure {
    /// Whether outlets that ask for this group show it.
    pub fn is_in(&self, group: Group) -> bool {
        self.what.groups.contains(&group)
    }
}

/// A number as JSON has it: a whole one without a decimal point.
pub(crate) struct Number(pub f64);

impl Serialize for Number {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let whole = self.0 as u64;
        if whole as f64 == self.0 { serializer.serialize_u64(whole) } else { serializer.serialize_f64(self.0) }
    }
}

/// A ratio such as `3.1e-10` or `1e-7`; from a tenth on as `0.5`, and zero as `0`.
pub fn ratio(value: f64) -> String {
    if value >= 0.1 { with_digits(value, 2) } else { with_digits(value, 1) }
}

/// A ratio in a list: `2.1e-6`; where nothing failed, what it is below: `below 8.7e-10`; `-` where none was measured.
pub fn ratio_or_below(value: Option<f64>, below: Option<f64>) -> String {
    match (value, below) {
        (Some(0.0), Some(below)) => format!("below {}", ratio(below)),
        (value, _) => value.map_or("-".into(), ratio),
    }
}

fn with_digits(value: f64, digits: usize) -> String {
    match value {
        0.0 => "0".into(),
        _ if value >= 0.1 => format!("{value:.digits$}").trim_end_matches('0').trim_end_matches('.').to_owned(),
        _ => format!("{value:.digits$e}").replace(".0e", "e"),
    }
}

/// A small ratio for somebody who reads no powers of ten: `ten million` of "one wrong bit in ten million".
pub fn one_in(ratio: f64) -> String {
    let units = 1.0000001 / ratio;
    let (scale, word) = match units {
        _ if units >= 1e12 => (1e12, " million million"),
        _ if units >= 1e9 => (1e9, " thousand million"),
        _ if units >= 1e6 => (1e6, " million"),
        _ if units >= 1e3 => (1e3, " thousand"),
        _ => (1.0, ""),
    };
    let number = match (units / scale * 10.0).round() / 10.0 {
        1.0 => "a".to_owned(),
        10.0 => "ten".to_owned(),
        100.0 => "a hundred".to_owned(),
        other => other.to_string(),
    };
    format!("{number}{word}")
}

/// A ratio beside the limit it is held against: with as many digits as tell the two apart, where they differ.
pub fn ratio_beside(value: f64, limit: f64) -> String {
    let printed = (1..=17).map(|digits| with_digits(value, digits));
    let differs = |text: &String| value == limit || text.parse() != Ok(limit);
    printed.into_iter().find(differs).unwrap_or_else(|| format!("{value:e}"))
}

/// A limit with all its digits and no more: `1e-6`, `2.5e-7`.
pub fn limit(value: f64) -> String {
    format!("{value:e}")
}

/// What a limit allows, for somebody who reads no powers of ten: `1e-7 (one wrong bit in ten million) is allowed`.
pub fn allowed(value: f64) -> String {
    format!("{} (one wrong bit in {}) is allowed", limit(value), one_in(value))
}

/// Nanoseconds in the unit that leaves one to three digits before the point.
pub fn time_ns(ns: u64) -> String {
    let ns = ns as f64;
    match ns {
        _ if ns < 1e3 => format!("{ns:.0} ns"),
        _ if ns < 1e6 => format!("{:.1} us", ns / 1e3),
        _ if ns < 1e9 => format!("{:.1} ms", ns / 1e6),
        _ => format!("{:.2} s", ns / 1e9),
    }
}

/// Bits a second with prefix.
pub fn bit_rate(bps: f64) -> String {
    match bps {
        _ if bps >= 1e9 => format!("{:.2} Gb/s", bps / 1e9),
        _ if bps >= 1e6 => format!("{:.1} Mb/s", bps / 1e6),
        _ => format!("{:.1} kb/s", bps / 1e3),
    }
}

/// A count in groups of three: `1 234 567`.
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// A count with its unit: `1 frame`, `1 234 frames`.
pub fn counted(n: u64, unit: &str) -> String {
    format!("{} {unit}{}", count(n), if n == 1 { "" } else { "s" })
}

/// A share of the line rate, `0.0..=1.0`: `at 40 % of the line rate`.
pub fn of_line_rate(share: f64) -> String {
    match (100.0 * share).round() {
        percent if percent < 1.0 => "at less than 1 % of the line rate".to_owned(),
        percent => format!("at {percent} % of the line rate"),
    }
}

/// Things in a sentence: `64, 512 and 1518`.
pub fn listed(things: &[String]) -> String {
    match things {
        [some @ .., before, last] if !some.is_empty() => format!("{}, {before} and {last}", some.join(", ")),
        _ => things.join(" and "),
    }
}

/// A text with a capital at its beginning.
pub fn upper(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

/// The same in the middle of a sentence.
pub fn lower(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_lowercase().collect::<String>() + letters.as_str())
}

/// A message of the program, which has neither, as a sentence with a capital and a full stop. A `name` at its beginning
/// stays as it is.
pub fn sentence(message: &str, name: &str) -> String {
    let stop = if message.ends_with(['.', '?']) { "" } else { "." };
    if message.starts_with(name) { format!("{message}{stop}") } else { upper(message) + stop }
}

/// Seconds as `4 s`, `3 min`, `2.1 h`.
pub fn seconds(s: f64) -> String {
    match s {
        _ if s >= 3600.0 && s % 3600.0 == 0.0 => format!("{:.0} h", s / 3600.0),
        _ if s < 120.0 => format!("{s:.0} s"),
        _ if s < 7200.0 => format!("{:.0} min", s / 60.0),
        _ => format!("{:.1} h", s / 3600.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ratio_and_its_limit_look_alike_only_if_they_are() {
        for (value, shown) in [
            (1.04e-6, "1.04e-6"),
            (0.999_96e-6, "9.9996e-7"),
            (1.000_000_1e-6, "1.0000001e-6"),
            (9.4e-7, "9.4e-7"),
            (3.14e-6, "3.1e-6"),
            (1e-6, "1e-6"),
            (0.0, "0"),
        ] {
            assert_eq!(ratio_beside(value, 1e-6), shown);
        }
        let next = f64::from_bits(1e-6_f64.to_bits() + 1);
        assert_ne!(ratio_beside(next, 1e-6).parse(), Ok(1e-6));
    }

    #[test]
    fn figures_read_well() {
        assert_eq!(count(1_234_567), "1 234 567");
        assert_eq!(count(12), "12");
        assert_eq!((counted(1, "frame"), counted(1000, "frame")), ("1 frame".into(), "1 000 frames".into()));
        assert_eq!(time_ns(999), "999 ns");
        assert_eq!(time_ns(12_345), "12.3 us");
        assert_eq!(bit_rate(9.87e9), "9.87 Gb/s");
        assert_eq!(ratio(0.0), "0");
        assert_eq!((ratio(1e-7), ratio(2.04e-6)), ("1e-7".into(), "2e-6".into()));
        assert_eq!([1.0, 0.5, 0.126, 0.099].map(ratio), ["1", "0.5", "0.13", "9.9e-2"]);
        assert_eq!((ratio_beside(1.0, 1e-5), ratio_beside(0.52, 1e-5)), ("1".into(), "0.5".into()));
        for (value, words) in [
            (1e-5, "a hundred thousand"),
            (1e-7, "ten million"),
            (1e-9, "a thousand million"),
            (1e-12, "a million million"),
            (4e-7, "2.5 million"),
            (0.1, "ten"),
        ] {
            assert_eq!(one_in(value), words, "{value}");
        }
        assert_eq!((limit(1e-6), limit(2.5e-7), limit(0.05)), ("1e-6".into(), "2.5e-7".into(), "5e-2".into()));
        assert_eq!(seconds(7500.0), "2.1 h");
        let three = ["64", "512", "1518"].map(String::from);
        assert_eq!([1, 2, 3].map(|n| listed(&three[..n])), ["64", "64 and 512", "64, 512 and 1518"]);
        assert_eq!(sentence("cannot open quay", "quay"), "Cannot open quay.");
        assert_eq!(sentence("quay is busy. Wait.", "quay"), "quay is busy. Wait.");
    }
}
