//! What facts say against the limits, just short of them and beyond.

use super::*;
use crate::bench::card::{BusLink, CardPort};
use crate::bench::facts::{AllPorts, LoadSample, OffloadItem, SelfTestItem};
use crate::judge::Location;

fn card() -> Card {
    let port = |last: &str| CardPort {
        address: Some(format!("00:00:5e:00:53:{last}")),
        permanent_address: Some(format!("00:00:5e:00:53:{last}")),
        speed_max_mbps: Some(1000),
        ..CardPort::default()
    };
    Card {
        device: "f1a7:0b02".into(),
        subsystem: Some("f1a7:1002".into()),
        vpd_intact: Some(true),
        ports: vec![port("10"), port("11")],
        ..Card::default()
    }
}

/// Names of the rules whose limits the facts do not meet.
fn failed(facts: &Facts, card: &Card, claim: &str) -> Vec<String> {
    let procedure = Procedure::named("intake").unwrap();
    let found = findings(facts, &procedure, card, &claim.parse().unwrap());
    assert!(found.iter().all(|finding| !finding.measured.is_empty() && !finding.limit.is_empty()), "{found:?}");
    found.iter().filter(|finding| !finding.met).map(|finding| finding.rule.to_string()).collect()
}

#[test]
fn an_identity_is_held_against_claim_sticker_and_sense() {
    let sticker = |text: &str| Facts::Identity { sticker: Some(text.to_owned()) };
    let right = sticker("00-00-5E-00-53-10");
    let claim = "device=f1a7:0b02,subsystem=f1a7:1002,ports=2,speed=1000";
    assert_eq!(failed(&right, &card(), claim), [""; 0]);
    // A part number that the host cannot read is no lie.
    assert_eq!(failed(&right, &card(), "part=HB-2G"), [""; 0]);
    assert_eq!(failed(&right, &card(), "subsystem=f1a7:1003,ports=4"), ["card-claim", "card-claim"]);
    assert_eq!(failed(&sticker("00:00:5e:00:53:12"), &card(), ""), ["card-sticker"]);
    let mut odd = card();
    odd.ports[1].permanent_address = Some("00:00:5e:00:53:12".into());
    assert_eq!(failed(&right, &odd, ""), ["card-address", "card-address-row"]);
    odd.ports[1] = CardPort { permanent_address: Some("02:00:5e:00:53:11".into()), ..CardPort::default() };
    assert_eq!(failed(&right, &odd, ""), ["card-address", "card-address-row"]);
    assert_eq!(failed(&right, &Card { vpd_intact: Some(false), ..card() }, ""), ["card-vpd"]);
}

#[test]
fn each_limit_is_met_just_short_of_it_and_not_beyond() {
    let no_claim = |facts: Facts| failed(&facts, &card(), "");
    let link = SelfTestItem { name: "link".into(), passed: false, excused: true };
    let item = |passed| {
        let own = SelfTestItem { name: "memory".into(), passed, excused: false };
        Facts::SelfTest { items: vec![own, link.clone()] }
    };
    assert_eq!((no_claim(item(true)).len(), no_claim(item(false))), (0, vec!["card-self-test".to_owned()]));

    let link = |linked, slowest_s, drops| {
        let port = LinkFacts { port: 1, rounds: 3, linked, slowest_s, drops, speed_mbps: Some(1000), slower: None };
        no_claim(Facts::Links { ports: vec![port] })
    };
    assert_eq!(link(3, Some(6.0), 0), [""; 0]);
    assert_eq!(link(3, Some(6.1), 0), ["card-link"]);
    assert_eq!(link(2, Some(2.0), 0), ["card-link"]);
    assert_eq!(link(0, None, 0), ["card-link"]);
    assert_eq!(link(3, Some(2.0), 1), ["card-link-drops"]);
    // A link that never came has not been seen to hold.
    let never = LinkFacts { port: 1, rounds: 3, linked: 0, slowest_s: None, drops: 0, speed_mbps: None, slower: None };
    assert_eq!(super::link(&never, &Procedure::named("intake").unwrap())[1].result(), "not tested");

    let item = |wrong| Facts::Offloads { items: vec![OffloadItem { name: "vlan".into(), frames: 9, wrong }] };
    assert_eq!((no_claim(item(0)).len(), no_claim(item(1))), (0, vec!["card-offload".to_owned()]));

    let module = |sent_dbm, received_dbm| {
        let module = ModuleFacts { port: 1, sent_dbm, received_dbm, sent_alarm_dbm: -9.0, received_alarm_dbm: -17.0 };
        no_claim(Facts::Transceiver { modules: vec![module] })
    };
    assert_eq!(module(-9.0, -11.0), [""; 0]);
    assert_eq!(module(-9.1, -11.0), ["card-sends-weak"]);
    // All that is sent arrives, and that is too little: the transmitter's fault alone.
    assert_eq!(module(-17.5, -18.0), ["card-sends-weak"]);
    // 1.5 dB for two connections and a metre of fibre, and 3 dB for the readings.
    assert_eq!(module(-5.0, -9.5), [""; 0]);
    assert_eq!(module(-5.0, -9.6), ["card-receives-weak"]);

    let bus = |agreed: BusLink, correctable, fatal| {
        let (card, slot) = (BusLink { gts: 5.0, lanes: 4 }, BusLink { gts: 8.0, lanes: 16 });
        let (watched_s, nonfatal, uncounted) = (30.0, 0, false);
        no_claim(Facts::Bus(BusFacts { card, slot, agreed, watched_s, correctable, nonfatal, fatal, uncounted }))
    };
    assert_eq!(bus(BusLink { gts: 5.0, lanes: 4 }, 0, 0), [""; 0]);
    assert_eq!(bus(BusLink { gts: 5.0, lanes: 1 }, 0, 0), ["card-bus"]);
    assert_eq!(bus(BusLink { gts: 2.5, lanes: 4 }, 1, 0), ["card-bus", "card-bus-errors"]);
    assert_eq!(bus(BusLink { gts: 5.0, lanes: 4 }, 0, 1), ["card-bus-errors"]);
}

fn load(mbps: [f64; 4], celsius: f64, bench_share: f64, lost: u64) -> LoadFacts {
    let sample = |(at, mbps): (usize, f64)| LoadSample { at_s: at as f64 * 900.0, mbps, celsius: Some(celsius) };
    LoadFacts {
        samples: mbps.into_iter().enumerate().map(sample).collect(),
        allowed_mbps: 2000.0,
        bench_share,
        bench_is_limit: bench_share < 0.9,
        ports: vec![LoadPort { port: 1, sent: 1_000_000, lost, lost_in_host: 70_000, without_link: false }],
    }
}

#[test]
fn what_the_bench_cannot_do_is_not_held_against_a_card() {
    let under = |load| failed(&Facts::Load(load), &card(), "");
    assert_eq!(under(load([1900.0; 4], 95.0, 1.0, 100)), [""; 0]);
    assert_eq!(under(load([1900.0; 4], 96.0, 1.0, 0)), ["card-hot"]);
    assert_eq!(under(load([1000.0; 4], 60.0, 1.0, 0)), ["card-slow"]);
    assert_eq!(under(load([1000.0; 4], 60.0, 0.5, 0)), [""; 0]);
    // A computer that is the limit itself has its moments: they are not the card's, unless next to nothing is left.
    assert_eq!(under(load([1000.0, 1000.0, 300.0, 300.0], 60.0, 0.5, 0)), [""; 0]);
    assert_eq!(under(load([200.0; 4], 60.0, 0.5, 0)), [""; 0]);
    assert_eq!(under(load([90.0; 4], 60.0, 0.5, 0)), ["card-slow"]);
    let measure = Facts::Load(load([600.0; 4], 60.0, 1.0, 0)).measuring_the_bench();
    assert_eq!(failed(&measure, &card(), ""), [""; 0], "the reference card is the measure of a slow bench");
    assert_eq!(under(load([1900.0, 1900.0, 1850.0, 1800.0], 60.0, 1.0, 0)), ["card-slows"]);
    assert_eq!(under(load([1900.0; 4], 60.0, 1.0, 101)), ["card-loses"]);
    // What a loose plug lost is missing from the throughput: that is not a second fault, and not the card's.
    assert_eq!(under(load([900.0; 4], 60.0, 1.0, 500_000)), ["card-loses"]);
    let mut dark = load([900.0; 4], 60.0, 1.0, 0);
    dark.ports[0].without_link = true;
    assert_eq!(under(dark), ["card-loses"]);
}

/// 2 rounds of 0.75 h without failure at 60 %: 1.5 / -ln(0.4) = 1.6 h (MIL-HDBK-338B 8.3.2, computed by hand).
#[test]
fn a_burn_in_says_what_its_hours_prove() {
    let procedure = Procedure::named("burn-in").unwrap();
    let rounds = |second| Facts::BurnIn { rounds: vec![load([1900.0; 4], 60.0, 1.0, 0), second] };
    let found = |facts| findings(&facts, &procedure, &card(), &Claim::default());
    let good = found(rounds(load([1900.0; 4], 60.0, 1.0, 0)));
    assert!(good.iter().all(|finding| finding.met) && good.last().unwrap().measured.contains("proves 2 h"), "{good:?}");
    let bad = found(rounds(load([1900.0; 4], 99.0, 1.0, 0)));
    let failed: Vec<_> = bad.iter().filter(|finding| !finding.met).map(|finding| finding.rule.to_string()).collect();
    assert_eq!(failed, ["card-hot"]);
    assert!(bad.last().unwrap().measured.contains("1 failure"));
}

#[test]
fn a_port_says_which_slower_speeds_it_links_at() {
    let said = |slower| {
        let port = LinkFacts { port: 1, rounds: 3, linked: 3, slower, ..LinkFacts::default() };
        let found = findings(
            &Facts::Links { ports: vec![port] },
            &Procedure::named("standard").unwrap(),
            &card(),
            &Claim::default(),
        );
        assert!(found.iter().all(|finding| finding.met), "no speed that is not there is a fault: {found:?}");
        found[0].measured.clone()
    };
    assert_eq!(said(None), "link 3 of 3 times");
    assert_eq!(said(Some(Slower::NotOffered)), "link 3 of 3 times; its driver sets no other speed");
    assert_eq!(said(Some(Slower::LinksAt(vec![]))), "link 3 of 3 times; no link at a slower speed");
    assert_eq!(said(Some(Slower::LinksAt(vec![100, 10]))), "link 3 of 3 times; also at 100 and 10 Mb/s");
    assert_eq!(said(Some(Slower::LinksAt(vec![100]))), "link 3 of 3 times; also at 100 Mb/s, not at 10");
}

#[test]
fn damage_behind_the_frame_check_is_no_fault_of_the_plug() {
    let run = |outcome, location: &[Location]| DataRun {
        port: 1,
        run: String::new(),
        set_mbps: None,
        all_ports: None,
        is_slower: false,
        is_empty: false,
        outcome,
        location: location.to_vec(),
        rule: None,
        text: "text".into(),
        proved_below: Some(1e-8),
        limit: 1e-7,
    };
    let data = |run| failed(&Facts::Data { runs: vec![run], left_out: vec![] }, &card(), "");
    assert_eq!(data(run(Outcome::Pass, &[])), [""; 0]);
    assert_eq!(data(run(Outcome::Fault, &[Location::Port, Location::Plug])), ["card-data"]);
    assert_eq!(data(run(Outcome::Fault, &[Location::Host])), ["card-damages"]);
    // A run cannot know that the loop is a bare plug; the bench does.
    let rule = Some(RuleId::DamagedAfterCheck);
    let damaged = DataRun { rule, ..run(Outcome::Fault, &[Location::Host, Location::Plug]) };
    assert_eq!(data(damaged.clone()), ["card-damages"]);
    let all_on = |run: DataRun, all_ports| data(DataRun { all_ports: Some(all_ports), ..run });
    let on_line = || run(Outcome::Fault, &[Location::Port, Location::Plug]);
    assert_eq!(all_on(on_line(), AllPorts::Counts), ["card-all-ports"]);
    assert_eq!(all_on(damaged, AllPorts::Counts), ["card-damages"]);
    assert_eq!(all_on(on_line(), AllPorts::Excused), [""; 0]);
    assert_eq!(all_on(on_line(), AllPorts::Unproved), [""; 0]);
    // Each speed has a finding of its own, which names it.
    let good = run(Outcome::Pass, &[]);
    let slow = DataRun { set_mbps: Some(100), ..run(Outcome::Fault, &[Location::Port]) };
    let procedure = Procedure::named("standard").unwrap();
    let left_out = vec![LeftOut { port: 1, set_mbps: 10, why: "no link".into() }];
    let facts = Facts::Data { runs: vec![good, slow], left_out };
    let found = findings(&facts, &procedure, &card(), &Claim::default());
    let failed: Vec<&str> = found.iter().filter(|one| !one.met).map(|one| one.measured.as_str()).collect();
    assert_eq!(failed, ["at 100 Mb/s: fault: text"]);
    assert_eq!(found.last().unwrap().measured, "at 10 Mb/s: no link");
    // Where no frame came through, nobody saw what becomes of one behind the frame check.
    let nothing = DataRun { is_empty: true, ..run(Outcome::Fault, &[Location::Port, Location::Plug]) };
    let told = super::data(&nothing);
    assert_eq!(told.iter().map(Finding::result).collect::<Vec<_>>(), ["FAILED", "not tested"]);
    assert_eq!(told[1].measured, "no frame came through");
    let some = super::data(&run(Outcome::Fault, &[Location::Port, Location::Plug]));
    assert_eq!(some.iter().map(Finding::result).collect::<Vec<_>>(), ["FAILED", "passed"]);
    // What is not held against the card is not tested, and the finding says why.
    let excused = DataRun { all_ports: Some(AllPorts::Excused), ..run(Outcome::Fault, &[Location::Port]) };
    let told = &super::data(&excused)[0];
    assert!(told.result() == "not tested" && told.measured.starts_with("with all ports on: fault"), "{told:?}");
    assert!(told.measured.contains("the reference card does no better"), "{told:?}");
    assert_eq!(rests_on(&RuleId::CardData), RestsOn::Plug);
    assert_eq!(rests_on(&RuleId::CardDamages), RestsOn::Slot);
    assert_eq!(rests_on(&RuleId::CardHot), RestsOn::Card);
}
