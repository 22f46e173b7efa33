//! Kinds of work, each carried out from end to end for terminal, page and agent alike.

use crate::archive::{Archive, Listed, Query, filter::Filter};

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

/// A known label of a cable that is probably meant: the one given was never seen, and differs from it only in case,
/// spaces, hyphens, or letters that look like digits.
pub fn cable_meant(archive: &(impl Archive + ?Sized), given: &str) -> Option<String> {
    let runs = archive.list(Query::Runs(&Filter::default()), Some(RUNS_LOOKED_AT)).ok()?;
    let known: Vec<String> = runs.into_iter().filter_map(Listed::into_run).filter_map(|run| run.cable).collect();
    if known.iter().any(|label| label == given) {
        return None;
    }
    let given = bare(given);
    known.into_iter().find(|label| bare(label) == given)
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
