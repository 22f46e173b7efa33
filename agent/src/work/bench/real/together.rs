//! Tests of several cards side by side: how many this computer can carry at once, and each on a thread of its own.

use std::{sync::mpsc::channel, thread, time::Duration};

use turnback_core::bench::{
    facts::Facts,
    procedure::{SideBySide, TestName},
};

use super::{RealBench, came, load};
use crate::{
    engine::cancel::Cancel,
    work::bench::{
        error::BenchError,
        seam::{Each, Order},
    },
};

/// How many of these tests, all of one name, can be carried out side by side, from the first on.
pub(super) fn together(bench: &RealBench, orders: &[Order<'_>], cancel: &Cancel) -> usize {
    match orders.first().map(|order| order.name.side_by_side()) {
        Some(SideBySide::All) => orders.len(),
        Some(SideBySide::Processors) => {
            let processors = thread::available_parallelism().map_or(1, usize::from);
            let needed = |order: &Order<'_>| order.test.card.ports.len() * THREADS_OF_A_PORT;
            fitting(orders.iter().map(needed), processors)
        }
        Some(SideBySide::Trial) => tried(bench, orders, cancel),
        Some(SideBySide::One) | None => 1,
    }
}

/// How many of these needs, from the first on, are met together: one at least.
fn fitting(needed: impl Iterator<Item = usize>, there_is: usize) -> usize {
    let sums = needed.scan(0, |sum, needed| {
        *sum += needed;
        Some(*sum)
    });
    sums.take_while(|sum| *sum <= there_is).count().max(1)
}

/// A card that moves less while others are at work would look slow, so all of them are loaded at once for some seconds,
/// and must move as much as each did alone.
fn tried(bench: &RealBench, orders: &[Order<'_>], cancel: &Cancel) -> usize {
    let alone = orders.iter().map_while(alone_mbps).collect::<Vec<f64>>();
    let mut count = alone.len();
    while count > 1 && !cancel.is_cancelled() {
        let found = trial(bench, &orders[..count], cancel);
        if found.iter().zip(&alone).all(|(mbps, alone)| mbps.is_some_and(|mbps| mbps >= alone * AS_ALONE)) {
            break;
        }
        count -= 1;
    }
    count.max(1)
}

/// What a card moved alone, in its own test of load, Mb/s.
fn alone_mbps(order: &Order<'_>) -> Option<f64> {
    match &order.test.last(TestName::Load)?.facts {
        Some(Facts::Load(load)) => load.first_and_last_mbps().map(|(first, _)| first),
        _ => None,
    }
}

/// What each card moves while all are loaded, Mb/s; none where that could not be measured.
fn trial(bench: &RealBench, orders: &[Order<'_>], cancel: &Cancel) -> Vec<Option<f64>> {
    thread::scope(|scope| {
        let one = |order: &Order<'_>| {
            let (names, place) = bench.seat(order).ok()?;
            load::load(&names, &place, TRIAL, cancel).ok()?.first_and_last_mbps().map(|(first, _)| first)
        };
        let threads: Vec<_> = orders.iter().map(|order| scope.spawn(move || one(order))).collect();
        threads.into_iter().map(|thread| thread.join().ok().flatten()).collect()
    })
}

/// Carries them out, each on a thread of its own.
pub(super) fn measure(
    bench: &RealBench,
    orders: &[Order<'_>],
    each: Each<'_>,
    cancel: &Cancel,
) -> Result<(), BenchError> {
    thread::scope(|scope| {
        let (done, ended) = channel();
        for (at, order) in orders.iter().enumerate() {
            let done = done.clone();
            scope.spawn(move || {
                let came = came(bench.facts(order, cancel), cancel);
                // Whoever waits for it has failed then, and says so.
                let _ = done.send((at, came));
            });
        }
        drop(done);
        let mut failed = Ok(());
        for (at, came) in ended {
            // The others are waited for all the same, so that each restores its settings.
            failed = failed.and(came.and_then(|came| each(at, came)));
        }
        failed
    })
}

/// One sends and one receives.
const THREADS_OF_A_PORT: usize = 2;
/// Long enough for the throughput to settle.
const TRIAL: Duration = Duration::from_secs(8);
/// Share of what a card moves alone that it must move beside others: as much as it may lose as it warms. Our own
/// choice.
const AS_ALONE: f64 = 0.97;

#[cfg(test)]
mod tests {
    use super::fitting;

    #[test]
    fn as_many_cards_as_have_processors_and_one_at_least() {
        for (needed, processors, fit) in [(&[4, 4, 4][..], 8, 2), (&[4, 4], 2, 1), (&[2, 4, 2], 6, 2), (&[4, 4], 64, 2)]
        {
            assert_eq!(fitting(needed.iter().copied(), processors), fit, "{needed:?} on {processors}");
        }
    }
}
