//! Waits for the link, and falls back to 100 or 10 Mb/s where copper cannot link to itself at its own speed.

use std::time::Duration;

use turnback_core::{
    event::Event,
    kind::ethernet::link::{FALLBACK_MBPS, LINK_PATIENCE, LinkState, PortSetting},
};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};

impl EthernetRun<'_, '_> {
    /// Waits for the link. Copper that cannot link to itself, as at 1000 Mb/s, falls back to 100 Mb/s, then to 10.
    pub(super) fn find_link(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        measured.link = self.wait_for_link()?;
        let capabilities = self.kind.port.capabilities();
        let falls_back = capabilities.falls_back(measured.link.medium, self.placement);
        if !measured.link.up && falls_back && self.options.speed_mbps.is_none() {
            for mbps in FALLBACK_MBPS {
                if measured.link.up || self.cancel.is_cancelled() || !self.set(PortSetting::ForcedSpeed(mbps))? {
                    continue;
                }
                measured.link = self.wait_for_link()?;
                measured.fallback_mbps = measured.link.up.then_some(mbps);
            }
        }
        (self.say)(Event::LinkRead { link: measured.link });
        Ok(())
    }

    pub(super) fn wait_for_link(&mut self) -> Result<LinkState, CheckError> {
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
            self.kind.port.pause(LINK_POLL);
            waited += LINK_POLL;
        }
    }
}

const LINK_POLL: Duration = Duration::from_millis(50);
