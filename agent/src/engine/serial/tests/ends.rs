//! How runs end: by their plan and an allowance, when asked to, and with what happened.

use super::*;
use turnback_core::kind::serial::format::LineFormat;

fn quick() -> Profile {
    Profile::named("quick").unwrap()
}

fn lasting(seconds: u64) -> LineOptions {
    LineOptions { time: Some(Duration::from_secs(seconds)), ..LineOptions::default() }
}

fn check(line: &mut HandMade, seconds: u64) -> Report {
    checked(line, quick(), lasting(seconds), &Cancel::default())
}

fn rule(report: &Report) -> &RuleId {
    &report.verdict.reasons[0].rule
}

fn balances(report: &Report) -> bool {
    let counts = report.serial().unwrap().counts;
    counts.sent + counts.inserted == counts.returned + counts.lost
}

/// Gives everything back until `noise_from`, and from then on a random byte every `every`.
fn noisy(noise_from: u64, every: u64) -> HandMade {
    let mut rng = turnback_core::base::rng::Rng::new(5);
    let mut next = noise_from;
    HandMade::new(move |now, out| {
        let back: Vec<u8> = out.drain(..).map(|(_, byte)| byte).collect();
        if *now < noise_from {
            // A pace of its own, so that a run does not send without end.
            *now += if back.is_empty() { 0 } else { 1_000_000 };
            return back;
        }
        let mut came = Vec::new();
        while next <= *now {
            came.push(rng.draw() as u8);
            next += every;
        }
        came
    })
}

#[test]
fn a_line_that_goes_dead_says_from_when_on() {
    // Alive for 2 s of a 5 s run. On top come eight seconds of patience, one for what is out, and two to ask again.
    let mut line = HandMade::at_rate(20_000, 2 * SECOND_NS);
    let report = check(&mut line, 5);
    assert_eq!((rule(&report), report.verdict.outcome), (&RuleId::WentSilent, Outcome::Undecided), "{report:?}");
    assert!(report.verdict.reasons[0].text.contains("from second 2 on"), "{}", report.verdict.reasons[0].text);
    assert!(line.now <= 17 * SECOND_NS, "{} ms", line.now / 1_000_000);
    assert!(balances(&report));
}

#[test]
fn a_line_that_goes_dead_early_is_not_waited_for_at_every_speed() {
    let mut line = HandMade::at_rate(20_000, 2 * SECOND_NS);
    let report = checked(&mut line, Profile::named("standard").unwrap(), lasting(5), &Cancel::default());
    assert_eq!(rule(&report), &RuleId::WentSilent);
    assert!(line.now <= 20 * SECOND_NS, "{} ms", line.now / 1_000_000);
}

/// Gives everything back but between these moments, when it is lost.
fn away(from: u64, until: u64) -> HandMade {
    let mut next_at = 0;
    HandMade::new(move |now, out| {
        let mut came = Vec::new();
        while let Some((sent_at, byte)) = out.front().copied()
            && sent_at.max(next_at) <= *now
        {
            next_at = next_at.max(sent_at) + SECOND_NS / 20_000;
            came.extend((!(from..until).contains(&sent_at)).then_some(byte));
            out.pop_front();
        }
        came
    })
}

/// A hand pulls the plug in a soak and puts it in again: that is met within a second or so, and the soak goes on to its
/// end, telling how long the silence is.
#[test]
fn a_soak_outlasts_a_plug_that_is_put_back() {
    for (from, until) in [(6, 14), (5, 8), (9, 12), (4, 30)] {
        let mut line = away(from * SECOND_NS, until * SECOND_NS);
        let all = options_of(Profile::named("soak").unwrap(), lasting(40));
        let (mut silent_s, mut heard_again, mut last_s) = (0.0_f64, None, 0.0);
        let mut gap_s = 0.0_f64;
        let mut say = |event| {
            if let Event::LineProgress { elapsed_s, silent_s: now_s, .. } = event {
                if now_s < silent_s && silent_s > 1.0 {
                    heard_again.get_or_insert(elapsed_s);
                }
                gap_s = gap_s.max(elapsed_s - last_s);
                (silent_s, last_s) = (now_s, elapsed_s);
            }
        };
        let report = Run::new(Serial::new(&mut line, &all), all, &mut say, &Cancel::default()).check().unwrap();
        let again_s = heard_again.unwrap_or(f64::MAX);
        assert!((until as f64..until as f64 + 2.5).contains(&again_s), "{from} to {until}: {again_s}");
        assert!(gap_s < 6.0, "never without a word: {gap_s}");
        assert!(last_s > 40.0, "to its end: {last_s}");
        assert!(balances(&report) && report.verdict.location.is_empty(), "{:?}", report.verdict);
        assert_eq!(rule(&report), &RuleId::SilentOnce, "{:?}", report.verdict);
        // The seconds in which nothing came back are bad ones, and named. What was sent before came for a while.
        let text = &report.verdict.reasons[0].text;
        let named = |second: u64| [from, from + 1].map(|begun| format!("from second {begun} to {second},"));
        assert!([until, until + 1].into_iter().flat_map(named).any(|named| text.contains(&named)), "{from}: {text}");
        let bad = report.seconds.iter().filter(|second| second.sent > 0 && second.returned == 0).count() as u64;
        assert!((until - from - 2..=until - from).contains(&bad), "{from} to {until}: {bad} s");
    }
}

/// Left out to the end, the soak comes to its end and says from when on.
#[test]
fn a_soak_whose_plug_stays_out_says_from_when_on() {
    let mut line = away(4 * SECOND_NS, u64::MAX);
    let report = checked(&mut line, Profile::named("soak").unwrap(), lasting(20), &Cancel::default());
    assert_eq!((rule(&report), report.verdict.outcome), (&RuleId::WentSilent, Outcome::Undecided), "{report:?}");
    // What was sent before came back for half a second more.
    assert!(report.verdict.reasons[0].text.contains("from second 5 on"), "{:?}", report.verdict);
    assert!((20..28).contains(&(line.now / SECOND_NS)), "{} ms", line.now / 1_000_000);
}

#[test]
fn waiting_for_late_bytes_is_told_every_second() {
    // The last slice of three seconds ends in the silence.
    let mut line = HandMade::at_rate(20_000, 3 * SECOND_NS);
    let all = options_of(quick(), lasting(3));
    let mut waited = Vec::new();
    let mut say = |event| {
        if let Event::Waiting { what: Awaited::LateBytes, left_s } = event {
            waited.push(left_s as u32);
        }
    };
    let report = Run::new(Serial::new(&mut line, &all), all, &mut say, &Cancel::default()).check().unwrap();
    assert_eq!(rule(&report), &RuleId::WentSilent);
    assert_eq!(waited, [8, 7, 6, 5, 4, 3, 2, 1], "the time that is left stands on the live line");
}

#[test]
fn noise_in_place_of_the_plug_ends_the_run_and_is_told() {
    // A stray byte every 100 ms, every 3 s, and as fast as the line itself.
    for every in [100_000_000, 3 * SECOND_NS, 100_000] {
        let mut line = noisy(3 * SECOND_NS, every);
        let report = check(&mut line, 5);
        assert_eq!((rule(&report), report.verdict.outcome), (&RuleId::WentSilent, Outcome::Undecided), "{every}");
        let text = &report.verdict.reasons[0].text;
        assert!(text.contains("from second 3 on") && text.contains("of something else"), "{every}: {text}");
        assert!(line.now <= 30 * SECOND_NS, "{every}: {} ms", line.now / 1_000_000);
        assert!(balances(&report));
    }
}

#[test]
fn noise_alone_is_no_first_block_that_came_back() {
    // It begins with the first byte that is sent.
    let mut rng = turnback_core::base::rng::Rng::new(5);
    let mut next = None;
    let mut line = HandMade::new(move |now, out| {
        let next = next.get_or_insert(if out.is_empty() { return Vec::new() } else { *now });
        let mut came = Vec::new();
        while *next <= *now {
            came.push(rng.draw() as u8);
            *next += 100_000;
        }
        came
    });
    let report = check(&mut line, 5);
    assert_eq!(report.first_probes.returned, 0, "{:?}", report.first_probes);
    assert_ne!(report.verdict.outcome, Outcome::Pass);
    assert!(line.now <= 30 * SECOND_NS, "{} ms", line.now / 1_000_000);
}

#[test]
fn a_plug_that_is_not_there_is_told_within_five_seconds() {
    let mut line = HandMade::at_rate(20_000, 0);
    let now = line.clock();
    let (mut told_at, mut waited) = (None, Vec::new());
    let all = options_of(quick(), lasting(5));
    let mut say = |event| match event {
        Event::FirstProbesDone { returned: 0, .. } => _ = told_at.get_or_insert(now.get()),
        Event::Waiting { what: Awaited::Answer, left_s } => waited.push(left_s as u32),
        _ => {}
    };
    let report = Run::new(Serial::new(&mut line, &all), all, &mut say, &Cancel::default()).check().unwrap();
    assert_eq!((rule(&report), report.verdict.outcome), (&RuleId::LoopOpen, Outcome::Undecided));
    assert_eq!(report.first_probes.returned, 0);
    assert!(told_at.is_some_and(|at| at < 5 * SECOND_NS), "{told_at:?}");
    assert_eq!(waited, [8, 7, 6, 5, 4, 3, 2, 1], "the time that is left stands on the live line");
    // Blamed only after as long as a computer may stand still.
    assert!((8 * SECOND_NS..11 * SECOND_NS).contains(&line.now), "{} ms", line.now / 1_000_000);
}

#[test]
fn the_wish_to_end_is_met_within_a_second_at_every_moment() {
    let lines: [fn() -> HandMade; 5] = [
        || HandMade::at_rate(20_000, u64::MAX),
        || HandMade::at_rate(30, u64::MAX),
        || HandMade::at_rate(20_000, 2 * SECOND_NS),
        || HandMade::at_rate(20_000, 0),
        || noisy(2 * SECOND_NS, 7 * SECOND_NS),
    ];
    for (number, make) in lines.iter().enumerate() {
        // Each line at moments of its own.
        for tenths in (1 + number as u64..120).step_by(5) {
            let cancel = Cancel::default();
            let at = tenths * SECOND_NS / 10;
            let mut line = HandMade { cancel: Some((at, cancel.clone())), ..make() };
            let report = checked(&mut line, Profile::named("standard").unwrap(), lasting(5), &cancel);
            assert!(line.now <= at + SECOND_NS, "line {number}, asked at {at}: ended at {}", line.now);
            assert!(balances(&report), "line {number}, asked at {at}");
            // What was out when the run was ended is not lost.
            let dead = [2, 3, 4].contains(&number);
            assert!(dead || report.serial().unwrap().counts.lost == 0, "line {number}, asked at {at}");
            assert!(dead || report.verdict.outcome != Outcome::Fault, "line {number}, asked at {at}");
        }
    }
}

#[test]
fn a_slow_line_ends_by_its_plan_and_is_not_blamed() {
    for paced in [false, true] {
        // 300 bit/s are 30 characters a second; a line without a pace says nothing of its speed.
        let format = paced.then(|| "300,8N1".parse::<LineFormat>().unwrap());
        let mut line = HandMade { paced, ..HandMade::at_rate(30, u64::MAX) };
        let report = checked(&mut line, quick(), LineOptions { format, ..lasting(5) }, &Cancel::default());
        assert_eq!((report.stopped, report.serial().unwrap().counts.lost), (None, 0), "paced: {paced}");
        assert_ne!(report.verdict.outcome, Outcome::Fault);
        // 5 s of data, one block of 8.5 s, turnarounds of up to 64 bytes, and what is out at the end.
        assert!(line.now <= 30 * SECOND_NS, "paced {paced}: {} ms", line.now / 1_000_000);
    }
}

/// 3e5 bits prove 1e-5 (the rule of three at 95 %: 3/N); at 240 bits a second that is 21 minutes.
#[test]
fn a_good_line_of_300_bit_a_second_can_pass_and_is_told_how_long_that_takes() {
    let options = LineOptions { format: Some("300,8N1".parse().unwrap()), ..LineOptions::default() };
    let mut line = HandMade { paced: true, ..HandMade::at_rate(30, u64::MAX) };
    let mut estimated = None;
    let all = options_of(quick(), options);
    let cancel = Cancel::default();
    let mut say = |event| {
        if let turnback_core::event::Event::LineEstimated { seconds } = event {
            estimated = Some(seconds);
        }
    };
    let report = Run::new(Serial::new(&mut line, &all), all, &mut say, &cancel).check().unwrap();
    assert_eq!(report.verdict.outcome, Outcome::Pass, "{:?}", report.verdict);
    let took = line.now as f64 / SECOND_NS as f64;
    assert!((1200.0..2000.0).contains(&took), "{took} s");
    assert!(estimated.is_some_and(|told| (told - took).abs() < took / 10.0), "{estimated:?}, took {took} s");
}

#[test]
fn other_programs_at_the_line_end_the_run_and_nothing_is_blamed() {
    for from in [SECOND_NS, 2 * SECOND_NS, 4 * SECOND_NS] {
        // From then on the other program has the settings or the bytes.
        let mut line = HandMade { reconfigured_from: from, ..HandMade::at_rate(20_000, from) };
        let report = check(&mut line, 5);
        assert_eq!((rule(&report), report.stopped), (&RuleId::Reconfigured, Some(Stopped::Reconfigured)), "{from}");
        assert!(report.verdict.location.is_empty() && line.now <= from + SECOND_NS, "{from}: {}", line.now);
        let mut line = HandMade { held_from: from, ..HandMade::at_rate(20_000, from) };
        let report = check(&mut line, 5);
        assert_eq!((rule(&report), report.verdict.outcome), (&RuleId::InService, Outcome::NotTested), "{from}");
        assert!(line.now <= from + 4 * SECOND_NS, "{from}: {}", line.now);
    }
}

#[test]
fn a_port_that_vanishes_leaves_what_was_counted() {
    let mut line = HandMade { gone_from: 3 * SECOND_NS, ..HandMade::at_rate(20_000, u64::MAX) };
    let report = check(&mut line, 5);
    assert_eq!(rule(&report), &RuleId::PortGone);
    let counts = report.serial().unwrap().counts;
    // Some 1.5 s of data at least, all of it good.
    assert!(counts.returned > 30_000 && counts.lost == 0 && balances(&report), "{counts:?}");
}
