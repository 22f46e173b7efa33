//! What hands do on the bench, and what is tried with a plug, transceiver or slot that they moved.

use turnback_core::{
    base::{caution::Caution, labels::named},
    bench::procedure::{Procedure, TestName},
    document::card_test::{
        CardTest,
        step::{Hands, Step},
    },
};

use super::seam::{Place, REFERENCE_SLOT};

/// Moves what a step moves.
pub(super) fn moved(test: &mut CardTest, step: &Step, to: String) {
    match step {
        Step::ExchangePlugs { port, with, .. } => test.plugs.swap(*port as usize - 1, *with as usize - 1),
        Step::OtherPlug { port, .. } => test.plugs[*port as usize - 1] = Some(to),
        Step::ExchangeTransceivers { port, with, .. } => test.transceivers.swap(*port as usize - 1, *with as usize - 1),
        // Where it was not named before, it is read afterwards.
        Step::OtherTransceiver { .. } if to.is_empty() => {}
        Step::OtherTransceiver { port, .. } => test.transceivers[*port as usize - 1] = Some(to),
        Step::OtherSlot { .. } => test.slot = to,
        Step::Test { .. } | Step::ProvePlug { .. } | Step::ProveTransceiver { .. } | Step::ProveSlot { .. } => {}
    }
}

/// Whether the thing that a step exchanges is another one now, as far as that can be seen.
pub(super) fn was_moved(test: &CardTest, step: &Step) -> bool {
    let before = test.attempts.iter().rfind(|attempt| attempt.is_done() && attempt.test == step.test());
    let now = |port: &u32| test.transceivers.get(*port as usize - 1)?.as_deref();
    match step {
        Step::OtherSlot { not, .. } => !not.contains(&test.slot),
        Step::OtherTransceiver { port, not, .. } => now(port).is_some_and(|label| !not.iter().any(|was| was == label)),
        Step::ExchangeTransceivers { port, .. } => before.is_none_or(|before| now(port) != before.transceiver(*port)),
        _ => true,
    }
}

/// The first thing to do with a card.
pub(super) fn fitting(test: &CardTest, place: Place) -> Hands {
    let plugs = (1..).zip(&test.card.ports).zip(&test.plugs).filter_map(|((number, port), plug)| {
        let name = if place == Place::AsTold { String::new() } else { format!(" ({})", port.name) };
        Some(format!("{} to port {number}{name}", named("plug", plug.as_ref()?)))
    });
    // Whoever took one out of its port put another one there.
    let others =
        (1..).zip(test.transceivers.iter().zip(test.card.transceivers())).filter_map(|(number, (label, own))| {
            let label = label.as_ref().filter(|_| *label != own)?;
            Some(format!("{} to port {number}", named("transceiver", label)))
        });
    let plugs = plugs.chain(others).collect::<Vec<_>>().join(" and ");
    let in_its_slot = place != Place::AsTold;
    let mut cautions = if in_its_slot { Vec::new() } else { vec![Caution::LiveChassis, Caution::StaticDischarge] };
    cautions.extend(test.card.ports.iter().flat_map(|port| port.medium.cautions()));
    cautions.sort_unstable();
    cautions.dedup();
    let card = test.named();
    let slot = if test.slot == REFERENCE_SLOT { "its slot".to_owned() } else { named("slot", &test.slot) };
    let (hands, why) = match in_its_slot {
        true => (format!("{card} is in {slot}: fit {plugs}"), "the tests begin when the plugs are in"),
        false => (
            format!("switch the computer off, put {card} into {slot}, fit {plugs}, and switch it on"),
            "the tests begin when the card is found",
        ),
    };
    Hands { hands, why: why.to_owned(), is_off: !in_its_slot, cautions }
}

/// The light of a port blinks, and somebody looks.
pub(super) fn look(test: &CardTest, again: bool) -> Hands {
    let (card, all) = (test.named(), test.card.ports.len());
    let which = match all {
        1 => format!("look at {card} and say whether its light blinks: 1, or \"none\""),
        _ => format!("look at {card} and say which port's light blinks: 1 to {all}, or \"none\""),
    };
    let (hands, why) = match again {
        false => (which, "people find a port by its light, so the right one must blink"),
        true => (format!("once more: {which}"), "another light was expected"),
    };
    Hands { hands, why: why.to_owned(), is_off: false, cautions: Vec::new() }
}

/// The part of a procedure that tries a plug or slot with one of its tests.
pub(super) fn only(all: &Procedure, test: TestName) -> Procedure {
    let none = bare();

    match test {
        TestName::Links => Procedure { links: all.links.clone(), ..none },
        TestName::Data => Procedure { data: all.data.clone(), ..none },
        TestName::Transceiver => Procedure { transceiver: all.transceiver.clone(), ..none },
        TestName::Load => Procedure { load: all.load.clone(), ..none },
        TestName::Bus => Procedure { bus: all.bus.clone(), ..none },
        TestName::BurnIn => Procedure { load: all.load.clone(), burn_in: all.burn_in.clone(), ..none },
        TestName::Identity | TestName::Light | TestName::SelfTest | TestName::Offloads | TestName::Queues => none,
    }
}

/// A procedure without a test.
fn bare() -> Procedure {
    Procedure {
        name: "prove".to_owned(),
        about: String::new(),
        may_lack: Vec::new(),
        bench_proof_lasts: std::time::Duration::from_secs(1),
        identity: None,
        light: None,
        self_test: None,
        links: None,
        data: None,
        offloads: None,
        queues: None,
        transceiver: None,
        load: None,
        bus: None,
        burn_in: None,
    }
}
