//! The first single probes, before anything is sent in full flow.

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

use super::{CheckError, EthernetRun, measured::EthernetMeasured};
use crate::ports::runner::StepAmount;

impl EthernetRun<'_, '_> {
    /// Sends a few single probes. Full flow begins only when some of them come back and nothing foreign with them.
    pub(super) fn first_probes(&mut self, measured: &mut EthernetMeasured) -> Result<bool, CheckError> {
        let lost_before = measured.tally.counts.lost;
        if self.few_probes(measured, lost_before)? {
            return Ok(true);
        }
        // Some adapters accept the setting that delivers damaged frames, and then deliver nothing at all.
        if self.must_stop(measured) || !measured.bad_frames_delivered {
            return Ok(false);
        }
        measured.bad_frames_delivered = false;
        self.kind.bad_frames_delivered = false;
        self.set(PortSetting::DeliverBadFrames(false))?;
        measured.link = self.wait_for_link(Duration::ZERO)?;
        let returned = self.few_probes(measured, lost_before)?;
        if returned {
            self.warnings.push(
                "nothing came back while this adapter was to deliver frames that fail its check: it was told not to, \
                 and failed frames are counted instead of wrong bits"
                    .into(),
            );
        }
        Ok(returned)
    }

    /// Sends probes until one comes back. Those lost before it, beyond `lost_before`, were lost before the port was
    /// ready.
    fn few_probes(&mut self, measured: &mut EthernetMeasured, lost_before: u64) -> Result<bool, CheckError> {
        for attempt in 0..ATTEMPTS {
            let step = Step { size_bytes: SIZE_MIN, pattern: Pattern::Prbs31, time: Duration::ZERO, rate: Rate::Full };
            let before = measured.tally.counts;
            self.run_step(measured, &step, StepAmount::Single(PROBES), None, None)?;
            let counts = measured.tally.counts;
            measured.first_probes.sent += counts.sent - before.sent;
            measured.first_probes.returned += counts.returned - before.returned;
            (self.say)(Event::FirstProbesDone {
                sent: measured.first_probes.sent,
                returned: measured.first_probes.returned,
            });
            if self.must_stop(measured) {
                return Ok(false);
            }
            if measured.first_probes.returned > 0 {
                measured.lost_before_ready = before.lost - lost_before;
                return Ok(true);
            }
            if attempt + 1 < ATTEMPTS {
                self.kind.port.pause(ATTEMPT_PAUSE);
            }
        }
        Ok(false)
    }
}

const PROBES: u32 = 8;
const ATTEMPTS: u32 = 3;
const ATTEMPT_PAUSE: Duration = Duration::from_millis(200);
const _: () = assert!(SIZE_MIN as usize == FRAME_BYTES_MIN + FCS_BYTES);
