//! Measures how good grades are: benches with drawn faults of cards, plugs, slots, transceivers and computer, truth
//! against grade.
//! `scripts/bench-trials` explains the options; `docs/bench.md` has the table of a full run.

use std::{collections::BTreeMap, process::ExitCode};

use turnback::{
    archive::memory::Memory,
    engine::cancel::Cancel,
    work::bench::{
        asking::Wish,
        lot::{self, Opening},
        runner::BenchRunner,
    },
};
use turnback_core::{
    base::rng::Rng,
    bench::{
        claim::Claim,
        procedure::Procedure,
        sim::{
            BenchRig, SimulatedBench,
            rig::{CardFault, CardSpec, OwnTransceiver, PlugFault, SlotFault, TransceiverFault, TransceiverSpec},
        },
    },
    document::card_test::{CardTest, Grade},
    kind::ethernet::link::Medium,
    sim::value::Ratio,
};

/// Least share of faulty cards that are not accepted.
const CAUGHT_MIN: f64 = 0.99;
/// Share of benches with procedure `standard`, whose runs take long; the others have `intake`.
const STANDARD: f64 = 0.1;
/// Share of the faults that show only with all ports on, of those of cards with several ports and that procedure.
const ALL_PORTS: f64 = 0.5;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number = |name: &str, otherwise: u64| {
        let at = words.iter().position(|word| word == name);
        at.and_then(|at| words.get(at + 1)?.parse().ok()).unwrap_or(otherwise)
    };
    let show = words.iter().any(|word| word == "--show");
    let (first, count) = if show { (number("--show", 0), 1) } else { (number("--from", 0), number("--cases", 500)) };
    let mut table: BTreeMap<(bool, &str), [u32; 4]> = BTreeMap::new();
    let mut wrong = Vec::new();
    for seed in first..first + count {
        let rig = draw(&mut Rng::new(seed));
        let graded = grade(&rig, seed);
        for (spec, test) in rig.cards.iter().zip(&graded) {
            // A card is as good as it is without a transceiver that can be taken out.
            let is_healthy = spec.faults.is_empty();
            let of_its_transceiver = spec.transceivers.iter().flat_map(|own| &own.faults).next();
            let truth = match (spec.faults.first(), of_its_transceiver) {
                (Some(fault), _) => fault.name(),
                (None, Some(fault)) => fault.name(),
                (None, None) => "none",
            };
            table.entry((!is_healthy, truth)).or_default()[test.grade as usize] += 1;
            let healthy_blamed = is_healthy && matches!(test.grade, Grade::Rejected | Grade::Limited);
            if healthy_blamed || !is_healthy && test.grade == Grade::Accepted {
                wrong.push(format!("seed {seed}: {truth} is {}: {}", test.grade.name(), test.why()));
            }
            if show {
                println!("{} {truth}: {}", test.label, serde_json::to_string_pretty(&test).unwrap_or_default());
            }
        }
        if show {
            println!("{}", rig.to_toml());
        }
    }
    println!("| truth | accepted | limited | rejected | unfinished |\n|---|---|---|---|---|");
    for ((is_bad, truth), counts) in &table {
        let truth = if *is_bad || *truth == "none" { (*truth).to_owned() } else { format!("none, {truth}") };
        println!("| {truth} | {} | {} | {} | {} |", counts[0], counts[1], counts[2], counts[3]);
    }
    wrong.iter().take(20).for_each(|line| println!("{line}"));
    let counts = |bad: bool| table.iter().filter(move |((is_bad, _), _)| *is_bad == bad).map(|(_, counts)| counts);
    let healthy = counts(false).fold([0; 4], |sum, counts| std::array::from_fn(|at| sum[at] + counts[at]));
    let (all, accepted) =
        counts(true).fold((0, 0), |(all, accepted), c| (all + c.iter().sum::<u32>(), accepted + c[0]));
    let caught = 1.0 - f64::from(accepted) / f64::from(all.max(1));
    println!(
        "\n{} healthy cards: {} rejected or limited, {} unfinished. {all} faulty cards: {:.2} % not accepted.",
        healthy.iter().sum::<u32>(),
        healthy[1] + healthy[2],
        healthy[3],
        caught * 100.0
    );
    if healthy[1] + healthy[2] == 0 && caught >= CAUGHT_MIN { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// The card tests of a bench, in the order of its cards.
fn grade(rig: &BenchRig, seed: u64) -> Vec<CardTest> {
    let mut archive = Memory::default();
    let opening = Opening {
        label: "trial".to_owned(),
        source: String::new(),
        claim: rig.claim.clone(),
        quantity: rig.cards.len() as u32,
        procedure: Procedure::named(&rig.procedure).expect("built in"),
        sampling: None,
    };
    let opened = lot::open(&mut archive, opening).expect("memory");
    let mut bench = SimulatedBench::new(rig.clone(), seed);
    let mut runner =
        BenchRunner::new(opened, &mut archive, &mut bench, "trial".to_owned(), Cancel::default()).expect("an open lot");
    let tested = runner.test(&[], &mut |_| Ok(Wish::Go), &mut |_| {});
    if let Err(error) = tested {
        println!("seed {seed}: {error}");
    }
    lot::card_tests(&archive, "trial").expect("memory")
}

/// A bench of two cards, three slots and five plugs, with what may be wrong with each.
fn draw(rng: &mut Rng) -> BenchRig {
    let mut rig = BenchRig { claim: claim(), ..BenchRig::default() };
    let label = |prefix: &str, number: usize| format!("{prefix}-{number}");
    let (slot, plug) = (rig.slots[0].clone(), rig.plugs[0].clone());
    rig.slots = (1..=3)
        .map(|n| {
            let mut slot = slot.clone();
            slot.label = label("slot", n);
            slot
        })
        .collect();
    rig.plugs = (1..=6)
        .map(|n| {
            let mut plug = plug.clone();
            plug.label = label("P", n);
            plug
        })
        .collect();
    if rng.chance(STANDARD) {
        rig.procedure = "standard".to_owned();
    }
    if rng.chance(0.3) {
        rig.model.ports = 1;
        rig.claim.ports = Some(1);
    }
    if rng.chance(0.3) {
        rig.model.medium = Medium::Fibre;
    }
    if rng.chance(0.2) {
        rig.host_mbps_max = 400 + rng.below(2000) as u32;
    }
    // Two things of the bench may be bad at once, of any kind.
    for _ in 0..rng.below(3) {
        if rng.chance(0.7) {
            let worn = rng.below(rig.plugs.len() as u64) as usize;
            let fault = match rng.below(4) {
                0 => PlugFault::Open,
                1 => PlugFault::Drops { every_s: 0.5 + rng.fraction() },
                2 if rig.model.medium == Medium::Fibre => PlugFault::Lossy { db: 5.0 + 6.0 * rng.fraction() },
                _ => PlugFault::BitErrors { ratio: ratio(rng, 1e-6, 1e-4) },
            };
            rig.plugs[worn].faults = vec![fault];
        } else if rig.slots.iter().all(|slot| slot.faults.is_empty()) {
            let dirty = rng.below(rig.slots.len() as u64) as usize;
            let fault = if rng.chance(0.5) {
                SlotFault::NarrowBus { lanes: 1 }
            } else {
                SlotFault::BusErrors { per_hour: 2000.0 + 20_000.0 * rng.fraction() }
            };
            rig.slots[dirty].faults = vec![fault];
        }
    }
    let serial = |number: usize| format!("HB-{number:04}");
    rig.cards = (1..=2).map(|n| CardSpec { serial: serial(n), ..CardSpec::default() }).collect();
    let bad = rng.below(2) as usize;
    if rng.chance(0.6) {
        rig.cards[bad].faults = vec![card_fault(rng, &rig, &serial(2 - bad))];
    }
    if rig.model.medium == Medium::Fibre {
        transceivers(rng, &mut rig);
    }
    rig
}

/// Spare transceivers, one of them bad at times; and a bad one in a card, whose other faults are as they are.
fn transceivers(rng: &mut Rng, rig: &mut BenchRig) {
    let spares = rng.below(3) as usize;
    rig.transceivers = (1..=spares).map(|n| TransceiverSpec { label: format!("T-{n}"), faults: Vec::new() }).collect();
    if spares > 0 && rng.chance(0.2) {
        rig.transceivers[0].faults = vec![transceiver_fault(rng)];
    }
    if rng.chance(0.5) {
        let (card, port) = (rng.below(2) as usize, 1 + rng.below(rig.model.ports.into()) as u32);
        rig.cards[card].transceivers = vec![OwnTransceiver { port, faults: vec![transceiver_fault(rng)] }];
    }
}

fn transceiver_fault(rng: &mut Rng) -> TransceiverFault {
    match rng.below(4) {
        0 => TransceiverFault::WeakTransceiver { sent_dbm: -14.0 + 3.0 * rng.fraction() },
        1 => TransceiverFault::DimReceiver { db: 5.0 + 6.0 * rng.fraction() },
        2 => TransceiverFault::TransceiverErrors { ratio: ratio(rng, 1e-6, 1e-4) },
        _ => TransceiverFault::DeadTransceiver,
    }
}

fn claim() -> Claim {
    "device=f1a7:0b02,subsystem=f1a7:1002,ports=2,speed=1000".parse().expect("a claim")
}

/// Log-uniform between two ratios.
fn ratio(rng: &mut Rng, low: f64, high: f64) -> Ratio {
    Ratio(low * (high / low).powf(rng.fraction()))
}

/// A fault beyond the limits of the rig's procedure.
fn card_fault(rng: &mut Rng, rig: &BenchRig, other: &str) -> CardFault {
    let port = 1 + rng.below(rig.model.ports.into()) as u32;
    // `intake` does not have all ports on.
    if rig.procedure == "standard" && rig.model.ports > 1 && rng.chance(ALL_PORTS) {
        return match rng.below(2) {
            0 => CardFault::SharedMemory { ratio: ratio(rng, 1e-4, 1e-2) },
            _ => CardFault::Crosstalk { port, ratio: ratio(rng, 1e-7, 1e-4) },
        };
    }
    match rng.below(13) {
        0 => CardFault::NarrowBus { lanes: 1 + rng.below(2) as u32 },
        1 => CardFault::BusErrors { per_hour: 2000.0 + 20_000.0 * rng.fraction() },
        2 => CardFault::DamagedMemory { ratio: ratio(rng, 1e-3, 1e-2) },
        3 => CardFault::DeadPort { port },
        4 => CardFault::Drops { port, every_s: 0.5 + rng.fraction() },
        5 => CardFault::Overheats { warm_c: 125.0 + 20.0 * rng.fraction(), slows_to: 0.5 + 0.4 * rng.fraction() },
        6 => CardFault::WrongChecksum,
        7 => CardFault::ClonedAddress { of: other.to_owned() },
        8 => CardFault::Subsystem { is: "f1a7:1001".to_owned() },
        9 => CardFault::DeadQueue { port, queue: rng.below(rig.model.queues.into()) as u32 },
        10 => CardFault::SilentQueue { port, queue: rng.below(rig.model.queues.into()) as u32 },
        11 if rig.model.medium == Medium::Fibre => {
            CardFault::WeakTransmitter { port, sent_dbm: -14.0 + 3.0 * rng.fraction() }
        }
        _ => CardFault::BitErrors { port, ratio: ratio(rng, 1e-6, 1e-4) },
    }
}
