//! Remarks: what adds to the picture and decides nothing.

use crate::base::figure::count;
use crate::judge::rule::Remark;
use crate::{judge::facts::Stopped, kind::ethernet::facts::Evidence};

/// Remarks that follow any verdict.
pub const REMARKS: &[Remark<Evidence>] = &[
    ("forced-speed", |e| {
        let mbps = e.fallback_mbps?;
        Some(format!(
            "this port could not link to itself at its own speed, as gigabit copper cannot; tested at {mbps} Mb/s full duplex, \
             which uses two of the four pairs"
        ))
    }),
    ("host-slowed", |e| {
        (e.slowdowns > 0).then(|| {
            format!(
                "this computer could not keep up: {} frames were lost inside it, the rate was lowered {} times and the step repeated",
                count(e.losses.in_host), e.slowdowns
            )
        })
    }),
    ("stopped-early", |e| match e.stopped? {
        Stopped::ByUser => Some("ended by hand before the plan was done".into()),
        Stopped::TakenIntoService => Some("the port was taken into service during the run".into()),
        _ => None,
    }),
    ("confirmed-elsewhere", |e| {
        let told: Vec<String> = e
            .references
            .iter()
            .map(|r| {
                format!(
                    "{}: {} ({} of {} failed)",
                    r.placement,
                    match (r.failed(), r.passed()) {
                        (true, _) => "fails",
                        (_, true) => "passes",
                        _ => "neither passes nor fails",
                    },
                    count(r.failures),
                    count(r.trials)
                )
            })
            .collect();
        (!told.is_empty()).then(|| told.join("; "))
    }),
    ("damage-kind", |e| {
        let counts = &e.counts;
        (counts.bit_errors > 0).then(|| {
            format!("{} wrong bits in {} frames, {}", count(counts.bit_errors), count(counts.damaged), e.damage)
        })
    }),
];
