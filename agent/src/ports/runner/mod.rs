//! Carries out one step of a check of frames: [`threads`] on a real port, [`lockstep`] on a simulated one.

pub mod lockstep;
pub mod threads;

use std::time::Duration;

use turnback_core::{
    base::time::{ClockSource, Nanos},
    judge::facts::Stopped,
    kind::ethernet::{
        probe::{Address, ETHERTYPE, Header},
        stream::{StreamSpec, tally::Tally},
    },
    signal::seconds,
};

use crate::ports::error::PortError;

/// One step to carry out.
#[derive(Clone, Debug)]
pub struct StepOrder {
    /// What is sent; sequence and addresses are the runner's to fill in.
    pub spec: StreamSpec,
    /// How much.
    pub amount: StepAmount,
    /// Probes a second; none: as fast as the port accepts.
    pub probes_per_second: Option<f64>,
    /// How long to wait for late echoes.
    pub settle: Duration,
    /// Start of the run, from which seconds are counted.
    pub origin: Nanos,
}

/// How much a step sends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StepAmount {
    /// This many probes, each alone: the next leaves when the last is back.
    Single(u32),
    /// Probes in full flow for this long.
    Flow(Duration),
}

/// What a step brought.
#[derive(Clone, Debug, Default)]
pub struct StepResult {
    /// Counts.
    pub tally: Tally,
    /// Time spent sending, seconds.
    pub seconds: f64,
    /// Frames the receiving socket dropped.
    pub ring_drops: u64,
    /// Frames that are no echoes.
    pub strangers: Strangers,
    /// Why the step ended early.
    pub stopped: Option<Stopped>,
    /// Times the link dropped and came back.
    pub link_flaps: u64,
    /// Clocks of departures and arrivals.
    pub clocks: (ClockSource, ClockSource),
}

/// What a watcher is shown while a step runs.
#[derive(Clone, Copy, Debug, Default)]
pub struct Glimpse {
    /// Now, on the port's clock.
    pub now: Nanos,
    /// Probes sent in this step.
    pub sent: u64,
    /// Of those, back.
    pub returned: u64,
    /// Of those, not back though later ones are.
    pub overtaken: u64,
    /// Bits compared.
    pub bits_compared: u64,
    /// Wrong bits.
    pub bit_errors: u64,
    /// Foreign frames.
    pub foreign: u64,
    /// Whether the link is up, where the runner knows without asking the port.
    pub link_up: Option<bool>,
    /// All is sent, and what is missing is waited for: so much longer, if nothing comes. None while it is sent.
    pub settles_for: Option<Duration>,
}

/// Carries out steps on one way out and back.
pub trait StepRunner: Send {
    /// `out-and-back`, or from which port to which.
    fn direction(&self) -> String;
    /// Listens without sending and counts the frames that arrive.
    ///
    /// # Errors
    /// When the port fails.
    fn listen(&mut self, time: Duration) -> Result<Strangers, PortError>;
    /// Reads on until `most` intact probes of the run `tag` have come that had been given up, or none for `time`; says
    /// how many came.
    ///
    /// # Errors
    /// When the port fails.
    fn late(&mut self, tag: u64, most: u64, time: Duration) -> Result<u64, PortError>;
    /// Carries out a step. `watch` is called a few times a second and says why to stop, if so.
    ///
    /// # Errors
    /// When the port cannot be driven at all; what goes wrong on the line is in the result.
    fn run(
        &mut self,
        order: StepOrder,
        watch: &mut dyn FnMut(Glimpse) -> Option<Stopped>,
    ) -> Result<StepResult, PortError>;
}

/// Frames that are no echoes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Strangers {
    /// Of other stations.
    pub foreign: u64,
    /// Of those, probes of another tester.
    pub testers: u64,
    /// This host's own that came back.
    pub own_host: u64,
}

impl Strangers {
    /// Counts a frame that is no echo: this host's own, come back through the loop, or another station's.
    pub(super) fn note(&mut self, bytes: &[u8], own: &[Address]) {
        if is_from(bytes, own) {
            self.own_host += 1;
        } else {
            self.foreign += 1;
            self.testers += u64::from(Header::new_checked(bytes).is_ok());
        }
    }

    /// The same while nothing is sent: echoes of an earlier run may still be under way, and are nobody's frames.
    pub(super) fn note_before(&mut self, bytes: &[u8], own: &[Address]) {
        let is_probe = bytes.len() >= 14 && bytes[12..14] == ETHERTYPE.to_be_bytes();
        if !(is_probe && is_from(bytes, own)) {
            self.note(bytes, own);
        }
    }
}

fn is_from(bytes: &[u8], own: &[Address]) -> bool {
    bytes.len() >= 12 && own.iter().any(|address| bytes[6..12] == address[..])
}

/// The sequence of an intact probe of this run; none of anything else.
pub(super) fn probe_of(bytes: &[u8], tag: u64) -> Option<u64> {
    Header::new_checked(bytes).ok().filter(|header| header.tag() == tag).map(|header| header.sequence())
}

/// How long echoes that trickle in are read on, at most: a host that is behind with its work, or a flood of others.
pub(crate) const READ_ON_MAX: Duration = Duration::from_secs(30);

/// Adds `count` probes sent at `now` to the second of the run they belong to.
pub(super) fn count_sent(by_second: &mut Vec<u64>, now: Nanos, origin: Nanos, count: u64) {
    let index = seconds::index_of(now, origin);
    if by_second.len() <= index {
        by_second.resize(index + 1, 0);
    }
    by_second[index] += count;
}

#[cfg(test)]
mod tests {
    use super::*;
    use turnback_core::{
        kind::ethernet::{probe::probe_source, stream::StreamSpec},
        signal::pattern::Pattern,
    };

    const MINE: Address = [2, 0, 0, 0, 0, 1];
    const THEIRS: Address = [2, 0, 0, 0, 0, 7];

    fn probe(of: Address) -> Vec<u8> {
        let spec = StreamSpec {
            lane: 0,
            tag: 9,
            source: probe_source(of),
            destination: of,
            pattern: Pattern::Prbs15,
            frame_bytes: 60,
            first_sequence: 0,
        };
        [&spec.header(4, 0).emit()[..], &[0; 4]].concat()
    }

    #[test]
    fn who_sent_a_frame_that_is_no_echo() {
        let own = [MINE, probe_source(MINE)];
        let mut ip = probe(THEIRS);
        ip[12..14].copy_from_slice(&[8, 0]);
        let mut ours = ip.clone();
        ours[6..12].copy_from_slice(&MINE);
        // A station of our EtherType that sends no probes.
        let mut noise = probe(THEIRS);
        noise[20] ^= 1;
        let frames = [&ip, &ours, &noise, &probe(THEIRS), &probe(MINE)];
        let (mut during, mut before) = (Strangers::default(), Strangers::default());
        for frame in frames {
            during.note(frame, &own);
            before.note_before(frame, &own);
        }
        assert_eq!(during, Strangers { foreign: 3, testers: 1, own_host: 2 });
        assert_eq!(before, Strangers { own_host: 1, ..during }, "a probe of an earlier run of this port is nobody's");
        assert_eq!((probe_of(&probe(MINE), 9), probe_of(&probe(MINE), 8), probe_of(&noise, 9)), (Some(4), None, None));
    }
}
