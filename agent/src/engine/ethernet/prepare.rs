//! Before anything is sent: fits the plan to the port, switches it on, and opens the sockets for probes.

use std::time::Duration;

use turnback_core::{
    event::Event,
    kind::ethernet::{link::PortSetting, probe::FCS_BYTES},
    plan::{PlanError, Rate},
};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};
use crate::ports::{Applied, Interface};

impl EthernetRun<'_, '_> {
    /// Changes a setting of the port and tells so. False when the port does not offer it.
    pub(super) fn set(&mut self, setting: PortSetting) -> Result<bool, CheckError> {
        let applied = self.kind.port.apply(setting)?;
        let port = self.kind.port.identity().name;
        Ok(self.told(port, setting, applied))
    }

    fn told(&mut self, port: String, setting: PortSetting, applied: Applied) -> bool {
        match applied {
            Applied::Changed => (self.say)(Event::SettingChanged { port, setting }),
            Applied::AlreadySo => {}
            Applied::Restored(text) => self.tell_restored(text),
            Applied::NotOffered => return false,
        }
        true
    }

    pub(super) fn bring_up(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        self.set(PortSetting::Up(true))?;
        if let Some(other) = &mut self.kind.return_port {
            let (applied, name) = (other.apply(PortSetting::Up(true))?, other.identity().name);
            self.told(name, PortSetting::Up(true), applied);
        }
        self.hold_back_check()?;
        // A frame with wrong bits says more than one that the adapter dropped.
        if self.kind.port.capabilities().delivers_bad_frames && self.kind.return_port.is_none() {
            self.kind.bad_frames_delivered = self.set(PortSetting::DeliverBadFrames(true))?;
            measured.bad_frames_delivered = self.kind.bad_frames_delivered;
        }
        if let Some(mbps) = self.options.speed_mbps
            && !self.set(PortSetting::ForcedSpeed(mbps))?
        {
            return Err(self.not_offered(&format!("be forced to {mbps} Mb/s")));
        }
        Ok(())
    }

    /// Has the adapters keep the frame check sequence to themselves: behind every frame it would make each echo four
    /// bytes longer than its probe. Some adapters lose frames or hand on none at all in that state.
    fn hold_back_check(&mut self) -> Result<(), CheckError> {
        let mut told = Vec::new();
        for port in std::iter::once(&mut *self.kind.port).chain(self.kind.return_port.as_deref_mut()) {
            if port.capabilities().delivers_check {
                let setting = PortSetting::DeliverCheck(false);
                told.push((port.identity().name, setting, port.apply(setting)?));
            }
        }
        for (name, setting, applied) in told {
            let state =
                format!("{name} was set to hand on the frame check sequence, 4 bytes behind every frame (rx-fcs)");
            let switched_off = self.told(name, setting, applied);
            self.warnings.push(if switched_off {
                format!("{state}: switched off for this run")
            } else {
                format!("{state} and cannot be set otherwise: every echo is 4 bytes longer than what was sent")
            });
        }
        Ok(())
    }

    /// Leaves out the sizes that the port does not take. Done before anything is changed.
    pub(super) fn fit_sizes(&mut self) -> Result<(), CheckError> {
        let mut most = self.kind.port.capabilities().frame_bytes_max;
        if let Some(other) = &self.kind.return_port {
            most = most.min(other.capabilities().frame_bytes_max);
        }
        let left_out = self.options.profile.fit(most)?;
        if !left_out.is_empty() {
            let sizes: Vec<_> = left_out.iter().map(u32::to_string).collect();
            self.warnings.push(format!(
                "sizes {} left out: this port takes up to {} bytes with FCS; raise its MTU to test them",
                sizes.join(", "),
                most + FCS_BYTES
            ));
            self.kind.sizes_not_taken = left_out;
        }
        Ok(())
    }

    /// Refuses a share of line rate on a port that has none. Done once the link is known.
    pub(super) fn fit_rate(&self, measured: &EthernetMeasured) -> Result<(), CheckError> {
        if let Rate::Share(_) = self.options.profile.rate
            && self.line_bps(measured).is_none()
        {
            return Err(PlanError::Range {
                name: "rate",
                given: self.options.profile.rate.to_string(),
                allowed: "this port has no line rate to take a share of; give frames a second".into(),
            }
            .into());
        }
        Ok(())
    }

    pub(super) fn line_bps(&self, measured: &EthernetMeasured) -> Option<u64> {
        self.kind.port.capabilities().has_line_rate.then_some(())?;
        measured.link.speed_mbps.map(|mbps| u64::from(mbps) * 1_000_000)
    }

    pub(super) fn open_runners(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let here = self.kind.port.interface();
        match &mut self.kind.return_port {
            None => self.kind.runners.push(self.kind.port.open(None)?),
            Some(other) => {
                let there: Option<Interface> = other.interface();
                let (Some(here), Some(there)) = (here, there) else {
                    return Err(CheckError::NotOffered {
                        port: self.kind.port.identity().name,
                        what: "be tested together with a return port: both must be Ethernet interfaces of this machine"
                            .into(),
                    });
                };
                self.kind.runners.push(self.kind.port.open(Some(there))?);
                self.kind.runners.push(other.open(Some(here))?);
            }
        }
        // Some adapters restart their link when they are told to stamp frames.
        if measured.link.up {
            measured.link = self.wait_for_link(Duration::ZERO)?;
        }
        Ok(())
    }
}
