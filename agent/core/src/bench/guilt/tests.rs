//! Which things are at fault, by the attempts at cards.

use super::*;
use crate::bench::findings::Finding;
use crate::judge::RuleId;

/// A use of a plug in the test `data`; card `R` is the reference.
fn use_(card: &str, port: u32, thing: &str, at_ms: i64, passed: bool) -> Use {
    Use {
        thing: thing.into(),
        on: RestsOn::Plug,
        card: card.into(),
        is_reference: card == "R",
        port: Some(port),
        with: None,
        test: TestName::Data,
        at_ms,
        passed,
        measured: String::new(),
        slower: AtSlower::default(),
    }
}

#[test]
fn each_plug_and_slot_that_the_reference_card_fails_with_is_named_once() {
    let finding = |rule, port, met| Finding {
        rule,
        port,
        measured: "29 errors".into(),
        limit: "0".into(),
        met,
        not_tested: false,
    };
    let attempt = |plugs: [&str; 2], findings| Attempt {
        facts: Some(Facts::Identity { sticker: None }),
        findings,
        ..Attempt::begun(TestName::Bus, "slot-2".into(), plugs.map(|plug| Some(plug.to_owned())).to_vec(), 1)
    };
    let of_port = |port, met| finding(RuleId::CardData, Some(port), met);
    let attempts = [
        attempt(["P-1", "P-2"], vec![of_port(1, true), of_port(2, false)]),
        attempt(["P-2", "P-3"], vec![of_port(1, false), of_port(2, true), finding(RuleId::CardBus, None, false)]),
        // The card's own: no plug and no slot is behind it.
        attempt(["P-4", "P-5"], vec![finding(RuleId::CardHot, None, false)]),
        Attempt { facts: None, ..attempt(["P-6", "P-7"], vec![of_port(1, false)]) },
        Attempt { slot: "slot-3".into(), ..attempt(["P-8", "P-9"], vec![finding(RuleId::CardBus, None, true)]) },
    ];
    let attempts: Vec<_> = (1..).zip(attempts).map(|(began_ms, attempt)| Attempt { began_ms, ..attempt }).collect();
    let found = set_aside(&uses("R", true, None, &attempts));
    assert_eq!(found.iter().map(|aside| aside.thing.as_str()).collect::<Vec<_>>(), ["plug P-2", "slot-2"]);
    assert!(found[1].why.contains("bus: 29 errors"), "{found:?}");
}

/// The reference card may have failed itself: one failure with a plug tells nothing before another plug passes there, or
/// unless this one failed in another card too.
#[test]
fn a_plug_is_not_at_fault_because_the_reference_card_failed_with_it_once() {
    let fails = use_("R", 1, "P-1", 2, false);
    let elsewhere = Use { test: TestName::Links, ..use_("C", 1, "P-1", 3, false) };
    for (what, other, guilty) in [
        ("nothing else", fails.clone(), false),
        ("another passed there before", use_("R", 1, "P-2", 1, true), false),
        ("another passes there since", use_("R", 1, "P-2", 3, true), true),
        ("another passes in another port", use_("R", 2, "P-2", 3, true), false),
        ("another fails there", use_("R", 1, "P-2", 3, false), false),
        ("the same passes there", use_("R", 1, "P-1", 3, true), false),
        ("the same failed in another card", use_("C", 1, "P-1", 1, false), true),
        ("the same failed another test there", elsewhere, false),
        ("another failed in another card", use_("C", 1, "P-2", 1, false), false),
    ] {
        let found = at_fault(&[fails.clone(), other], RestsOn::Plug);
        assert_eq!(found.contains("P-1"), guilty, "{what}: {found:?}");
    }
}

#[test]
fn a_plug_is_counted_as_fitted_when_it_moves() {
    let attempt = |began_ms, plugs: [&str; 2]| Attempt {
        test: TestName::Data,
        slot: "S-1".into(),
        plugs: plugs.iter().map(|plug| Some((*plug).to_owned())).collect(),
        began_ms,
        transceivers: Vec::new(),
        took_s: 1.0,
        facts: None,
        findings: Vec::new(),
        bus_errors: None,
        cut_off: None,
    };
    let attempts = [
        attempt(1, ["P-1", "P-2"]),
        attempt(2, ["P-1", "P-2"]),
        attempt(3, ["P-2", "P-1"]),
        attempt(4, ["P-2", "P-1"]),
    ];
    let all = || attempts.iter().zip(["A", "A", "A", "B"]).map(|(attempt, card)| (card, attempt));
    assert_eq!(["P-1", "P-2", "P-3"].map(|plug| matings(RestsOn::Plug, plug, all())), [3, 3, 0]);
}

/// A weak transceiver is tried in the reference card: neither its plug nor the transceivers that stay there are blamed.
#[test]
fn of_what_is_in_the_reference_card_only_what_is_tried_is_blamed() {
    let finding = |rule, met| Finding {
        rule,
        port: Some(1),
        measured: "sends -13.0 dBm".into(),
        limit: "-10.0 dBm".into(),
        met,
        not_tested: false,
    };
    let label = |label: &str| vec![Some(label.to_owned())];
    let attempt = |transceiver: &str, findings| Attempt {
        facts: Some(Facts::Transceiver { modules: Vec::new() }),
        findings,
        ..Attempt::begun(TestName::Transceiver, "r".into(), label("P-1"), 1).with_transceivers(label(transceiver))
    };
    let fails = |rule| attempt("T-1", vec![finding(rule, false)]);
    let thing = |tried, rule| {
        // It failed with both in a card too.
        let attempt = [fails(rule)];
        let card = uses("C", false, None, &attempt);
        let found = set_aside(&[card, uses("R", true, tried, &attempt)].concat());
        found.into_iter().map(|aside| aside.thing).collect::<Vec<_>>()
    };
    for rule in [RuleId::CardSendsWeak, RuleId::CardReceivesWeak] {
        assert_eq!(thing(Some("T-1"), rule), ["transceiver T-1"]);
    }
    // Its own, with a plug.
    assert_eq!(thing(None, RuleId::CardReceivesWeak), ["plug P-1"]);
    assert_eq!(thing(None, RuleId::CardSendsWeak), [""; 0]);
}

#[test]
fn a_plug_that_passed_last_is_taken_to_try_a_transceiver_with() {
    let plug = |thing: &str, at_ms, passed| use_("C", 1, thing, at_ms, passed);
    let mut history = vec![plug("P-1", 1, true), plug("P-2", 2, true), plug("P-3", 3, true), plug("P-3", 4, false)];
    let own = |label: &str| vec![Some(label.to_owned())];
    let good = |history: &[Use], own: &[Option<String>]| good_plug(history, TestName::Data, own);
    assert_eq!(good(&history, &own("P-3")).as_deref(), Some("P-2"));
    assert_eq!(good(&history, &own("P-1")).as_deref(), Some("P-1"));
    assert_eq!(good_plug(&history, TestName::Links, &own("P-1")), None);
    history.push(plug("P-2", 1, false));
    history.push(Use { is_reference: true, passed: false, ..plug("P-2", 1, false) });
    assert_eq!(good(&history, &[]).as_deref(), Some("P-1"), "P-2 is at fault");
}
