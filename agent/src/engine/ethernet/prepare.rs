//! Before anything is sent: is the port free, is it on, does the plan fit it, and the way for probes.

use turnback_core::{
    base::placement::Placement,
    event::Event,
    kind::ethernet::{link::PortSetting, probe::FCS_BYTES},
    plan::{PlanError, Rate},
};

use super::{CheckError, Run};
use crate::ports::{Applied, Interface};

impl Run<'_> {
    /// True when the port is in service and must be left alone.
    pub(super) fn find_service(&mut self) -> Result<bool, CheckError> {
        let mut reasons = self.port.in_service()?;
        if let Some(other) = &mut self.return_port {
            reasons.extend(other.in_service()?);
        }
        let passed_over = |r: &crate::ports::ServiceReason| self.options.although_in_service && r.may_be_overridden;
        self.in_service = reasons.iter().filter(|r| !passed_over(r)).map(|r| r.text.clone()).collect();
        for reason in reasons.iter().filter(|r| passed_over(r)) {
            self.warnings.push(format!("tested although in service, as asked: {}", reason.text));
        }
        Ok(!self.in_service.is_empty())
    }

    pub(super) fn take_place(&mut self, placement: Placement) -> Result<(), CheckError> {
        if !self.turn_back_at(placement)? && placement == Placement::Internal {
            return Err(self.not_offered("loop inside the chip (its driver offers no `loopback` feature); use a plug"));
        }
        Ok(())
    }

    /// Has the signal turned back at `placement` where that needs no hand; false where it does.
    pub(super) fn turn_back_at(&mut self, placement: Placement) -> Result<bool, CheckError> {
        match placement {
            Placement::Internal => self.set(PortSetting::InternalLoop(true)),
            _ => Ok(self.port.place(placement)),
        }
    }

    /// Changes a setting of the port and says so; false where the port does not offer it.
    pub(super) fn set(&mut self, setting: PortSetting) -> Result<bool, CheckError> {
        let applied = self.port.apply(setting)?;
        let port = self.port.identity().name;
        Ok(self.told(port, setting, applied))
    }

    fn told(&mut self, port: String, setting: PortSetting, applied: Applied) -> bool {
        match applied {
            Applied::Changed => (self.say)(Event::SettingChanged { port, setting }),
            Applied::AlreadySo => {}
            Applied::PutBack(text) => self.note_put_back(text),
            Applied::NotOffered => return false,
        }
        true
    }

    pub(super) fn bring_up(&mut self) -> Result<(), CheckError> {
        self.set(PortSetting::Up(true))?;
        if let Some(other) = &mut self.return_port {
            let (applied, name) = (other.apply(PortSetting::Up(true))?, other.identity().name);
            self.told(name, PortSetting::Up(true), applied);
        }
        // Single wrong bits say more than a dropped frame.
        if self.port.capabilities().delivers_bad_frames && self.return_port.is_none() {
            self.bad_frames_delivered = self.set(PortSetting::DeliverBadFrames(true))?;
        }
        if let Some(mbps) = self.options.speed_mbps
            && !self.set(PortSetting::ForcedSpeed(mbps))?
        {
            return Err(self.not_offered(&format!("be forced to {mbps} Mb/s")));
        }
        Ok(())
    }

    pub(super) fn not_offered(&self, what: &str) -> CheckError {
        CheckError::NotOffered { port: self.port.identity().name, what: what.to_owned() }
    }

    /// Before anything is changed.
    pub(super) fn fit_sizes(&mut self) -> Result<(), CheckError> {
        let mut most = self.port.capabilities().frame_bytes_max;
        if let Some(other) = &self.return_port {
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
        }
        Ok(())
    }

    /// Once the link is known.
    pub(super) fn fit_rate(&self) -> Result<(), CheckError> {
        if let Rate::Share(_) = self.options.profile.rate
            && self.line_bps().is_none()
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

    pub(super) fn line_bps(&self) -> Option<u64> {
        self.port.capabilities().has_line_rate.then_some(())?;
        self.link.speed_mbps.map(|mbps| u64::from(mbps) * 1_000_000)
    }

    pub(super) fn open_runners(&mut self) -> Result<(), CheckError> {
        let here = self.port.interface();
        match &mut self.return_port {
            None => self.runners.push(self.port.open(None)?),
            Some(other) => {
                let there: Option<Interface> = other.interface();
                let (Some(here), Some(there)) = (here, there) else {
                    return Err(CheckError::NotOffered {
                        port: self.port.identity().name,
                        what: "be tested together with a return port: both must be Ethernet interfaces of this machine"
                            .into(),
                    });
                };
                self.runners.push(self.port.open(Some(there))?);
                self.runners.push(other.open(Some(here))?);
            }
        }
        // An adapter told to stamp frames may start its link anew.
        if self.link.up {
            self.link = self.wait_for_link()?;
        }
        Ok(())
    }
}
