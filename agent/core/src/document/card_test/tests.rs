//! Cards graded attempt by attempt.

use super::settle::BenchKnows;
use super::step::Step;
use super::*;
use crate::bench::facts::{AllPorts, DataRun, LightFacts, LightSeen, LinkFacts, OffloadItem};
use crate::bench::findings::findings;
use crate::bench::procedure::{DataLimits, LinkLimits, MayLack, NoLimits, OffloadLimits};
use crate::judge::{Location, Outcome, RuleId};

fn card_test(label: &str, may_lack: Vec<MayLack>) -> CardTest {
    let procedure = Procedure {
        links: Some(LinkLimits::default()),
        offloads: Some(OffloadLimits::default()),
        may_lack,
        ..Procedure::parse("name = \"short\"\n[identity]\n").unwrap()
    };
    let rig = crate::bench::sim::builtin("bench").unwrap();
    CardTest {
        program: "turnback".into(),
        test: label.to_owned(),
        lot: Some("stores".into()),
        started_at: "2026-03-01T08:00:00Z".into(),
        changed_at: "2026-03-01T08:00:00Z".into(),
        is_reference: label == "R",
        slot: "slot-1".into(),
        ..CardTest::of(label.to_owned(), rig.card("HB-0001"), rig.claim, procedure)
    }
}

impl CardTest {
    fn add(&mut self, at: i64, plugs: [&str; 2], facts: Facts) -> &mut Self {
        let findings = findings(&facts, &self.procedure, &self.card, &self.claim);
        self.attempts.push(Attempt {
            test: facts.test(),
            slot: self.slot.clone(),
            plugs: plugs.iter().map(|plug| Some((*plug).to_owned())).collect(),
            transceivers: self.transceivers.clone(),
            began_ms: at,
            took_s: 1.0,
            facts: Some(facts),
            findings,
            bus_errors: None,
            cut_off: None,
        });
        self
    }

    fn identity(&mut self, sticker: Option<&str>) -> &mut Self {
        self.add(1, ["P-1", "P-2"], Facts::Identity { sticker: sticker.map(str::to_owned) })
    }

    /// `linked`: how often each port got link, of 3 times.
    fn links(&mut self, at: i64, plugs: [&str; 2], linked: [u32; 2]) -> &mut Self {
        let port = |(port, linked)| LinkFacts {
            port,
            rounds: 3,
            linked,
            slowest_s: Some(2.0),
            drops: 0,
            speed_mbps: None,
            slower: None,
        };
        self.add(at, plugs, Facts::Links { ports: (1..).zip(linked).map(port).collect() })
    }

    /// Each port passes alone; `all_on`: whether it does with all ports on, and what that says.
    fn data(&mut self, at: i64, plugs: [&str; 2], all_on: [bool; 2], all_ports: AllPorts) -> &mut Self {
        let run = |port, passed, all_ports| DataRun {
            port,
            run: String::new(),
            set_mbps: None,
            all_ports,
            is_slower: false,
            is_empty: false,
            outcome: if passed { Outcome::Pass } else { Outcome::Fault },
            location: vec![Location::Port, Location::Plug],
            rule: None,
            text: "bits came back wrong".into(),
            proved_below: None,
            limit: 1e-8,
        };
        let alone = [1, 2].map(|port| run(port, true, None));
        let together = (1..).zip(all_on).map(|(port, passed)| run(port, passed, Some(all_ports)));
        let runs = alone.into_iter().chain(together).collect();
        self.add(at, plugs, Facts::Data { runs, left_out: Vec::new() })
    }

    fn offloads(&mut self, wrong: u64) -> &mut Self {
        let items = vec![OffloadItem { name: "transmit checksum".into(), frames: 200, wrong }];
        self.add(90, ["P-1", "P-2"], Facts::Offloads { items })
    }

    fn graded(&mut self, bench: &BenchKnows) -> (Grade, Option<Step>, Vec<RuleId>) {
        self.settle(bench);
        let rules =
            self.verdict.reasons.iter().map(|reason| reason.rule.clone()).filter(|rule| *rule != RuleId::BenchUnproved);
        (self.grade, self.next.clone(), rules.collect())
    }
}

fn good_sticker(test: &mut CardTest) -> &mut CardTest {
    test.identity(Some("00:00:5e:00:53:00"))
}

#[test]
fn a_card_is_accepted_only_when_every_test_is_done() {
    let bench = BenchKnows::default();
    let mut test = card_test("C", Vec::new());
    let next = |test| Some(Step::Test { test });
    assert_eq!(test.graded(&bench), (Grade::Unfinished, next(TestName::Identity), vec![RuleId::CardTestsMissing]));
    good_sticker(&mut test);
    assert_eq!(test.graded(&bench).1, next(TestName::Links));
    test.links(2, ["P-1", "P-2"], [3, 3]);
    assert_eq!(test.graded(&bench).1, next(TestName::Offloads));
    assert_eq!(test.offloads(0).graded(&bench), (Grade::Accepted, None, vec![RuleId::CardAccepted]));
    // An attempt that was cut off is none.
    test.attempts[1].facts = None;
    test.attempts[1].findings.clear();
    assert_eq!(test.graded(&bench).1, next(TestName::Links));
}

#[test]
fn a_dead_port_is_blamed_after_the_exchange_and_limits_the_card_where_that_is_allowed() {
    let bench = BenchKnows::default();
    let mut test = card_test("C", vec![MayLack::Ports]);
    good_sticker(&mut test).links(2, ["P-1", "P-2"], [3, 0]);
    let exchange = Step::ExchangePlugs { test: TestName::Links, port: 2, with: 1 };
    assert_eq!(test.graded(&bench), (Grade::Unfinished, Some(exchange), vec![RuleId::CardExchange]));
    test.links(3, ["P-2", "P-1"], [3, 0]);
    assert_eq!(test.graded(&bench).1, Some(Step::Test { test: TestName::Offloads }));
    let (grade, next, rules) = test.offloads(0).graded(&bench);
    assert_eq!((grade, next, rules), (Grade::Limited, None, vec![RuleId::CardLimited, RuleId::CardLink]));
    assert_eq!(test.verdict.scope.as_deref(), Some("without port 2"));
    assert!(test.verdict.reasons[1].text.contains("the same with P-1 and P-2"), "{:?}", test.verdict);
    test.procedure.may_lack.clear();
    assert_eq!(test.graded(&bench).0, Grade::Rejected);
}

#[test]
fn a_card_with_every_port_dead_is_rejected_only_after_a_plug_was_proved_elsewhere() {
    let mut bench = BenchKnows::default();
    let mut test = card_test("C", vec![MayLack::Ports]);
    good_sticker(&mut test).links(2, ["P-1", "P-2"], [0, 0]);
    let other = |not: &str| Step::OtherPlug { test: TestName::Links, port: 1, not: vec![not.to_owned()] };
    assert_eq!(test.graded(&bench).1, Some(other("P-1")));
    test.links(3, ["P-3", "P-2"], [0, 0]);
    assert_eq!(test.graded(&bench).1, Some(Step::ProvePlug { test: TestName::Links, plug: "P-3".into() }));
    let mut reference = card_test("R", Vec::new());
    reference.links(4, ["P-3", "P-4"], [3, 3]);
    bench.history = reference.uses();
    // Port 1 is placed; port 2 has been tried with one plug.
    assert!(matches!(test.graded(&bench).1, Some(Step::OtherPlug { port: 2, .. })), "{:?}", test.next);
    test.links(5, ["P-3", "P-1"], [0, 0]);
    test.graded(&bench);
    assert!(matches!(test.next, Some(Step::ProvePlug { .. })), "{:?}", test.next);
    reference.links(6, ["P-1", "P-3"], [3, 3]);
    bench.history = reference.uses();
    assert_eq!(test.graded(&bench).0, Grade::Rejected);
}

#[test]
fn a_worn_plug_is_set_aside_and_the_card_accepted() {
    let mut bench = BenchKnows::default();
    let mut test = card_test("C", Vec::new());
    good_sticker(&mut test).links(2, ["P-1", "P-2"], [3, 0]).links(3, ["P-2", "P-1"], [0, 3]);
    // The failure moved with P-2. Port 1 fails with it and has not been seen to pass since.
    assert_eq!(test.graded(&bench).0, Grade::Unfinished);
    test.links(4, ["P-1", "P-3"], [3, 3]).offloads(0);
    assert_eq!(test.graded(&bench).1, Some(Step::ProvePlug { test: TestName::Links, plug: "P-2".into() }));
    let mut reference = card_test("R", Vec::new());
    reference.links(5, ["P-2", "P-4"], [0, 3]);
    bench.history = reference.uses();
    let (grade, next, rules) = test.graded(&bench);
    assert_eq!((grade, next), (Grade::Accepted, None));
    assert_eq!(rules, [RuleId::CardAccepted, RuleId::BenchSetAside]);
    // Had the reference card passed with it, nothing would explain the failure, and nobody may be blamed for it.
    let mut reference = card_test("R", Vec::new());
    reference.links(5, ["P-2", "P-4"], [3, 3]);
    bench.history = reference.uses();
    assert_eq!((test.graded(&bench).0, test.graded(&bench).2), (Grade::Unfinished, vec![RuleId::CardUnexplained]));
}

#[test]
fn an_address_that_two_cards_bear_needs_the_sticker() {
    let bench = BenchKnows { addresses: vec![("other".into(), "00:00:5e:00:53:01".into())], ..BenchKnows::default() };
    let mut test = card_test("C", Vec::new());
    test.identity(None);
    assert_eq!(test.graded(&bench), (Grade::Unfinished, None, vec![RuleId::CardAddressShared]));
    good_sticker(&mut test);
    assert_eq!(test.graded(&bench).1, Some(Step::Test { test: TestName::Links }));
    test.identity(Some("00:00:5e:00:53:10"));
    assert_eq!(test.graded(&bench), (Grade::Rejected, None, vec![RuleId::CardSticker]));
}

#[test]
fn a_light_that_is_not_seen_to_blink_limits_a_card_or_rejects_it() {
    let lights = |second| Facts::Light {
        ports: vec![LightFacts { port: 1, seen: LightSeen::At(1) }, LightFacts { port: 2, seen: second }],
    };
    for (may_lack, grade) in [(vec![MayLack::Lights], Grade::Limited), (vec![MayLack::Ports], Grade::Rejected)] {
        for (second, is_seen) in [
            (LightSeen::At(2), true),
            (LightSeen::At(1), false),
            (LightSeen::Dark, false),
            (LightSeen::NotLookedAt, true),
            (LightSeen::CannotBlink, true),
        ] {
            let mut test = card_test("C", may_lack.clone());
            good_sticker(&mut test).links(2, ["P-1", "P-2"], [3, 3]).offloads(0);
            test.procedure.light = Some(NoLimits {});
            assert_eq!(test.graded(&BenchKnows::default()).1, Some(Step::Test { test: TestName::Light }));
            test.add(95, ["P-1", "P-2"], lights(second));
            let expected = if is_seen { Grade::Accepted } else { grade };
            assert_eq!(test.graded(&BenchKnows::default()).0, expected, "{second:?}");
            let lacks = "fit without the light of port 2";
            assert_eq!(test.verdict.reasons.iter().any(|r| r.text == lacks), expected == Grade::Limited, "{second:?}");
        }
    }
}

#[test]
fn a_wrong_offload_limits_a_card_or_rejects_it() {
    let bench = BenchKnows::default();
    for (may_lack, grade) in [(vec![MayLack::Offloads], Grade::Limited), (vec![MayLack::Ports], Grade::Rejected)] {
        let mut test = card_test("C", may_lack);
        good_sticker(&mut test).links(2, ["P-1", "P-2"], [3, 3]).offloads(3);
        assert_eq!(test.graded(&bench).0, grade);
    }
}

/// Alone both ports pass with both plugs.
#[test]
fn what_fails_with_all_ports_on_is_the_cards_only_if_it_stays_and_the_reference_card_can_do_it() {
    use AllPorts::{Counts, Excused, Unproved};
    let bench = BenchKnows::default();
    let new = || {
        let mut test = card_test("C", vec![MayLack::Ports]);
        (test.procedure.offloads, test.procedure.data) = (None, Some(DataLimits::default()));
        good_sticker(&mut test).links(2, ["P-1", "P-2"], [3, 3]);
        test
    };
    let mut test = new();
    test.data(3, ["P-1", "P-2"], [false, true], Counts);
    let exchange = Step::ExchangePlugs { test: TestName::Data, port: 1, with: 2 };
    assert_eq!(test.graded(&bench).1, Some(exchange), "a plug may be at its limit, and fail now and not before");
    let stays = |test: &mut CardTest| test.data(4, ["P-2", "P-1"], [false, true], Counts).graded(&bench);
    let (grade, next, rules) = stays(&mut test);
    assert_eq!((grade, next, rules), (Grade::Limited, None, vec![RuleId::CardLimited, RuleId::CardAllPorts]));
    // It moved with the plug, which passed alone.
    let mut test = new();
    test.data(3, ["P-1", "P-2"], [false, true], Counts).data(4, ["P-2", "P-1"], [true, false], Counts);
    assert_eq!(test.graded(&bench).0, Grade::Unfinished);
    assert!(!matches!(test.next, Some(Step::Test { .. })), "{:?}", test.next);
    let mut test = new();
    assert_eq!(test.data(3, ["P-1", "P-2"], [false, false], Excused).graded(&bench).0, Grade::Accepted);
    // Tried again, in case it was a moment's, and then left for a bench that can tell.
    let mut test = new();
    for at in 3..6 {
        assert_eq!(test.graded(&bench).1, Some(Step::Test { test: TestName::Data }), "{at}");
        test.data(at, ["P-1", "P-2"], [true, false], Unproved);
    }
    assert_eq!(test.graded(&bench), (Grade::Unfinished, None, vec![RuleId::CardTestsMissing]));
    let said = test.why();
    let expected = "data on port 2: with all ports on: bits came back wrong; no reference card like it";
    assert!(said.contains(expected), "{said}");
}
