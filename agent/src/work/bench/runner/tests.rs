//! What is tried with the reference card, and cards that are tested side by side.

use turnback_core::bench::{
    facts::{AllPorts, Facts},
    procedure::TestName,
    sim::{
        BenchRig, SimulatedBench, builtin,
        rig::{CardFault, PlugFault},
    },
};

use turnback_core::{
    document::{DocumentKind, card_test::step::Step, run::Detail},
    judge::RuleId,
    sim::value::Ratio,
};

use super::*;
use crate::{
    archive::memory::Memory,
    work::bench::seam::{Came, Each, Order},
};

/// Whoever is asked to fit one plug has fitted one: what an empty port beside it fails is put on no other plug.
#[test]
fn a_plug_is_tried_alone_in_the_reference_card() {
    let rig = builtin("bench").unwrap();
    let mut archive = Memory::default();
    let lot = lot::of_bench(&mut archive, Some(&rig), None).unwrap();
    let seed = rig.seed.into();
    let mut bench = SimulatedBench::new(rig, seed);
    let mut runner = BenchRunner::new(lot, &mut archive, &mut bench, "sim:bench".into(), Cancel::default()).unwrap();
    // P-1 would be the first choice for the other port, and is good.
    let step = Step::ProvePlug { test: TestName::Links, plug: "P-3".into() };
    assert_eq!(runner.prove_thing(&step, &mut |_| {}).unwrap(), Some(Tried::Done));
    let tests = runner.all_tests().unwrap();
    let [test] = &tests[..] else { panic!("{tests:?}") };
    assert_eq!(test.attempts[0].plugs, [Some("P-3".to_owned()), None]);
    let uses: Vec<(String, bool)> = test.uses().into_iter().map(|use_| (use_.thing, use_.passed)).collect();
    assert_eq!(uses, [("P-3".to_owned(), true)]);
}

/// A test among those that are made side by side.
struct Beside {
    test: TestName,
    count: usize,
    at: usize,
}

/// A simulated bench of which what comes of tests is changed.
struct Altered<F>(SimulatedBench, F);

impl<F: FnMut(&Beside, Came) -> Result<Came, BenchError>> Bench for Altered<F> {
    fn cards(&mut self) -> Result<Vec<Present>, BenchError> {
        self.0.cards()
    }
    fn reference(&mut self) -> Result<Option<Present>, BenchError> {
        self.0.reference()
    }
    fn place_of(&mut self, test: &CardTest) -> Result<Place, BenchError> {
        self.0.place_of(test)
    }
    fn slots(&self) -> Vec<String> {
        self.0.slots()
    }
    fn plugs(&self, slot: &str, ports: usize) -> Vec<String> {
        self.0.plugs(slot, ports)
    }
    fn together(&mut self, orders: &[Order<'_>], cancel: &Cancel) -> Result<usize, BenchError> {
        self.0.together(orders, cancel)
    }
    fn measure_together(&mut self, orders: &[Order<'_>], each: Each<'_>, cancel: &Cancel) -> Result<(), BenchError> {
        for (at, order) in orders.iter().enumerate() {
            let came = Bench::measure(&mut self.0, order, cancel)?;
            each(at, (self.1)(&Beside { test: order.name, count: orders.len(), at }, came)?)?;
        }
        Ok(())
    }
    fn measure(&mut self, order: &Order<'_>, cancel: &Cancel) -> Result<Came, BenchError> {
        Bench::measure(&mut self.0, order, cancel)
    }
}

fn unaltered(_: &Beside, came: Came) -> Result<Came, BenchError> {
    Ok(came)
}

/// Four cards with a burn-in: two of them at a time have plugs.
fn rig() -> BenchRig {
    BenchRig { procedure: "burn-in".into(), ..builtin("bench-good").unwrap() }
}

/// What happened: whether a burn-in began, and of which card; and how often somebody was asked.
type Told = (Vec<(bool, String)>, usize);

fn tested(
    rig: &BenchRig,
    archive: &mut Memory,
    cancel: &Cancel,
    alter: impl FnMut(&Beside, Came) -> Result<Came, BenchError>,
) -> (Told, Result<bool, BenchError>) {
    let lot = lot::of_bench(archive, Some(rig), None).unwrap();
    let mut bench = Altered(SimulatedBench::new(rig.clone(), 1), alter);
    let mut runner = BenchRunner::new(lot, archive, &mut bench, "sim:bench".into(), cancel.clone()).unwrap();
    let (mut told, mut asked) = (Vec::new(), 0);
    let mut ask = |_: Request<'_>| {
        asked += 1;
        Ok(Wish::Go)
    };
    let done = runner.test(&[], &mut ask, &mut |event| match event {
        BenchEvent::TestBegan { card, test: TestName::BurnIn, .. } => told.push((true, card)),
        BenchEvent::TestEnded { card, test: TestName::BurnIn, .. } => told.push((false, card)),
        _ => {}
    });
    told.retain(|(_, card)| card != REFERENCE_LABEL);
    ((told, asked), done)
}

fn cards(archive: &Memory) -> Vec<CardTest> {
    card_tests(archive, "stores-bench-good").unwrap()
}

fn told(of: &[(bool, u32)]) -> Vec<(bool, String)> {
    of.iter().map(|(began, number)| (*began, format!("stores-bench-good-0{number}"))).collect()
}

#[test]
fn burn_ins_are_made_side_by_side_as_far_as_plugs_and_the_computer_allow() {
    let (mut archive, cancel) = (Memory::default(), Cancel::default());
    let ((happened, asked), done) = tested(&rig(), &mut archive, &cancel, unaltered);
    assert!(done.unwrap());
    let (began, ended) = (true, false);
    let pair = |a, b| [(began, a), (began, b), (ended, a), (ended, b)];
    assert_eq!(happened, told(&[pair(1, 2), pair(3, 4)].concat()));
    // The reference card and each card once: nobody is asked again for what is fitted.
    assert_eq!(asked, 5);
    let all = cards(&archive);
    assert!(all.iter().all(|test| test.grade == Grade::Accepted), "{all:?}");
    let last = |test: &CardTest| test.attempts.last().unwrap().clone();
    let used: BTreeSet<_> = all[..2].iter().flat_map(|test| last(test).plugs).collect();
    assert!(used.len() == 4 && last(&all[0]).slot != last(&all[1]).slot, "{used:?}");
    // This computer carries one card: one after the other.
    let mut archive = Memory::default();
    let slow = BenchRig { host_mbps_max: 2500, ..rig() };
    let ((happened, _), _) = tested(&slow, &mut archive, &cancel, unaltered);
    assert_eq!(happened, told(&[1, 2, 3, 4].map(|n| [(began, n), (ended, n)]).concat()));
    assert!(cards(&archive).iter().all(|test| test.grade == Grade::Accepted));
}

/// What happened with each test of each card, in its order.
fn all_tests(
    rig: &BenchRig,
    archive: &mut Memory,
    alter: fn(&Beside, Came) -> Result<Came, BenchError>,
) -> Vec<String> {
    let lot = lot::of_bench(archive, Some(rig), None).unwrap();
    let mut bench = Altered(SimulatedBench::new(rig.clone(), 1), alter);
    let mut runner = BenchRunner::new(lot, archive, &mut bench, "sim:bench".into(), Cancel::default()).unwrap();
    let mut told = Vec::new();
    runner
        .test(&[], &mut |_| Ok(Wish::Go), &mut |event| match event {
            BenchEvent::TestBegan { card, test, .. } if card != REFERENCE_LABEL => {
                told.push(format!("{} {}", &card[card.len() - 2..], test.name()));
            }
            BenchEvent::TestEnded { card, test, .. } if card != REFERENCE_LABEL => {
                told.push(format!("{} {} ends", &card[card.len() - 2..], test.name()));
            }
            BenchEvent::Repeated { card, test } => {
                told.push(format!("{} {} alone", &card[card.len() - 2..], test.name()))
            }
            _ => {}
        })
        .unwrap();
    told
}

#[test]
fn what_disturbs_no_other_test_is_made_side_by_side_and_a_load_alone() {
    let two = BenchRig { procedure: "intake".into(), ..rig() };
    let two = BenchRig { cards: two.cards[..2].to_vec(), ..two };
    let told = all_tests(&two, &mut Memory::default(), unaltered);
    let at = |line: &str| told.iter().position(|told| told == line).unwrap_or_else(|| panic!("{line} in {told:#?}"));
    for beside in ["self-test", "links", "data", "offloads", "queues", "transceiver", "bus"] {
        let both_began = at(&format!("01 {beside}")).max(at(&format!("02 {beside}")));
        let one_ended = at(&format!("01 {beside} ends")).min(at(&format!("02 {beside} ends")));
        assert!(both_began < one_ended, "{beside} in {told:#?}");
    }
    let loads = [at("01 load"), at("01 load ends"), at("02 load"), at("02 load ends")];
    assert!(loads.is_sorted(), "{told:#?}");
    // This computer moves no more than one card does: what sends goes one by one, and the rest side by side still.
    let told = all_tests(&BenchRig { host_mbps_max: 2000, ..two }, &mut Memory::default(), unaltered);
    let at = |line: &str| told.iter().position(|told| told == line).unwrap();
    assert!(at("01 data ends") < at("02 data") && at("02 links") < at("01 links ends"), "{told:#?}");
}

#[test]
fn each_speed_that_a_port_links_at_is_tested_where_the_procedure_says_so() {
    for (procedure, expected) in [("standard", &[None, Some(100), Some(10)][..]), ("intake", &[None])] {
        let one = BenchRig { procedure: procedure.into(), ..rig() };
        let one = BenchRig { cards: one.cards[..1].to_vec(), ..one };
        let mut archive = Memory::default();
        all_tests(&one, &mut archive, unaltered);
        let test = cards(&archive).remove(0);
        assert_eq!(test.grade, Grade::Accepted);
        let Some(Facts::Data { runs, left_out }) = &test.last(TestName::Data).unwrap().facts else {
            panic!("{test:?}")
        };
        let alone = || runs.iter().filter(|run| run.all_ports.is_none());
        let of_port = |port| alone().filter(move |run| run.port == port).map(|run| run.set_mbps);
        assert_eq!(of_port(1).collect::<Vec<_>>(), expected, "{procedure}");
        assert!(of_port(1).eq(of_port(2)) && left_out.is_empty());
        // The run was made at the speed that it is said to be of, and it is in the records.
        for run in runs.iter().filter(|run| run.set_mbps.is_some()) {
            let Ok(Document::Run(report)) = archive.get(DocumentKind::Run, &run.run) else { panic!("{run:?}") };
            let Detail::Ethernet(detail) = &report.detail else { panic!("{report:?}") };
            assert_eq!(detail.link.speed_mbps, run.set_mbps);
        }
    }
}

/// Runs of the first attempt at `data`: port, and what it is with all ports on.
fn with_all_on(test: &CardTest) -> Vec<(u32, Option<AllPorts>)> {
    let first = test.attempts.iter().find(|attempt| attempt.test == TestName::Data && attempt.is_done());
    let Some(Facts::Data { runs, .. }) = &first.unwrap().facts else { panic!("{test:?}") };
    runs.iter().filter(|run| run.set_mbps.is_none()).map(|run| (run.port, run.all_ports)).collect()
}

#[test]
fn ports_that_pass_alone_send_together_where_the_procedure_says_so() {
    let counts = Some(AllPorts::Counts);
    let alone = [(1, None), (2, None)];
    for (procedure, ports, expected) in [
        ("standard", 2, &[(1, None), (2, None), (1, counts), (2, counts)][..]),
        ("intake", 2, &alone),
        ("standard", 1, &alone[..1]),
    ] {
        let mut one = BenchRig { procedure: procedure.into(), ..rig() };
        one.cards.truncate(1);
        (one.model.ports, one.claim.ports) = (ports, Some(ports));
        let mut archive = Memory::default();
        all_tests(&one, &mut archive, unaltered);
        let test = cards(&archive).remove(0);
        assert_eq!((test.grade, with_all_on(&test).as_slice()), (Grade::Accepted, expected), "{procedure} {ports}");
    }
}

#[test]
fn a_fault_that_shows_with_all_ports_on_is_found_and_no_healthy_card_is_blamed_for_it() {
    let memory = CardFault::SharedMemory { ratio: Ratio(1e-3) };
    let crosstalk = CardFault::Crosstalk { port: 2, ratio: Ratio(1e-6) };
    for (fault, grade, rule) in
        [(memory, Grade::Rejected, RuleId::CardDamages), (crosstalk, Grade::Limited, RuleId::CardAllPorts)]
    {
        let mut two = BenchRig { procedure: "standard".into(), ..rig() };
        two.cards.truncate(2);
        two.cards[1].faults = vec![fault];
        let mut archive = Memory::default();
        let told = all_tests(&two, &mut archive, unaltered);
        assert!(told.contains(&"02 data alone".to_owned()), "beside the other card it says nothing: {told:#?}");
        let all = cards(&archive);
        assert_eq!([all[0].grade, all[1].grade], [Grade::Accepted, grade]);
        assert!(all[1].verdict.reasons.iter().any(|reason| reason.rule == rule), "{:?}", all[1].verdict);
    }
}

/// The plug in port 1 is worn: the two ports are together only once it is out.
#[test]
fn a_port_that_fails_alone_is_left_out_when_all_are_on() {
    let mut one = BenchRig { procedure: "standard".into(), ..rig() };
    one.cards.truncate(1);
    one.plugs[0].faults = vec![PlugFault::BitErrors { ratio: Ratio(1e-5) }];
    let mut archive = Memory::default();
    all_tests(&one, &mut archive, unaltered);
    // The reference card meets the worn plug first.
    let reference = archive.list(Query::CardTests { lot: None }, None).unwrap();
    let reference = reference.into_iter().filter_map(Listed::into_card_test).find(|test| test.label == REFERENCE_LABEL);
    let reference = reference.unwrap();
    assert_eq!((reference.grade, with_all_on(&reference)), (Grade::Accepted, vec![(1, None), (2, None)]));
    assert_eq!(cards(&archive)[0].grade, Grade::Accepted);
}

#[test]
fn what_fails_only_beside_others_is_repeated_alone_and_held_against_no_card() {
    let fails_beside = |beside: &Beside, mut came: Came| {
        if let (2.., TestName::Links, Came::Measured(measured)) = (beside.count, beside.test, &mut came)
            && let Facts::Links { ports } = &mut measured.facts
        {
            ports.iter_mut().for_each(|port| port.linked = 0);
        }
        Ok(came)
    };
    let two = BenchRig { procedure: "intake".into(), ..rig() };
    let mut two = BenchRig { cards: two.cards[..2].to_vec(), ..two };
    let mut archive = Memory::default();
    let told = all_tests(&two, &mut archive, fails_beside);
    let times = |line: &str| told.iter().filter(|told| *told == line).count();
    assert_eq!((times("01 links"), times("01 links alone"), times("01 links ends")), (2, 1, 1), "{told:#?}");
    let all = cards(&archive);
    assert!(all.iter().all(|test| test.grade == Grade::Accepted && test.uses().iter().all(|use_| use_.passed)));
    // What fails alone too is the card's, as before.
    two.cards[0].faults = vec![CardFault::DeadPort { port: 2 }];
    let mut archive = Memory::default();
    let told = all_tests(&two, &mut archive, unaltered);
    let times = |line: &str| told.iter().filter(|told| *told == line).count();
    assert_eq!((times("01 links alone"), times("01 data alone")), (1, 0), "the port is known then: {told:#?}");
    let grades: Vec<Grade> = cards(&archive).iter().map(|test| test.grade).collect();
    assert_eq!(grades, [Grade::Limited, Grade::Accepted]);
}

#[test]
fn a_card_that_was_slow_beside_others_is_burnt_in_alone_and_judged_by_that() {
    let slower = |beside: &Beside, mut came: Came| {
        if let (2.., Came::Measured(measured)) = (beside.count, &mut came)
            && let Facts::BurnIn { rounds } = &mut measured.facts
        {
            rounds.iter_mut().flat_map(|round| &mut round.samples).for_each(|sample| sample.mbps /= 2.0);
        }
        Ok(came)
    };
    let mut faulty = rig();
    faulty.cards[1].faults = vec![CardFault::Overheats { warm_c: 118.0, slows_to: 0.6 }];
    faulty.cards.truncate(3);
    // What overheats fails before its burn-in; the two others are side by side.
    let mut archive = Memory::default();
    let ((_, asked), done) = tested(&faulty, &mut archive, &Cancel::default(), slower);
    done.unwrap();
    assert_eq!(asked, 4, "their plugs are in still");
    let grades: Vec<Grade> = cards(&archive).iter().map(|test| test.grade).collect();
    assert_eq!(grades, [Grade::Accepted, Grade::Rejected, Grade::Accepted]);
    for test in [&cards(&archive)[0], &cards(&archive)[2]] {
        let burn_ins: Vec<_> = test.attempts.iter().filter(|attempt| attempt.test == TestName::BurnIn).collect();
        assert_eq!(burn_ins.len(), 2);
        assert!(burn_ins[0].cut_off.as_ref().unwrap().contains("beside other cards"));
        assert!(burn_ins[1].is_done());
    }
}

#[test]
fn what_ended_before_a_kill_or_an_end_by_hand_stands_and_the_others_go_on_with_their_burn_in() {
    for by_hand in [false, true] {
        let (mut archive, cancel) = (Memory::default(), Cancel::default());
        let ends = cancel.clone();
        let (_, done) = tested(&rig(), &mut archive, &cancel, |beside, came| match (beside.at, by_hand) {
            (0, _) => Ok(came),
            _ if beside.test != TestName::BurnIn => Ok(came),
            (_, true) => {
                ends.cancel();
                Ok(Came::Ended)
            }
            // As a kill does: nothing more is written.
            (_, false) => Err(BenchError::NoLot("killed".into())),
        });
        assert_eq!(done.is_ok(), by_hand);
        let before = cards(&archive);
        let is_done = |test: &CardTest| test.last(TestName::BurnIn).is_some();
        assert_eq!(before.iter().map(is_done).collect::<Vec<_>>(), [true, false], "{by_hand}");
        let (_, done) = tested(&rig(), &mut archive, &Cancel::default(), unaltered);
        done.unwrap();
        let after = cards(&archive);
        assert!(after.iter().all(|test| test.grade == Grade::Accepted), "{by_hand}: {after:?}");
        for (before, after) in before.iter().zip(&after) {
            let again = after.attempts.len() - before.attempts.len();
            assert_eq!((before.test == after.test, again), (true, usize::from(!is_done(before))), "{by_hand}");
        }
    }
}
