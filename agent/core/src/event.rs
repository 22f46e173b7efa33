//! What a run reports while it goes on. Progress lines and the `--events` file are both made from these events.

use serde::Serialize;

use crate::base::placement::Placement;
use crate::judge::Verdict;
use crate::kind::ethernet::link::{LinkState, PortSetting};

/// One thing that happened.
#[derive(Clone, Debug, Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum Event {
    /// The run began.
    RunStarted {
        /// Id of the run.
        run: String,
        /// Port under test.
        port: String,
        /// The port at the other end of the cable, where there is one in place of a plug.
        return_port: Option<String>,
        /// Profile's name.
        profile: String,
    },
    /// Link state as read.
    LinkRead {
        /// The state.
        link: LinkState,
    },
    /// Nothing is to be counted until something comes: told every second.
    Waiting {
        /// What is waited for.
        what: Awaited,
        /// Seconds after which it is given up, about.
        left_s: f64,
    },
    /// A setting was changed. The run restores it at its end.
    SettingChanged {
        /// Of which port.
        port: String,
        /// Which, and to what.
        setting: PortSetting,
    },
    /// A setting of a serial port was changed. The run restores it at its end.
    LineSettingChanged {
        /// Of which port.
        port: String,
        /// Which, and to what, in words.
        setting: String,
    },
    /// A setting was restored.
    SettingRestored {
        /// In words.
        setting: String,
    },
    /// Listening is over.
    Listened {
        /// Frames of other stations.
        foreign: u64,
    },
    /// Listening on a serial port is over.
    LineListened {
        /// Bytes heard.
        foreign_bytes: u64,
    },
    /// How long a run on a port of frames is going to take, before it sends.
    Estimated {
        /// Seconds, about. For a proof: until the limit is proved, if nothing fails.
        seconds: f64,
        /// Seconds that a proof may take at most; none of other profiles.
        allowed_s: Option<f64>,
    },
    /// How long a run on a serial port is going to take, before it sends.
    LineEstimated {
        /// Seconds, about; less where it fails early.
        seconds: f64,
    },
    /// The first single probes are back, or not.
    FirstProbesDone {
        /// Sent.
        sent: u64,
        /// Returned.
        returned: u64,
    },
    /// A step began.
    StepStarted {
        /// Number of the step, from 1.
        step: u32,
        /// Steps the plan has, where it is known.
        of: Option<u32>,
        /// Frame size with FCS.
        size_bytes: u32,
        /// Pattern's name.
        pattern: String,
    },
    /// A step on a serial port began.
    LineStepStarted {
        /// What it tries, in words.
        what: String,
    },
    /// How far a step has come.
    Progress(Progress),
    /// How far a step on a serial port has come.
    LineProgress {
        /// Seconds since the run began.
        elapsed_s: f64,
        /// Bytes sent in the run.
        bytes_sent: u64,
        /// Bytes that came back in the run.
        bytes_returned: u64,
        /// Bytes lost, extra or damaged so far.
        bytes_failed: u64,
        /// Bit error ratio proved so far.
        proved_below: Option<f64>,
        /// Bits that must still pass without error to prove the limit.
        bits_needed: Option<f64>,
        /// Seconds that sending still takes, about; none where bytes do not take their time, or until it is proved.
        left_s: Option<f64>,
        /// Seconds since a byte last came back, or since the step began.
        silent_s: f64,
    },
    /// A step ended.
    StepDone {
        /// Number of the step, from 1.
        step: u32,
        /// Probes sent.
        frames_sent: u64,
        /// Of those, lost.
        frames_lost: u64,
        /// Wrong bits.
        bit_errors: u64,
    },
    /// The host lost probes; the step is run again at this rate.
    Slowed {
        /// Frames a second.
        frames_per_second: f64,
    },
    /// The host lost bytes; the step is run again with fewer out at once.
    LineSlowed {
        /// Bytes out at once.
        bytes_out: u64,
    },
    /// The check failed and is repeated with the signal turned back elsewhere.
    Confirming {
        /// Where.
        placement: Placement,
    },
    /// The run ended.
    RunEnded {
        /// Its verdict.
        verdict: Verdict,
    },
}

/// What a run waits for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Awaited {
    /// The link of a port of frames.
    Link,
    /// The first bytes to come back on a serial line.
    Answer,
    /// The end of a trial that confirms a failure.
    Trial,
    /// The link of a port of frames, which was there before.
    LostLink,
    /// Frames that are missing, once all are sent.
    LateFrames,
    /// Bytes that are missing, once all are sent.
    LateBytes,
}

impl Awaited {
    /// For people, after "waiting for".
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Link => "a link",
            Self::Answer => "something to come back",
            Self::Trial => "the test to end",
            Self::LostLink => "the link to come back",
            Self::LateFrames => "late frames",
            Self::LateBytes => "late bytes",
        }
    }
}

impl Event {
    /// Seconds since the run began, of events that tell how far it has come.
    pub fn elapsed_s(&self) -> Option<f64> {
        match self {
            Self::Progress(progress) => Some(progress.elapsed_s),
            Self::LineProgress { elapsed_s, .. } => Some(*elapsed_s),
            _ => None,
        }
    }

    /// Share of the run that is done, `0.0..=1.0`; none of other events, and where its length is not known.
    pub fn share_done(&self) -> Option<f64> {
        let left_s = match self {
            Self::Progress(progress) => progress.left_s,
            Self::LineProgress { left_s, .. } => *left_s,
            _ => None,
        };
        let elapsed_s = self.elapsed_s()?;
        Some((elapsed_s / (elapsed_s + left_s?).max(1e-9)).clamp(0.0, 1.0))
    }
}

/// How far a step has come.
#[derive(Clone, Copy, Debug, Default, Serialize)]
pub struct Progress {
    /// Seconds since the run began.
    pub elapsed_s: f64,
    /// Seconds the plan still needs, where known.
    pub left_s: Option<f64>,
    /// Probes sent in the run.
    pub frames_sent: u64,
    /// Of those, back.
    pub frames_returned: u64,
    /// Probes a second, lately.
    pub frames_per_second: f64,
    /// Failed bits or frames so far.
    pub errors: u64,
    /// Bit error ratio proved so far.
    pub proved_below: Option<f64>,
    /// Bits that must still pass without error to prove the limit.
    pub bits_needed: Option<f64>,
    /// Seconds until the limit is proved if nothing more fails, at the rate of this step.
    pub needed_s: Option<f64>,
    /// Probes of the run that should be back and are not: later ones are back, or they were sent half a second ago.
    pub frames_missing: u64,
    /// Seconds since a probe last came back, or since the step began.
    pub silent_s: f64,
    /// Seconds of silence after which the rest of the plan is given up; none where it is not, and while something
    /// comes back.
    pub gives_up_s: Option<f64>,
}
