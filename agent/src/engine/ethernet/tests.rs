//! Whole checks of simulated rigs: what confirming may clear, and whom a slow computer must not blame.

use std::time::Duration;

use turnback_core::{
    document::run::Report,
    judge::{Location, Outcome, RuleId},
    kind::ethernet::sim::Rig,
    plan::{Profile, ProfileKind, Rate},
};

use crate::{
    engine::{self, CheckOptions, LineOptions, cancel::Cancel},
    ports::simulated::ethernet::SimulatedPort,
};

fn check(rig: &str, seed: u64, profile: &Profile) -> Report {
    let rig = Rig::parse(rig).unwrap_or_else(|error| panic!("{error}\n{rig}"));
    let options = CheckOptions {
        profile: profile.clone(),
        placement: None,
        cable: None,
        labels: Default::default(),
        machine: String::new(),
        speed_mbps: None,
        seed,
        run: String::new(),
        started_at: String::new(),
        although_in_service: false,
        confirm: true,
        line: LineOptions::default(),
    };
    let mut port = SimulatedPort::of(&rig, "sim:rig".into(), seed);
    engine::check(&mut port, None, options, &mut |_| {}, &Cancel::default()).expect("a rig can be checked")
}

/// Two sizes and two patterns, some thousand frames a second.
fn profile() -> Profile {
    let mut profile = Profile::named("quick").unwrap();
    profile.sizes_bytes = vec![64, 1518];
    profile.patterns = vec!["ones".parse().unwrap(), "zeros".parse().unwrap()];
    profile.rate = Rate::PerSecond(2000.0);
    profile.target_ber = 1e-6;
    profile
}

/// Like is compared with like: what is wrong with the plug is never put into port or cable, whatever it is.
#[test]
fn confirming_never_clears_a_bad_plug() {
    let window = "\nfrom_s = 1.0\nuntil_s = 1.3\nevery_s = 3.7";
    let faults = [
        ("{ stuck-bit = { bit = 0, level = 1 } }", ""),
        ("{ stuck-bit = { bit = 7, level = 0 } }", ""),
        ("{ truncate = { ratio = 0.1 } }", ""),
        ("{ flap = { every_s = 2.0, down_s = 0.3 } }", ""),
        ("{ drop = { ratio = 1.0 } }", window),
        ("{ drop = { ratio = 1.0 } }", ""),
        ("{ bit-errors = { ratio = 1e-3 } }", window),
    ];
    let hosts = ["", "[host]\nframes_per_second_max = 5000\n", "[host]\nframes_per_second_max = 70\n"];
    let ports = ["", "[port]\nchecks_frames = false\n", "[port]\ndelivers_bad_frames = false\nlatency_ns = 100000\n"];
    for placement in ["at-port", "far-end"] {
        for (kind, when) in faults {
            for seed in 0..6 {
                let (host, port) = (hosts[(seed % 3) as usize], ports[(seed / 2) as usize]);
                let rig = format!(
                    "placement = \"{placement}\"\n{port}{host}[[segments]]\nlabel = \"duct\"\nlength_m = 40\n\
                     [[faults]]\nplace = \"plug\"\nkind = {kind}{when}\n"
                );
                let verdict = check(&rig, seed, &profile()).verdict;
                let named = verdict.location.is_empty() || verdict.location.contains(&Location::Plug);
                assert!(named && verdict.outcome != Outcome::Pass, "seed {seed}\n{rig}\n{verdict:#?}");
            }
        }
    }
}

/// The bits prove the limit within a second. That no more than one frame in a hundred is lost takes longer.
#[test]
fn a_proof_goes_on_until_the_whole_evidence_passes() {
    let mut profile = profile();
    (profile.kind, profile.time) = (ProfileKind::Proof, Duration::from_secs(60));
    (profile.rate, profile.target_ber, profile.sizes_bytes) = (Rate::PerSecond(500.0), 1e-5, vec![1518]);
    let rig = "[port]\nchecks_frames = false\n[[faults]]\nplace = \"plug\"\nkind = { drop = { ratio = 0.004 } }\n";
    for seed in 0..3 {
        let verdict = check(rig, seed, &profile).verdict;
        assert_eq!(verdict.outcome, Outcome::Pass, "seed {seed}: {verdict:#?}");
    }
}

/// A port that takes nothing until it is ready loses whole handfuls of first probes: they are told and not judged,
/// though so many lost later would not pass.
#[test]
fn what_was_lost_before_the_port_was_ready_is_not_judged() {
    let mut profile = profile();
    profile.time = Duration::from_millis(300);
    let lost_before = |until_s: f64| {
        let kind = "kind = { drop = { ratio = 1.0 } }";
        let rig = format!("[[faults]]\nplace = \"plug\"\n{kind}\nuntil_s = {until_s:.1}\n");
        let report = check(&rig, 1, &profile);
        let told = report.warnings.iter().any(|warning| warning.contains("lost before the port was ready"));
        assert!(!told || report.verdict.outcome == Outcome::Pass, "until {until_s}: {:#?}", report.verdict);
        told
    };
    let told = (1..30).filter(|tenths| lost_before(0.2 * f64::from(*tenths))).count();
    assert!(told > 1, "{told}");
}

/// Echoes held up for longer than a step waits: those of the last step come when all is sent.
#[test]
fn what_comes_back_after_the_last_step_is_late_and_not_lost() {
    let rig = "[[faults]]\nplace = \"plug\"\nkind = { delay = { ns = 1500000000 } }\nfrom_s = 4.0\n";
    let report = check(rig, 1, &profile());
    let totals = report.totals.frames().unwrap();
    assert!(totals.frames_late > 0 && totals.frames_lost_on_wire == 0, "{totals:#?}");
    assert_ne!(report.verdict.outcome, Outcome::Fault, "{:#?}", report.verdict);
}

/// The bisection ends within a hundredth (RFC 2544 26.1 asks for the highest rate without loss, and leaves the search
/// open).
#[test]
fn a_rate_search_ends_within_a_hundredth() {
    let mut profile = profile();
    (profile.kind, profile.time) = (ProfileKind::RateSearch, Duration::from_millis(500));
    (profile.rate, profile.sizes_bytes) = (Rate::Full, vec![64]);
    profile.patterns.truncate(1);
    let report = check("[port]\nreceive_ring_frames = 64\n[host]\nframes_per_second_max = 5000\n", 1, &profile);
    let found = &report.ethernet().unwrap().zero_loss_rates[0];
    let (good, bad) = (found.frames_per_second.unwrap(), found.lossy_frames_per_second.unwrap());
    assert!(good < bad && bad - good <= 0.01 * bad && found.limited_by_host, "{found:#?}");
    // The host takes 5000 a second, and its ring 64 besides.
    assert!((4900.0..5300.0).contains(&good), "{found:#?}");
}

/// A port that can link to itself at 10 Mb/s only is a port with a plug all the same.
#[test]
fn a_port_that_links_to_itself_at_10_mbps_only_is_tested_there() {
    let mut profile = profile();
    profile.rate = Rate::PerSecond(500.0);
    profile.target_ber = 1e-5;
    let report = check("[port]\nlinks_to_itself_at_mbps = [10]\n", 1, &profile);
    assert_eq!(report.verdict.outcome, Outcome::Pass, "{:#?}", report.verdict);
    assert_eq!(report.ethernet().and_then(|detail| detail.fallback_mbps), Some(10));
    let none = check("[plug]\nfitted = false\n[port]\nlinks_to_itself_at_mbps = [10]\n", 1, &profile);
    assert_eq!(none.verdict.outcome, Outcome::Fault);
}

/// A share of line rate asks for a link: without one, that there is none is the answer.
#[test]
fn a_share_of_line_rate_without_a_link_is_no_error() {
    let mut profile = profile();
    profile.rate = Rate::Share(0.5);
    let report = check("[plug]\nfitted = false\n", 1, &profile);
    assert_eq!(report.verdict.outcome, Outcome::Fault, "{:#?}", report.verdict);
}

/// Long frames that all fail the adapter's check after short ones that came back are no silence.
#[test]
fn frames_that_fail_the_check_have_come_back() {
    let errors = ("delivers_bad_frames = false", "bit-errors = { ratio = 1e-3 }");
    // A stuck bit damages the header too, and with it the time at which the frame left.
    let stuck = ("checks_frames = false", "stuck-bit = { bit = 0, level = 0 }");
    for (port, kind) in [errors, stuck] {
        let rig = format!("[port]\n{port}\n[[faults]]\nplace = \"plug\"\nkind = {{ {kind} }}\n");
        let verdict = check(&rig, 1, &profile()).verdict;
        assert_eq!((verdict.outcome, verdict.rule()), (Outcome::Fault, Some(&RuleId::BitErrors)), "{verdict:#?}");
    }
}

/// And what is there all the time in the cable is still put there, so that comparing did not just become timid.
#[test]
fn confirming_still_places_a_steady_fault_in_the_cable() {
    for kind in ["bit-errors = { ratio = 1e-5 }", "drop = { ratio = 0.05 }", "truncate = { ratio = 0.05 }"] {
        for seed in 0..4 {
            let rig = format!(
                "placement = \"far-end\"\n[[segments]]\nlabel = \"duct\"\nlength_m = 40\n\
                 [[faults]]\nplace = \"segment:duct\"\nkind = {{ {kind} }}\n"
            );
            let verdict = check(&rig, seed, &profile()).verdict;
            assert_eq!(verdict.location, [Location::Cable], "seed {seed}\n{rig}\n{verdict:#?}");
        }
    }
}
