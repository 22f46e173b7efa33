//! Whether a case is kept is said as it is, and no command is printed that cannot work.

use std::fs;

use crate::harness::{
    disk::Disk,
    netns::in_fresh_namespace,
    program::{Finished, Program},
};

/// What was told, in one line.
fn told(finished: &Finished) -> String {
    finished.stderr.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn offers_command(finished: &Finished) -> bool {
    ["go on with:", "to do ", "turnback isolate"].iter().any(|words| finished.stdout.contains(words))
}

#[test]
fn a_case_without_records_is_not_said_to_be_kept() {
    let program = Program::new();
    let kept = program.run("isolate sim:bad-plug --cable Q-12");
    assert!(told(&kept).contains("the case is kept for later") && offers_command(&kept), "{kept:?}");
    assert!(!told(&kept).contains("not kept"), "{kept:?}");

    let ended = program.run("isolate sim:bad-plug --cable Q-13 --no-record");
    assert_eq!(ended.code, Some(3), "{ended:?}");
    let way_out =
        "the case is not kept: no command can go on with it, and its stages are lost hint: leave out --no-record";
    assert!(told(&ended).contains("No answer came, so this ends here") && told(&ended).contains(way_out), "{ended:?}");
    assert!(!told(&ended).contains("for later") && !offers_command(&ended), "{ended:?}");

    let answers = program.state().join("answers");
    fs::write(&answers, "go\nleave\n").unwrap();
    let words = format!("isolate sim:bad-plug --cable Q-13 --no-record --answers {}", answers.display());
    let left = program.run(&words);
    assert!(left.stdout.contains("; 1 stage") && !offers_command(&left), "{left:?}");
    assert!(told(&left).contains("its stages are lost"), "{left:?}");
    let details = program.run(&format!("{words} --details"));
    assert!(!offers_command(&details), "{details:?}");

    // Whoever asked for no record of a case that came to its end loses nothing; it cannot be soaked again.
    let decided = program.run("isolate sim:good --cable Q-13 --no-record --yes");
    assert!(decided.code == Some(0) && !offers_command(&decided), "{decided:?}");
    assert!(!told(&decided).contains("not kept"), "{decided:?}");
    assert!(offers_command(&program.run("isolate sim:good --cable Q-13 --yes")));

    let lot = program.run("bench test sim:bench-good --no-record");
    assert!(told(&lot).contains("the lot is not kept") && !told(&lot).contains("for later"), "{lot:?}");
}

/// A real full disk: a small file system of its own, in a mount namespace of its own.
#[test]
fn a_case_on_a_full_disk_is_not_said_to_be_kept() {
    in_fresh_namespace(|| {
        let disk = Disk::new(200);
        disk.fill_but(48);
        let program = Program::new();
        for (words, code) in [("sim:bad-plug", 3), ("sim:good --yes", 0)] {
            let ended =
                program.run(&format!("isolate {words} --cable Q-13 --store {}/records.db", disk.path().display()));
            assert_eq!(ended.code, Some(code), "{ended:?}");
            assert!(told(&ended).contains("cannot be kept, and ends with this program"), "{ended:?}");
            let way_out =
                "its stages are lost hint: make room on the disk of the records file, or name a file elsewhere";
            assert!(told(&ended).contains(way_out) && !told(&ended).contains("for later"), "{ended:?}");
            assert!(!offers_command(&ended), "{ended:?}");
        }
    });
}

/// A disk that fills up between two sittings: what was written before is there, and goes on once there is room.
#[test]
fn a_case_that_cannot_be_written_any_more_goes_on_from_what_was_written() {
    in_fresh_namespace(|| {
        let disk = Disk::new(4 << 10);
        let (program, store) = (Program::new(), format!("--store {}/records.db --yes", disk.path().display()));
        let begun = program.run(&format!("isolate sim:bad-plug --cable Q-12 {store} --stage internal"));
        assert!(offers_command(&begun), "{begun:?}");
        // Room enough to open the file and to go on reading, and not for what a stage writes.
        disk.fill_but(64);
        let ended = program.run(&format!("isolate sim:bad-plug --cable Q-12 {store} --stage at-port"));
        assert!(ended.code == Some(3) && ended.stdout.contains("; 2 stages"), "{ended:?}");
        let lost = "the records hold an earlier state of this case: what was done since then is lost hint: make room";
        assert!(told(&ended).contains(lost) && !told(&ended).contains("ends with this program"), "{ended:?}");
        disk.free();
        let command = ended.stdout.lines().find_map(|line| line.strip_prefix("go on with: turnback ")).expect("told");
        let gone_on = program.run(&format!("{command} --yes --stage at-port"));
        assert!(told(&gone_on).contains("after 1 stage"), "{gone_on:?}");
        assert!(gone_on.stdout.contains("; 2 stages") && !told(&gone_on).contains("warning"), "{gone_on:?}");
    });
}

/// Beside the port, and without a cable that nobody named.
#[test]
fn the_id_of_a_case_of_another_port_is_answered_with_what_goes_on_with_it() {
    let program = Program::new();
    let case = program.run("isolate sim:bad-cable --cable Q-12 --stage internal --yes --json").report();
    let id = case["case"].as_str().unwrap();
    for (words, not) in [
        ("sim:good", "and cable Q-12, not sim:good hint: "),
        ("sim:good --cable Q-12", "and cable Q-12, not sim:good hint: "),
        ("sim:good --cable Q-13", "and cable Q-12, not sim:good and cable Q-13 hint: "),
        ("sim:bad-cable --cable Q-13", "and cable Q-12, not cable Q-13 hint: "),
    ] {
        let refused = program.run(&format!("isolate {words} --case {id}"));
        assert_eq!(refused.code, Some(2), "{refused:?}");
        let way_out = format!("{not}`turnback isolate sim:bad-cable --case {}` goes on with it", &id[..13]);
        assert!(told(&refused).contains(&way_out), "{refused:?}");
    }
}
