//! Announcements of the fleet: once for all machines, in one document with a list, until the target took it.

use std::{fs, os::unix::fs::PermissionsExt};

use serde_json::Value;

use crate::harness::fleet::{Fleet, Part, wait_until};

#[test]
fn a_storm_is_told_once_by_one_of_several_collectors_and_again_until_it_is_taken() {
    let Some(mut fleet) = Fleet::start() else { return };
    let (code, said) = fleet.run("init");
    assert_eq!(code, Some(0), "{said}");
    // Each call adds a line; the first call refuses what it was given.
    let (program, told) = (fleet.path("tell"), fleet.path("told"));
    let script = format!(
        "#!/bin/sh\nprintf '%s %s ' \"$TURNBACK_PORTS\" \"$TURNBACK_EVENT\" >>{0}\ncat >>{0}\necho >>{0}\n\
         [ \"$(wc -l <{0})\" -gt 1 ]\n",
        told.display()
    );
    fs::write(&program, script).expect("written");
    fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).expect("a mode");
    let config = fleet.path("fleet.toml");
    let text = fs::read_to_string(&config).expect("a configuration").replace("[collect]", "[collect]\ngather = \"2s\"");
    let target = format!("[[announce]]\nname = \"office\"\ncommand = [{:?}]\n", program.display().to_string());
    fs::write(&config, text + &target).expect("written");
    let changes = "INSERT INTO machine (site, name, heard_at) VALUES ('north-quay', 'closet-3', now());
        INSERT INTO port (machine_id, name, cabinet) SELECT 1, 'quay' || n, 'quay-3' FROM generate_series(1, 200) n;
        INSERT INTO unannounced SELECT gen_random_uuid(), n, 'proven', 'failed', 'no-link', now(), now()
            FROM generate_series(1, 200) n;";
    assert!(fleet.ask(changes).is_some());
    fleet.add_collector();
    fleet.add_collector();
    wait_until("the storm was taken", || {
        fleet.count("SELECT count(*) FROM announcement WHERE sent_at IS NOT NULL") == 1
    });
    let lines = || -> Vec<(String, Value)> {
        let text = fs::read_to_string(&told).unwrap_or_default();
        // The last line may be half written.
        let parts = |line: &str| {
            let (head, document) = line.split_at(line.find('{')?);
            Some((head.trim().to_owned(), serde_json::from_str(document).ok()?))
        };
        text.lines().filter_map(parts).collect()
    };
    let tried = lines();
    assert_eq!(tried.len(), 2, "refused once, then taken");
    assert_eq!(tried[0].1["id"], tried[1].1["id"]);
    assert_eq!(tried[1].0, "200 fleet-changed");
    assert_eq!(tried[1].1["changes"].as_array().map(Vec::len), Some(200));
    assert_eq!(fleet.count("SELECT count(*) FROM unannounced"), 0);
    assert_eq!(fleet.count("SELECT attempts FROM announcement"), 1);
    // What is put down while no collector runs is told afterwards.
    fleet.kill(Part::Collector(0));
    fleet.kill(Part::Collector(1));
    let one = "INSERT INTO unannounced VALUES (gen_random_uuid(), 7, 'failed', 'proven', 'passed', now(), now());";
    assert!(fleet.ask(one).is_some());
    fleet.revive(Part::Collector(0));
    wait_until("the next was told", || lines().len() == 3);
    assert_eq!(lines()[2].1["says"], "north-quay closet-3 quay7: failed to proven: passed");
}
