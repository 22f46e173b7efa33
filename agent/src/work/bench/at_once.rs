//! Checks on several ports of a card at once, each on a thread of its own. They begin each step together: a port that
//! has link later than the others, or must repeat a step, would else send while the others do not.

use std::{
    sync::{Condvar, Mutex, MutexGuard, PoisonError},
    thread,
};

use turnback_core::{document::run::Report, event::Event};

use super::BenchError;

/// Checks these ports at once. `check` is given the number of the port, how many there are, and what its run is to tell
/// its events. Gives the report of each, in their order.
pub(super) fn at_once(
    ports: &[u32],
    check: impl Fn(u32, u32, &mut dyn FnMut(Event)) -> Result<Report, BenchError> + Sync,
) -> Result<Vec<Report>, BenchError> {
    let gate = Gate::of(ports.len());
    let came: Vec<_> = thread::scope(|scope| {
        let one = |port: u32| {
            let through = Through(&gate);
            check(port, ports.len() as u32, &mut |event| {
                if matches!(event, Event::StepStarted { .. }) {
                    through.0.wait();
                }
            })
        };
        let threads: Vec<_> = ports.iter().map(|port| scope.spawn(move || one(*port))).collect();
        threads.into_iter().map(|t| t.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))).collect()
    });
    came.into_iter().collect()
}

/// Where those that run wait for each other.
struct Gate {
    at: Mutex<At>,
    opened: Condvar,
}

struct At {
    /// How many run.
    running: usize,
    /// How many of them wait.
    waiting: usize,
    /// How often it was opened.
    opened: u64,
}

impl Gate {
    fn of(running: usize) -> Self {
        Self { at: Mutex::new(At { running, waiting: 0, opened: 0 }), opened: Condvar::new() }
    }

    /// Waits until everybody else waits too, or has left.
    fn wait(&self) {
        let mut at = self.locked();
        at.waiting += 1;
        let turn = at.opened;
        self.open_if_all_wait(&mut at);
        while at.opened == turn {
            at = self.opened.wait(at).unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn leave(&self) {
        let mut at = self.locked();
        at.running -= 1;
        self.open_if_all_wait(&mut at);
    }

    fn open_if_all_wait(&self, at: &mut At) {
        if at.waiting >= at.running {
            (at.waiting, at.opened) = (0, at.opened + 1);
            self.opened.notify_all();
        }
    }

    fn locked(&self) -> MutexGuard<'_, At> {
        self.at.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// One that runs. It leaves however its run ends, so that nobody waits for it.
struct Through<'a>(&'a Gate);

impl Drop for Through<'_> {
    fn drop(&mut self) {
        self.0.leave();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(say: &mut dyn FnMut(Event)) {
        say(Event::StepStarted { step: 1, of: None, size_bytes: 64, pattern: String::new() });
    }

    /// Each step of each port is noted when its gate has opened: no port is a step ahead.
    #[test]
    fn ports_begin_each_step_together_and_nobody_waits_for_one_that_ended() {
        let noted = Mutex::new(Vec::new());
        let steps_of = |port: u32| if port == 2 { 1 } else { 50 };
        let came = at_once(&[1, 2, 3], |port, count, say| {
            assert_eq!(count, 3);
            for number in 0..steps_of(port) {
                noted.lock().unwrap().push((number, port, false));
                step(say);
                noted.lock().unwrap().push((number, port, true));
            }
            Err(BenchError::NoLot("none is needed".into()))
        });
        assert!(came.is_err());
        let noted = noted.into_inner().unwrap();
        for number in 0..50 {
            let of =
                |wanted| noted.iter().enumerate().filter(move |(_, (n, _, begun))| (*n, *begun) == (number, wanted));
            let last_came = of(false).map(|(at, _)| at).max();
            let first_went = of(true).map(|(at, _)| at).min();
            assert!(last_came < first_went, "step {number}: {noted:?}");
        }
    }

    #[test]
    fn one_that_fails_before_its_first_step_holds_up_nobody() {
        let came = at_once(&[1, 2], |port, _, say| {
            if port == 1 {
                return Err(BenchError::NoLot("gone".into()));
            }
            step(say);
            Err(BenchError::NoLot("it went on".into()))
        });
        assert!(matches!(came, Err(BenchError::NoLot(why)) if why == "gone"));
    }
}
