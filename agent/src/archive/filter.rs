//! Which runs of an archive are meant.

use turnback_core::{base::placement::Placement, watch::selector::matches};

use super::record::Record;

/// Which records; an empty filter is all. Labels and names may hold `*` and `?`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filter {
    /// The port's name or label.
    pub port: Option<String>,
    /// The machine.
    pub machine: Option<String>,
    /// The cable's label.
    pub cable: Option<String>,
    /// The segment's label.
    pub segment: Option<String>,
    /// The plug's label.
    pub plug: Option<String>,
    /// Where the plug was.
    pub placement: Option<Placement>,
    /// `pass`, `fault`, `undecided`, `not-tested`.
    pub outcome: Option<String>,
    /// Started at or after, milliseconds since 1970 UTC.
    pub since_ms: Option<i64>,
    /// Started before, milliseconds since 1970 UTC.
    pub until_ms: Option<i64>,
    /// Listed after the run whose id begins so, to go on with a list.
    pub before: Option<String>,
}

impl Filter {
    /// Whether a run is meant. [`Filter::before`] is about the order of a list and does not count here.
    pub(super) fn admits(&self, record: &Record) -> bool {
        let fits = |given: &Option<String>, values: &[Option<&str>]| {
            given.as_ref().is_none_or(|pattern| values.iter().flatten().any(|value| matches(pattern, value)))
        };
        fits(&self.port, &[Some(&record.port), record.port_label.as_deref()])
            && fits(&self.machine, &[Some(&record.machine)])
            && fits(&self.cable, &[record.cable.as_deref()])
            && fits(&self.segment, &[record.segment.as_deref()])
            && fits(&self.plug, &[record.plug.as_deref()])
            && fits(&self.outcome, &[Some(&record.outcome)])
            && self.placement.is_none_or(|placement| placement.name() == record.placement)
            && self.since_ms.is_none_or(|since| record.started_ms >= since)
            && self.until_ms.is_none_or(|until| record.started_ms < until)
    }
}
