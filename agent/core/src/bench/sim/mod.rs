//! A simulated bench: the harbour's stores workshop with a lot of second-hand cards, in virtual time.
//!
//! [`rig`] is its description in TOML, [`world`] what it measures. The runs of `data` use the simulated ports that
//! every other command uses.

pub mod rig;
pub mod world;

pub use rig::BenchRig;
use rig::{
    CardFault, CardSpec, OwnTransceiver, PlugFault, PlugSpec, SlotFault, SlotSpec, TransceiverFault, TransceiverSpec,
};
pub use world::{Setup, SimulatedBench};

use crate::kind::ethernet::link::Medium;
use crate::sim::value::Ratio;

/// Name of every built-in bench and what it shows.
pub const BUILTIN: [(&str, &str); 3] = [
    ("bench", "stores workshop: a lot of two-port cards with one of every fault, a worn plug and a dirty slot"),
    ("bench-good", "stores workshop: four healthy cards on a healthy bench"),
    ("bench-fibre", "stores workshop: fibre cards, a port and a transceiver that send weakly, and a dirty fibre loop"),
];

/// The built-in bench of this name.
pub fn builtin(name: &str) -> Option<BenchRig> {
    let (name, about) = BUILTIN.into_iter().find(|(known, _)| *known == name)?;
    let card =
        |serial: &str, faults: Vec<CardFault>| CardSpec { serial: serial.to_owned(), faults, transceivers: Vec::new() };
    let healthy = |from: u32, to: u32| (from..=to).map(|n| card(&format!("HB-{n:04}"), Vec::new())).collect();
    let base = BenchRig {
        name: format!("stores-{name}"),
        about: about.to_owned(),
        source: "stores workshop, shelf 4".to_owned(),
        ..BenchRig::default()
    };
    let claim = |subsystem: &str| format!("device=f1a7:0b02,subsystem={subsystem},ports=2,speed=1000").parse();
    Some(match name {
        "bench" => {
            let mut cards: Vec<CardSpec> = healthy(1, 5);
            let faults = [
                CardFault::NarrowBus { lanes: 1 },
                CardFault::BusErrors { per_hour: 4000.0 },
                CardFault::DamagedMemory { ratio: Ratio(1e-3) },
                CardFault::DeadPort { port: 2 },
                CardFault::Overheats { warm_c: 118.0, slows_to: 0.6 },
                CardFault::WrongChecksum,
                CardFault::ClonedAddress { of: "HB-0001".to_owned() },
                CardFault::Subsystem { is: "f1a7:1001".to_owned() },
                CardFault::BitErrors { port: 1, ratio: Ratio(1e-6) },
            ];
            cards.extend((6..).zip(faults).map(|(n, fault)| card(&format!("HB-{n:04}"), vec![fault])));
            cards.extend(healthy(15, 16));
            let plug = |label: &str, matings, faults| PlugSpec { label: label.to_owned(), matings, faults };
            let slot = |label: &str, faults| SlotSpec { label: label.to_owned(), faults };
            BenchRig {
                claim: claim("f1a7:1002").unwrap_or_default(),
                slots: vec![
                    slot("slot-1", Vec::new()),
                    slot("slot-2", vec![SlotFault::BusErrors { per_hour: 2000.0 }]),
                    slot("slot-3", Vec::new()),
                ],
                plugs: vec![
                    plug("P-1", 120, Vec::new()),
                    plug("P-2", 741, vec![PlugFault::BitErrors { ratio: Ratio(1e-6) }]),
                    plug("P-3", 16, Vec::new()),
                    plug("P-4", 0, Vec::new()),
                    plug("P-5", 33, Vec::new()),
                ],
                cards,
                ..base
            }
        }
        "bench-fibre" => {
            let mut rig = BenchRig { cards: healthy(1, 3), ..base };
            rig.model.medium = Medium::Fibre;
            rig.cards.push(card("HB-0004", vec![CardFault::WeakTransmitter { port: 2, sent_dbm: -13.0 }]));
            let weak = OwnTransceiver { port: 1, faults: vec![TransceiverFault::WeakTransceiver { sent_dbm: -12.5 }] };
            rig.cards[1].transceivers = vec![weak];
            rig.transceivers = ["T-1", "T-2"].map(|l| TransceiverSpec { label: l.to_owned(), faults: vec![] }).to_vec();
            rig.plugs[0].faults = vec![PlugFault::Lossy { db: 4.5 }];
            rig
        }
        _ => BenchRig { cards: healthy(1, 4), claim: claim("f1a7:1002").unwrap_or_default(), ..base },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::claim::Claim;
    use crate::bench::findings::findings;
    use crate::bench::procedure::{Procedure, TestName};

    #[test]
    fn every_built_in_bench_is_read_as_it_is_printed() {
        for (name, about) in BUILTIN {
            let rig = builtin(name).unwrap();
            assert_eq!(BenchRig::parse(&rig.to_toml()), Ok(rig), "{name}: {about}");
        }
        assert_eq!(builtin("quay"), None);
    }

    #[test]
    fn a_bad_bench_is_refused_with_line_and_allowed_values() {
        for (text, says) in [
            ("plugs = [{ label = \"P-1\" }]\n", "at least 3 plugs"),
            ("slots = [{ label = \"S\" }]\n", "at least 2 slots"),
            ("[[cards]]\nserial = \"A\"\n[[cards]]\nserial = \"A\"\n", "of its own"),
            ("[[cards]]\nserial = \"A\"\nfaults = [{ dead-port = { port = 3 } }]\n", "from 1 to 2"),
            ("[[cards]]\nserial = \"A\"\nfaults = [{ dead-queue = { port = 1, queue = 4 } }]\n", "from 0 to 3"),
            (
                "model = { ports = 1 }\n[[cards]]\nserial = \"A\"\nfaults = [{ shared-memory = { ratio = 1e-3 } }]\n",
                "only while other ports send",
            ),
            ("[[cards]]\nserial = \"A\"\nfaults = [{ crosstalk = { port = 3, ratio = 1e-6 } }]\n", "from 1 to 2"),
            ("[[cards]]\nserial = \"A\"\nfaults = [{ cloned-address = { of = \"B\" } }]\n", "serial number B"),
            ("[[cards]]\nserial = \"A\"\nfaults = [{ rust = {} }]\n", "`narrow-bus`"),
            ("procedure = \"long\"\n", "intake, standard"),
        ] {
            let error = BenchRig::parse(text).unwrap_err();
            assert!(error.to_string().contains(says), "{text}: {error}");
        }
    }

    /// Rules whose limits a card does not meet with these plugs in this slot, `data` left out.
    fn failed(name: &str, serial: &str, slot: &str, plugs: [&str; 2]) -> Vec<String> {
        let bench = SimulatedBench::new(builtin(name).unwrap(), 5);
        let procedure = Procedure::named("standard").unwrap();
        let plugs = plugs.map(|plug| Some(plug.to_owned()));
        let transceivers = bench.rig.card(serial).transceivers();
        let setup = Setup { serial, slot, plugs: &plugs, transceivers: &transceivers, bench_share: 1.0, attempt: 1 };
        let card = bench.rig.card(serial);
        let measured = TestName::ALL.iter().filter_map(|test| bench.measure(&setup, *test, &procedure));
        let found = measured.flat_map(|(facts, _)| findings(&facts, &procedure, &card, &bench.rig.claim));
        let mut failed: Vec<_> = found.filter(|f| !f.met).map(|f| f.rule.to_string()).collect();
        failed.dedup();
        failed
    }

    #[test]
    fn each_fault_fails_its_own_test_and_a_healthy_card_none() {
        let good = |serial: &str| failed("bench", serial, "slot-1", ["P-1", "P-3"]);
        assert_eq!(good("HB-0001"), [""; 0]);
        for (serial, rules) in [
            ("HB-0006", vec!["card-bus"]),
            ("HB-0007", vec!["card-bus-errors"]),
            ("HB-0008", vec!["card-self-test"]),
            ("HB-0009", vec!["card-link", "card-loses"]),
            ("HB-0010", vec!["card-hot"]),
            ("HB-0011", vec!["card-offload"]),
            ("HB-0012", vec!["card-sticker"]),
            ("HB-0013", vec!["card-claim"]),
        ] {
            let mut found = good(serial);
            found.truncate(rules.len());
            assert_eq!(found, rules[..found.len()], "{serial}");
            assert!(!found.is_empty(), "{serial}");
        }
        assert_eq!(failed("bench", "HB-0001", "slot-2", ["P-1", "P-3"]), ["card-bus-errors"]);
        assert_eq!(failed("bench", "HB-0001", "slot-1", ["P-1", "P-2"]), ["card-loses"]);
        assert_eq!(failed("bench-fibre", "HB-0001", "slot-1", ["P-1", "P-2"]), ["card-receives-weak"]);
        assert_eq!(failed("bench-fibre", "HB-0004", "slot-1", ["P-3", "P-2"]), ["card-sends-weak"]);
        assert_eq!(builtin("bench-fibre").unwrap().claim, Claim::default());
    }

    #[test]
    fn a_queue_that_fails_is_found_on_its_port() {
        let dead = |port, queue| CardFault::DeadQueue { port, queue };
        for (fault, rule, port) in
            [(dead(2, 3), "card-queue", 2), (CardFault::SilentQueue { port: 1, queue: 0 }, "card-queue-interrupt", 1)]
        {
            let mut rig = builtin("bench-good").unwrap();
            rig.cards[0].faults = vec![fault];
            let bench = SimulatedBench::new(rig, 5);
            let procedure = Procedure::named("intake").unwrap();
            let plugs = [Some("P-1".to_owned()), Some("P-3".to_owned())];
            let at = |serial| Setup {
                serial,
                slot: "slot-1",
                plugs: &plugs,
                transceivers: &[],
                bench_share: 1.0,
                attempt: 1,
            };
            let found = |serial| {
                let (facts, _) = bench.measure(&at(serial), TestName::Queues, &procedure).unwrap();
                let found = findings(&facts, &procedure, &bench.rig.card(serial), &bench.rig.claim);
                let failed = found.into_iter().filter(|finding| !finding.met);
                failed.map(|finding| (finding.rule.to_string(), finding.port)).collect::<Vec<_>>()
            };
            assert_eq!(found("HB-0001"), [(rule.to_owned(), Some(port))]);
            assert_eq!(found("HB-0002"), []);
        }
    }

    /// What the run of a port meets beside what it meets always.
    #[test]
    fn what_ports_share_fails_only_while_several_send() {
        let memory = CardFault::SharedMemory { ratio: Ratio(1e-3) };
        let crosstalk = CardFault::Crosstalk { port: 2, ratio: Ratio(1e-6) };
        for (fault, met) in [(memory, [[0, 0], [1, 1]]), (crosstalk, [[0, 0], [0, 1]])] {
            let mut rig = builtin("bench-good").unwrap();
            (rig.cards[0].faults, rig.host_mbps_max) = (vec![fault], 800);
            let bench = SimulatedBench::new(rig, 5);
            let plugs = [Some("P-1".to_owned()), Some("P-3".to_owned())];
            let setup = Setup {
                serial: "HB-0001",
                slot: "slot-1",
                plugs: &plugs,
                transceivers: &[],
                bench_share: 1.0,
                attempt: 1,
            };
            let port = |port, at_once| bench.port(&setup, port, at_once);
            let faults = |at_once| [1, 2].map(|number| port(number, at_once).faults.len());
            assert_eq!([faults(1), faults(2)], met);
            // 800 Mb/s are 65 876 frames of 1518 bytes a second: half of them for each of two ports.
            let takes = |at_once| port(1, at_once).host.frames_per_second_max;
            assert_eq!((takes(1), takes(2)), (0, 32_938));
        }
    }

    #[test]
    fn a_test_done_again_measures_the_same_and_another_attempt_does_not() {
        let bench = SimulatedBench::new(builtin("bench").unwrap(), 5);
        let procedure = Procedure::named("intake").unwrap();
        let plugs = [Some("P-1".to_owned()), Some("P-3".to_owned())];
        let at = |attempt| Setup {
            serial: "HB-0001",
            slot: "slot-1",
            plugs: &plugs,
            transceivers: &[],
            bench_share: 1.0,
            attempt,
        };
        let links = |attempt| bench.measure(&at(attempt), TestName::Links, &procedure);
        assert_eq!(links(1), links(1));
        assert_ne!(links(1), links(2));
    }
}
