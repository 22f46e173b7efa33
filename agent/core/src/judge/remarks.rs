//! Remarks that every kind of port has: what adds to the picture and decides nothing.

use std::marker::PhantomData;

use super::RuleId;
use super::facts::{Facts, Reference, Stopped};
use super::ratio::Basis;
use super::rule::Remark;
use crate::base::figure::count;
use crate::base::placement::Placement;

/// The shared remarks over facts `F`.
pub(super) struct Remarks<F>(PhantomData<F>);

impl<F: Facts> Remarks<F> {
    /// Each of them; their ids say in which order they follow the verdict.
    pub(super) const ALL: &'static [Remark<F>] = &[
        Remark { id: RuleId::CountsDoNotBalance, say: counts_do_not_balance },
        Remark { id: RuleId::HostSlowed, say: host_slowed },
        Remark { id: RuleId::StoppedEarly, say: stopped_early },
        Remark { id: RuleId::ConfirmedElsewhere, say: confirmed_elsewhere },
        Remark { id: RuleId::DamageKind, say: damage_kind },
    ];
}

/// What does not add up is a mistake of this program, or of a driver that counts: no line makes more come back than was
/// sent. So it is said, and nobody is blamed for it.
fn counts_do_not_balance<F: Facts>(e: &F) -> Option<String> {
    e.imbalance().map(|why| {
        format!("The counts do not balance: {why}. No line can cause that. Keep this report and tell the maintainers.")
    })
}

fn host_slowed<F: Facts>(e: &F) -> Option<String> {
    let (times, units) = (e.common().slowdowns, F::WORDS.units);
    (times > 0).then(|| {
        let why = match e.lost_inside() {
            0 => format!("Some {units} went missing, and this computer may have dropped them without counting them."),
            inside => format!("This computer could not keep up and lost {} {units}.", count(inside)),
        };
        let repeated = match times {
            1 => "A step was repeated".to_owned(),
            _ => format!("{times} times a step was repeated"),
        };
        format!("{why} {repeated} with {}.", F::WORDS.slowed)
    })
}

fn stopped_early<F: Facts>(e: &F) -> Option<String> {
    match e.common().stopped? {
        Stopped::ByUser => Some(match e.common().plan_done {
            Some(done) => format!("Ended by hand: {}.", done.in_words()),
            None => "Ended by hand before the plan was done.".into(),
        }),
        Stopped::WentSilent => e.common().plan_done.map(|done| {
            format!("Since nothing came back any more, the rest of the plan was given up: {}.", done.in_words())
        }),
        Stopped::TakenIntoService => Some("Somebody began to use the port during the run.".into()),
        Stopped::ForeignTraffic
        | Stopped::LinkLost
        | Stopped::PortGone
        | Stopped::Reconfigured
        | Stopped::TookTooLong => None,
    }
}

fn confirmed_elsewhere<F: Facts>(e: &F) -> Option<String> {
    let what = match e.error_ratio().map_or(Basis::Bits, |ratio| ratio.basis) {
        Basis::Bits => "bits wrong",
        Basis::Frames => "frames failed",
    };
    let told: Vec<String> = e.common().references.iter().map(|r| in_words(r, what)).collect();
    (!told.is_empty()).then(|| told.join(" "))
}

fn in_words(r: &Reference, what: &str) -> String {
    let place = format!("The {}", r.placement.in_words());
    match (r.failed(), r.passed()) {
        (true, _) if !r.link_up => format!("{place} fails too: no link."),
        (true, _) if !r.returned_any => format!("{place} fails too: nothing comes back."),
        (true, _) => format!("{place} fails too: {} of {} {what}.", count(r.failures), count(r.trials)),
        (_, true) if r.placement == Placement::Internal => {
            format!("{place} passes, so the host side of the port is good.")
        }
        (_, true) => format!("{place} passes."),
        _ => format!("{place} neither passes nor fails: {} of {} {what}.", count(r.failures), count(r.trials)),
    }
}

fn damage_kind<F: Facts>(e: &F) -> Option<String> {
    let wrong = e.bit_errors();
    (wrong > 0).then(|| format!("{} wrong bits in {}, {}.", count(wrong), e.damaged_in(), e.common().damage))
}
