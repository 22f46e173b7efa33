//! Kinds of work, each carried out from end to end for terminal, page and agent alike.

use turnback_core::base::labels::Labels;

use crate::archive::{Archive, Listed, Query, filter::Filter, record::Record};

pub mod bench;
pub mod check;
pub mod isolate;

/// Now to the second, RFC 3339 with the zone of this machine: when a run or stage began.
pub fn now() -> String {
    jiff::Zoned::now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

/// Now to the millisecond, RFC 3339 with zone: of two things done within a second, which came last.
fn this_moment() -> String {
    jiff::Zoned::now().strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string()
}

/// Program and version, as documents name it.
const PROGRAM: &str = concat!("turnback ", env!("CARGO_PKG_VERSION"));

/// Labels that were never recorded and look like a known one, each as a sentence that names both: they differ only in
/// case, spaces, hyphens, or letters that look like digits.
pub fn labels_mistyped(archive: &(impl Archive + ?Sized), cable: Option<&str>, labels: &Labels) -> Vec<String> {
    type Of = fn(&Record) -> &Option<String>;
    let given: [(&str, Option<&str>, Of); 5] = [
        ("cable", cable, |run| &run.cable),
        ("port label", labels.port.as_deref(), |run| &run.port_label),
        ("segment", labels.segment.as_deref(), |run| &run.segment),
        ("far end", labels.far_end.as_deref(), |run| &run.far_end),
        ("plug", labels.plug.as_deref(), |run| &run.plug),
    ];
    if given.iter().all(|(_, label, _)| label.is_none()) {
        return Vec::new();
    }
    let runs = archive.list(Query::Runs(&Filter::default()), Some(RUNS_LOOKED_AT)).unwrap_or_default();
    let runs: Vec<_> = runs.into_iter().filter_map(Listed::into_run).collect();
    let told = |(what, label, of): (&str, Option<&str>, Of)| {
        let label = label?;
        let known: Vec<&String> = runs.iter().filter_map(|run| of(run).as_ref()).collect();
        let meant = known.iter().find(|known| bare(known) == bare(label))?;
        (!known.iter().any(|known| *known == label))
            .then(|| format!("no run with {what} {label} is recorded yet; is {meant} meant?"))
    };
    given.into_iter().filter_map(told).collect()
}

/// A label without what people mistype.
fn bare(label: &str) -> String {
    let like = |c: char| match c {
        'o' => '0',
        'i' | 'l' => '1',
        other => other,
    };
    label.to_lowercase().chars().filter(|c| c.is_alphanumeric()).map(like).collect()
}

/// Enough to know the labels in use. Our own choice.
const RUNS_LOOKED_AT: u64 = 1000;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_that_people_mix_up_are_alike_and_neighbours_are_not() {
        for (a, b, alike) in [
            ("Q-12", "q12", true),
            ("Q-12", "Q 12", true),
            ("Q-10", "Q-1O", true),
            ("Q-11", "Q-1l", true),
            ("Q-12", "Q-13", false),
            ("Q-12", "Q-112", false),
        ] {
            assert_eq!(bare(a) == bare(b), alike, "{a} {b}");
        }
    }
}
