//! The two halves on lines made by hand.

use super::*;
use crate::ports::clock::now_ns;
use ClockSource::{Adapter, Kernel, Program};

/// A line that keeps what is sent and gives it back one frame a look, as a receiver sees it that was kept from its
/// processor: everything is there, and the time is over.
#[derive(Clone, Default)]
struct Slow(std::sync::Arc<std::sync::Mutex<std::collections::VecDeque<Vec<u8>>>>);

impl Sender for Slow {
    fn send(&mut self, batch: &[Outgoing<'_>]) -> Result<usize, PortError> {
        let frames = batch.iter().map(|probe| [&probe.header[..], probe.payload].concat());
        self.0.lock().unwrap().extend(frames);
        Ok(batch.len())
    }

    fn send_stamped(&mut self, probe: &Outgoing<'_>) -> Result<Option<Departure>, PortError> {
        self.send(&[*probe])?;
        Ok(Some(Departure::by_program(1)))
    }
}

impl Receiver for Slow {
    fn receive(&mut self, _: Duration, each: &mut dyn FnMut(Incoming<'_>)) -> Result<bool, PortError> {
        let next = self.0.lock().unwrap().pop_front();
        if let Some(bytes) = next {
            each(Incoming { bytes: &bytes, at: self.now(), clock: Kernel, tagged: true });
        }
        Ok(self.0.lock().unwrap().is_empty())
    }

    fn drops(&mut self) -> Result<u64, PortError> {
        Ok(0)
    }

    fn capacity_frames(&self, _: usize) -> usize {
        usize::MAX
    }

    fn now(&self) -> Nanos {
        now_ns()
    }
}

#[test]
fn what_waits_in_the_ring_when_the_time_is_over_is_not_lost() {
    let line = Slow::default();
    let addresses = ([2, 0, 0, 0, 0, 1], [2, 0, 0, 0, 0, 2]);
    let mut runner = ThreadRunner::new(line.clone(), line, "out-and-back".into(), addresses, Vec::new());
    let order = |amount| StepOrder {
        spec: StreamSpec {
            lane: 0,
            tag: 7,
            source: [0; 6],
            destination: [0; 6],
            pattern: turnback_core::signal::pattern::Pattern::Prbs15,
            frame_bytes: 60,
            first_sequence: 0,
        },
        amount,
        probes_per_second: None,
        settle: Duration::ZERO,
        origin: now_ns(),
    };
    for amount in [StepAmount::Flow(Duration::from_millis(20)), StepAmount::Single(5)] {
        let result = runner.run(order(amount), &mut |_| None).unwrap();
        assert!(result.tally.counts.sent > 0);
        assert_eq!(result.tally.counts.tagged, result.tally.counts.returned, "a tag on every frame is counted");
        assert_eq!((result.tally.counts.lost, result.strangers), (0, Strangers::default()), "{amount:?}");
    }
}

fn trips(clocks: &[(ClockSource, ClockSource)]) -> Vec<Trip> {
    let numbered = clocks.iter().zip(0..);
    numbered.map(|(&clocks, sequence)| Trip { sequence, trip: 10 + sequence, clocks }).collect()
}

#[test]
fn round_trips_of_two_clocks_are_not_one_histogram() {
    let mut clocks = (Program, Program);
    let kept = of_one_clock(trips(&[(Adapter, Adapter), (Kernel, Kernel), (Adapter, Adapter)]), &mut clocks);
    assert_eq!((kept.iter().map(|t| t.sequence).collect::<Vec<_>>(), clocks), (vec![0, 2], (Adapter, Adapter)));
    let kept = of_one_clock(trips(&[(Adapter, Adapter), (Kernel, Kernel)]), &mut clocks);
    assert_eq!((kept.len(), clocks), (1, (Kernel, Kernel)), "as many of each: the clock that all had");
}

#[test]
fn the_coarser_of_two_places_of_one_clock_is_named() {
    let mut clocks = (Kernel, Kernel);
    let kept = of_one_clock(trips(&[(Kernel, Kernel), (Program, Kernel)]), &mut clocks);
    assert_eq!((kept.len(), clocks), (2, (Program, Kernel)));
    let none = of_one_clock(Vec::new(), &mut clocks);
    assert_eq!((none.len(), clocks), (0, (Program, Kernel)), "nothing says nothing");
}
