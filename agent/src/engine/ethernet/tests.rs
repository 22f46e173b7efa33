//! Whole checks of simulated rigs: what confirming may clear, and whom a slow computer must not blame.

use std::time::Duration;

use turnback_core::{
    base::placement::Placement,
    document::run::Report,
    event::{Awaited, Event},
    judge::{Location, Outcome, RuleId, facts::Stopped},
    kind::ethernet::sim::Rig,
    plan::{Profile, ProfileKind, Rate},
};

use crate::{
    engine::{self, CheckOptions, LineOptions, cancel::Cancel},
    ports::{Port, simulated::ethernet::SimulatedPort},
};

fn check(rig: &str, seed: u64, profile: &Profile) -> Report {
    check_at(&mut port(rig, seed), options(seed, profile), &mut |_| {}, &Cancel::default())
}

fn check_at(port: &mut SimulatedPort, options: CheckOptions, say: &mut dyn FnMut(Event), cancel: &Cancel) -> Report {
    engine::check(port, None, options, say, cancel).expect("a rig can be checked")
}

fn port(rig: &str, seed: u64) -> SimulatedPort {
    let rig = Rig::parse(rig).unwrap_or_else(|error| panic!("{error}\n{rig}"));
    SimulatedPort::of(&rig, "sim:rig".into(), seed)
}

fn options(seed: u64, profile: &Profile) -> CheckOptions {
    CheckOptions {
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
    }
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

/// Somebody who waits for a link sees for how long.
#[test]
fn waiting_for_a_link_is_told_every_second_with_the_time_that_is_left() {
    let waited = |rig: &str| {
        let mut left = Vec::new();
        let mut say = |event| {
            if let Event::Waiting { what: Awaited::Link, left_s } = event {
                left.push(left_s as u32);
            }
        };
        check_at(&mut port(rig, 1), options(1, &profile()), &mut say, &Cancel::default());
        left
    };
    let no_plug = |medium: &str| {
        format!("port = {{ internal_loop = false, medium = \"{medium}\" }}\nplug = {{ fitted = false }}\n")
    };
    assert_eq!(waited(&no_plug("fibre")), [5, 4, 3, 2, 1]);
    // Copper is tried at 100 and 10 Mb/s too.
    assert_eq!(waited(&no_plug("copper")), (1..=15).rev().collect::<Vec<_>>());
    assert_eq!(waited(""), [0; 0], "nobody waits for a link that is up");
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
    // Twice as many are lost: the steps come round many times, and each is told once.
    let (mut started, rig) = (Vec::new(), rig.replace("0.004", "0.008"));
    profile.time = Duration::from_secs(260);
    let mut say = |event| {
        if let Event::StepStarted { step, .. } = event {
            started.push(step);
        }
    };
    check_at(&mut port(&rig, 1), options(1, &profile), &mut say, &Cancel::default());
    assert_eq!(started, [1, 2]);
}

/// A proof sends for as long as its limit needs, where bits are counted and where frames are. 3.28e8 bits without error
/// prove 1e-8 at 95 % however often one looks: `-ln(0.05 * 3/4) / 1e-8` (closed form), after a look at the first second.
#[test]
fn a_proof_lasts_as_long_as_its_limit_needs() {
    let mut profile = profile();
    (profile.kind, profile.time, profile.target_ber) = (ProfileKind::Proof, Duration::from_secs(600), 1e-8);
    profile.sizes_bytes = vec![1518];
    for rig in ["", "[port]\ndelivers_bad_frames = false\n"] {
        let report = check(rig, 1, &profile);
        let bits = report.totals.frames().unwrap().frames_sent as f64 * 1518.0 * 8.0;
        assert!((3.283e8..3.4e8).contains(&bits), "{rig}: {bits:e}");
        assert_eq!(report.verdict.outcome, Outcome::Pass, "{:#?}", report.verdict);
    }
    // A limit that the time is too short for: it ends by its time.
    (profile.time, profile.target_ber) = (Duration::from_secs(5), 1e-12);
    let lasted_s = check("", 1, &profile).duration_s.unwrap();
    assert!((5.0..6.0).contains(&lasted_s), "{lasted_s}");
    // The first look comes after a second, and is enough here.
    (profile.time, profile.target_ber) = (Duration::from_secs(600), 1e-4);
    let lasted_s = check("", 1, &profile).duration_s.unwrap();
    assert!((1.0..2.0).contains(&lasted_s), "{lasted_s}");
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
    assert_eq!((none.verdict.outcome, none.verdict.rule()), (Outcome::Undecided, Some(&RuleId::LoopOpen)));
}

/// A share of line rate asks for a link: without one, that there is none is the answer.
#[test]
fn a_share_of_line_rate_without_a_link_is_no_error() {
    let mut profile = profile();
    profile.rate = Rate::Share(0.5);
    let report = check("[plug]\nfitted = false\n", 1, &profile);
    assert_eq!(report.verdict.rule(), Some(&RuleId::LoopOpen), "{:#?}", report.verdict);
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

const PULLED: &str = "[[faults]]\nplace = \"plug\"\nkind = { drop = { ratio = 1.0 } }\nfrom_s = 4.0\n";

/// A plug pulled in the fourth second of a plan of half a minute: the answer is known, and nobody waits for the rest. A
/// soak goes on, as does a plan whose frames come back, if only damaged.
#[test]
fn a_plan_of_steps_is_given_up_once_nothing_comes_back() {
    let run = |mut profile: Profile, rig: &str| {
        profile.rate = Rate::PerSecond(500.0);
        let mut late = Vec::new();
        let mut say = |event| {
            if let Event::Waiting { what: Awaited::LateFrames, left_s } = event {
                late.push(left_s as u32);
            }
        };
        (check_at(&mut port(rig, 1), options(1, &profile), &mut say, &Cancel::default()), late)
    };
    let standard = Profile::named("standard").unwrap();
    let (report, late) = run(standard.clone(), &format!("[port]\ninternal_loop = false\n{PULLED}"));
    assert_eq!((report.stopped, report.verdict.rule()), (Some(Stopped::WentSilent), Some(&RuleId::WentSilent)));
    assert_eq!(report.verdict.outcome, Outcome::Undecided);
    assert!(report.verdict.reasons[0].text.contains("from second 4 on"), "{:#?}", report.verdict);
    assert!(report.duration_s.unwrap() < 40.0, "{:?}", report.duration_s);
    assert!(!report.plan_done.unwrap().is_complete());
    assert_eq!(late, [4, 3, 2, 1], "the time that is left stands on the live line");
    // With a loop inside the chip the run goes on to say whether the port is at fault.
    let (report, _) = run(standard.clone(), PULLED);
    assert_eq!(report.references.len(), 1, "{:#?}", report.verdict);

    let mut soak = Profile::named("soak").unwrap();
    soak.time = Duration::from_secs(30);
    let (report, _) = run(soak, PULLED);
    assert_eq!((report.stopped, report.plan_done.map(|done| done.is_complete())), (None, Some(true)));

    let mut damaged = standard;
    (damaged.sizes_bytes, damaged.time) = (vec![1518], Duration::from_secs(20));
    let errors = "[port]\ndelivers_bad_frames = false\n[[faults]]\nplace = \"plug\"\n\
                  kind = { stuck-bit = { bit = 0, level = 1 } }\nfrom_s = 4.0\n";
    let (report, _) = run(damaged, errors);
    assert_eq!((report.stopped, report.verdict.outcome), (None, Outcome::Fault), "{:#?}", report.verdict);
}

/// A plug pulled and put in again in a soak: the answer says when, beside how much was lost.
#[test]
fn a_plug_that_was_out_for_a_while_is_told_with_its_seconds() {
    let mut soak = Profile::named("soak").unwrap();
    (soak.time, soak.rate) = (Duration::from_secs(30), Rate::PerSecond(500.0));
    let rig = format!("{PULLED}until_s = 9.5\n");
    let verdict = check(&rig, 1, &soak).verdict;
    assert_eq!((verdict.outcome, verdict.rule()), (Outcome::Undecided, Some(&RuleId::SilentOnce)), "{verdict:#?}");
    assert!(verdict.reasons[0].text.contains("Nothing came back from second "), "{verdict:#?}");
    // Out twice, it is not excused.
    let twice = format!("{rig}{}until_s = 20.0\n", PULLED.replace("from_s = 4.0", "from_s = 15.0"));
    let verdict = check(&twice, 1, &soak).verdict;
    assert_eq!(verdict.outcome, Outcome::Fault, "{verdict:#?}");
    assert!(verdict.next.contains("moved plug or cable"), "{verdict:#?}");
    assert!(!check("", 1, &soak).verdict.reasons[0].text.contains("Nothing came back"));
}

/// Ended by hand before there was a link, the run says what it waited for; ended in a silence, that it was ended.
#[test]
fn a_run_ended_by_hand_says_so_whatever_it_waited_for() {
    let ended = |rig: &str, profile: &Profile, when: fn(&Event) -> bool| {
        let cancel = Cancel::default();
        let mut say = |event| {
            if when(&event) {
                cancel.cancel();
            }
        };
        check_at(&mut port(rig, 1), options(1, profile), &mut say, &cancel).verdict
    };
    let verdict = ended("[plug]\nfitted = false\n", &profile(), |event| matches!(event, Event::Waiting { .. }));
    assert_eq!((verdict.outcome, verdict.rule()), (Outcome::NotTested, Some(&RuleId::NothingSent)));
    let said = format!("{} {}", verdict.reasons[0].text, verdict.next);
    assert!(said.contains("ended by hand while it waited for a link") && said.contains("Is a plug fitted?"), "{said}");
    let mut standard = Profile::named("standard").unwrap();
    standard.rate = Rate::PerSecond(500.0);
    let verdict = ended(PULLED, &standard, |event| matches!(event, Event::Progress(p) if p.silent_s > 3.0));
    assert_eq!(verdict.rule(), Some(&RuleId::WentSilent));
    assert!(verdict.scope.as_ref().is_some_and(|scope| scope.starts_with("ended by hand, ")), "{verdict:#?}");
}

/// A proof ends once its limit is proved: that is how long it was to take, and not the four hours that it may.
#[test]
fn a_proof_ended_by_hand_says_how_much_of_it_was_done() {
    let cancel = Cancel::default();
    let mut profile = profile();
    (profile.kind, profile.time, profile.target_ber) = (ProfileKind::Proof, Duration::from_secs(14_400), 1e-9);
    profile.sizes_bytes = vec![1518];
    let mut needed_s = None;
    let mut say = |event| {
        if let Event::Progress(p) = event
            && p.elapsed_s > 20.0
        {
            needed_s = p.needed_s;
            cancel.cancel();
        }
    };
    let report = check_at(&mut port("", 1), options(1, &profile), &mut say, &cancel);
    let done = report.plan_done.unwrap();
    let (asked_s, live_s) = (done.asked_s, done.done_s + needed_s.unwrap());
    // 3e9 bits (the rule of three at 95 %: 3/N), and a quarter of a bit of doubt more, of 24.2 million a second.
    assert!((110.0..180.0).contains(&asked_s) && (asked_s / live_s - 1.0).abs() < 0.2, "{asked_s} {live_s}");
    assert!(report.verdict.next.contains("--target-ber") && !report.verdict.next.contains("--for"), "{report:#?}");
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

/// RFC 2544 23 waits two seconds for residual frames. Here it is four: what comes 3.95 s late is late, and not lost.
#[test]
fn late_echoes_are_awaited_for_four_seconds_beyond_the_step() {
    let mut profile = profile();
    profile.settle = Duration::from_millis(100);
    // Sending ends so long before the run does. Only the last frames are held up: each that comes renews the patience.
    let over_s = check("", 1, &profile).duration_s.unwrap() - profile.settle.as_secs_f64();
    let from_s = over_s - 0.05;
    let kind = "{ delay = { ns = 3950000000 } }";
    let report = check(&format!("[[faults]]\nplace = \"plug\"\nkind = {kind}\nfrom_s = {from_s:.3}\n"), 1, &profile);
    let late = report.totals.frames().unwrap();
    assert!((50..400).contains(&late.frames_late) && late.frames_lost_on_wire == 0, "{late:#?}");
}

/// A plug at the far end of a sound cable that loses a fifth of all frames.
const LOSSY_PLUG: &str = "placement = \"far-end\"\n[[segments]]\nlabel = \"duct\"\nlength_m = 40\n[[faults]]\n\
                          place = \"plug\"\nkind = { drop = { ratio = 0.2 } }\n";

/// Confirming changes where the signal is turned back, and leaves it where it was.
#[test]
fn plug_and_loop_are_where_they_were_once_a_failure_is_confirmed() {
    let mut port = port(LOSSY_PLUG, 1);
    let mut tried = Vec::new();
    let mut say = |event| {
        if let Event::Confirming { placement } = event {
            tried.push(placement);
        }
    };
    let report = check_at(&mut port, options(1, &profile()), &mut say, &Cancel::default());
    assert_eq!(tried, [Placement::Internal, Placement::AtPort], "{:#?}", report.verdict);
    assert_eq!(port.plug_is_at(), Some(Placement::FarEnd));
    let [inside, at_port] = report.references.as_slice() else { panic!("{:#?}", report.references) };
    assert_eq!((inside.placement, inside.failures), (Placement::Internal, 0));
    // With the loop inside the chip still on, the plug at the port would pass as well.
    assert!(
        at_port.placement == Placement::AtPort && at_port.trouble.failed > at_port.trouble.tried / 10,
        "{at_port:#?}"
    );
}

/// Neither a run that was ended by hand is confirmed, nor does a trial that was ended by hand say anything.
#[test]
fn what_was_ended_by_hand_clears_nothing() {
    let ended_at = |when: fn(&Event) -> bool| {
        let cancel = Cancel::default();
        let mut tried = 0;
        let mut say = |event: Event| {
            tried += u64::from(matches!(event, Event::Confirming { .. }));
            if when(&event) {
                cancel.cancel();
            }
        };
        let report = check_at(&mut port(LOSSY_PLUG, 1), options(1, &profile()), &mut say, &cancel);
        (tried, report.references.len())
    };
    assert_eq!(ended_at(|event| matches!(event, Event::Progress(progress) if progress.frames_missing > 100)), (0, 0));
    assert_eq!(ended_at(|event| matches!(event, Event::Confirming { .. })), (1, 0));
}

/// A trial lasts as long as the run sent, ten seconds at most and one at least.
#[test]
fn a_trial_lasts_from_one_second_to_ten() {
    let trials = |seconds: f64| {
        let mut profile = profile();
        // Two sizes and two patterns take turns.
        profile.time = Duration::from_secs_f64(seconds / 4.0);
        let report = check(LOSSY_PLUG, 1, &profile);
        // At 2000 frames a second; the first probes are a few more.
        report.references[0].trouble.tried as f64 / 2000.0
    };
    for (sent_s, trial_s) in [(0.4, 1.0), (4.0, 4.0), (40.0, 10.0)] {
        let tried = trials(sent_s);
        assert!((trial_s - 0.1..trial_s + 0.1).contains(&tried), "{sent_s} s sent, tried for {tried} s");
    }
}

/// A computer that takes 100 frames a second is met by the fifth halving of 2000, and not by the fourth.
#[test]
fn a_step_is_slowed_five_times_at_most() {
    let slowed = |takes: u32| {
        let mut profile = profile();
        (profile.sizes_bytes, profile.time) = (vec![64], Duration::from_secs(4));
        profile.patterns.truncate(1);
        let host = format!("[port]\nreceive_ring_frames = 4\n[host]\nframes_per_second_max = {takes}\n");
        let mut rates = Vec::new();
        let mut say = |event| {
            if let Event::Slowed { frames_per_second } = event {
                rates.push(frames_per_second);
            }
        };
        let report = check_at(&mut port(&host, 1), options(1, &profile), &mut say, &Cancel::default());
        let last = report.steps.last().unwrap().clone();
        (rates, last.frames_lost_in_host, last.repeated_slower)
    };
    let (rates, lost, repeated) = slowed(100);
    assert_eq!((rates, lost, repeated), (vec![1000.0, 500.0, 250.0, 125.0, 62.5], 0, false));
    let (rates, lost, repeated) = slowed(20);
    assert!(rates.len() == 6 && lost > 0 && repeated, "{rates:?} {lost} {repeated}");
}

/// A soak comes back to each size and does not lose the same frames each time: it takes the time that was asked for, and
/// a repeat or two of each size. What this computer lost is not shown as missing on the line.
#[test]
fn a_soak_remembers_how_fast_this_computer_is() {
    let mut profile = Profile::named("soak").unwrap();
    (profile.sizes_bytes, profile.time) = (vec![64, 1518], Duration::from_secs(120));
    (profile.rate, profile.target_ber) = (Rate::PerSecond(2000.0), 1e-5);
    profile.patterns.truncate(1);
    let host = "[port]\nreceive_ring_frames = 4\n[host]\nframes_per_second_max = 1200\n";
    let (mut rates, mut missing) = (Vec::new(), 0);
    let mut say = |event| match event {
        Event::Slowed { frames_per_second } => rates.push(frames_per_second),
        Event::Progress(progress) if rates.len() == 4 => missing = progress.frames_missing,
        _ => {}
    };
    let report = check_at(&mut port(host, 1), options(1, &profile), &mut say, &Cancel::default());
    assert_eq!(rates, [1000.0; 4]);
    assert_eq!((report.verdict.outcome, missing), (Outcome::Pass, 0), "{:#?}", report.verdict);
    let sent_s: f64 = report.steps.iter().map(|step| step.seconds).sum();
    assert!((120.0..120.0 + 5.0 * 20.0).contains(&sent_s), "{sent_s}");
}

/// Whoever pulled the plug waits for no slower steps, each as long as the first.
#[test]
fn a_step_in_which_the_line_fell_silent_is_not_repeated() {
    let mut profile = profile();
    (profile.sizes_bytes, profile.time) = (vec![64], Duration::from_secs(8));
    profile.patterns.truncate(1);
    let slowed = |pulled: &str| {
        let host = format!("[port]\nreceive_ring_frames = 4\n[host]\nframes_per_second_max = 1000\n{pulled}");
        let mut count = 0;
        let mut say = |event| count += u32::from(matches!(event, Event::Slowed { .. }));
        let once = CheckOptions { confirm: false, ..options(1, &profile) };
        check_at(&mut port(&host, 1), once, &mut say, &Cancel::default());
        count
    };
    let pulled = "[[faults]]\nplace = \"plug\"\nkind = { drop = { ratio = 1.0 } }\nfrom_s = 3.0\n";
    assert_eq!((slowed(""), slowed(pulled)), (1, 0));
}

/// A plug pulled a moment before the end has lost no more than a bad line loses, and returns nothing of what is sent
/// then. A line that goes on losing does return some of it.
#[test]
fn a_plug_pulled_just_before_the_end_is_no_fault() {
    let profile = profile();
    let over_s = check("", 1, &profile).duration_s.unwrap() - profile.settle.as_secs_f64();
    for before_s in [0.05, 0.2, 0.6, 0.95] {
        let kind = "{ drop = { ratio = 1.0 } }";
        let rig = format!("[[faults]]\nplace = \"plug\"\nkind = {kind}\nfrom_s = {:.2}\n", over_s - before_s);
        let verdict = check(&rig, 1, &profile).verdict;
        let found = (verdict.outcome, verdict.rule());
        assert_eq!(found, (Outcome::Undecided, Some(&RuleId::WentSilent)), "{before_s} s: {verdict:#?}");
    }
    let lossy = "[[faults]]\nplace = \"plug\"\nkind = { drop = { ratio = 0.3 } }\n";
    assert_eq!(check(lossy, 1, &profile).verdict.rule(), Some(&RuleId::FramesLost));
}
