//! Records through the real program: kept, found, compared, copied; with others writing, with no room, and with the
//! process killed in mid-write.

use std::{collections::BTreeSet, fs, path::PathBuf, thread, time::Duration};

use serde_json::Value;
use turnback::archive::{Archive, filter::Filter, sqlite::Store};
use turnback_core::document::DocumentKind;

use crate::harness::{
    disk::Disk,
    netns,
    program::{Finished, Program},
    setting::kills,
};

/// A short check of a rig, kept in the program's own records.
const SHORT: &str = "--for 3ms --no-confirm";

fn kept(program: &Program, arguments: &str) -> String {
    let finished = program.check(&format!("{arguments} {SHORT}"));
    assert!(!finished.stderr.contains("not recorded") && !finished.stderr.contains("not be recorded"), "{finished:?}");
    finished.report()["run"].as_str().unwrap().to_owned()
}

fn listed(program: &Program, arguments: &str) -> Vec<String> {
    let finished = program.run(&format!("records list --all --json {arguments}"));
    assert_eq!(finished.code, Some(0), "{finished:?}");
    finished.report().as_array().unwrap().iter().map(|r| r["run"].as_str().unwrap().to_owned()).collect()
}

fn sound(program: &Program, arguments: &str) -> u64 {
    let finished = program.run(&format!("records check --json {arguments}"));
    assert_eq!(finished.code, Some(0), "{finished:?}");
    assert_eq!(finished.report()["problems"], serde_json::json!([]));
    finished.report()["runs"].as_u64().unwrap()
}

fn contains(text: &str, part: &str) -> bool {
    text.contains(part)
}

#[test]
fn every_run_is_kept_and_found_under_its_labels() {
    let program = Program::new();
    let near = kept(&program, "sim:good --port-label A-14 --plug P-3");
    let far = kept(&program, "sim:bad-cable --cable Q-12 --segment quay-duct --far-end B-7 --note rusty");
    assert_eq!(listed(&program, ""), [far.clone(), near.clone()]);
    for (filter, found) in [
        ("--port A-14", &near),
        ("--port sim:good", &near),
        ("--plug P-*", &near),
        ("--placement at-port", &near),
        ("--cable Q-12", &far),
        ("--segment quay-duct --since 1h", &far),
        ("--placement far-end", &far),
    ] {
        assert_eq!(listed(&program, filter), std::slice::from_ref(found), "{filter}");
    }
    assert_eq!(listed(&program, "--cable Q-13"), [""; 0]);
    assert_eq!(listed(&program, "--until 1h"), [""; 0]);

    let table = program.run("records");
    assert_eq!(table.code, Some(0));
    assert!(contains(&table.stdout, "Q-12") && contains(&table.stdout, "rusty"), "{table:?}");
    // What the table shows is what can be typed.
    let mut rows = table.stdout.lines().skip_while(|line| !line.starts_with('-')).skip(1);
    let shown = rows.next().unwrap().split_whitespace().next().unwrap();
    let report = program.run(&format!("records show {shown} --json")).report();
    assert_eq!(report["run"].as_str(), Some(far.as_str()));
    assert_eq!(report["labels"]["far_end"], "B-7");
    assert!(!report["machine"].as_str().unwrap().is_empty());
    let text = program.run(&format!("records show {near}")).stdout;
    assert!(contains(&text, "port label: A-14") && contains(&text, "plug: P-3"), "{text}");
}

#[test]
fn two_runs_are_compared_beyond_chance() {
    let program = Program::new();
    for rig in ["sim:good", "sim:good", "sim:bad-cable"] {
        let finished = program.check(&format!("{rig} --placement far-end --for 300ms --no-confirm"));
        assert!(finished.code.is_some_and(|code| code != 2), "{finished:?}");
    }
    let runs = listed(&program, "");
    let (bad, good, also_good) = (&runs[0], &runs[1], &runs[2]);
    let change = |a: &str, b: &str| {
        let document = program.run(&format!("records compare {a} {b} --json")).report();
        let figures = document["figures"].as_array().unwrap().clone();
        figures.into_iter().find(|f| f["name"] == "bit error ratio").unwrap()["change"].clone()
    };
    assert_eq!(change(also_good, good), "same");
    assert_eq!(change(good, bad), "higher");
    assert_eq!(change(bad, good), "lower");
    let text = program.run(&format!("records compare {good} {bad}")).stdout;
    assert!(text.starts_with("beyond chance: bit error ratio is higher in the second"), "{text}");
}

#[test]
fn a_port_that_must_not_be_tested_is_recorded_too() {
    let program = Program::new();
    let refused = program.check("sim:live-network");
    assert_eq!(refused.code, Some(4));
    let runs = listed(&program, "--outcome not-tested");
    assert_eq!(runs, [refused.report()["run"].as_str().unwrap()]);
}

#[test]
fn nothing_is_kept_when_that_is_asked() {
    let program = Program::new();
    assert_eq!(program.check(&format!("sim:good --no-record {SHORT}")).code, Some(3));
    assert!(!program.state().join("records.db").exists());
    let nothing = program.run("records");
    assert_eq!((nothing.code, nothing.stdout.as_str()), (Some(0), ""));
    assert!(contains(&nothing.stderr, "nothing is recorded yet"), "{nothing:?}");
    assert_eq!(listed(&program, ""), [""; 0]);
}

#[test]
fn wrong_words_are_refused_with_the_way_out() {
    let program = Program::new();
    kept(&program, "sim:good");
    for (arguments, said) in [
        ("records show zz", "no recorded run"),
        ("records show 0123456", "`turnback records` lists"),
        ("records list --since yesterday", "`yesterday` is no age"),
        ("records list --outcome good", "not-tested"),
        ("records list --placement inside", "far-end"),
        ("records --port quay7 show last", "go after its name"),
        ("records list --store no/such.db", "there are no records at no/such.db"),
        ("records prune", "--older-than"),
        ("check sim:good --placement internal --cable Q-1", "leave out --cable: the loop"),
        ("check sim:good --placement internal --segment Q-1", "leave out --segment: the loop"),
        ("records prune --older-than soon", "`soon` is no age"),
        ("records import no-such-file", "no-such-file"),
        ("records backup /no-such-folder/copy.db", "/no-such-folder/copy.db"),
        ("records export --output /no-such-folder/runs.csv", "/no-such-folder/runs.csv"),
        ("check sim:good --cable=", "nothing is written on it"),
        ("check sim:good --no-record --store x.db", "cannot be used with"),
    ] {
        let finished = program.run(arguments);
        assert_eq!((finished.code, finished.stdout.as_str()), (Some(2), ""), "{arguments}: {finished:?}");
        assert!(contains(&finished.stderr, said), "{arguments}: {}", finished.stderr);
    }
}

#[test]
fn a_store_that_cannot_be_used_leaves_report_and_exit_status_alone() {
    let program = Program::new();
    let notes = program.state().join("notes.txt");
    fs::write(&notes, "the lock-gate controller again\n".repeat(300)).unwrap();
    for place in [notes.display().to_string(), "/no-such-folder/records.db".into(), "/proc/records.db".into()] {
        let finished = program.check(&format!("sim:bad-port --store {place}"));
        assert_eq!(finished.code, Some(1), "{finished:?}");
        let run = finished.report()["run"].as_str().unwrap().to_owned();
        assert!(contains(&finished.stderr, "this run will not be recorded"), "{finished:?}");
        assert!(contains(&finished.stderr, &format!("run {run} is not recorded")), "{finished:?}");
    }
    assert!(fs::read_to_string(&notes).unwrap().starts_with("the lock-gate"));
}

#[test]
fn records_move_to_another_machine() {
    let (from, to) = (Program::new(), Program::new());
    let runs: Vec<_> = ["sim:good", "sim:bad-plug"].iter().map(|rig| kept(&from, rig)).collect();
    let lines = from.state().join("runs.jsonl").display().to_string();
    let csv = from.state().join("runs.csv").display().to_string();
    assert_eq!(from.run(&format!("records export --output {lines}")).code, Some(0));
    assert_eq!(from.run(&format!("records export --output {csv}")).code, Some(0));
    assert_eq!(fs::read_to_string(&csv).unwrap().lines().count(), 3);
    let taken = |file: &str| to.run(&format!("records import {file} --json")).report();
    assert_eq!(taken(&csv), serde_json::json!({"new": 2, "completed": 0, "already_there": 0, "cases": 0, "bench": 0}));
    assert_eq!(
        taken(&lines),
        serde_json::json!({"new": 0, "completed": 2, "already_there": 0, "cases": 0, "bench": 0})
    );
    assert_eq!(
        taken(&lines),
        serde_json::json!({"new": 0, "completed": 0, "already_there": 2, "cases": 0, "bench": 0})
    );
    let there: BTreeSet<_> = listed(&to, "").into_iter().collect();
    assert_eq!(there, runs.iter().cloned().collect());
    let show = |program: &Program| program.run(&format!("records show {} --json", runs[0])).stdout;
    assert_eq!(show(&from), show(&to));

    // The document that a check printed is a record as well.
    let printed = from.state().join("one.json");
    fs::write(&printed, from.check("sim:good --no-record --for 3ms").stdout).unwrap();
    assert_eq!(taken(&printed.display().to_string())["new"], 1);
}

#[test]
fn old_runs_are_dropped_by_hand_and_by_rule() {
    let program = Program::new();
    let runs: Vec<_> = (0..4).map(|_| kept(&program, "sim:good")).collect();
    let asked = program.run("records prune --keep 3 --automatic");
    assert_eq!((asked.code, asked.stdout.as_str()), (Some(2), "1 run would be dropped, of 4 runs\n"));
    assert!(contains(&asked.stderr, "--yes"), "{asked:?}");
    let unruled = program.run("records prune");
    assert!(contains(&unruled.stderr, "nothing says what to drop"), "a refused rule is not kept: {unruled:?}");
    assert_eq!(program.run("records prune --older-than 1d").stdout, "0 runs dropped, 4 runs left\n");
    assert_eq!(program.run("records prune --keep 2 --automatic --yes").stdout, "2 runs dropped, 2 runs left\n");
    let next = kept(&program, "sim:good");
    assert_eq!(listed(&program, ""), [next, runs[3].clone()]);
    assert_eq!(program.run("records prune --no-automatic").code, Some(0));
    kept(&program, "sim:good");
    assert_eq!(listed(&program, "").len(), 3);

    let copy = program.state().join("copy.db").display().to_string();
    assert_eq!(program.run(&format!("records backup {copy}")).code, Some(0));
    assert_eq!(program.run(&format!("records backup {copy}")).code, Some(2));
    assert_eq!(sound(&program, &format!("--store {copy}")), 3);
    assert_eq!(sound(&program, ""), 3);
}

#[test]
fn a_label_is_corrected_and_the_old_one_is_kept() {
    let program = Program::new();
    let run = kept(&program, "sim:good --cable Q-12 --note wet");
    let done = program.run("records correct last --cable Q-13 --note dry");
    let (of, told) = done.stdout.split_once('\n').unwrap_or_default();
    assert!(run.starts_with(of.split_whitespace().nth(1).unwrap_or("no run")) && of.contains(" of sim:good, "), "{of}");
    let corrected = "cable: Q-13 (was Q-12, kept in the report)\nnote: dry (was wet, kept in the report)\n";
    assert_eq!((done.code, told), (Some(0), corrected), "{done:?}");
    let report = program.run(&format!("records show {run} --json")).report();
    assert_eq!((&report["cable"], &report["labels"]["note"]), (&"Q-13".into(), &"dry".into()));
    let was: Vec<_> = report["labels"]["corrections"].as_array().unwrap().iter().map(|c| c["was"].clone()).collect();
    assert_eq!(was, ["Q-12", "wet"]);
    assert_eq!((listed(&program, "--cable Q-13"), listed(&program, "--cable Q-12")), (vec![run], vec![]));
    let removed = program.run("records correct last --remove note,cable");
    assert_eq!(removed.code, Some(0), "{removed:?}");
    assert!(removed.stdout.contains("note: none (was dry, kept in the report)"), "{removed:?}");
    assert_eq!(listed(&program, "--cable Q-13"), [""; 0]);
    let both = program.run("records correct last --remove cable --cable Q-13");
    assert!(both.code == Some(2) && contains(&both.stderr, "both given and removed"), "{both:?}");
    let gone = program.run("records correct last --remove note");
    assert!(gone.code == Some(2) && contains(&gone.stderr, "this run has no note"), "{gone:?}");
    assert_eq!(program.run("records correct last --cable Q-13").code, Some(0));
    let same = program.run("records correct last --cable Q-13");
    assert!(same.code == Some(2) && contains(&same.stderr, "nothing to correct"), "{same:?}");
    assert_eq!(program.run("records correct ffff --cable Q-13").code, Some(2));
}

/// A case with one stage done; its id and that of the run.
fn open_case(program: &Program) -> (String, String) {
    let case = program.run("isolate sim:bad-cable --cable Q-12 --stage at-port --yes --json").report();
    let id = |value: &Value| value.as_str().unwrap().to_owned();
    (id(&case["case"]), id(&case["stages"][0]["run"]))
}

#[test]
fn one_run_or_case_is_dropped_on_a_second_word() {
    let program = Program::new();
    let (case, stage) = open_case(&program);
    let run = kept(&program, "sim:good");
    let asked = program.run(&format!("records drop {run}"));
    assert!(asked.code == Some(2) && contains(&asked.stderr, &run) && contains(&asked.stderr, "--yes"), "{asked:?}");
    assert_eq!(listed(&program, ""), [run.clone(), stage.clone()]);
    assert_eq!(program.run(&format!("records drop {run} --yes")).code, Some(0));
    assert_eq!(listed(&program, ""), std::slice::from_ref(&stage));
    // What an open case rests on goes after the case.
    let refused = program.run(&format!("records drop {stage} --yes"));
    assert!(refused.code == Some(2) && contains(&refused.stderr, "case"), "{refused:?}");
    assert_eq!(program.run(&format!("records drop {case} --yes")).code, Some(0));
    assert_eq!(program.run("records cases --json").stderr, "");
    assert_eq!(program.run(&format!("records drop {stage} --yes")).code, Some(0));
    assert_eq!(listed(&program, ""), [""; 0]);
}

#[test]
fn prune_says_what_it_keeps_and_why() {
    let program = Program::new();
    let (_, stage) = open_case(&program);
    kept(&program, "sim:good");
    let why = "1 older run kept, because open cases use them (`turnback records cases --open` lists these)\n";
    assert_eq!(program.run("records prune --keep 0").stdout, format!("1 run would be dropped, of 2 runs\n{why}"));
    assert_eq!(program.run("records prune --keep 0 --yes").stdout, format!("1 run dropped, 1 run left\n{why}"));
    assert_eq!(listed(&program, ""), [stage]);
}

#[test]
fn a_label_that_looks_like_a_known_one_is_asked_about() {
    let program = Program::new();
    kept(&program, "sim:good --cable Q-12 --plug P-1");
    let told = |arguments: &str| program.run(&format!("{arguments} --no-confirm --for 3ms")).stderr;
    let both = told("check sim:good --cable q12 --plug p-l");
    assert!(contains(&both, "cable q12 is recorded yet; is Q-12 meant?"), "{both}");
    assert!(contains(&both, "plug p-l is recorded yet; is P-1 meant?"), "{both}");
    // Now both are known, as a neighbour is another cable.
    for known in ["--cable q12 --plug p-l", "--cable Q-13", "--cable Q-112 --port-label A-14"] {
        assert!(!contains(&told(&format!("check sim:good {known}")), "meant?"), "{known}");
    }
    let case = program.run("isolate sim:good --cable Q--12 --stage internal --yes").stderr;
    assert!(contains(&case, "cable Q--12 is recorded yet; is q12 meant?"), "{case}");
}

/// Lines of reports that differ by id alone, written to a file of the program's own.
fn lines_of(program: &Program, model: &Value, series: u16, count: u32) -> PathBuf {
    let mut text = String::new();
    for n in 0..count {
        let mut report = model.clone();
        report["run"] = format!("019ca86a-{series:04x}-7000-8000-{n:012x}").into();
        text.push_str(&format!("{report}\n"));
    }
    let path = program.state().join(format!("lines-{series}.jsonl"));
    fs::write(&path, text).unwrap();
    path
}

fn model(program: &Program) -> Value {
    program.check(&format!("sim:good --no-record {SHORT}")).report()
}

#[test]
fn many_processes_write_side_by_side() {
    let program = Program::new();
    let model = model(&program);
    let (writers, each, checks) = (6_u16, 300_u32, 6);
    let files: Vec<_> = (0..writers).map(|series| lines_of(&program, &model, series, each)).collect();
    // No one has made the file yet: all of them try.
    let codes: Vec<Finished> = thread::scope(|scope| {
        let program = &program;
        let imports: Vec<_> = files
            .iter()
            .map(|file| scope.spawn(move || program.run(&format!("records import {}", file.display()))))
            .collect();
        let checks: Vec<_> =
            (0..checks).map(|_| scope.spawn(move || program.run(&format!("check sim:good {SHORT}")))).collect();
        imports.into_iter().chain(checks).map(|running| running.join().unwrap()).collect()
    });
    for finished in &codes {
        assert!(matches!(finished.code, Some(0 | 3)), "{finished:?}");
        assert!(!contains(&finished.stderr, "not recorded"), "{finished:?}");
    }
    assert_eq!(sound(&program, ""), u64::from(writers) * u64::from(each) + checks);
}

/// Kills a writer as soon as it has written a drawn number of runs, again and again. What was seen to be written stays;
/// the file is sound each time. `TURNBACK_KILLS` sets how often.
#[test]
fn a_killed_writer_loses_nothing_that_was_there() {
    let kills = kills(5) as u16;
    let program = Program::new();
    let model = model(&program);
    kept(&program, "sim:good");
    let store = Store::open_existing(&program.state().join("records.db")).unwrap();
    let count = || store.count(&Filter::default()).unwrap();
    let mut rng = turnback_core::base::rng::Rng::new(20_261_125);
    let (mut before, mut cut_short) = (1, 0);
    for kill in 0..kills {
        let lines = lines_of(&program, &model, kill, 1200);
        let running = program.start(&format!("records import {}", lines.display()));
        let enough = before + rng.draw() % 900;
        let mut seen = count();
        while seen < enough {
            seen = count();
            // The writer needs the processor more than the one who waits for it.
            thread::sleep(Duration::from_millis(2));
        }
        running.signal(libc::SIGKILL);
        let finished = running.finish();
        assert!(finished.code.is_none() || finished.code == Some(0), "{finished:?}");
        cut_short += u32::from(finished.code.is_none());
        fs::remove_file(&lines).unwrap();
        let after = count();
        assert!(after >= seen, "kill {kill}: {after} runs, {seen} were seen before");
        // Portions are there in full or not at all.
        assert_eq!((after - before) % 200, 0, "kill {kill}");
        before = after;
        let newest = store.runs(&Filter::default(), Some(1)).unwrap();
        store.get(DocumentKind::Run, &newest[0].run).unwrap();
        if kills <= 10 || kill % 10 == 9 {
            assert_eq!(sound(&program, ""), after, "kill {kill}");
        }
    }
    assert!(cut_short > 0, "every writer was done before it was killed");
    println!("{kills} kills, {cut_short} of them in mid-write, {before} runs, sound");
    kept(&program, "sim:good");
}

#[test]
fn a_run_killed_while_it_is_kept_leaves_the_records_sound() {
    let program = Program::new();
    let first = kept(&program, "sim:good");
    for _ in 0..5 {
        let running = program.start_until(&format!("check sim:good {SHORT}"), "run-ended");
        running.signal(libc::SIGKILL);
        running.finish();
    }
    let runs = listed(&program, "");
    assert_eq!(runs.last(), Some(&first));
    assert_eq!(sound(&program, ""), runs.len() as u64);
}

/// Too damaged to be opened is damaged, and nobody is sent to the command that says so.
#[test]
fn a_file_that_cannot_be_opened_for_its_damage_is_found_damaged() {
    let program = Program::new();
    let lines = lines_of(&program, &model(&program), 7, 60);
    assert_eq!(program.run(&format!("records import {}", lines.display())).code, Some(0));
    let whole = fs::read(program.state().join("records.db")).unwrap();
    let cut = program.state().join("cut.db");
    fs::write(&cut, &whole[..100_000.min(whole.len() / 2)]).unwrap();
    for json in ["", " --json"] {
        let checked = program.run(&format!("records check --store {}{json}", cut.display()));
        assert_eq!(checked.code, Some(1), "{checked:?}");
        assert!(contains(&checked.stdout, "malformed"), "{checked:?}");
        let hint = "hint: take the newest backup";
        assert!(contains(&checked.stderr, hint) && !contains(&checked.stderr, "records check"), "{checked:?}");
    }
    // Every other command finds it unusable.
    let listed = program.run(&format!("records --store {}", cut.display()));
    assert!(listed.code == Some(2) && contains(&listed.stderr, "`turnback records check` says more"), "{listed:?}");
}

#[test]
fn the_id_of_a_case_is_no_run_and_cases_are_found_by_port_and_cable() {
    let program = Program::new();
    let (case, stage) = open_case(&program);
    let words = |words: &str| format!("records {words} {case}");
    for words in [words("show"), words(&format!("compare {stage}")), words("correct --note dry")] {
        let refused = program.run(&words);
        assert_eq!(refused.code, Some(2), "{refused:?}");
        let said = format!("`{case}` begins the id of a case, not of a run");
        assert!(contains(&refused.stderr, &said), "{refused:?}");
        assert!(contains(&refused.stderr, &format!("`turnback report {case}` shows it")), "{refused:?}");
    }
    assert!(program.run(&format!("report {case} --text")).stdout.contains("cable Q-12"));
    program.run("isolate sim:good --cable Q-13 --stage internal --yes");
    let cables = |words: &str| {
        let cases = program.run(&format!("records cases {words} --json")).report();
        let cable = |case: &Value| case["cable"].as_str().unwrap().to_owned();
        cases.as_array().unwrap().iter().map(cable).collect::<Vec<_>>().join(" ")
    };
    for (words, found) in [
        ("", "Q-13 Q-12"),
        ("--cable Q-12", "Q-12"),
        ("--cable Q-*", "Q-13 Q-12"),
        ("--port sim:good", "Q-13"),
        ("--port sim:good --cable Q-12", ""),
        ("--port sim:bad-?able --open", "Q-12"),
    ] {
        assert_eq!(cables(words), found, "{words}");
    }
}

/// A real full disk: a small file system of its own, in a mount namespace of its own.
#[test]
fn on_a_full_disk_the_report_is_printed_and_earlier_records_stay() {
    netns::in_fresh_namespace(|| {
        let disk = Disk::new(512);
        let folder = disk.path().display();
        let program = Program::new();
        let store = format!("--store {folder}/records.db");
        let mut earlier = Vec::new();
        let refused = loop {
            let finished = program.check(&format!("sim:good {SHORT} {store}"));
            assert_eq!(finished.code, Some(3), "{finished:?}");
            let run = finished.report()["run"].as_str().unwrap().to_owned();
            if contains(&finished.stderr, "not recorded") {
                assert!(contains(&finished.stderr, &run), "{finished:?}");
                break finished;
            }
            earlier.push(run);
            assert!(earlier.len() < 500, "it never fills up");
        };
        assert!(!earlier.is_empty());
        assert!(contains(&refused.stderr, "no room") || contains(&refused.stderr, "full"), "{refused:?}");
        // Not a byte is left, not even for opening it.
        disk.fill();
        let again = program.check(&format!("sim:bad-port {store}"));
        assert_eq!(again.code, Some(1), "{again:?}");
        assert!(contains(&again.stderr, "not recorded") && again.report()["run"].is_string(), "{again:?}");
        disk.free();
        netns::run(&format!("mount -o remount,size=8m {folder}"));
        let there: BTreeSet<_> = listed(&program, &store).into_iter().collect();
        assert!(earlier.iter().all(|run| there.contains(run)), "{earlier:?} {there:?}");
        sound(&program, &store);
        // With room again the next run is kept.
        let next = program.check(&format!("sim:good {SHORT} {store}"));
        assert!(!contains(&next.stderr, "not recorded"), "{next:?}");
    });
}
