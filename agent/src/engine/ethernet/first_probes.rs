//! A handful of single probes, before the throttle is opened.

use std::time::Duration;

use turnback_core::{
    event::Event,
    kind::ethernet::{
        link::PortSetting,
        probe::{FCS_BYTES, FRAME_BYTES_MIN},
    },
    plan::{Rate, SIZE_MIN, Step},
    signal::pattern::Pattern,
};

use super::{CheckError, Run};
use crate::ports::runner::StepAmount;

impl Run<'_> {
    /// A few single probes. Only when some come back, and nothing foreign with them, is the throttle opened.
    pub(super) fn handful(&mut self) -> Result<bool, CheckError> {
        let lost_before = self.gathered.tally.counts.lost;
        if self.few_probes(lost_before)? {
            return Ok(true);
        }
        // An adapter may accept to deliver what fails its check, and then deliver nothing at all.
        if self.must_stop() || !self.bad_frames_delivered {
            return Ok(false);
        }
        self.bad_frames_delivered = false;
        self.set(PortSetting::DeliverBadFrames(false))?;
        self.link = self.wait_for_link()?;
        let returned = self.few_probes(lost_before)?;
        if returned {
            self.warnings.push(
                "nothing came back while this adapter was to deliver frames that fail its check: it was told not to, and failed \
                 frames are counted instead of wrong bits"
                    .into(),
            );
        }
        Ok(returned)
    }

    /// Probes sent before the first that came back were lost before the port was ready, from `lost_before` on.
    fn few_probes(&mut self, lost_before: u64) -> Result<bool, CheckError> {
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
                self.gathered.lost_before_ready = before.lost - lost_before;
                return Ok(true);
            }
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
