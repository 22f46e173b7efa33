//! All figures of a report in one list: those that every kind of port has, and those of its own kind.
//!
//! A new figure of every kind is an entry in `SHARED`; one of a single kind is an entry in that kind's `figures.rs`.
//! Terminal, page, JSON, CSV and metrics take it from here.

use std::collections::BTreeMap;

use serde::ser::{Serialize, SerializeMap, Serializer};

use super::{Detail, Report, Totals};
use crate::base::figure::{self, Definition, Entry, Figure, Group, Measure, Number, Section};
use crate::judge::ratio::Basis;
use crate::kind::ethernet::figures::{self as ethernet, Frames};
use crate::kind::serial::figures::{self as serial, Bytes};

/// Every figure of a report in reading order. Where nothing was sent, only the setup is one.
pub fn of(report: &Report) -> Vec<Figure> {
    let mut all = match (&report.totals, &report.detail) {
        (Totals::Frames(totals), Detail::Ethernet(detail)) => {
            measured(ethernet::FIGURES, |measure| measure(&Frames { totals, latency: &report.latency_ns, detail }))
        }
        (Totals::Bytes(totals), Detail::Serial(detail)) => measured(serial::FIGURES, |measure| {
            let errors = report.line_errors.as_ref();
            measure(&Bytes { totals, errors, latency: &report.latency_ns, detail })
        }),
        // Counts of one kind beside the detail of another: a report that no program wrote.
        (Totals::Frames(_), Detail::Serial(_)) | (Totals::Bytes(_), Detail::Ethernet(_)) => Vec::new(),
    };
    all.extend(measured(SHARED, |measure| measure(report)));
    all.retain(|figure| report.totals.sent() > 0 || figure.is_in(Group::Setup));
    all.sort_by_key(|figure| figure.what.section);
    all
}

/// Figures of a group that have words for people: label and words.
pub fn lines(report: &Report, group: Group) -> Vec<(&'static str, String)> {
    let in_words = |figure: Figure| Some((figure.what.label, figure.measure.text?));
    of(report).into_iter().filter(|figure| figure.is_in(group)).filter_map(in_words).collect()
}

/// What there can be, of every kind of port, each name once.
pub fn defined() -> Vec<Definition> {
    let own = ethernet::FIGURES.iter().map(|entry| entry.what);
    let own = own.chain(serial::FIGURES.iter().map(|entry| entry.what));
    let mut found: Vec<Definition> = Vec::new();
    for what in SHARED.iter().map(|entry| entry.what).chain(own) {
        if found.iter().all(|other| other.id != what.id) {
            found.push(what);
        }
    }
    found
}

fn measured<F: Copy>(list: &[Entry<F>], measure: impl Fn(F) -> Option<Measure>) -> Vec<Figure> {
    list.iter().filter_map(|entry| Some(Figure { what: entry.what, measure: measure(entry.measure)? })).collect()
}

/// Numbers of a report by their full names: the field `figures` of its JSON.
pub(super) struct Numbers(BTreeMap<String, f64>);

pub(super) fn numbers(report: &Report) -> Numbers {
    let numbers = of(report).into_iter().filter_map(|figure| Some((figure.what.name(), figure.measure.value?)));
    Numbers(numbers.collect())
}

impl Serialize for Numbers {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (name, value) in &self.0 {
            map.serialize_entry(name, &Number(*value))?;
        }
        map.end()
    }
}

type List = [Entry<fn(&Report) -> Option<Measure>>];

/// Figures of every kind of port, each section in reading order.
const SHARED: &List = &[
    Entry {
        what: Definition {
            id: "compared_bits",
            label: "bits compared",
            about: "Bits that came back and were compared",
            unit: None,
            section: Section::Counts,
            groups: &[Group::Run, Group::Total],
        },
        measure: |report| {
            let (compared, wrong) = (report.totals.bits_compared(), report.totals.bit_errors());
            let text = format!("{}, {} wrong", figure::count(compared), figure::count(wrong));
            Some(Measure::count(compared, text))
        },
    },
    Entry {
        what: Definition {
            id: "bit_errors",
            label: "wrong bits",
            about: "Of the bits compared, wrong",
            unit: None,
            section: Section::Counts,
            groups: &[Group::Total],
        },
        measure: |report| Some(Measure::number(report.totals.bit_errors() as f64)),
    },
    Entry {
        what: Definition {
            id: "bit_error_ratio",
            label: "bit error ratio",
            about: "The likeliest bit error ratio",
            unit: None,
            section: Section::Ratios,
            groups: &[Group::Run],
        },
        measure: |report| error_ratio(report),
    },
    Entry {
        what: Definition {
            id: "errored",
            label: "seconds",
            about: "Seconds in which something was lost or damaged",
            unit: Some("seconds"),
            section: Section::Seconds,
            groups: &[Group::Run],
        },
        measure: |report| {
            let s = &report.seconds_summary;
            let inside = report.totals.lost_inside() > 0 && s.errored > 0;
            let text = format!(
                "{} clean, {} errored ({} severely), {} unavailable{}",
                s.clean,
                s.errored,
                s.severely_errored,
                s.unavailable,
                if inside { "; what this computer lost counts here too" } else { "" }
            );
            Some(Measure::count(s.errored, text))
        },
    },
];

fn error_ratio(report: &Report) -> Option<Measure> {
    let r = report.error_ratio.as_ref()?;
    let basis = match r.basis {
        Basis::Bits => "from bits",
        Basis::Frames => "from failed frames",
    };
    let text = format!(
        "{} ({} to {} at {} %, {basis}), limit {}",
        figure::ratio_beside(r.estimate, r.limit),
        figure::ratio_beside(r.lower, r.limit),
        figure::ratio_beside(r.upper, r.limit),
        r.confidence * 100.0,
        figure::limit(r.limit)
    );
    Some(Measure::new(Some(r.estimate), text))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Metrics, JSON and CSV know a figure by its name: no two may share one, but the same figure of two kinds of port.
    #[test]
    fn a_name_stands_for_one_figure() {
        let frames: Vec<_> = ethernet::FIGURES.iter().map(|entry| entry.what).collect();
        let bytes: Vec<_> = serial::FIGURES.iter().map(|entry| entry.what).collect();
        for kind in [frames, bytes] {
            let mut names: Vec<_> =
                kind.iter().chain(SHARED.iter().map(|entry| &entry.what)).map(Definition::name).collect();
            names.sort();
            let all = names.len();
            names.dedup();
            assert_eq!(names.len(), all);
        }
        for a in ethernet::FIGURES.iter().map(|entry| entry.what) {
            for b in serial::FIGURES.iter().map(|entry| entry.what).filter(|b| b.id == a.id) {
                assert_eq!((a.unit, a.about), (b.unit, b.about), "{}", a.id);
            }
        }
    }
}
