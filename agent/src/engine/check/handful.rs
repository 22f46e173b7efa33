//! A handful of single probes, before the throttle is opened.

use std::time::Duration;

use turnback_core::{
    event::Event,
    pattern::Pattern,
    plan::{Rate, SIZE_MIN, Step},
    probe::ethernet::{FCS_BYTES, FRAME_BYTES_MIN},
};

use super::{CheckError, Run};
use crate::ports::runner::StepAmount;

impl Run<'_> {
    /// A few single probes. Only when some come back, and nothing foreign with them, is the throttle opened.
    pub(super) fn handful(&mut self) -> Result<bool, CheckError> {
        let mut lost_so_far = 0;
        for attempt in 0..HANDFUL_ATTEMPTS {
            let step = Step { size_bytes: SIZE_MIN, pattern: Pattern::Prbs31, time: Duration::ZERO, rate: Rate::Full };
            let before = self.gathered.tally.counts;
            self.run_once(&step, StepAmount::Single(HANDFUL_PROBES), None, false)?;
            let counts = self.gathered.tally.counts;
            self.gathered.handful.sent += counts.sent - before.sent;
            self.gathered.handful.returned += counts.returned - before.returned;
            (self.say)(Event::HandfulDone {
                sent: self.gathered.handful.sent,
                returned: self.gathered.handful.returned,
            });
            if self.must_stop() {
                return Ok(false);
            }
            if self.gathered.handful.returned > 0 {
                self.gathered.lost_before_ready = lost_so_far;
                return Ok(true);
            }
            lost_so_far += counts.lost - before.lost;
            if attempt + 1 < HANDFUL_ATTEMPTS {
                self.port.pause(HANDFUL_PAUSE);
            }
        }
        Ok(false)
    }
}

const HANDFUL_PROBES: u32 = 8;
const HANDFUL_ATTEMPTS: u32 = 3;
const HANDFUL_PAUSE: Duration = Duration::from_millis(200);
const _: () = assert!(SIZE_MIN as usize == FRAME_BYTES_MIN + FCS_BYTES);
