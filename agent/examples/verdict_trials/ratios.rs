//! Error ratios on the basis of frames, held against the truth: where the adapter drops damaged frames, a run knows
//! only how many frames failed, and must still name the ratio of wrong bits on the line.

use std::time::Duration;

use turnback::{
    engine::{self, CheckOptions, LineOptions, cancel::Cancel},
    ports::simulated::ethernet::SimulatedPort,
};
use turnback_core::{
    base::rng::Rng,
    judge::ratio::Basis,
    kind::ethernet::sim::{
        Rig,
        rig::{FaultKind, FaultSpec},
    },
    plan::{Profile, RFC2544_SIZES, Rate},
    sim::value::FaultPlace,
};

use super::draw::{log_between, ratio};

/// How often the true ratio lay within the interval that a run gave.
#[derive(Default)]
pub struct Coverage {
    tried: u64,
    within: u64,
    missed: Vec<String>,
}

impl Coverage {
    /// Checks a port that drops damaged frames, with a known ratio of wrong bits at one of the sizes.
    pub fn try_one(&mut self, seed: u64) {
        let mut rng = Rng::new(seed).branch(1);
        let size_bytes = RFC2544_SIZES[(seed % RFC2544_SIZES.len() as u64) as usize];
        let mut rig = Rig::default();
        rig.port.delivers_bad_frames = false;
        // Each bit of the frame with its check sequence is at risk (IEEE Std 802.3 3.2.9: the check covers all of it).
        let share = log_between(&mut rng, 0.003, 0.5);
        let true_ratio = 1.0 - (1.0 - share).powf(1.0 / (8.0 * f64::from(size_bytes)));
        rig.faults = vec![FaultSpec::always(FaultPlace::Plug, FaultKind::BitErrors { ratio: ratio(true_ratio) })];
        let report = engine::check(
            &mut SimulatedPort::of(&rig, "sim:ratio".into(), seed),
            None,
            options(size_bytes, seed),
            &mut |_| {},
            &Cancel::default(),
        );
        let found = report.ok().and_then(|report| report.error_ratio).filter(|found| found.basis == Basis::Frames);
        let inside = found.is_some_and(|found| found.lower <= true_ratio && true_ratio <= found.upper);
        self.tried += 1;
        self.within += u64::from(inside);
        if !inside {
            self.missed.push(format!("seed {seed}: {size_bytes} bytes at {true_ratio:.3e}"));
        }
    }

    /// The intervals hold at 95 %; four standard deviations of a binomial count are allowed.
    pub fn holds(&self) -> bool {
        let tried = self.tried as f64;
        self.within as f64 >= 0.95 * tried - 4.0 * (0.95 * 0.05 * tried).sqrt()
    }

    pub fn render(&self) -> String {
        let missed = self.missed.iter().take(5).map(|line| format!("  {line}\n")).collect::<String>();
        format!(
            "true ratio within the interval, where frames are counted: {} of {} ({:.1} %)\n{missed}",
            self.within,
            self.tried,
            100.0 * self.within as f64 / self.tried.max(1) as f64
        )
    }
}

fn options(size_bytes: u32, seed: u64) -> CheckOptions {
    let mut profile = Profile::named("quick").expect("a built-in profile");
    profile.sizes_bytes = vec![size_bytes];
    profile.rate = Rate::PerSecond(3000.0);
    profile.time = Duration::from_secs(1);
    profile.latency_probes = 0;
    CheckOptions {
        profile,
        placement: None,
        cable: None,
        labels: Default::default(),
        machine: String::new(),
        speed_mbps: None,
        seed,
        run: String::new(),
        started_at: String::new(),
        although_in_service: false,
        confirm: false,
        line: LineOptions::default(),
    }
}
