//! Tests in their time: those of a simulated bench take as long as they say, and the bench's turn ends with them.

use std::{
    thread,
    time::{Duration, Instant},
};

use crate::{
    daemon::{
        host::this_machine::cpu_used,
        status::{Shared, Turn},
    },
    engine::cancel::Cancel,
    work::bench::{
        BenchError,
        seam::{Bench, Came, Each, Order},
    },
};

/// Ends the bench's turn, if it has one: runs that are due may begin. `before`: what this program had used of the
/// processors when it began.
pub(super) fn end_turn(shared: &Shared, before: Duration) {
    let mut status = shared.status();
    if matches!(status.turn, Some(Turn::Tests(_))) {
        status.bench_used += cpu_used().saturating_sub(before);
        status.end_turn();
        drop(status);
        shared.wake.notify_one();
    }
}

/// Lets the time of a simulated test pass. False: the bench ends first.
fn let_pass(took_s: f64, speed: Option<f64>, cancel: &Cancel) -> bool {
    let Some(speed) = speed else { return true };
    let until = Instant::now() + Duration::from_secs_f64((took_s / speed).clamp(0.0, LONGEST_S));
    while !cancel.is_cancelled() {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return true;
        }
        thread::sleep(left.min(POLL));
    }
    false
}

/// Carries out tests side by side. The time of simulated ones passes afterwards, for all of them at once; `takes` is
/// told how long that is, seconds of the bench.
pub(super) fn carry_out(
    bench: &mut dyn Bench,
    orders: &[Order<'_>],
    speed: Option<f64>,
    each: Each<'_>,
    cancel: &Cancel,
    takes: &dyn Fn(&Order<'_>, f64),
) -> Result<(), BenchError> {
    if speed.is_none() {
        return bench.measure_together(orders, each, cancel);
    }
    let mut all = Vec::new();
    let mut later = |at, came| {
        all.push((at, came));
        Ok(())
    };
    bench.measure_together(orders, &mut later, cancel)?;
    let took_s = |came: &Came| if let Came::Measured(measured) = came { measured.took_s } else { 0.0 };
    all.iter().for_each(|(at, came)| takes(&orders[*at], took_s(came)));
    let longest_s = all.iter().map(|(_, came)| took_s(came)).fold(0.0, f64::max);
    let has_passed = let_pass(longest_s, speed, cancel);
    for (at, came) in all {
        each(at, if has_passed { came } else { Came::Ended })?;
    }
    Ok(())
}

/// How often it is looked whether the bench ends.
const POLL: Duration = Duration::from_millis(50);
/// No simulated test takes longer than a day.
const LONGEST_S: f64 = 24.0 * 3600.0;
