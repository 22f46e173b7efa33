//! The bench from end to end: a simulated lot is tested, graded and put on paper.

use std::{fs, thread, time::Duration};

use serde_json::Value;
use turnback_core::{
    base::rng::Rng,
    bench::sim::{
        builtin,
        rig::{PlugFault, SlotFault},
    },
    sim::value::Ratio,
};

use crate::harness::{program::Program, setting::kills};

/// What is wrong with each card of `sim:bench`, and the grades that fit it.
pub(crate) const TRUTH: [(&str, &[&str]); 16] = [
    ("HB-0001", &["accepted"]),
    ("HB-0002", &["accepted"]),
    ("HB-0003", &["accepted"]),
    ("HB-0004", &["accepted"]),
    ("HB-0005", &["accepted"]),
    ("HB-0006", &["rejected", "card-bus"]),
    ("HB-0007", &["rejected", "card-bus-errors"]),
    ("HB-0008", &["rejected", "card-self-test"]),
    ("HB-0009", &["limited", "card-link"]),
    ("HB-0010", &["rejected", "card-hot"]),
    ("HB-0011", &["limited", "card-offload"]),
    ("HB-0012", &["rejected", "card-sticker"]),
    ("HB-0013", &["rejected", "card-claim"]),
    ("HB-0014", &["limited", "card-data"]),
    ("HB-0015", &["accepted"]),
    ("HB-0016", &["accepted"]),
];

/// Serial number, grade and rules against each card.
pub(crate) fn grades(document: &Value) -> Vec<(String, String, Vec<String>)> {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let cards = document["cards"].as_array().expect("cards");
    let rules = |card: &Value| {
        let reasons = card["verdict"]["reasons"].as_array().expect("reasons");
        reasons.iter().map(|reason| text(&reason["rule"])).collect()
    };
    cards.iter().map(|card| (text(&card["card"]["serial"]), text(&card["grade"]), rules(card))).collect()
}

#[test]
fn every_card_of_the_simulated_lot_gets_the_grade_that_it_deserves() {
    let program = Program::new();
    let finished = program.run("bench test sim:bench --yes --json");
    let document = finished.report();
    assert_eq!(finished.code, Some(0), "{}", finished.stderr);
    for ((serial, grade, rules), (truth, expected)) in grades(&document).iter().zip(TRUTH) {
        assert_eq!((serial.as_str(), grade.as_str()), (truth, expected[0]), "{rules:?}");
        assert!(expected[1..].iter().all(|rule| rules.iter().any(|found| found == rule)), "{serial}: {rules:?}");
        assert!(!rules.iter().any(|rule| rule == "bench-unproved"), "{serial}");
    }
    let summary = &document["lot"]["summary"];
    assert_eq!((&summary["grades"]["accepted"], &summary["unproved"]), (&7.into(), &0.into()));
    let odd = summary["oddities"].to_string();
    assert!(odd.contains("subsystem f1a7:1001") && odd.contains("is borne by"), "{odd}");
    // The worn plug and the dirty slot were found, and no card stands in for them.
    let all = document["cards"].to_string();
    assert!(all.contains("P-2 at fault") || !all.contains("\"P-2\""), "the worn plug is set aside");
    assert!(all.contains("slot-2 at fault"), "the dirty slot is set aside");
    // Each plug was fitted some times, on top of what the rig says; the worn one is known.
    let plugs = program.run("bench plugs --json").report();
    let plug = |label: &str| plugs.as_array().unwrap().iter().find(|plug| plug["plug"] == label).unwrap().clone();
    assert!(plug("P-1")["matings"].as_u64().unwrap() > 120 && plug("P-1")["at_fault"] == false, "{plugs}");
    assert_eq!(plug("P-2")["at_fault"], true, "{plugs}");
    assert!(program.run("bench plugs").stdout.contains("left"), "matings that are left");
    // A lot that is done is not tested again.
    let again = program.run("bench test sim:bench --yes");
    assert_eq!((again.code, again.stderr.lines().count()), (Some(0), 1), "{}", again.stderr);
    // Which plug and which slot to look after is said in plain words, and that cards were rejected.
    for said in ["set aside: plug P-2 is at fault: ", "set aside: slot-2 is at fault: ", "6 cards rejected"] {
        assert!(again.stdout.contains(said), "{said} in {}", again.stdout);
    }

    let closed = program.run("bench lot close stores-bench");
    assert_eq!(closed.code, Some(0), "{}", closed.stderr);
    assert!(closed.stdout.contains("every card graded; 6 cards rejected"), "{}", closed.stdout);
    let refused = program.run("bench test sim:bench --yes");
    assert!(refused.code == Some(2) && refused.stderr.contains("is closed"), "{}", refused.stderr);
}

/// `TURNBACK_KILLS` sets how often it is killed.
#[test]
fn a_lot_that_is_killed_again_and_again_ends_with_the_same_grades() {
    let whole = Program::new().run("bench test sim:bench --yes --json").report();
    let program = Program::new();
    let mut rng = Rng::new(20_261_129);
    let events = program.state().join("bench.jsonl");
    let (mut killed, wanted) = (0, kills(6));
    while killed < wanted {
        let running = program.start(&format!("bench test sim:bench --yes --events {}", events.display()));
        let lines = 1 + rng.below(2 * 380 / wanted.max(1)) as usize;
        for _ in 0..4000 {
            let told = fs::read_to_string(&events).unwrap_or_default();
            if told.lines().count() >= lines {
                break;
            }
            thread::sleep(Duration::from_millis(1));
        }
        running.signal(libc::SIGKILL);
        let finished = running.finish();
        killed += 1;
        if finished.code.is_some() {
            break;
        }
    }
    let finished = program.run("bench test sim:bench --yes --json");
    assert_eq!(grades(&finished.report()), grades(&whole), "after {killed} kills");
    assert!(killed > 2, "every run ended before it was killed");
}

#[test]
fn a_lot_waits_for_hands_and_goes_on_where_it_was_left() {
    let program = Program::new();
    // Nobody answers: the first request stays open.
    let waiting = program.run("bench test sim:bench-good --json");
    assert_eq!(waiting.code, Some(3), "{}", waiting.stderr);
    for said in ["do: ", "put the reference card into its slot", "caution: ", "Local codes", "kept for later"] {
        assert!(waiting.stderr.contains(said), "{said} in {}", waiting.stderr);
    }
    let answers = program.state().join("answers");
    fs::write(&answers, "go\n# the next card\nskip\ngo\ngo\nleave\n").unwrap();
    assert!(!waiting.stderr.contains("slot slot"), "{}", waiting.stderr);
    let left = program.run(&format!("bench test sim:bench-good --answers {}", answers.display()));
    assert!(left.code == Some(3) && left.stderr.contains("stores-bench-good-01: accepted"), "{}", left.stderr);
    assert!(left.stderr.contains("type \"leave\""), "an answer that does not fit: {}", left.stderr);
    let done = program.run("bench test sim:bench-good --yes --json");
    let grades = grades(&done.report());
    assert!(grades.len() == 4 && grades.iter().all(|(_, grade, _)| grade == "accepted"), "{grades:?}");
    // A card that is named is tested again.
    let again = program.run("bench test sim:bench-good stores-bench-good-02 --yes");
    assert!(again.stderr.contains("stores-bench-good-02: accepted"), "{}", again.stderr);
}

#[test]
fn fibre_cards_show_weak_transmitters_and_lossy_loops() {
    let program = Program::new();
    let document = program.run("bench test sim:bench-fibre --yes --json").report();
    let grades: Vec<_> = grades(&document).into_iter().map(|(_, grade, _)| grade).collect();
    assert_eq!(grades, ["accepted", "accepted", "accepted", "limited"]);
    assert!(document["cards"][3]["verdict"].to_string().contains("card-sends-weak"));
    // The transceiver that was found weak in card 2 is named, and the card is as good as it is with another one.
    assert!(document["cards"][1]["verdict"].to_string().contains("transceiver HB-0002-T1 at fault"), "{document}");
    let aside = document["lot"]["summary"]["set_aside"].to_string();
    assert!(aside.contains("transceiver HB-0002-T1") && aside.contains("plug P-1"), "{aside}");
    let all = program.run("bench transceivers --json").report();
    let bad: Vec<&Value> = all.as_array().unwrap().iter().filter(|one| one["at_fault"] == true).collect();
    assert!(bad.len() == 1 && bad[0]["transceiver"] == "HB-0002-T1" && bad[0]["matings"] == 2, "{all}");
    assert!(program.run("bench transceivers").stdout.contains("at fault"));
}

#[test]
fn a_sampled_lot_tests_what_was_drawn() {
    let program = Program::new();
    let opened = program.run("bench lot open quay-9 --quantity 16 --aql 4.0 --procedure intake --source shelf");
    assert_eq!(opened.code, Some(0), "{}", opened.stderr);
    let document = program.run("bench test sim:bench --lot quay-9 --yes --json").report();
    let plan = &document["lot"]["sampling"]["plan"];
    // 16 at 4 %: letter C, and an arrow up to the plan of B (MIL-STD-105E tables I and II-A, as in the unit tests).
    assert_eq!((&plan["code_letter"], &plan["plan_letter"], &plan["sample"]), (&"C".into(), &"B".into(), &3.into()));
    assert_eq!(document["cards"].as_array().map(Vec::len), Some(3));
    let twice = program.run("bench lot open quay-9 --quantity 16");
    assert!(twice.code == Some(2) && twice.stderr.contains("recorded already"), "{}", twice.stderr);
    let unknown = program.run("bench test sim:bench --lot quay-8 --yes");
    assert!(unknown.code == Some(2) && unknown.stderr.contains("hint: "), "{}", unknown.stderr);
}

#[test]
fn paper_holds_what_was_found() {
    let program = Program::new();
    let tested = program.run("bench test sim:bench --yes");
    assert_eq!(tested.code, Some(0), "{}", tested.stderr);
    let page = program.run("bench certificate stores-bench-09").stdout;
    for said in ["<h1>LIMITED: without port 2</h1>", "card-link", "Temperature under load", "proved with its reference"]
    {
        assert!(page.contains(said), "{said}");
    }
    assert!(!page.contains("<script") && !page.contains("src=\"http"), "self-contained");
    // Its second port got no link, so that nobody saw what becomes of frames behind it.
    let data = |result, measured| {
        format!(
            ">data</td><td role=\"cell\" data-word=\"result\">{result}</td><td role=\"cell\" \
                                           data-word=\"measured\">{measured}</td>"
        )
    };
    for row in [
        data("passed", "port 1: no frame damaged behind the frame check"),
        data("not tested", "port 2: no frame came through"),
    ] {
        assert!(page.contains(&row), "{row} in {page}");
    }
    let text = program.run("bench certificate stores-bench-01 --text").stdout;
    assert!(text.starts_with("ACCEPTED\n") && text.contains("bit error ratio proved below"), "{text}");
    let lot = program.run("bench lot report stores-bench").stdout;
    assert!(lot.contains("Reasons against cards") && lot.contains("far off: "), "{lot}");
    let csv = program.run("bench lot report stores-bench --csv").stdout;
    assert!(csv.contains("summary.grades.accepted,,7"), "{csv}");
    let label = program.run("bench label stores-bench-09 --size 50x30").stdout;
    assert!(label.contains("width=\"50mm\"") && label.contains(">LIMITED</text>"), "{label}");
    let missing = program.run("bench certificate stores-bench-77");
    assert!(missing.code == Some(2) && missing.stderr.contains("hint: "), "{}", missing.stderr);
    // Whole documents leave the records and come back.
    let file = program.state().join("all.jsonl");
    let export = program.run(&format!("records export --output {}", file.display()));
    assert_eq!(export.code, Some(0), "{}", export.stderr);
    let other = Program::new();
    let import = other.run(&format!("records import {}", file.display()));
    assert_eq!(import.code, Some(0), "{}", import.stderr);
    assert_eq!(other.run("bench lot show stores-bench").stdout, program.run("bench lot show stores-bench").stdout);
}

/// No good plug or slot is left: each card says so, the lot is shown as ever, and with a new one it goes on.
#[test]
fn a_bench_with_nothing_good_left_says_what_it_needs() {
    let program = Program::new();
    let file = |name: &str| program.state().join(format!("{name}.toml"));
    let worn = |plug: u32, is_worn: bool| {
        let mut spec = builtin("bench-good").unwrap().plugs[0].clone();
        spec.label = format!("P-{plug}");
        if is_worn {
            spec.faults = vec![PlugFault::BitErrors { ratio: Ratio(1e-6) }];
        }
        spec
    };
    let test = |name: &str, plugs: &[bool], words: &str| {
        let mut rig = builtin("bench-good").unwrap();
        rig.name = name.into();
        rig.plugs = (1..).zip(plugs).map(|(number, is_worn)| worn(number, *is_worn)).collect();
        fs::write(file(name), rig.to_toml()).unwrap();
        program.run(&format!("bench test sim:{} --yes {words}", file(name).display()))
    };
    let told = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    // The cards wear the plugs out one after the other; or the reference card has none left.
    for (name, plugs, needs) in [
        ("all-worn", &[true, true, true][..], "all-worn-02 and 2 more cards stay unfinished: a plug is needed"),
        ("one-good", &[false, true, true], "the reference card stays unfinished: another plug is needed"),
    ] {
        let stopped = test(name, plugs, "");
        assert_eq!(stopped.code, Some(3), "{stopped:?}");
        let (table, said) = (told(&stopped.stdout), told(&stopped.stderr));
        assert!(table.contains(&format!("{name}-04 HB-0004 unfinished")) && table.contains("not decided"), "{table}");
        assert!(table.contains("no further plug that is not at fault"), "{table}");
        assert!(said.contains(needs) && said.contains("hint: add a new plug to the bench"), "{said}");
        assert!(!said.contains("error: "), "{said}");
        let again = test(name, plugs, "");
        assert_eq!((again.code, told(&again.stdout)), (Some(3), table), "{}", again.stderr);
        // As the hint says.
        let plugs: Vec<bool> = plugs.iter().copied().chain([false; 3]).collect();
        let done = test(name, &plugs, "--json").report();
        let ends: Vec<_> = grades(&done).into_iter().map(|(_, grade, _)| grade).collect();
        assert_eq!(ends, ["accepted"; 4], "{done}");
    }

    let mut rig = builtin("bench-good").unwrap();
    rig.name = "dirty".into();
    rig.slots.truncate(2);
    rig.slots.iter_mut().for_each(|slot| slot.faults = vec![SlotFault::BusErrors { per_hour: 2000.0 }]);
    fs::write(file("dirty"), rig.to_toml()).unwrap();
    let stopped = program.run(&format!("bench test sim:{} --yes", file("dirty").display()));
    assert_eq!(stopped.code, Some(3), "{stopped:?}");
    let (table, said) = (told(&stopped.stdout), told(&stopped.stderr));
    let needs = "another slot is needed, and this bench has no further slot that is not at fault";
    assert!(
        table.contains("no further slot") && said.contains(needs) && said.contains("hint: use a slot"),
        "{stopped:?}"
    );
    assert!(!table.contains("move card"), "{table}");
    // The certificate says it too.
    let text = program.run("bench certificate dirty-01 --text").stdout;
    assert!(told(&text).contains(needs) && told(&text).contains("use a slot that no card failed in"), "{text}");
}

#[test]
fn plans_procedures_and_benches_are_printed_and_bad_ones_refused() {
    let program = Program::new();
    let plan = program.run("bench plan --quantity 120 --aql 1.0");
    assert!(
        plan.stdout.starts_with("Draw 13 of 120. Accept the lot if none of them is faulty; otherwise reject it."),
        "{}",
        plan.stdout
    );
    let json = program.run("bench plan --quantity 120 --aql 2.5 --json").report();
    assert_eq!((&json["plan"]["sample"], &json["plan"]["accept"]), (&20.into(), &1.into()));
    assert_eq!(json["drawn"].as_array().unwrap().len(), 20);
    for (arguments, said) in [
        ("bench plan --quantity 120 --aql 2.0", "1.5, 2.5"),
        ("bench plan --quantity 1 --aql 1.0", "at least 2"),
        ("bench plan --quantity 120", "--aql 1.0"),
        ("bench plan --quantity 120 --aql 1.0 --level IV", "S4, I, II"),
        ("bench procedures short", "intake, standard, burn-in"),
        ("bench test quay0", "bench rigs"),
        ("bench test sim:quay", "bench-fibre"),
        ("bench test sim:bench stores-bench-99 --yes", "stores-bench-01"),
        ("bench lot open x --quantity 4 --claim colour=red", "subsystem"),
        ("bench lot open x --quantity 0", "at least one"),
    ] {
        let refused = program.run(arguments);
        assert!(refused.code == Some(2) && refused.stderr.contains(said), "{arguments}: {}", refused.stderr);
    }
    let file = program.state().join("mine.toml");
    let standard = program.run("bench procedures standard").stdout;
    fs::write(&file, standard.replace("rounds = 10", "rounds = 0")).unwrap();
    let refused = program.run(&format!("bench lot open x --quantity 4 --procedure {}", file.display()));
    assert!(refused.stderr.contains("line ") && refused.stderr.contains("1 to 1000"), "{}", refused.stderr);
    let rig = program.state().join("rig.toml");
    fs::write(&rig, program.run("bench rigs bench-good").stdout).unwrap();
    let tested = program.run(&format!("bench test sim:{} --yes", rig.display()));
    assert_eq!(tested.code, Some(0), "{}", tested.stderr);
    assert_eq!(program.run("bench cards sim:bench --json").report().as_array().map(Vec::len), Some(16));
}
