//! Rules on bytes that came back wrong, or not at all, or were not sent.

use crate::base::figure::count;
use crate::judge::RuleId;
use crate::judge::rule::{Finding, Rule};
use crate::judge::suspects::blame;
use crate::judge::{
    facts::Facts,
    ratio::{ERRORS_MIN, sure_that},
};
use crate::kind::serial::facts::SerialFacts;
use crate::kind::serial::stream::LineCounts;
use crate::signal::compare::DamageKind;

pub(super) const RULES: &[Rule<SerialFacts>] = &[
    Rule { id: RuleId::BytesDamaged, decide: bytes_damaged },
    Rule { id: RuleId::CharactersInError, decide: characters_in_error },
    Rule { id: RuleId::BytesLost, decide: bytes_lost },
    Rule { id: RuleId::BytesInserted, decide: bytes_inserted },
    Rule { id: RuleId::LostAtFullPace, decide: lost_at_full_pace },
];

fn bytes_damaged(e: &SerialFacts) -> Option<Finding> {
    let ratio = e.error_ratio()?;
    let c = &e.counts;
    // A byte lost on this side may make a piece, and the one behind it, look damaged where more is missing than can be
    // put in order; but it turns no bits over.
    let excused = if e.common.damage == DamageKind::Inverted { 0 } else { e.lost_on_this_side().saturating_mul(2) };
    let pieces = c.pieces_damaged.saturating_sub(excused);
    if ratio.proved_above <= ratio.limit || !e.common.limit.is_refuted_by(pieces, c.pieces, e.piece_bits()) {
        return None;
    }
    let marks = match c.damaged_marked {
        0 => String::new(),
        n => format!(" {} of these bytes came in marked with a framing or parity error.", count(n)),
    };
    Some(blame(
        e,
        &ratio.how_sure_above(),
        format!(
            "{}, in {} bytes{}.{marks}",
            ratio.failed("bits came back wrong"),
            count(c.damaged),
            ratio.beside_limit()
        ),
    ))
}

fn characters_in_error(e: &SerialFacts) -> Option<Finding> {
    let wrong = e.characters_in_error();
    if !e.common.limit.is_refuted_by(wrong, e.counts.returned.max(wrong), e.character_bits()) {
        return None;
    }
    let errors = e.errors.unwrap_or_default();
    Some(blame(
        e,
        &sure_that(e.common.limit.confidence, "there are more than the limit allows"),
        format!(
            "{} of {} characters came in with an error: {} framing, {} parity. The line causes these, not this \
             computer.",
            count(wrong),
            count(e.counts.returned),
            count(errors.framing),
            count(errors.parity)
        ),
    ))
}

fn bytes_lost(e: &SerialFacts) -> Option<Finding> {
    let line = e.put_on_line();
    if !losses_refute(e, &line) {
        return None;
    }
    let why = if !e.capabilities.paced {
        "This port hands bytes on without a chip that could drop them."
    } else if !e.capabilities.hides_overruns() {
        "Nothing in this computer dropped them."
    } else {
        "No more were out at once than the chip itself holds, so a slow computer does not explain it."
    };
    Some(blame(
        e,
        &sure_that(e.common.limit.confidence, "more are lost than the limit allows"),
        format!("{} of {} bytes did not come back. {why}", count(line.lost), count(line.sent)),
    ))
}

fn bytes_inserted(e: &SerialFacts) -> Option<Finding> {
    if e.counts.pieces_slipped < ERRORS_MIN
        || !e.common.limit.is_refuted_by(e.counts.inserted, e.counts.returned, e.character_bits())
    {
        return None;
    }
    Some(blame(
        e,
        "certain that bytes came in that were not sent",
        format!("{} of the {} bytes that came in were not sent.", count(e.counts.inserted), count(e.counts.returned)),
    ))
}

/// Bytes may be dropped here uncounted, and some that went missing only while many were out. Where all that is dropped
/// here is counted, [`bytes_lost`] has put the same losses on the line.
fn lost_at_full_pace(e: &SerialFacts) -> Option<Finding> {
    let all = LineCounts { lost: e.lost_unexplained(), ..e.counts };
    if !losses_refute(e, &all) {
        return None;
    }
    let slowest = match e.since_slowed {
        LineCounts { sent: 0, .. } => "No lower pace was tried.".to_owned(),
        LineCounts { sent, lost: 0, .. } => format!("With fewer sent at once, none of {} was lost.", count(sent)),
        LineCounts { sent, lost, .. } => {
            format!("With fewer sent at once, {} of {} were lost.", count(lost), count(sent))
        }
    };
    let text = format!(
        "{} of {} bytes did not come back. {slowest} A computer that is too slow loses bytes like this, and not all \
         that is dropped on this port is counted.",
        count(all.lost),
        count(all.sent)
    );
    Some(Finding::undecided(text).sure("certain that they are missing; not where they were lost").then(
        "Stop other work on this computer and test again. If bytes are still lost, test on a serial port that is built \
         into the computer: its driver counts what it drops.",
    ))
}

/// Whether so many bytes lost are more than the limit allows. Bytes that vanish together are one event.
fn losses_refute(e: &SerialFacts, counts: &LineCounts) -> bool {
    counts.pieces_slipped >= ERRORS_MIN
        && e.common.limit.is_refuted_by_loss(counts.lost, counts.sent, e.character_bits())
}
