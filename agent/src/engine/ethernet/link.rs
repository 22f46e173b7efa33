//! Finding the link.

use std::time::Duration;

use turnback_core::{
    base::placement::Placement,
    event::Event,
    kind::ethernet::link::{LinkState, Medium, PortSetting},
};

use super::{CheckError, Run};

impl Run<'_> {
    /// Waits for the link; gigabit copper that cannot link to itself is tried at 100 Mb/s.
    pub(super) fn find_link(&mut self) -> Result<(), CheckError> {
        self.link = self.wait_for_link()?;
        let capabilities = self.port.capabilities();
        let copper = matches!(self.link.medium, Medium::Copper);
        let looped = !matches!(self.placement, Placement::Internal | Placement::ReturnPort);
        if !self.link.up && copper && looped && self.options.speed_mbps.is_none() && capabilities.forces_speed {
            let setting = PortSetting::ForcedSpeed(FALLBACK_MBPS);
            if self.set(setting)? {
                let link = self.wait_for_link()?;
                if link.up {
                    self.fallback_mbps = Some(FALLBACK_MBPS);
                }
                self.link = link;
            }
        }
        (self.say)(Event::LinkRead { link: self.link });
        Ok(())
    }

    pub(super) fn wait_for_link(&mut self) -> Result<LinkState, CheckError> {
        // Copper takes up to about four seconds to negotiate (common practice, no source).
        let mut waited = Duration::ZERO;
        loop {
            let mut link = self.port.link()?;
            if let Some(other) = &mut self.return_port {
                link.up &= other.link()?.up;
            }
            if link.up || waited >= LINK_PATIENCE || self.cancel.is_cancelled() {
                return Ok(link);
            }
            self.port.pause(LINK_POLL);
            waited += LINK_POLL;
        }
    }
}

const FALLBACK_MBPS: u32 = 100;
const LINK_PATIENCE: Duration = Duration::from_secs(5);
const LINK_POLL: Duration = Duration::from_millis(50);
