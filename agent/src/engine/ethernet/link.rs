//! Waits for the link, and falls back to 100 or 10 Mb/s where copper cannot link to itself at its own speed.

use std::time::Duration;

use turnback_core::{
    event::{Awaited, Event},
    kind::ethernet::link::{FALLBACK_MBPS, LINK_PATIENCE, LinkState, PortSetting},
};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};

impl EthernetRun<'_, '_> {
    /// Waits for the link. Copper that cannot link to itself, as at 1000 Mb/s, falls back to 100 Mb/s, then to 10.
    pub(super) fn find_link(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let capabilities = self.kind.port.capabilities();
        let (free, placement) = (self.options.speed_mbps.is_none(), self.placement);
        let falls_back = |link: LinkState| free && capabilities.falls_back(link.medium, placement);
        let mut slower = FALLBACK_MBPS.len() as u32;
        let more = if falls_back(self.kind.port.link()?) { slower } else { 0 };
        measured.link = self.wait_for_link(LINK_PATIENCE * more)?;
        if !measured.link.up && falls_back(measured.link) {
            for mbps in FALLBACK_MBPS {
                slower -= 1;
                if measured.link.up || self.cancel.is_cancelled() || !self.set(PortSetting::ForcedSpeed(mbps))? {
                    continue;
                }
                measured.link = self.wait_for_link(LINK_PATIENCE * slower)?;
                measured.fallback_mbps = measured.link.up.then_some(mbps);
            }
        }
        (self.say)(Event::LinkRead { link: measured.link });
        Ok(())
    }

    /// Waits for the link, and tells so every second. `more` is what may be waited after this.
    pub(super) fn wait_for_link(&mut self, more: Duration) -> Result<LinkState, CheckError> {
        let mut waited = Duration::ZERO;
        loop {
            let mut link = self.kind.port.link()?;
            if let Some(other) = &mut self.kind.return_port {
                link.up &= other.link()?.up;
            }
            // The old link may be there for a moment after another speed was set.
            let set = self.options.speed_mbps.zip(link.speed_mbps);
            let is_set = set.is_none_or(|(set, mbps)| set == mbps);
            if (link.up && is_set) || waited >= LINK_PATIENCE || self.cancel.is_cancelled() {
                return Ok(link);
            }
            if waited.subsec_nanos() == 0 {
                let left_s = (LINK_PATIENCE - waited + more).as_secs_f64();
                (self.say)(Event::Waiting { what: Awaited::Link, left_s });
            }
            self.kind.port.pause(LINK_POLL);
            waited += LINK_POLL;
        }
    }
}

const LINK_POLL: Duration = Duration::from_millis(50);
