//! Failures placed use by use.

use super::*;
use crate::bench::guilt::AtSlower;

/// Uses in order: card, port, plug, passed. Card `R` is the reference.
fn history(rows: &[(&str, u32, &str, bool)]) -> Vec<Use> {
    let of = |(at_ms, (card, port, thing, passed)): (i64, &(&str, u32, &str, bool))| Use {
        thing: (*thing).to_owned(),
        on: RestsOn::Plug,
        card: (*card).to_owned(),
        is_reference: *card == "R",
        port: Some(*port),
        with: None,
        test: TestName::Data,
        at_ms,
        passed: *passed,
        measured: String::new(),
        slower: AtSlower::default(),
    };
    (1..).zip(rows).map(of).collect()
}

fn at(port: u32) -> Spot<'static> {
    Spot { card: "C", port: Some(port), transceiver: None, test: TestName::Data }
}

fn placed(rows: &[(&str, u32, &str, bool)]) -> Placed {
    place(&history(rows), RestsOn::Plug, at(1))
}

#[test]
fn a_failure_is_the_cards_only_if_it_stays_and_a_plug_passes_elsewhere_afterwards() {
    let other = |things: &[&str]| Placed::TryOther(things.iter().map(|thing| (*thing).to_owned()).collect());
    let before = [("R", 1, "P-1", true), ("R", 2, "P-2", true)];
    let with = |rows: &[(&str, u32, &str, bool)]| placed(&[&before[..], rows].concat());
    assert_eq!(with(&[("C", 1, "P-1", true)]), Placed::Passes);
    assert_eq!(with(&[("C", 1, "P-1", false)]), other(&["P-1"]));
    // The plugs of two ports were exchanged, and the failure stays with the port.
    let exchanged = [("C", 1, "P-1", false), ("C", 2, "P-2", true), ("C", 1, "P-2", false), ("C", 2, "P-1", true)];
    assert_eq!(with(&exchanged), Placed::Card);
    // A card with one port: both plugs failed here and passed before. Whether they still do must be seen.
    let single = [("C", 1, "P-1", false), ("C", 1, "P-2", false)];
    assert_eq!(with(&single), Placed::Prove("P-2".into()));
    assert_eq!(with(&[&single[..], &[("R", 1, "P-2", true)]].concat()), Placed::Card);
    // That plug is worn out: a third one must be tried.
    assert_eq!(with(&[&single[..], &[("R", 1, "P-2", false)]].concat()), other(&["P-1", "P-2"]));
}

#[test]
fn a_failure_at_a_slower_speed_is_the_cards_only_if_a_plug_passes_elsewhere_at_that_speed() {
    let rows = [("C", 1, "P-1", false), ("C", 1, "P-2", false), ("R", 1, "P-2", true)];
    let placed = |count: usize, reference: &[u32], failed_only: &[u32]| {
        let mut history = history(&rows[..count]);
        for use_ in &mut history {
            let (passed, failed_only) = if use_.is_reference { (reference, &[][..]) } else { (&[][..], failed_only) };
            use_.slower = AtSlower { passed: passed.to_vec(), failed_only: failed_only.to_vec() };
        }
        place(&history, RestsOn::Plug, at(1))
    };
    assert_eq!(placed(2, &[], &[100]), Placed::Prove("P-2".into()));
    assert_eq!(placed(3, &[100, 10], &[100]), Placed::Card);
    assert_eq!(placed(3, &[10], &[100]), Placed::SpeedUnproved(vec![100]));
    assert_eq!(placed(3, &[], &[100, 10]), Placed::SpeedUnproved(vec![100, 10]));
    // It fails at its own speed too.
    assert_eq!(placed(3, &[], &[]), Placed::Card);
}

#[test]
fn a_failure_that_goes_away_with_its_plug_is_the_plugs_once_the_reference_fails_with_it() {
    let moved = [("C", 1, "P-1", false), ("C", 1, "P-2", true)];
    assert_eq!(placed(&moved), Placed::Prove("P-1".into()));
    assert_eq!(placed(&[&moved[..], &[("R", 1, "P-1", false)]].concat()), Placed::With(vec!["P-1".into()]));
    // The plug is good, so nothing explains why the port failed.
    assert_eq!(placed(&[&moved[..], &[("R", 1, "P-1", true)]].concat()), Placed::Unexplained);
}

/// There is no card to try it in but itself: another plug tells.
#[test]
fn a_failure_of_the_reference_card_is_told_from_its_plug_by_another_plug() {
    let at_reference =
        |rows: &[(&str, u32, &str, bool)]| place(&history(rows), RestsOn::Plug, Spot { card: "R", ..at(1) });
    let fails = ("R", 1, "P-1", false);
    assert_eq!(at_reference(&[fails]), Placed::TryOther(vec!["P-1".into()]));
    assert_eq!(at_reference(&[fails, ("R", 1, "P-2", true)]), Placed::With(vec!["P-1".into()]));
    assert_eq!(at_reference(&[fails, ("R", 1, "P-2", false)]), Placed::TryOther(vec!["P-1".into(), "P-2".into()]));
    assert_eq!(at_reference(&[fails, ("R", 1, "P-1", true)]), Placed::Unexplained);
}

/// Two ports of one card are dead. The plugs that failed in both are not at fault.
#[test]
fn two_dead_ports_set_no_plug_aside() {
    let rows = [
        ("C", 1, "P-1", false),
        ("C", 2, "P-2", false),
        ("C", 1, "P-2", false),
        ("C", 2, "P-1", false),
        ("R", 1, "P-2", true),
    ];
    assert_eq!(at_fault(&history(&rows), RestsOn::Plug), BTreeSet::new());
    assert_eq!(placed(&rows), Placed::Card);
    assert_eq!(place(&history(&rows), RestsOn::Plug, at(2)), Placed::Card);
}

#[test]
fn another_test_and_another_port_say_nothing() {
    let mut rows = history(&[("C", 1, "P-1", false), ("C", 1, "P-2", false), ("R", 1, "P-1", true)]);
    assert_eq!(place(&rows, RestsOn::Plug, at(2)), Placed::Passes);
    rows[2].test = TestName::Links;
    assert_eq!(place(&rows, RestsOn::Plug, at(1)), Placed::Prove("P-2".into()));
}

/// A line of a card: card, port, transceiver, plug, passed. In the reference card `R` the transceiver is there to be
/// tried, unless it is its own, `R-T`.
type Line<'a> = (&'a str, u32, &'a str, &'a str, bool);

fn lines(rows: &[Line<'_>]) -> Vec<Use> {
    let of = |(at_ms, (card, port, transceiver, plug, passed)): (i64, &Line<'_>)| {
        let is_tried = *card == "R" && *transceiver != "R-T";
        let of = |thing: &str, on, with: &str, is_judged| Use {
            thing: thing.to_owned(),
            on,
            card: (*card).to_owned(),
            is_reference: *card == "R" && is_judged,
            port: Some(*port),
            with: Some(with.to_owned()),
            test: TestName::Data,
            at_ms,
            passed: *passed,
            measured: String::new(),
            slower: AtSlower::default(),
        };
        [of(plug, RestsOn::Plug, transceiver, !is_tried), of(transceiver, RestsOn::Transceiver, plug, is_tried)]
    };
    (1..).zip(rows).flat_map(of).collect()
}

fn on_port(rows: &[Line<'_>], port: u32) -> (RestsOn, Placed) {
    let here = |row: &&Line<'_>| row.0 == "C" && row.1 == port;
    let transceiver = rows.iter().rfind(here).map(|row| row.2);
    place_on_port(&lines(rows), Spot { transceiver, ..at(port) }).pop().unwrap()
}

/// The plugs of two ports were exchanged, and the failure stays: next are the transceivers.
const STAYS: [Line<'static>; 4] = [
    ("C", 1, "T-1", "P-1", false),
    ("C", 2, "T-2", "P-2", true),
    ("C", 1, "T-1", "P-2", false),
    ("C", 2, "T-2", "P-1", true),
];

#[test]
fn a_failure_that_stays_with_its_port_is_told_from_the_transceiver_after_the_plug() {
    let with = |rows: &[Line<'static>], port| on_port(&[&STAYS[..], rows].concat(), port);
    assert_eq!(on_port(&STAYS[..2], 1), (RestsOn::Plug, Placed::TryOther(vec!["P-1".into()])));
    assert_eq!(with(&[], 1), (RestsOn::Transceiver, Placed::TryOther(vec!["T-1".into()])));
    // It stays with the cage: the transceiver that failed there passes in the other one.
    let stays = [("C", 1, "T-2", "P-2", false), ("C", 2, "T-1", "P-1", true)];
    assert_eq!(with(&stays, 1), (RestsOn::Transceiver, Placed::Card));
    assert_eq!(with(&stays, 2), (RestsOn::Transceiver, Placed::Passes));
    // It moved: two ports fail with this transceiver, and both pass with the other one and the same plugs.
    let moved = [("C", 1, "T-2", "P-2", true), ("C", 2, "T-1", "P-1", false)];
    assert_eq!(with(&moved, 1), (RestsOn::Transceiver, Placed::With(vec!["T-1".into()])));
    assert_eq!(with(&moved, 2), (RestsOn::Transceiver, Placed::TryOther(vec!["T-1".into()])));
    let replaced = [&moved[..], &[("C", 2, "T-3", "P-1", true)]].concat();
    assert_eq!(with(&replaced, 2), (RestsOn::Transceiver, Placed::With(vec!["T-1".into()])));
    // It is gone from both ports: a contact, and nobody is blamed.
    let gone = [("C", 1, "T-2", "P-2", true), ("C", 2, "T-1", "P-1", true)];
    assert_eq!(with(&gone, 1), (RestsOn::Transceiver, Placed::Unexplained));
}

#[test]
fn the_transceiver_of_a_single_port_is_told_with_the_reference_card() {
    let single = [("C", 1, "T-1", "P-1", false), ("C", 1, "T-1", "P-2", false), ("R", 1, "R-T", "P-2", true)];
    let with = |rows: &[Line<'static>]| on_port(&[&single[..], rows].concat(), 1);
    let prove = |label: &str| (RestsOn::Transceiver, Placed::Prove(label.into()));
    assert_eq!(with(&[]), (RestsOn::Transceiver, Placed::TryOther(vec!["T-1".into()])));
    let (passes, fails) = (("C", 1, "T-3", "P-2", true), ("C", 1, "T-3", "P-2", false));
    assert_eq!(with(&[passes]), prove("T-1"));
    assert_eq!(with(&[passes, ("R", 1, "T-1", "P-2", false)]).1, Placed::With(vec!["T-1".into()]));
    assert_eq!(with(&[passes, ("R", 1, "T-1", "P-2", true)]).1, Placed::Unexplained);
    assert_eq!(with(&[fails]), prove("T-3"));
    assert_eq!(with(&[fails, ("R", 1, "T-3", "P-2", true)]).1, Placed::Card);
    // The spare one is bad: it says nothing of the card.
    let bad = with(&[fails, ("R", 1, "T-3", "P-2", false)]);
    assert_eq!(bad, (RestsOn::Transceiver, Placed::TryOther(vec!["T-1".into(), "T-3".into()])));
}

/// A plug that was never seen to pass is fitted to the transceiver that was put in: that one passes elsewhere, and the
/// plug is what fails.
#[test]
fn a_transceiver_that_passes_elsewhere_does_not_clear_the_plug_that_it_failed_with() {
    let rows = [
        ("C", 1, "T-1", "P-1", false),
        ("C", 1, "T-1", "P-3", false),
        ("R", 1, "R-T", "P-1", true),
        ("C", 1, "T-2", "P-3", false),
        ("R", 1, "T-2", "P-1", true),
    ];
    assert_eq!(on_port(&rows, 1), (RestsOn::Plug, Placed::TryOther(vec!["P-3".into()])));
    let cleared = [&rows[..], &[("C", 1, "T-2", "P-1", true), ("R", 1, "R-T", "P-3", false)]].concat();
    assert_eq!(on_port(&cleared, 1), (RestsOn::Transceiver, Placed::Prove("T-1".into())));
}
