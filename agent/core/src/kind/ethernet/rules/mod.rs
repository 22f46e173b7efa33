//! The rules, each one idea with its name. Order matters: what makes every later figure meaningless comes first.
//!
//! Each file holds the rules on one matter; this one puts them in order.

mod damage;
mod late;
mod limit;
mod link;
mod occupied;
mod remarks;
mod silence;
mod suspects;

use crate::judge::rule::{Finding, Rule, judge_by};
use crate::judge::{Location, Outcome, Verdict};
use crate::kind::ethernet::facts::Evidence;

pub use remarks::REMARKS;
pub use suspects::suspects;

use damage::{bit_errors, comes_and_goes, damaged_after_check, frames_cut, frames_lost, not_a_plain_loop};
use late::echoes_late;
use limit::{few_hits, host_limited, limit_proved, places_disagree, too_few_bits};
use link::{link_flapped, link_lost, no_link, port_gone, reconfigured};
use occupied::{foreign_traffic, in_service};
use silence::{not_transmitted, nothing_intact, nothing_returned, nothing_sent};

fn finding(outcome: Outcome, location: Vec<Location>, sureness: &str, text: String, next: &str) -> Option<Finding> {
    Some(Finding { outcome, location, sureness: sureness.to_owned(), text, next: next.to_owned() })
}

/// Judges a run.
pub fn judge(evidence: &Evidence) -> Verdict {
    judge_by(RULES, REMARKS, evidence)
}

/// Rules that decide, in order; the first that speaks has the word.
pub const RULES: &[Rule<Evidence>] = &[
    Rule { name: "in-service", decide: in_service },
    Rule { name: "foreign-traffic", decide: foreign_traffic },
    Rule { name: "port-gone", decide: port_gone },
    Rule { name: "reconfigured", decide: reconfigured },
    Rule { name: "no-link", decide: no_link },
    Rule { name: "link-lost", decide: link_lost },
    Rule { name: "not-transmitted", decide: not_transmitted },
    Rule { name: "nothing-sent", decide: nothing_sent },
    Rule { name: "nothing-intact", decide: nothing_intact },
    Rule { name: "echoes-late", decide: echoes_late },
    Rule { name: "nothing-returned", decide: nothing_returned },
    Rule { name: "damaged-after-check", decide: damaged_after_check },
    Rule { name: "link-flapped", decide: link_flapped },
    Rule { name: "bit-errors", decide: bit_errors },
    Rule { name: "frames-lost", decide: frames_lost },
    Rule { name: "frames-cut", decide: frames_cut },
    Rule { name: "not-a-plain-loop", decide: not_a_plain_loop },
    Rule { name: "places-disagree", decide: places_disagree },
    Rule { name: "comes-and-goes", decide: comes_and_goes },
    Rule { name: "limit-proved", decide: limit_proved },
    Rule { name: "host-limited", decide: host_limited },
    Rule { name: "few-hits", decide: few_hits },
    Rule { name: "too-few-bits", decide: too_few_bits },
];

#[cfg(test)]
mod tests;
