//! Whole cases by the real program: on simulated rigs, taken up after a kill, answered from a file, and on a TAP device
//! whose plug is changed between the stages.

use std::{
    fs,
    io::{BufRead, BufReader},
    path::Path,
    process::Stdio,
};

use serde_json::Value;
use turnback::guard::lock::PortLock;

use crate::harness::netns::{in_fresh_namespace, run};
use crate::harness::program::{Finished, Program, TapPlug};
use crate::rig_script::{Down, rig, text};

fn isolate(program: &Program, arguments: &str) -> Finished {
    program.run(&format!("isolate {arguments} --json"))
}

fn places(case: &Value) -> String {
    let places: Vec<&str> =
        case["verdict"]["location"].as_array().unwrap().iter().map(|l| l.as_str().unwrap()).collect();
    places.join(" ")
}

/// The verdict that each built-in rig is made for.
#[test]
fn a_rig_moves_its_plug_and_is_led_to_its_verdict() {
    let table = [
        ("good", 0, "pass", "", None),
        ("bad-cable", 1, "fault", "cable", Some("quay-duct")),
        ("bad-port", 1, "fault", "port", None),
        ("bad-plug", 1, "fault", "plug", None),
        ("flapping", 1, "fault", "port", None),
        ("memory-fault", 1, "fault", "host", None),
        ("open-pair", 1, "fault", "cable", Some("crane-trench")),
        ("noisy-pair", 1, "fault", "cable", Some("crane-rail")),
        ("loose-tail", 1, "fault", "cable", Some("cabinet-4-tail")),
        ("comes-and-goes", 1, "fault", "plug", None),
        ("dirty-contact", 3, "undecided", "", None),
        ("live-network", 4, "not-tested", "", None),
    ];
    for (rig, code, outcome, location, segment) in table {
        let done = isolate(&Program::new(), &format!("sim:{rig} --cable Q-12 --yes"));
        let case = done.report();
        assert_eq!(done.code, Some(code), "{rig}: {done:?}");
        assert_eq!(case["verdict"]["outcome"], outcome, "{rig}");
        assert_eq!(places(&case), location, "{rig}");
        assert_eq!(case["verdict"]["segment"].as_str(), segment, "{rig}");
        assert!(case["next"].is_null(), "{rig}");
    }
    let told = isolate(&Program::new(), "sim:comes-and-goes --cable Q-12 --yes").report()["verdict"].to_string();
    assert!(told.contains("comes and goes"), "{told}");
}

/// An adapter that was pulled must not leave a case open for ever.
#[test]
fn a_case_of_a_port_that_is_gone_can_be_closed() {
    let program = Program::new();
    let file = program.state().join("quay.toml");
    fs::write(&file, "placement = \"at-port\"\n").unwrap();
    let port = format!("sim:{}", file.display());
    isolate(&program, &format!("{port} --cable Q-12 --stage at-port --yes"));
    fs::remove_file(&file).unwrap();
    let closed = isolate(&program, &format!("{port} --cable Q-12 --close gone"));
    assert_eq!((closed.report()["state"].as_str(), closed.code), (Some("closed"), Some(3)), "{closed:?}");
    assert_eq!(isolate(&program, &format!("{port} --cable Q-12 --close gone")).code, Some(2), "none is open");
}

/// Two terminals on one case would each write down what the other did not do.
#[test]
fn a_case_is_open_in_one_place_at_a_time() {
    let program = Program::new();
    let first = isolate(&program, "sim:bad-cable --cable Q-12 --stage at-port --yes").report();
    let id = first["case"].as_str().unwrap();
    let elsewhere = PortLock::named("the case", &format!("case/{id}")).unwrap();
    let refused = isolate(&program, "sim:bad-cable --cable Q-12 --yes");
    assert_eq!(refused.code, Some(4), "{refused:?}");
    drop(elsewhere);
    assert_eq!(isolate(&program, "sim:bad-cable --cable Q-12 --yes").code, Some(1));
}

/// A command that is refused leaves no case behind that stands in the way of the right one.
#[test]
fn a_stage_that_the_case_does_not_have_opens_no_case() {
    let program = Program::new();
    let wrong = program.run("isolate sim:good --cable Q-12 --stage far-end:attic --yes");
    assert!(wrong.code == Some(2) && wrong.stderr.contains("attic") && wrong.stdout.is_empty(), "{wrong:?}");
    assert_eq!(program.run("records cases").stdout.matches("Q-12").count(), 0);
}

/// Whoever holds the plug wants to know that it is the plug, and how much is still to come if something fails.
#[test]
fn what_a_case_points_to_is_told_as_soon_as_a_stage_shows_it() {
    let told = Program::new().run("isolate sim:bad-plug --cable Q-12 --yes").stderr;
    let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
    let at = |words: &str| told.find(words).unwrap_or_else(|| panic!("no {words:?} in {told}"));
    assert!(at("to do: about 4 stages") < at("if nothing fails; up to 1"));
    // In mid-case it is no verdict yet.
    assert!(at("known-good-port fails") < at("so far: points to the plug,"));
    assert_eq!(told.matches("so far: points to the plug").count(), 1, "once is enough: {told}");
    assert!(!told.contains("FAULT"), "{told}");
    // How long a run takes is said once, with a link and without.
    assert!(told.contains("takes: about 5 s with a link, 16 s without one") && !told.contains("Takes about"), "{told}");
    // Nothing fitted: asked for again, and nothing is blamed before another plug was tried.
    let told = Program::new().run("isolate sim:no-plug --cable Q-12 --yes").stderr;
    let before = told.split("stage other-plug").next().unwrap();
    assert!(before.contains("stage at-port, attempt 2") && !before.contains("FAULT"), "{told}");
    let slow = Program::new().run("isolate sim:serial-good --cable Q-12 --line 300 --yes").stderr;
    assert!(slow.contains("takes: about 28 min\n"), "{slow}");
}

/// The rig's open pair is in the middle of the 48 m that follow 12 m: 36 m from the port. Beside it, what the speeds
/// tell.
#[test]
fn the_pairs_of_a_condemned_cable_are_told() {
    let of = |case: &Value, rule: &str| {
        let reasons = case["verdict"]["reasons"].as_array().unwrap().iter();
        reasons.filter(|r| r["rule"] == rule).map(|r| r["text"].to_string()).collect::<String>()
    };
    let open = isolate(&Program::new(), "sim:open-pair --cable Q-12 --yes").report();
    let last = open["stages"].as_array().unwrap().last().unwrap();
    assert_eq!(last["name"], "cable-test");
    assert_eq!(last["pairs"]["pairs"][3], serde_json::json!({"pair": "D", "status": "open", "fault_distance_m": 36.0}));
    let found = open["verdict"]["reasons"][0]["text"].as_str().unwrap();
    assert!(found.contains("pair 4 (brown, pins 7 and 8) open at about 36 m"), "{found}");
    let noisy = isolate(&Program::new(), "sim:noisy-pair --cable Q-12 --yes").report();
    assert!(of(&noisy, "which-pairs").contains("pairs 1 and 4"), "{noisy}");
    assert!(of(&noisy, "cable-test").contains("86 m"), "{noisy}");
    let whole = isolate(&Program::new(), "sim:bad-cable --cable Q-12 --yes").report();
    assert!(of(&whole, "which-pairs").contains("one or both of pairs 2 and 3"), "{whole}");
    // An adapter without the test leaves the stage out; asked for by name, that is said.
    assert_eq!(of(&whole, "cable-test"), "");
    let asked = isolate(&Program::new(), "sim:good --cable Q-12 --stage cable-test --yes");
    assert!(asked.stderr.contains("offers no cable test"), "{}", asked.stderr);
    assert_eq!(asked.report()["stages"], serde_json::json!([]));
}

/// Bad for one second of a soak, and good ever after: no pass.
#[test]
fn one_bad_second_of_a_soak_is_no_pass() {
    let program = Program::new();
    let rig = program.state().join("once.toml");
    // Internal, at-port and far-end take 20 s of hands and about 10 s of run each; the soak is on from about 100 to 160
    // s.
    let text = "name = \"once\"\n[[segments]]\nlabel = \"quay-duct\"\nlength_m = 50\n[[faults]]\nplace = \
        \"segment:quay-duct\"\n\
                kind = { bit-errors = { ratio = 2e-6 } }\nfrom_s = 130\nuntil_s = 131\n";
    fs::write(&rig, text).unwrap();
    let done = isolate(&program, &format!("sim:{} --cable Q-12 --yes", rig.display()));
    let case = done.report();
    assert_eq!((done.code, &case["verdict"]["outcome"]), (Some(3), &"undecided".into()), "{case}");
    let soaks: Vec<_> = case["stages"].as_array().unwrap().iter().filter(|s| s["name"] == "soak").collect();
    assert_eq!(soaks[0]["result"]["rule"], "comes-and-goes", "{case}");
    assert!(soaks.len() > 1, "it is tried again: {case}");
}

/// Each stage as a command of its own finds the case by port and cable.
#[test]
fn stages_one_by_one_are_one_case() {
    let program = Program::new();
    let mut id = None;
    for (stage, next) in
        [("internal", "at-port"), ("at-port", "far-end:office-riser"), ("far-end:office-riser", "far-end:quay-duct")]
    {
        let case = isolate(&program, &format!("sim:bad-cable --cable Q-12 --stage {stage} --yes")).report();
        assert_eq!(case["next"]["stage"], next);
        assert_eq!(*id.get_or_insert(case["case"].clone()), case["case"]);
    }
    // The far end of the last segment is that of the cable.
    let case = isolate(&program, "sim:bad-cable --cable Q-12 --stage far-end:cabinet-3-tail --yes").report();
    assert_eq!(case["stages"][3]["name"], "far-end");
    let wrong = isolate(&program, "sim:bad-cable --cable Q-12 --stage far-end:attic --yes");
    assert_eq!(wrong.code, Some(2));
    assert!(wrong.stderr.contains("office-riser, quay-duct, cabinet-3-tail"), "{}", wrong.stderr);
}

/// Killed within a stage and between two: what was done is there, what was cut off is done again.
/// This computer takes in fewer frames than the line carries: what fails under load alone was not tested.
#[test]
fn a_load_far_below_that_of_the_line_is_told_in_a_case() {
    let program = Program::new();
    let stage = |rig: &str| program.run(&format!("isolate sim:{rig} --cable Q-12 --stage at-port --yes"));
    let slow = stage("slow-host").stdout.replace('\n', " ");
    assert!(slow.contains(" % of the line rate; 1 stage"), "{slow}");
    let good = stage("good").stdout;
    assert!(!good.contains("line rate"), "{good}");
}

#[test]
fn a_case_survives_a_kill() {
    let program = Program::new();
    let first = isolate(&program, "sim:bad-cable --cable Q-12 --stage internal --yes").report();
    let id = first["case"].as_str().unwrap();
    // A soak of a month in virtual time outlasts the test.
    let long = program.start("isolate sim:slow-host --cable Q-13 --stage soak:at-port --for 30d --yes");
    let begun = || program.run("records cases --json");
    let mut seen = String::new();
    for _ in 0..2000 {
        seen = begun().stdout;
        if seen.contains("Q-13") {
            break;
        }
    }
    assert!(seen.contains("Q-13"), "{seen}");
    long.signal(libc::SIGKILL);
    assert_eq!(long.finish().code, None);
    let again = isolate(&program, "sim:slow-host --cable Q-13 --stage internal --yes").report();
    assert_eq!(again["stages"][0]["ended"], "cut-off");
    assert_eq!((&again["stages"][1]["name"], &again["stages"][1]["ended"]), (&"internal".into(), &"done".into()));
    let rest = isolate(&program, &format!("sim:bad-cable --cable Q-12 --case {id} --yes")).report();
    assert_eq!((&rest["case"], places(&rest).as_str()), (&first["case"], "cable"));
}

#[test]
fn answers_come_from_a_file_and_may_skip_redo_and_leave() {
    let program = Program::new();
    let file = program.state().join("answers");
    fs::write(&file, "# the plug has a label\nskip no loop today\nplug P-2\nwhat\nleave\n").unwrap();
    let answers = format!("--answers {}", file.display());
    let left = isolate(&program, &format!("sim:bad-plug --cable Q-12 {answers}"));
    let case = left.report();
    assert_eq!(case["state"], "open");
    assert_eq!((&case["stages"][0]["ended"], &case["stages"][0]["why"]), (&"skipped".into(), &"no loop today".into()));
    assert_eq!(case["stages"][1]["plug"], "P-2");
    assert!(left.stderr.contains("Did not understand \"what\""), "{}", left.stderr);
    let id = case["case"].as_str().unwrap();
    let redone = isolate(&program, &format!("sim:bad-plug --cable Q-12 --case {id} --redo at-port --yes")).report();
    assert_eq!(redone["stages"][1]["ended"], "set-aside");
    assert_eq!(places(&redone), "plug");
}

#[test]
fn a_stage_can_come_from_a_record() {
    let program = Program::new();
    assert_eq!(program.check("sim:good --placement at-port").code, Some(0));
    let case = isolate(&program, "sim:good --cable Q-12 --from-records 1h --yes").report();
    let from: Vec<_> =
        case["stages"].as_array().unwrap().iter().map(|s| (s["name"].clone(), s["source"].clone())).collect();
    assert!(from.contains(&("at-port".into(), "record".into())), "{from:?}");
    assert!(from.contains(&("internal".into(), "run".into())), "{from:?}");
}

#[test]
fn what_cannot_be_is_refused_with_the_way_out() {
    let program = Program::new();
    let table = [
        ("sim:good --cable Q-12 --stage attic --yes", "far-end:SEGMENT"),
        ("sim:good --cable Q-12 --segments a,a --yes --new", "not one of this case's"),
        ("sim:bad-cable --cable Q-12 --segments attic --yes --new", "office-riser,"),
        ("sim:good --yes", "--cable"),
        ("sim:good --cable Q-12 --case 0000 --yes", "0000"),
        ("sim:good --cable Q-12 --profile proof --yes", "quick or standard"),
        ("sim:nosuch --cable Q-12 --yes", "turnback rigs"),
    ];
    for (arguments, way_out) in table {
        let refused = isolate(&program, arguments);
        assert_eq!(refused.code, Some(2), "{arguments}: {refused:?}");
        assert!(refused.stderr.contains(way_out), "{arguments}: {}", refused.stderr);
    }
}

#[test]
fn the_command_that_goes_on_with_a_case_can_be_copied() {
    let program = Program::new();
    let begun = program.run("isolate sim:good --cable Q-12 --seed 5 --for 2m --rate 2000 --stage internal --yes");
    assert!(begun.stdout.starts_with("NOT DECIDED YET\n"), "{}", begun.stdout);
    let command =
        begun.stdout.lines().find_map(|line| line.strip_prefix("go on with: turnback ")).expect("told").to_owned();
    assert!(command.starts_with("isolate sim:good --case ") && command.ends_with("--seed 5"), "{command}");
    // Nothing else has to be said again: the case keeps what its stages are run with.
    let rest = program.run(&format!("{command} --yes --json")).report();
    assert_eq!(
        (&rest["options"]["soak_s"], &rest["options"]["profile"]["rate"]),
        (&120.into(), &"2000".into()),
        "{rest}"
    );
    assert_eq!(rest["verdict"]["outcome"], "pass");
    let soak = rest["stages"].as_array().unwrap().iter().find(|s| s["name"] == "soak").expect("a soak");
    assert!(soak["result"]["seconds"].as_u64().unwrap() >= 119, "{soak}");
}

/// The same command again takes up the open case; another one is opened, or the open one closed, by its own word.
#[test]
fn the_same_command_again_takes_up_the_open_case() {
    let program = Program::new();
    let command = "sim:bad-cable --cable Q-12 --stage internal --yes";
    let first = isolate(&program, command).report();
    let again = isolate(&program, "sim:bad-cable --cable Q-12 --stage at-port --yes");
    assert_eq!(again.report()["case"], first["case"]);
    assert!(again.stderr.contains("known so far: ") && again.stderr.contains("left to do: "), "{}", again.stderr);
    let new = isolate(&program, &format!("{command} --new"));
    assert_ne!(new.report()["case"], first["case"]);
    let told = new.stderr.split_whitespace().collect::<Vec<_>>().join(" ");
    let first_id = first["case"].as_str().unwrap();
    assert!(told.contains("sim:bad-cable has another open case, of cable Q-12."), "{told}");
    assert!(told.contains(&format!("`turnback isolate sim:bad-cable --case {}`", &first_id[..13])), "{told}");
    // With two of that cable, the cable does not say which.
    let third = isolate(&program, "sim:bad-cable --cable Q-99 --stage internal --yes").stderr;
    let told = third.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("of cable Q-12") && told.contains("`turnback isolate sim:bad-cable --case"), "{told}");
    // However many there are, one line names them and one shows how to go on.
    let fourth = isolate(&program, "sim:bad-cable --cable Q-100 --stage internal --yes").stderr;
    let told = fourth.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("other open cases, of cables Q-12 and Q-99."), "{told}");
    assert_eq!(told.matches("goes on with").count(), 1, "{told}");
    let other = isolate(&program, "sim:bad-cable --cable Q-12 --segments office-riser --stage at-port --yes");
    assert_eq!(other.code, Some(2));
    assert!(other.stderr.contains("--new"), "{}", other.stderr);
    let id = first["case"].as_str().unwrap();
    let closed = isolate(&program, &format!("sim:bad-cable --case {id} --close replaced"));
    assert_eq!((&closed.report()["state"], &closed.report()["closed"]), (&"closed".into(), &"replaced".into()));
    assert!(!program.run("records cases --open").stdout.contains(&id[..12]));
    // Nothing was settled, so it ends without a verdict; taken up again, it says that it had been closed.
    assert_eq!(closed.report()["verdict"]["outcome"], "undecided");
    let open = isolate(&program, &format!("sim:bad-cable --case {id} --stage internal --yes"));
    assert!(open.stderr.contains("was closed (replaced)"), "{}", open.stderr);
    let none = isolate(&program, "sim:bad-cable --cable Q-7 --correct at-port=far-end --yes");
    assert_eq!(none.code, Some(2));
    assert!(none.stderr.contains("no case of sim:bad-cable and this cable is open"), "{}", none.stderr);
    assert!(!program.run("records cases").stdout.contains("Q-7 "));
    // A stage was entered under the wrong name.
    let wrong = "sim:bad-cable --cable Q-12 --stage far-end:office-riser --yes --new";
    let case = isolate(&program, wrong).report();
    let id = case["case"].as_str().unwrap();
    let words =
        format!("sim:bad-cable --case {id} --correct far-end:office-riser=far-end:quay-duct --stage internal --yes");
    let corrected = isolate(&program, &words).report();
    assert_eq!(corrected["stages"][0]["name"], "far-end:quay-duct");
    assert!(corrected["stages"][0]["why"].as_str().unwrap().contains("entered as far-end:office-riser"), "{corrected}");
}

/// A port in service, or one that this user may not test, is refused before anybody is told to move a plug.
#[test]
fn a_port_that_cannot_be_tested_is_refused_before_any_hand_is_moved() {
    in_fresh_namespace(|| {
        run("ip link add quay0 type veth peer name quay1");
        run("ip link set quay0 up");
        run("ip addr add 192.0.2.1/24 dev quay0");
        let program = Program::new();
        let refused = program.run("isolate quay0 --cable Q-12");
        assert_eq!(refused.code, Some(4), "{refused:?}");
        assert!(refused.stderr.contains("192.0.2.1/24") && refused.stderr.contains("to free it"), "{}", refused.stderr);
        assert!(!refused.stderr.contains("ut the plug"), "{}", refused.stderr);
        run("ip addr del 192.0.2.1/24 dev quay0");
        let refused = program.without_rights("isolate quay0 --cable Q-12");
        assert_eq!(refused.code, Some(4), "{refused:?}");
        assert!(
            refused.stderr.contains("CAP_NET_RAW") && !refused.stderr.contains("ut the plug"),
            "{}",
            refused.stderr
        );
        let no_such = program.run("isolate quay0 --cable Q-12 --known-good quay9");
        assert!(no_such.stderr.contains("quay9") && !no_such.stderr.contains("ut the plug"), "{}", no_such.stderr);
    });
}

/// Ctrl-C at a prompt leaves at once: the next Enter would begin a run that nobody wants.
#[test]
fn ctrl_c_at_a_prompt_sends_nothing() {
    let program = Program::new();
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_turnback"));
    command.args(["isolate", "sim:bad-cable", "--cable", "Q-12", "--json"]).env("TURNBACK_STATE_DIR", program.state());
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("it starts");
    let mut told = BufReader::new(child.stderr.take().expect("its words")).lines();
    told.find(|line| line.as_ref().is_ok_and(|line| line.contains("why: "))).expect("it asks").expect("in words");
    // SAFETY: takes no pointers; the child has not been waited for, so its number is its own.
    assert_eq!(unsafe { libc::kill(child.id() as i32, libc::SIGINT) }, 0);
    // Its input stays open: nothing but the signal ends it.
    let typed = child.stdin.take();
    let done = child.wait_with_output().expect("it ends");
    drop(typed);
    let case: Value = serde_json::from_slice(&done.stdout).expect("the case");
    assert_eq!((&case["state"], case["stages"].as_array().map(Vec::len)), (&"open".into(), Some(0)), "{case}");
}

/// By the labels that the technician typed the plug of the case would be its own stand-in, and a run of the loop inside
/// the chip would be one with a plug. Neither is taken.
#[test]
fn what_cannot_have_been_is_asked_back() {
    let program = Program::new();
    let file = program.state().join("answers");
    let answers = format!("--answers {}", file.display());
    let led = |lines: &str, words: &str| {
        fs::write(&file, lines).unwrap();
        isolate(&program, &format!("{words} {answers}"))
    };
    // Inside the chip, then twice at the port, which fails.
    let at_port = "yes\nplug P-4\nyes\nyes\n";
    let swapped = led(&format!("{at_port}plug P-3\nplug P-4\nleave\n"), "sim:bad-plug --cable Q-12 --plug P-3");
    for told in ["This case is about plug P-3, and P-4 is another.", "P-3 is the plug of this case."] {
        assert!(swapped.stderr.contains(told), "{told}: {}", swapped.stderr);
    }
    let plugs: Vec<Value> =
        swapped.report()["stages"].as_array().unwrap().iter().map(|stage| stage["plug"].clone()).collect();
    assert_eq!(plugs[1..], ["P-3", "P-3", "P-4"]);
    let inside = led("yes\ncorrect internal at-port\nleave\n", "sim:good --cable Q-13");
    assert!(inside.stderr.contains("Stage internal cannot be corrected"), "{}", inside.stderr);
    assert_eq!(inside.report()["stages"][0]["name"], "internal");
    // The first label given names the plug from then on.
    let named = led("yes\nplug P-7\nleave\n", "sim:good --cable Q-14");
    assert_eq!(named.report()["plug"], "P-7");
    assert!(named.stderr.matches("plug P-7").count() >= 1, "{}", named.stderr);
}

/// A mistyped known-good port, and answers that are none, are asked for again.
#[test]
fn what_is_mistyped_is_asked_for_again() {
    in_fresh_namespace(|| {
        run("ip link add quay0 type veth peer name quay1");
        let program = Program::new();
        let file = program.state().join("answers");
        let answers = "skpi\nredo soak\nskip attic:x\nskip interanl it rains\nskip internal no time\non quay1\nleave\n";
        fs::write(&file, answers).unwrap();
        let done = program.run(&format!("isolate quay0 --cable Q-12 --answers {}", file.display()));
        for told in [
            "Did you mean \"skip\"?",
            "Stage soak has not been done yet.",
            "`interanl`",
            "Stage internal is skipped (no time).",
        ] {
            assert!(done.stderr.contains(told), "{told}: {}", done.stderr);
        }
        // Neither power nor light is on a virtual port.
        assert!(!done.stderr.contains("caution"), "{}", done.stderr);
        // At the stage itself: a port that is not there, the one under test, then the case is left.
        fs::write(&file, "on quay9\non quay0\nyes\nleave\n").unwrap();
        let words = format!("isolate quay0 --cable Q-13 --stage known-good-port --answers {}", file.display());
        assert_eq!(program.run(&words).code, Some(2), "a stage of one's own needs no answers");
        let mut terminal = std::process::Command::new(env!("CARGO_BIN_EXE_turnback"));
        terminal.args(["isolate", "quay0", "--cable", "Q-13", "--stage", "known-good-port"]);
        terminal.env("TURNBACK_STATE_DIR", program.state()).stdin(fs::File::open(&file).unwrap());
        let told = String::from_utf8(terminal.output().unwrap().stderr).unwrap();
        for part in ["no port `quay9`", "quay0 is the port under test", "Which other port do you use?"] {
            assert!(told.contains(part), "{part}: {told}");
        }
    });
}

/// Another plug at the known-good port is a run there, never at the port under test.
#[test]
fn another_plug_at_the_known_good_port_is_tried_there() {
    in_fresh_namespace(|| {
        for command in ["add quay0 type veth peer name quay1", "add quay8 type veth peer name quay9"] {
            run(&format!("ip link {command}"));
        }
        let program = Program::new();
        let file = program.state().join("answers");
        fs::write(&file, "plug P-2\nleave\n").unwrap();
        for (kept, asks) in [("", true), (" --known-good quay8", false)] {
            let words = format!("isolate quay0 --cable Q-1{} --stage known-good-port{kept}", kept.len());
            let mut terminal = std::process::Command::new(env!("CARGO_BIN_EXE_turnback"));
            terminal.args(words.split(' ')).stdin(fs::File::open(&file).unwrap());
            terminal.env("TURNBACK_STATE_DIR", program.state());
            let told = String::from_utf8(terminal.output().unwrap().stderr).unwrap();
            assert_eq!(told.contains("Type \"on PORT\" first."), asks, "{told}");
        }
        let runs = program.run("records list --json").stdout;
        assert!(runs.contains("quay8") && !runs.contains("quay0"), "{runs}");
    });
}

/// A cable between two ports of this machine: the case keeps its return port, and each stage is a run with both.
#[test]
fn a_case_with_a_return_port_runs_its_stages_between_two_ports() {
    in_fresh_namespace(|| {
        for (near, far) in [("quay0", "quay1"), ("quay2", "quay3")] {
            run(&format!("ip link add {near} type veth peer name {far}"));
        }
        let program = Program::new();
        let stage = |words: &str, stage: &str| {
            let words = format!("quay0 --cable Q-12 {words} --stage {stage} --rate 2000 --for 3s --yes");
            isolate(&program, &words)
        };
        let at_port = stage("--return-port quay1", "at-port").report();
        let other_end = stage("--return-port quay3", "far-end");
        assert_eq!(other_end.code, Some(2), "{other_end:?}");
        assert!(other_end.stderr.contains("were done with return port quay1"), "{}", other_end.stderr);
        assert_eq!(at_port["stages"][0]["result"]["showing"], "passes", "{at_port}");
        // Kept: not given again.
        let case = stage("", "far-end").report();
        assert_eq!((&case["options"]["return_port"], case["stages"].as_array().unwrap().len()), (&"quay1".into(), 2));
        let run = program.run(&format!("report {} --json", case["stages"][1]["run"].as_str().unwrap())).report();
        assert_eq!((&run["placement"], &run["return_port"]["name"]), (&"return-port".into(), &"quay1".into()));
        assert_eq!((&run["cable"], &run["verdict"]["outcome"]), (&"Q-12".into(), &"pass".into()), "{run}");
        // Another cord ends in another port: without its name the stage cannot be done.
        let nameless = stage("", "other-plug");
        assert!(nameless.code == Some(2) && nameless.stderr.contains("--known-good PORT"), "{nameless:?}");
        // quay2 is no other end of quay0: nothing comes back there, and that is what the stage shows.
        let other = stage("--known-good quay2", "other-plug").report();
        let last = other["stages"].as_array().unwrap().last().unwrap();
        assert_eq!((&last["on_port"], &last["result"]["showing"]), (&"quay2".into(), &"fails".into()), "{last}");
        for (words, told) in [
            ("quay0 --cable Q-13 --return-port quay0", "quay0 is the port under test: the return port must be another"),
            ("quay0 --cable Q-13 --return-port quay9", "quay9"),
            ("quay0 --cable Q-13 --return-port quay2 --known-good quay2", "must be two ports"),
            ("sim:good --cable Q-13 --return-port quay2", "has no second port"),
        ] {
            let refused = isolate(&program, words);
            assert!(refused.code != Some(0) && refused.stderr.contains(told), "{words}: {refused:?}");
        }
    });
}

#[test]
fn a_caution_is_given_in_full_once_in_a_sitting_and_named_at_every_move() {
    let told = isolate(&Program::new(), "sim:bad-cable --cable Q-12 --yes").stderr;
    // Lines may end anywhere.
    let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
    let moves = told.matches("ut the plug of this case").count();
    assert!(moves > 3, "{told}");
    // The words of the caution itself; the title comes with every move of the plug.
    assert_eq!(told.matches("A standard source").count(), 1, "{told}");
    assert_eq!(told.matches("Power over Ethernet").count(), moves, "{told}");
}

/// The same by the scripts that a person uses: a rig, its faults changed stage by stage, one case.
#[test]
fn on_a_rig_of_the_script_a_case_is_led_to_the_cable() {
    in_fresh_namespace(|| {
        if !Path::new("/dev/net/tun").exists() {
            return;
        }
        run("mount -t tmpfs tmpfs /run");
        let folder = tempfile::tempdir().expect("a temporary directory");
        let folder = folder.path();
        let _down = Down(folder);
        let up = rig(folder, "up tap --no-ipv6 -- --seed 7 --spare-bytes 14");
        assert!(up.status.success(), "{}", text(&up));
        let name = text(&up).lines().find_map(|line| line.strip_prefix("rig: ").map(str::to_owned)).expect("its name");
        let turnback = env!("CARGO_BIN_EXE_turnback");
        let stage = |stage: &str, drop: &str| {
            let told = rig(folder, &format!("tell {name} set drop {drop}"));
            assert!(told.status.success(), "{}", text(&told));
            let isolate = format!(
                "isolate quay0 --cable Q-12 --segments riser,duct --stage {stage} --rate 2000 --for 3s --yes --json"
            );
            let done = rig(folder, &format!("run {name} -- {turnback} {isolate}"));
            let case: Value = serde_json::from_slice(&done.stdout).unwrap_or_else(|_| panic!("{}", text(&done)));
            (done.status.code(), case)
        };
        assert_eq!(stage("at-port", "0").0, Some(3));
        assert_eq!(stage("far-end:riser", "0").0, Some(3));
        // What the case points to is no verdict as long as it is open.
        assert_eq!(stage("far-end:duct", "0.2").0, Some(3));
        assert_eq!(stage("soak:far-end:riser", "0").0, Some(3));
        assert_eq!(stage("soak:far-end:duct", "0.2").0, Some(3));
        for (name, drop, times) in [("far-end:duct", "0.2", 3), ("far-end:riser", "0", 2)] {
            for _ in 0..times {
                assert_eq!(stage(name, drop).0, Some(3));
            }
        }
        let (code, case) = stage("far-end:riser", "0");
        assert_eq!((code, places(&case).as_str(), &case["state"]), (Some(1), "cable", &"decided".into()), "{case}");
        assert_eq!(case["verdict"]["segment"], "duct");
    });
}

/// On a TAP device the plug's faults are changed where a hand would move the plug: errors at the far end only.
#[test]
fn on_a_tap_rig_the_stages_answer_to_the_faults_of_the_moment() {
    in_fresh_namespace(|| {
        if !Path::new("/dev/net/tun").exists() {
            return;
        }
        let Some(mut plug) = TapPlug::start("--seed 7 --spare-bytes 14") else { return };
        let program = Program::new();
        let mut stage = |name: &str, drop: &str| {
            plug.tell(&format!("set drop {drop}"));
            isolate(&program, &format!("quay0 --cable Q-12 --stage {name} --rate 2000 --for 3s --yes"))
        };
        // The port passes, and the cable is not yet known.
        assert_eq!(stage("at-port", "0").code, Some(3));
        assert_eq!(stage("far-end", "0.2").code, Some(3));
        assert_eq!(stage("soak:at-port", "0").code, Some(3));
        for (name, drop, times) in [("soak", "0.2", 1), ("far-end", "0.2", 3), ("at-port", "0", 2)] {
            for _ in 0..times {
                assert_eq!(stage(name, drop).code, Some(3));
            }
        }
        let last = stage("at-port", "0");
        assert_eq!(last.code, Some(1));
        let case = last.report();
        assert_eq!((places(&case).as_str(), &case["state"]), ("cable", &"decided".into()), "{case}");
    });
}

/// What was done last: the case, with all its runs, until a check of something else.
#[test]
fn the_last_report_is_the_case_where_a_case_was_done_last() {
    let program = Program::new();
    let last = || program.run("report last --json").report();
    assert_eq!(program.check("sim:good").code, Some(0));
    assert_eq!(last()["port"]["name"], "sim:good");
    let case = isolate(&program, "sim:bad-plug --cable Q-12 --yes").report();
    assert_eq!((&last()["case"], &last()["verdict"]), (&case["case"], &case["verdict"]));
    assert!(program.run("report last --text").stdout.contains("FAULT in the plug"));
    // A stage left out is something done, too.
    let other = isolate(&program, "sim:good --cable Q-13 --skip internal --stage at-port --yes").report();
    assert_eq!(last()["case"], other["case"]);
    // Among runs alone, `last` stays the newest run.
    assert!(program.run("records show last").stdout.contains("sim:good"));
    assert_eq!(program.check("sim:good").code, Some(0));
    assert_eq!((&last()["case"], &last()["port"]["name"]), (&Value::Null, &"sim:good".into()));
}
