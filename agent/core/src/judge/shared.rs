//! Rules that every kind of port has.

use std::marker::PhantomData;

use super::facts::{Facts, Silence, Stopped, Words};
use super::ratio::{ERRORS_MIN, ErrorRatio, Loss, sure_that};
use super::rule::{Finding, Rule};
use super::suspects::{SILENT_INSIDE, blame, failed_at, is_silent_inside};
use super::{Outcome, RuleId};
use crate::base::figure::{self, count, counted};
use crate::base::placement::Placement;
use crate::signal::compare::DamageKind;

/// The shared rules over facts `F`.
pub(super) struct Shared<F>(PhantomData<F>);

impl<F: Facts> Shared<F> {
    /// Each of them; their ids say when they are asked.
    pub(super) const RULES: &'static [Rule<F>] = &[
        Rule { id: RuleId::InService, decide: in_service },
        Rule { id: RuleId::PortGone, decide: port_gone },
        Rule { id: RuleId::TookTooLong, decide: took_too_long },
        Rule { id: RuleId::Reconfigured, decide: reconfigured },
        Rule { id: RuleId::WentSilent, decide: went_silent },
        Rule { id: RuleId::NothingSent, decide: nothing_sent },
        Rule { id: RuleId::SilentOnce, decide: silent_once },
        Rule { id: RuleId::PlacesDisagree, decide: places_disagree },
        Rule { id: RuleId::HostLimited, decide: host_limited },
        Rule { id: RuleId::SizeNotTested, decide: size_not_tested },
        Rule { id: RuleId::CutShort, decide: cut_short },
        Rule { id: RuleId::LimitProved, decide: limit_proved },
        Rule { id: RuleId::TooFewBits, decide: too_few_bits },
    ];
}

fn in_service<F: Facts>(e: &F) -> Option<Finding> {
    let reasons = &e.common().in_service;
    (!reasons.is_empty()).then(|| {
        Finding::not_tested(format!("The port is in service: {}.", reasons.join("; ")))
            .sure("certain: this computer says so")
            .then("Free the port, or test a spare one.")
    })
}

fn port_gone<F: Facts>(e: &F) -> Option<Finding> {
    (e.common().stopped == Some(Stopped::PortGone)).then(|| {
        Finding::undecided(format!(
            "The port disappeared from this computer after {} {}.",
            count(e.sent()),
            F::WORDS.units
        ))
        .sure("certain: this computer no longer has the port")
        .then("Check that the adapter is seated and powered, read the kernel log, then test again.")
    })
}

fn took_too_long<F: Facts>(e: &F) -> Option<Finding> {
    (e.common().stopped == Some(Stopped::TookTooLong)).then(|| {
        Finding::undecided(format!(
            "The run took far longer than planned and was ended after {} {}.",
            count(e.sent()),
            F::WORDS.units
        ))
        .sure("certain: the run was ended; what was still on its way is not known")
        .then(
            "Stop other work on this computer and test again. If it stays slow, send for a shorter time with --for, or \
             use a higher speed on a serial port with --line.",
        )
    })
}

fn reconfigured<F: Facts>(e: &F) -> Option<Finding> {
    let Words { reconfigured, units, .. } = F::WORDS;
    (e.common().stopped == Some(Stopped::Reconfigured)).then(|| {
        Finding::undecided(format!(
            "Another program on this computer {reconfigured} after {} {units}. What failed from then on says nothing \
             about port, plug or cable.",
            count(e.sent())
        ))
        .sure("certain: this computer reports the change")
        .then("Find out which program manages this port and make it leave the port alone. Then test again.")
    })
}

/// Somebody may have pulled the plug, so nothing is blamed; only a loop inside the chip that is silent too speaks
/// against the port.
fn went_silent<F: Facts>(e: &F) -> Option<Finding> {
    let Silence { from_s, noise } = e.silence()?;
    let noise = match noise {
        0 => String::new(),
        some => format!(" {} of something else came in.", counted(some, F::WORDS.unit)),
    };
    let (pulled, moved) = match e.common().placement {
        Placement::ReturnPort => ("cable", "the cable moved? Seat both its ends"),
        Placement::AtPort | Placement::FarEnd | Placement::Internal => {
            ("plug", "the plug or the cable moved? Seat both")
        }
    };
    let text = format!("Nothing came back from second {from_s} on: {pulled} pulled, or contact lost.{noise}");
    if e.common().placement != Placement::Internal && is_silent_inside(e) {
        return Some(blame(e, SILENT_INSIDE, text));
    }
    Some(Finding::undecided(text).sure("certain that nothing came back from then on; not why").then(format!(
        "Was {moved}, then test again. If it happens again untouched, a contact is bad; if nothing comes back at all, \
         the loop is open."
    )))
}

/// A hand on the plug looks like this, as a single drop of the link does: for a while nothing comes back, or units are
/// lost in one moment and no other. What falls silent again, or inside the chip as well, has no such excuse.
fn silent_once<F: Facts>(e: &F) -> Option<Finding> {
    let when = e.when();
    let only_lost = || e.bit_errors() == 0 && !e.bars_pass() && e.common().damage == DamageKind::None;
    let is_excused = match when.gaps.len() {
        0 => when.is_one_moment() && only_lost() && !e.may_lose_uncounted() && !is_limit_proved(e),
        1 => when.failed_elsewhere < ERRORS_MIN,
        _ => false,
    };
    if !is_excused || e.common().placement == Placement::Internal || failed_at(e, Placement::Internal).is_some() {
        return None;
    }
    let told = when.in_words()?;
    let text = match (when.gaps.len(), when.failed_elsewhere) {
        (0, _) => format!("{} of {} {} did not come back. {told}", count(e.lost()), count(e.sent()), F::WORDS.units),
        (_, 0) => format!("{told} Nothing else failed."),
        (_, few) => format!("{told} Of the rest, {} failed.", counted(few, F::WORDS.unit)),
    };
    Some(Finding::undecided(text).sure("certain that it was lost then; not why").then(
        "Was the plug or the cable moved then? Leave both alone and test again. If it falls silent again, a \
                 contact is bad.",
    ))
}

fn nothing_sent<F: Facts>(e: &F) -> Option<Finding> {
    let unit = F::WORDS.unit;
    if e.sent() > 0 {
        return None;
    }
    let by_hand = e.common().stopped == Some(Stopped::ByUser);
    let (text, next) = match (by_hand, e.needs_first()) {
        (true, Some(what)) => {
            let ask = match e.common().placement {
                Placement::Internal => "Test again and let it wait.".into(),
                Placement::ReturnPort => format!("Is the cable in both ports? Without it there is no {what}."),
                Placement::AtPort | Placement::FarEnd => format!("Is a plug fitted? Without one there is no {what}."),
            };
            (format!("The run was ended by hand while it waited for a {what}. No {unit} was sent."), ask)
        }
        (true, None) => (format!("The run was ended by hand before a {unit} was sent."), "Test again.".into()),
        (false, _) => (format!("No {unit} was sent."), format!("Test again. {}", F::WORDS.if_none_leaves)),
    };
    Some(Finding::not_tested(text).sure(format!("certain: no {unit} left")).then(next))
}

fn places_disagree<F: Facts>(e: &F) -> Option<Finding> {
    let here = e.common().placement;
    // With a return port there is no plug, so a failure at the port may be the plug's and contradicts nothing.
    let nearer: &[Placement] = match here {
        Placement::Internal => &[],
        Placement::FarEnd => &[Placement::Internal, Placement::AtPort],
        Placement::AtPort | Placement::ReturnPort => &[Placement::Internal],
    };
    let failed = nearer.iter().find(|place| failed_at(e, **place).is_some())?;
    Some(
        Finding::undecided(format!(
            "Nothing fails with the {}, though the {}, which is nearer, fails.",
            here.in_words(),
            failed.in_words()
        ))
        .sure("certain that both cannot be true of one unchanged port and plug")
        .then(
            "Seat the plug again and repeat both tests. If they still disagree, the fault comes and goes: run \
                 longer.",
        ),
    )
}

fn host_limited<F: Facts>(e: &F) -> Option<Finding> {
    e.is_host_limited().then(|| {
        Finding::undecided(format!(
            "This computer or its adapter lost {} of the {} missing {}: too many to judge the line.",
            count(e.lost_inside()),
            count(e.lost()),
            F::WORDS.units
        ))
        .sure("certain: this computer's own counters say so")
        .then(format!("Stop other work on this computer, or {}. Then test again.", F::WORDS.send_slower))
    })
}

/// Whether what came back proves the limit: a pass, if the plan was carried out.
pub fn is_limit_proved<F: Facts>(e: &F) -> bool {
    e.error_ratio().is_some_and(|ratio| ratio.proved_below <= ratio.limit)
        && e.loss().is_some_and(|loss| loss.is_allowed())
        && !e.bars_pass()
        && e.returned() > 0
}

fn size_not_tested<F: Facts>(e: &F) -> Option<Finding> {
    let untested = e.untested().filter(|_| is_limit_proved(e) && e.common().stopped.is_none())?;
    Some(
        Finding::undecided(format!("The plan was carried out {untested}: none of them came back."))
            .sure("certain: none of these came back; the rest of the plan is within the limit")
            .covering(Some(untested))
            .then(
                "Check whether this port and everything behind it take frames of that size (MTU), then test again. To \
                 test without them, name the other sizes with --sizes.",
            ),
    )
}

/// The limit may be proved after seconds; a plan is more than its limit, and a soak is asked for to catch what comes
/// once an hour.
fn cut_short<F: Facts>(e: &F) -> Option<Finding> {
    let (done, untested) = (e.common().plan_done, e.untested());
    let is_complete = done.is_some_and(|done| done.is_complete()) && untested.is_none();
    let ratio = e.error_ratio().filter(|_| e.common().stopped == Some(Stopped::ByUser) && is_limit_proved(e))?;
    let part = done.map_or_else(|| "the plan was not carried out".into(), |done| done.in_words());
    let rest = untested.map_or(String::new(), |untested| format!(", {untested}"));
    (!is_complete).then(|| {
        Finding::undecided(format!("The run was ended by hand: {part}{rest}. Nothing failed until then."))
            .sure(format!("{} until then; nothing is known of the rest", how_sure(&ratio)))
            .covering(Some(format!("pass so far, {part}{rest}")))
            .then(run_to_its_end(e))
    })
}

fn limit_proved<F: Facts>(e: &F) -> Option<Finding> {
    let ended = e.common().stopped.is_none_or(|stopped| stopped == Stopped::ByUser);
    let ratio = e.error_ratio().filter(|_| is_limit_proved(e) && ended)?;
    let finding = Finding::new(Outcome::Pass, format!("{}{}.", proved(e, &ratio), e.beside_pass()));
    Some(finding.sure(how_sure(&ratio)).covering(e.scope()).then(e.after_pass()))
}

fn proved<F: Facts>(e: &F, ratio: &ErrorRatio) -> String {
    format!(
        "{} in {} bits. The bit error ratio is below {}; {}",
        counted(ratio.errors, "error"),
        count(e.bits_compared()),
        figure::ratio_beside(ratio.proved_below, ratio.limit),
        figure::allowed(ratio.limit)
    )
}

fn how_sure(ratio: &ErrorRatio) -> String {
    let proved = figure::ratio_beside(ratio.proved_below, ratio.limit);
    sure_that(ratio.confidence, &format!("the bit error ratio is below {proved}"))
}

fn too_few_bits<F: Facts>(e: &F) -> Option<Finding> {
    let ratio = e.error_ratio()?;
    let loss = e.loss().filter(|loss| !loss.is_allowed());
    let of_it = |what, loss: Loss| {
        let (proved, allowed) = (figure::ratio_beside(loss.proved_below, loss.allowed), figure::ratio(loss.allowed));
        format!(" That proves only a {what} below {proved}; {allowed} is allowed.")
    };
    let text = match loss {
        _ if ratio.proved_below > ratio.limit => format!(
            "{} in {} bits. That proves only a bit error ratio below {}; {}.",
            counted(ratio.errors, "error"),
            count(e.bits_compared()),
            figure::ratio_beside(ratio.proved_below, ratio.limit),
            figure::allowed(ratio.limit)
        ),
        Some(none) if none.lost == 0 => {
            format!("None of {} {} was lost.{}", count(none.tried), F::WORDS.units, of_it("loss", none))
        }
        some => {
            let told = some.map_or(String::new(), |some| of_it("share", some));
            let (odd, sent) = (e.odd(), count(e.sent()));
            format!("{odd}, of {sent}: too many for a pass, too few to say where the fault is.{told}")
        }
    };
    let finding = Finding::undecided(text).sure("neither proved nor refuted");
    // Whoever ended the run knows that it was too short.
    Some(match e.common().ended_by_hand() {
        Some(done) if ratio.errors == 0 && e.lost() == 0 => {
            finding.covering(Some(format!("no error so far, {}", done.in_words()))).then(run_to_its_end(e))
        }
        Some(done) => finding.covering(Some(done.in_words())).then(run_to_its_end(e)),
        None => finding.then(
            "Run longer with --for. Or use --profile proof, which stops as soon as the limit is proved or refuted.",
        ),
    })
}

/// What to do about a run that somebody ended. A shorter proof proves less, and not the limit that was asked for.
fn run_to_its_end<F: Facts>(e: &F) -> &'static str {
    if e.common().is_proof {
        "Run it again to its end. If that takes too long, ask for a less strict limit with --target-ber: it is proved \
         sooner."
    } else {
        "Run it again to its end, or ask for a shorter run with --for."
    }
}
