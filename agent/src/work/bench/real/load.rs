//! All ports of a card at their highest rate at once: the tests `load` and `burn-in`, and the traffic that `bus` needs.

use std::{
    sync::{
        Mutex, PoisonError,
        atomic::{AtomicBool, AtomicUsize, Ordering},
    },
    thread,
    time::{Duration, Instant},
};

use turnback_core::{
    bench::facts::{LoadFacts, LoadPort, LoadSample},
    judge::facts::Stopped,
    kind::ethernet::{
        counters::{Counters, difference},
        link::LinkState,
        losses::Losses,
        probe::FCS_BYTES,
        stream::StreamSpec,
    },
    signal::pattern::Pattern,
};

use super::{
    LINK_PATIENCE,
    halt::Halt,
    ready::{bring_up, frames, open_free},
};
use crate::{
    engine::cancel::Cancel,
    ports::{
        Disturbance, Port,
        cards::CardPlace,
        clock::now_ns,
        runner::{Glimpse, StepAmount, StepOrder, StepResult, StepRunner},
    },
    work::bench::all_ports::would_show,
};

/// A port of the card, ready to send; without a runner where it has no link or nothing comes back.
pub(super) struct Ready {
    pub(super) number: u32,
    pub(super) name: String,
    pub(super) port: Box<dyn Port>,
    link: Option<LinkState>,
    pub(super) runner: Option<Box<dyn StepRunner>>,
}

/// Loads all ports for a time.
pub(super) fn load(names: &[String], place: &CardPlace, time: Duration, cancel: &Cancel) -> Result<LoadFacts, Halt> {
    let mut ports = ready_to_send(names, cancel)?;
    // Nobody waits for hours at a card whose ports are all dead.
    let time = if ports.iter().any(|port| port.runner.is_some()) { time } else { Duration::ZERO };
    let (samples, mut loads, sent) = flow(&mut ports, place, time, None, cancel)?;
    // A computer that cannot keep up loses frames where nobody counts them. At a lower rate it keeps up, and what is
    // still lost is lost on the line.
    if sent > 0.0 && loads.iter().any(|port| port.lost > 0) {
        let slower = sent / time.as_secs_f64().max(1e-3) * SLOWER;
        let short = time.min(SLOWER_TIME_MAX);
        let (_, slow, _) = flow(&mut ports, place, short, Some(slower.max(1.0)), cancel)?;
        // It must have been long enough to show a loss of the line: seldom ones are not excused.
        let is_ours = |load: &LoadPort, slow: &LoadPort| slow.lost == 0 && would_show(load.lost, load.sent, slow.sent);
        for (load, slow) in loads.iter_mut().zip(slow).filter(|(load, slow)| is_ours(load, slow)) {
            load.lost_in_host += load.lost;
            load.lost = 0;
            load.without_link |= slow.without_link;
        }
    }
    let line_mbps: f64 = ports.iter().filter_map(|port| port.link?.speed_mbps).map(f64::from).sum();
    let bus_mbps = place.bus().map_or(f64::INFINITY, |bus| bus.agreed.bits_per_second() / 1e6 * BUS_SHARE);
    for mut port in ports {
        port.runner = None;
        port.port.restore();
    }
    let allowed_mbps = (line_mbps * FRAME_SHARE).min(bus_mbps);
    Ok(LoadFacts { samples, allowed_mbps, bench_share: 1.0, bench_is_limit: false, ports: loads })
}

/// Sends over the bus for a time. What comes back is not judged.
pub(super) fn traffic(names: &[String], place: &CardPlace, time: Duration, cancel: &Cancel) -> Result<(), Halt> {
    let mut ports = ready_to_send(names, cancel)?;
    flow(&mut ports, place, time, None, cancel)?;
    ports.iter_mut().for_each(|port| {
        port.runner = None;
        port.port.restore();
    });
    Ok(())
}

/// Brings every port up, listens, and sends some probes: full flow is for ports of which those came back.
pub(super) fn ready_to_send(names: &[String], cancel: &Cancel) -> Result<Vec<Ready>, Halt> {
    let mut all = Vec::new();
    for (number, name) in (1..).zip(names) {
        let mut port = open_free(name)?;
        let link = bring_up(frames(&mut *port)?, LINK_PATIENCE, cancel)?;
        let mut runner = None;
        if link.is_some() {
            let mut opened = frames(&mut *port)?.open(None)?;
            if opened.listen(LISTEN)?.foreign > 0 {
                return Err(Halt::of(Stopped::ForeignTraffic, name).unwrap_or(Halt::Ended));
            }
            let first = opened.run(order(SINGLE_BYTES, StepAmount::Single(FIRST_PROBES), None), &mut |glimpse| {
                (glimpse.foreign > 0).then_some(Stopped::ForeignTraffic)
            })?;
            if let Some(halt) = first.stopped.and_then(|stopped| Halt::of(stopped, name)) {
                return Err(halt);
            }
            runner = (first.tally.counts.returned > 0).then_some(opened);
        }
        all.push(Ready { number, name: name.clone(), port, link, runner });
    }
    Ok(all)
}

/// Full flow on every port that is ready; at most `rate` frames a second on each. Gives the series, the frames of each
/// port, and the frames that the busiest port sent.
fn flow(
    ports: &mut [Ready],
    place: &CardPlace,
    time: Duration,
    rate: Option<f64>,
    cancel: &Cancel,
) -> Result<(Vec<LoadSample>, Vec<LoadPort>, f64), Halt> {
    let mut before: Vec<Counters> = Vec::new();
    let mut frame_bytes = FRAME_BYTES;
    for port in ports.iter_mut() {
        let port = frames(&mut *port.port)?;
        before.push(port.counters()?);
        frame_bytes = frame_bytes.min(port.capabilities().frame_bytes_max);
    }
    let mut runners: Vec<(usize, Box<dyn StepRunner>)> = Vec::new();
    for (at, port) in ports.iter_mut().enumerate() {
        runners.extend(port.runner.take().map(|runner| (at, runner)));
    }
    let glimpses: Vec<Mutex<Glimpse>> = ports.iter().map(|_| Mutex::new(Glimpse::default())).collect();
    let stop: Mutex<Option<(usize, Stopped)>> = Mutex::new(None);
    let (ended, go_on) = (AtomicUsize::new(0), AtomicBool::new(true));
    let mut samples = Vec::new();
    let mut was_down = vec![false; ports.len()];
    let results = thread::scope(|scope| {
        let threads: Vec<_> = runners
            .iter_mut()
            .map(|(at, runner)| {
                let (at, glimpses, stop, ended) = (*at, &glimpses, &stop, &ended);
                let order = order(frame_bytes, StepAmount::Flow(time), rate);
                scope.spawn(move || {
                    let result = runner.run(order, &mut |glimpse| {
                        *locked(&glimpses[at]) = glimpse;
                        let mut stop = locked(stop);
                        if glimpse.foreign > 0 {
                            stop.get_or_insert((at, Stopped::ForeignTraffic));
                        }
                        stop.map(|(_, stopped)| stopped)
                    });
                    ended.fetch_add(1, Ordering::AcqRel);
                    (at, result)
                })
            })
            .collect();
        let began = Instant::now();
        let every = (time / SAMPLES).max(SAMPLE_LEAST);
        let (mut next, mut last) = (every, (Duration::ZERO, 0));
        let is_over = |began: Instant| {
            let all = threads.len();
            if all == 0 { began.elapsed() >= time } else { ended.load(Ordering::Acquire) >= all }
        };
        while !is_over(began) && go_on.load(Ordering::Relaxed) {
            thread::sleep(TICK);
            if cancel.is_cancelled() {
                locked(&stop).get_or_insert((0, Stopped::ByUser));
                go_on.store(!threads.is_empty(), Ordering::Relaxed);
            }
            for (at, port) in ports.iter_mut().enumerate() {
                if let Some(stopped) = look(&mut *port.port, &mut was_down[at]) {
                    locked(&stop).get_or_insert((at, stopped));
                }
            }
            let elapsed = began.elapsed();
            // After its time a step only waits for what is under way.
            if elapsed >= next && elapsed <= time + TICK {
                let returned: u64 = glimpses.iter().map(|glimpse| locked(glimpse).returned).sum();
                let bits = (returned - last.1) as f64 * (frame_bytes + FCS_BYTES) as f64 * 8.0;
                let mbps = bits / (elapsed - last.0).as_secs_f64() / 1e6;
                samples.push(LoadSample { at_s: elapsed.as_secs_f64(), mbps, celsius: place.temperature_c() });
                last = (elapsed, returned);
                next += every;
            }
        }
        threads
            .into_iter()
            .map(|t| t.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect::<Vec<_>>()
    });
    for (at, runner) in runners {
        ports[at].runner = Some(runner);
    }
    if let Some((at, stopped)) = *locked(&stop)
        && let Some(halt) = Halt::of(stopped, &ports[at].name)
    {
        return Err(halt);
    }
    let mut loads: Vec<LoadPort> = ports
        .iter()
        .map(|port| LoadPort { port: port.number, without_link: port.link.is_none(), ..LoadPort::default() })
        .collect();
    let mut most = 0;
    for (at, load) in loads.iter_mut().enumerate() {
        load.without_link |= was_down[at];
        if ports[at].link.is_some() && ports[at].runner.is_none() {
            // Of the first probes none came back: nothing more was sent.
            (load.sent, load.lost) = (u64::from(FIRST_PROBES), u64::from(FIRST_PROBES));
        }
    }
    for (at, result) in results {
        let result = result?;
        most = most.max(result.tally.counts.sent);
        let after = frames(&mut *ports[at].port)?.counters()?;
        count(&mut loads[at], &result, &before[at], &after);
    }
    Ok((samples, loads, most as f64))
}

fn count(load: &mut LoadPort, result: &StepResult, before: &Counters, after: &Counters) {
    let losses = Losses::sort(result.tally.counts.lost, result.ring_drops, &difference(before, after));
    load.sent = result.tally.counts.sent;
    load.lost = losses.wire();
    load.lost_in_host = losses.inside();
}

/// What happened to a port meanwhile that ends the test.
fn look(port: &mut dyn Port, was_down: &mut bool) -> Option<Stopped> {
    match port.disturbed() {
        Ok(Some(Disturbance::TakenIntoService(_))) => return Some(Stopped::TakenIntoService),
        Ok(Some(Disturbance::Reconfigured)) => return Some(Stopped::Reconfigured),
        Err(_) => return Some(Stopped::PortGone),
        Ok(None) => {}
    }
    match frames(port).ok()?.link() {
        Ok(link) => *was_down |= !link.up,
        Err(_) => return Some(Stopped::PortGone),
    }
    None
}

fn order(frame_bytes: usize, amount: StepAmount, probes_per_second: Option<f64>) -> StepOrder {
    StepOrder {
        spec: StreamSpec {
            lane: 0,
            tag: uuid::Uuid::now_v7().as_u64_pair().1,
            source: [0; 6],
            destination: [0; 6],
            pattern: Pattern::Prbs31,
            frame_bytes,
            first_sequence: 0,
        },
        amount,
        probes_per_second,
        settle: SETTLE,
        origin: now_ns(),
    }
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Bytes of the frames under load without FCS: the longest that every port takes.
const FRAME_BYTES: usize = 1514;
/// Share of the line that frames of 1518 bytes have: 20 bytes of preamble and gap go with each (RFC 5180 A.1).
const FRAME_SHARE: f64 = 1518.0 / 1538.0;
/// Share of the bus that is left for data (common practice, no source).
const BUS_SHARE: f64 = 0.85;
/// Samples of a load test, unless it is short.
const SAMPLES: u32 = 24;
const SAMPLE_LEAST: Duration = Duration::from_secs(1);
const TICK: Duration = Duration::from_millis(100);
const LISTEN: Duration = Duration::from_millis(500);
const SETTLE: Duration = Duration::from_secs(2);
const FIRST_PROBES: u32 = 16;
const SINGLE_BYTES: usize = 60;
/// Share of the rate at which losses are looked for again, and for how long at most. Our own choice.
const SLOWER: f64 = 0.5;
const SLOWER_TIME_MAX: Duration = Duration::from_secs(10);
