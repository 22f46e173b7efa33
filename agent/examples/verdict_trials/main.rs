//! How good is the verdict of a case? Draws rigs with faults of every kind, place and severity, leads a whole case on
//! each, and holds what it says against what is true. Where frames are counted, it also holds error ratios against the
//! true ones.
//!
//! `scripts/verdict-trials` builds and runs it; `docs/verdict.md` holds its table. The same seed gives the same cases.

mod draw;
mod draw_serial;
mod draw_trouble;
mod ratios;
mod tally;

use std::{process::ExitCode, sync::mpsc, thread};

use clap::Parser;
use turnback::{
    archive::memory::Memory,
    engine::cancel::Cancel,
    ports::{
        Port,
        simulated::{ethernet::SimulatedPort, serial::SimulatedLine},
    },
    show,
    work::isolate::runner::{CaseRunner, Equipment, Opening, StagePlan, open_case},
};
use turnback_core::{
    base::rng::Rng,
    document::case::Case,
    kind::rig::AnyRig,
    plan::{Profile, Rate},
    signal::pattern::Pattern,
};

use draw::draw;
use draw_trouble::Trouble;
use ratios::Coverage;
use tally::{Grade, Tally, grade};

/// Runs many simulated cases and prints truth against verdict.
#[derive(Debug, Parser)]
struct Args {
    /// How many cases
    #[arg(long, default_value_t = 2000)]
    cases: u64,
    /// Seed of the first case; each further one has the next
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Show the one case of this seed, its rig and its stages
    #[arg(long)]
    show: Option<u64>,
    /// Only the cases whose row of the table begins like this
    #[arg(long)]
    only: Option<String>,
    /// Serial ports in place of those that carry frames
    #[arg(long)]
    serial: bool,
    /// Troubles that lead a search astray, such as interference, in place of faults
    #[arg(long, conflicts_with = "serial")]
    trouble: bool,
    /// Threads
    #[arg(long)]
    threads: Option<usize>,
}

fn main() -> ExitCode {
    let args = Args::parse();
    if let Some(seed) = args.show {
        let trouble = drawn(&args, seed);
        let case = lead(&trouble, seed);
        let trial = trouble.trial;
        println!(
            "{}\n{}\n{:?}: {:?}",
            trial.rig.to_toml(),
            show::case::ticket(&case, show::lines::output_width()),
            trial.truth,
            grade(&trial, &case)
        );
        return ExitCode::SUCCESS;
    }
    let threads = args.threads.unwrap_or_else(|| thread::available_parallelism().map_or(1, usize::from)) as u64;
    let (done, results) = mpsc::channel();
    let mut tally = Tally::default();
    let mut coverage = Coverage::default();
    let mut odd = Vec::new();
    thread::scope(|scope| {
        for number in 0..threads {
            let (done, args) = (done.clone(), &args);
            scope.spawn(move || {
                for seed in (args.seed + number..args.seed + args.cases).step_by(threads as usize) {
                    let trouble = drawn(args, seed);
                    let trial = &trouble.trial;
                    if args.only.as_ref().is_some_and(|only| !trial.truth.class.name().starts_with(only.as_str())) {
                        continue;
                    }
                    let case = lead(&trouble, seed);
                    let graded = grade(trial, &case);
                    if done.send((seed, trouble.trial, case, graded)).is_err() {
                        return;
                    }
                }
            });
        }
        drop(done);
        for (seed, trial, case, graded) in results {
            let surprises = matches!(graded, Grade::FalseBlame | Grade::Missed | Grade::OtherUndecided)
                || (trial.truth.above_limit && !trial.truth.at.is_empty() && graded != Grade::Right);
            if surprises {
                odd.push((seed, format!("{graded:?}: {} -> {}", trial.truth, verdict_line(&case))));
            }
            tally.add(&trial, &case, graded);
            // A third of the cases come with a check whose true ratio is known.
            if !args.serial && seed % 3 == 0 {
                coverage.try_one(seed);
            }
        }
    });
    odd.sort();
    println!("seeds {} to {}", args.seed, args.seed + args.cases - 1);
    print!("{}", tally.render());
    if !args.serial {
        println!("{}", coverage.render());
    }
    for (seed, line) in odd.iter().take(ODD_MAX) {
        println!("seed {seed}: {line}");
    }
    if odd.len() > ODD_MAX {
        println!("and {} more", odd.len() - ODD_MAX);
    }
    if tally.holds() && coverage.holds() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn drawn(args: &Args, seed: u64) -> Trouble {
    let mut rng = Rng::new(seed);
    let trial = match (args.serial, args.trouble) {
        (true, _) => draw_serial::draw(&mut rng),
        (false, true) => return draw_trouble::draw(&mut rng),
        (false, false) => draw(&mut rng),
    };
    Trouble { trial, hit: None }
}

fn verdict_line(case: &Case) -> String {
    let v = &case.verdict;
    let segment = v.segment.as_deref().unwrap_or("-");
    let rule = v.rule().map_or("-".to_owned(), ToString::to_string);
    format!("{} {:?} {segment} by {rule} after {} stages", v.outcome.name(), v.location, case.stages.len())
}

/// Leads a case from end to end, as `isolate --yes` does on a rig.
fn lead(trouble: &Trouble, seed: u64) -> Case {
    let open = |rig: &AnyRig| -> Box<dyn Port> {
        let name = "sim:trial".to_owned();
        match rig {
            AnyRig::Frames(rig) => Box::new(SimulatedPort::of(rig, name, seed)),
            AnyRig::Serial(rig) => Box::new(SimulatedLine::new(name, rig, seed)),
        }
    };
    let mut port = open(&trouble.trial.rig);
    let mut hit = trouble.hit.as_ref().map(|(share, rig)| (*share, open(rig)));
    let mut rng = Rng::new(seed ^ HITS);
    let opening = Opening { cable: "Q-12".into(), segments: port.segments(), plug: None };
    let plan = StagePlan {
        profile: profile(),
        seed,
        machine: String::new(),
        although_in_service: false,
        line: Default::default(),
    };
    let mut archive = Memory::default();
    let mut runner = CaseRunner::new(
        open_case(&mut *port, opening).expect("labels of a rig"),
        &mut archive,
        plan,
        Cancel::default(),
    );
    // A case that never ends is a defect, and shows as one.
    for _ in 0..STAGES_MAX {
        let Some(next) = runner.case.next.clone() else { break };
        let port = match &mut hit {
            Some((share, hit)) if rng.chance(*share) => &mut **hit,
            _ => &mut *port,
        };
        runner
            .carry_out(&next.stage, &Equipment::default(), port, None, &mut |_| {})
            .unwrap_or_else(|error| panic!("seed {seed}, stage {}: {error}", next.stage));
    }
    assert!(runner.case.next.is_none(), "seed {seed}: the case goes on after {STAGES_MAX} stages");
    runner.case
}

/// As long as the quick profile and with the same number of errors at its limit, but a few thousand frames only: the
/// limit is looser by as much as there are fewer bits.
fn profile() -> Profile {
    let mut profile = Profile::named("quick").expect("a built-in profile");
    profile.sizes_bytes = vec![64, 1518];
    profile.patterns = vec![Pattern::Prbs31];
    profile.rate = Rate::PerSecond(draw::FRAMES_PER_SECOND);
    profile.time = std::time::Duration::from_secs(3);
    profile.target_ber = draw::LIMIT;
    profile
}

/// Sets the draw of which runs are hit apart from the draw of the rig.
const HITS: u64 = 0x6869_7473;
const STAGES_MAX: usize = 60;
const ODD_MAX: usize = 30;
