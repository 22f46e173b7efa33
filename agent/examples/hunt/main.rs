//! Hunts for wrong verdicts: checks random rigs with odd hosts, links, delays and profiles, and reports every healthy
//! thing that was blamed, every bad one that passed, and every run that took long.
//!
//! `scripts/hunt` builds and runs it. The same seed gives the same rig, profile and options.

mod draw;

use std::{process::ExitCode, sync::mpsc, thread, time::Duration};

use clap::Parser;
use turnback::{
    engine::{self, cancel::Cancel},
    ports::simulated::ethernet::SimulatedPort,
    show,
};
use turnback_core::{document::run::Report, judge::Outcome};

use draw::{Quarry, Truth, draw};

/// Checks many random rigs and prints the verdicts that do not fit the truth.
#[derive(Debug, Parser)]
struct Args {
    /// How many rigs
    #[arg(long, default_value_t = 200)]
    rigs: u64,
    /// Seed of the first rig; each further one has the next
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Healthy rigs only
    #[arg(long, conflicts_with = "bad")]
    healthy: bool,
    /// Bad rigs only
    #[arg(long)]
    bad: bool,
    /// Show the one rig of this seed, its profile and its report
    #[arg(long)]
    show: Option<u64>,
    /// A run that takes more than so many seconds of processor time is reported
    #[arg(long, default_value_t = 10.0)]
    slow: f64,
    /// Threads
    #[arg(long)]
    threads: Option<usize>,
}

/// What a verdict is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Grade {
    /// Fits the truth, or blames nobody.
    Fits,
    /// A healthy thing is blamed.
    HealthyBlamed,
    /// A pass of a rig that is far beyond the limit.
    BadPassed,
}

fn main() -> ExitCode {
    let args = Args::parse();
    if let Some(seed) = args.show {
        let quarry = drawn(&args, seed);
        let report = check(&quarry, seed);
        println!("{}\n{}\n{:?}", quarry.rig.to_toml(), quarry.options.profile.to_toml(), quarry.truth);
        println!("speed {:?}, confirm {}", quarry.options.speed_mbps, quarry.options.confirm);
        println!("{}\n{}", show::text::details(&report, 100), show::text::answer(&report, 100));
        println!("{:?}", grade(&quarry, &report));
        return ExitCode::SUCCESS;
    }
    let threads = args.threads.unwrap_or_else(|| thread::available_parallelism().map_or(1, usize::from)) as u64;
    let (done, results) = mpsc::channel();
    let (mut healthy, mut bad) = (Counts::default(), Counts::default());
    let mut odd = 0;
    let only = if args.healthy {
        " --healthy"
    } else if args.bad {
        " --bad"
    } else {
        ""
    };
    thread::scope(|scope| {
        for number in 0..threads {
            let (done, args) = (done.clone(), &args);
            scope.spawn(move || {
                for seed in (args.seed + number..args.seed + args.rigs).step_by(threads as usize) {
                    let quarry = drawn(args, seed);
                    let begun = processor_time();
                    let report = check(&quarry, seed);
                    if done.send((seed, quarry, report, processor_time() - begun)).is_err() {
                        return;
                    }
                }
            });
        }
        drop(done);
        for (seed, quarry, report, took) in results {
            let graded = grade(&quarry, &report);
            let counts = if quarry.truth.at.is_empty() { &mut healthy } else { &mut bad };
            counts.add(graded, &report);
            let slow = took > Duration::from_secs_f64(args.slow);
            if graded != Grade::Fits || slow {
                odd += 1;
                let line = line(&quarry, &report, graded, slow.then_some(took));
                println!("{line}\n  replay: scripts/hunt{only} --show {seed}");
            }
        }
    });
    println!("seeds {} to {}", args.seed, args.seed + args.rigs - 1);
    println!("healthy rigs: {healthy}");
    println!("bad rigs: {bad}");
    if odd == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Processor time of this thread: a simulated run waits for nothing, and others may have the processor meanwhile. The
/// first number of `schedstat` is the time spent on a processor, in nanoseconds (Documentation/scheduler/sched-stats).
fn processor_time() -> Duration {
    let spent = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    Duration::from_nanos(spent.split(' ').next().and_then(|ns| ns.parse().ok()).unwrap_or(0))
}

fn drawn(args: &Args, seed: u64) -> Quarry {
    let healthy = match (args.healthy, args.bad) {
        (true, _) => Some(true),
        (_, true) => Some(false),
        _ => None,
    };
    draw(seed, healthy)
}

fn check(quarry: &Quarry, seed: u64) -> Report {
    let mut port = SimulatedPort::of(&quarry.rig, "sim:hunt".into(), seed);
    engine::check(&mut port, None, quarry.options.clone(), &mut |_| {}, &Cancel::default())
        .unwrap_or_else(|error| panic!("seed {seed}: {error}"))
}

fn grade(quarry: &Quarry, report: &Report) -> Grade {
    let (truth, verdict) = (&quarry.truth, &report.verdict);
    match verdict.outcome {
        Outcome::Fault if !verdict.location.iter().any(|place| truth.at.contains(place)) => Grade::HealthyBlamed,
        Outcome::Pass if truth.is_beyond(report) => Grade::BadPassed,
        _ => Grade::Fits,
    }
}

fn line(quarry: &Quarry, report: &Report, graded: Grade, took: Option<Duration>) -> String {
    let verdict = &report.verdict;
    let rule = verdict.rule().map_or("-".to_owned(), ToString::to_string);
    let Truth { at, about, .. } = &quarry.truth;
    let slow = took.map_or(String::new(), |took| format!(", took {:.1} s of processor time", took.as_secs_f64()));
    format!("{graded:?}: {about} in {at:?} -> {} {:?} by {rule}{slow}", verdict.outcome.name(), verdict.location)
}

/// Verdicts on rigs of one truth.
#[derive(Default)]
struct Counts {
    all: u64,
    outcomes: [u64; 4],
    wrong: u64,
}

impl Counts {
    fn add(&mut self, graded: Grade, report: &Report) {
        self.all += 1;
        self.wrong += u64::from(graded != Grade::Fits);
        let at = match report.verdict.outcome {
            Outcome::Pass => 0,
            Outcome::Fault => 1,
            Outcome::Undecided => 2,
            Outcome::NotTested => 3,
        };
        self.outcomes[at] += 1;
    }
}

impl std::fmt::Display for Counts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let [pass, fault, undecided, not_tested] = self.outcomes;
        let (all, wrong) = (self.all, self.wrong);
        write!(f, "{all}: {pass} pass, {fault} fault, {undecided} undecided, {not_tested} not tested; {wrong} wrong")
    }
}
