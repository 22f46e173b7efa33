//! `scripts/rig` as docs/rigs.md describes it: a rig is made, used and removed without a trace.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

use crate::harness::netns::{in_fresh_namespace, run};

fn script() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the package lies in the repository").join("scripts/rig")
}

/// Runs the script with a folder of its own for its files. Splits `words` at spaces.
pub fn rig(folder: &Path, words: &str) -> Output {
    Command::new(script())
        .args(words.split_whitespace())
        .env("XDG_RUNTIME_DIR", folder)
        .env("TURNBACK_STATE_DIR", folder.join("state"))
        .env("TURNBACK_PLUG", env!("CARGO_BIN_EXE_turnback-plug"))
        .output()
        .expect("scripts/rig runs")
}

pub fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// Removes the rigs that a failed test leaves.
pub struct Down<'a>(pub &'a Path);

impl Drop for Down<'_> {
    fn drop(&mut self) {
        rig(self.0, "down all");
    }
}

#[test]
fn a_veth_rig_passes_until_its_plug_is_pulled_and_leaves_nothing() {
    in_fresh_namespace(|| {
        // Named namespaces are files and mounts in /run. In a /run of its own nobody else sees them, even after a kill.
        run("mount -t tmpfs tmpfs /run");
        let folder = tempfile::tempdir().expect("a temporary directory");
        let folder = folder.path();
        let _down = Down(folder);
        let up = rig(folder, "up veth --no-ipv6");
        assert!(up.status.success(), "{}", text(&up));
        let name = text(&up).lines().find_map(|line| line.strip_prefix("rig: ").map(str::to_owned)).expect("its name");
        assert!(text(&rig(folder, "list")).contains(&name));

        let turnback = env!("CARGO_BIN_EXE_turnback");
        let check = format!("run {name} -- {turnback} check quay0 --rate 3000 --for 1s --seed 1 --target-ber 1e-6");
        let passed = rig(folder, &check);
        assert_eq!(passed.status.code(), Some(0), "{}", text(&passed));
        assert!(text(&passed).contains("PASS"), "{}", text(&passed));

        assert!(rig(folder, &format!("plug out {name}")).status.success());
        let pulled = rig(folder, &check);
        assert_eq!(pulled.status.code(), Some(3), "{}", text(&pulled));

        assert!(rig(folder, &format!("down {name}")).status.success());
        assert_eq!(text(&rig(folder, "list")), "");
        assert!(std::fs::read_dir(folder.join("turnback-rig")).expect("its folder").next().is_none());
        assert!(!Path::new("/run/netns").join(&name).exists());
        assert_eq!(rig(folder, &format!("run {name} -- true")).status.code(), Some(2));
    });
}

#[test]
fn a_serial_rig_takes_commands_and_gives_its_final_report() {
    let folder = tempfile::tempdir().expect("a temporary directory");
    let folder = folder.path();
    let _down = Down(folder);
    let up = rig(folder, "up pty -- --drop 0.25 --seed 9");
    assert!(text(&up).starts_with("rig: tb-pty-1\n"), "{}", text(&up));
    let report = || -> Value { serde_json::from_slice(&rig(folder, "report tb-pty-1").stdout).expect("a report") };
    assert_eq!((&report()["options"]["drop"], &report()["seed"]), (&0.25.into(), &9.into()));
    assert!(rig(folder, "tell tb-pty-1 set drop 0").status.success());
    assert!(rig(folder, "plug out").status.success());
    assert_eq!(report()["options"]["drop"], 0.0);
    assert_eq!(report()["options"]["outage"], format!("0:{}", u64::MAX));
    assert!(text(&rig(folder, "list")).ends_with("turnback-plug, out\n"));
    assert_eq!(rig(folder, "plug out").status.code(), Some(2), "the plug is already out");
    assert!(rig(folder, "plug in").status.success());
    assert_eq!(report()["options"]["outage"], Value::Null);
    assert_eq!(rig(folder, "tell tb-pty-1 set drop 7").status.code(), Some(2));

    let down = rig(folder, "down all");
    let last: Value = serde_json::from_slice(&down.stdout).expect("the final report");
    assert_eq!((down.status.code(), &last["report"]), (Some(0), &"final".into()));
    assert_eq!(text(&rig(folder, "list")), "");
}

#[test]
fn wrong_words_are_refused_with_the_way_out() {
    let folder = tempfile::tempdir().expect("a temporary directory");
    std::fs::create_dir(folder.path().join("elsewhere")).expect("a folder of somebody else's");
    for words in ["up ferry", "down tb-veth-7", "down ../elsewhere", "plug sideways", "reel"] {
        let refused = rig(folder.path(), words);
        assert_eq!(refused.status.code(), Some(2), "{words}: {}", text(&refused));
        assert!(text(&refused).starts_with("error: "), "{words}: {}", text(&refused));
    }
    assert!(folder.path().join("elsewhere").exists());
}
