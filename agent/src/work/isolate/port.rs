//! The port of a case while somebody works on it.

use turnback_core::{
    document::case::{Case, Spot, StageName},
    event::Event,
};

use super::{
    error::CaseError,
    runner::{CaseRunner, Equipment},
    take_up::{TakenUp, Wanted, take_up},
};
use crate::{
    archive::Archive,
    engine::CheckError,
    ports::{Port, ServiceReason, error::GRANT, inventory::missing_rights, name::PortName, open::open},
};

/// The port of a case.
pub struct CasePort {
    name: PortName,
    seed: u64,
    tell: fn(&str),
    /// A rig is kept, since it knows where its plug is. A real port is open only while a stage runs.
    rig: Option<Box<dyn Port>>,
}

impl CasePort {
    /// Opens the port and takes up the wanted case of it. `tell` is given each setting that a killed run had left and
    /// that was restored.
    ///
    /// # Errors
    /// The port cannot be opened, or as for [`take_up`].
    pub fn take_up(
        archive: &dyn Archive,
        name: PortName,
        seed: u64,
        tell: fn(&str),
        wanted: Wanted,
    ) -> Result<(Self, TakenUp), CaseError> {
        let mut case_port = Self { name, seed, tell, rig: None };
        let mut port = case_port.open(None)?;
        let taken = take_up(archive, &mut *port, wanted)?;
        if port.offers().moves_plug {
            case_port.rig = Some(port);
        } else {
            port.restore();
        }
        Ok((case_port, taken))
    }

    /// Refuses a port on which a run could not begin, so that nobody moves a plug in vain: this one, or the one that
    /// `other` names. Sends nothing and changes nothing.
    ///
    /// # Errors
    /// [`CaseError::NotReady`]; the port cannot be opened.
    pub fn ready(&mut self, other: Option<&str>, although_in_service: bool) -> Result<(), CaseError> {
        if self.rig.is_some() {
            return Ok(());
        }
        let name = other.map_or_else(|| self.name.clone(), PortName::parse);
        let mut port = self.open(other)?;
        let stands = |reason: &ServiceReason| !(although_in_service && reason.may_be_overridden);
        let service = port.in_service().map_err(CheckError::Port)?;
        let mut reasons: Vec<String> = service.into_iter().filter(stands).map(|reason| reason.text).collect();
        reasons.extend(missing_rights(&name).into_iter().map(|missing| format!("{missing} (the way out: {GRANT})")));
        if reasons.is_empty() {
            return Ok(());
        }
        Err(CaseError::NotReady { port: port.identity().name, reasons })
    }

    /// Whether the adapter may be able to measure the pairs of a cable, as far as it tells without trying.
    ///
    /// # Errors
    /// The port cannot be opened.
    pub fn offers_cable_test(&mut self) -> Result<bool, CaseError> {
        match &mut self.rig {
            Some(rig) => Ok(rig.offers_cable_test()),
            None => Ok(self.open(None)?.offers_cable_test()),
        }
    }

    /// Carries out a stage on this port, with the case's return port if it has one. `equipment` may name another port
    /// in place of either.
    ///
    /// # Errors
    /// The port cannot be opened, or as for [`CaseRunner::carry_out`].
    pub fn carry_out(
        &mut self,
        runner: &mut CaseRunner<'_>,
        name: &StageName,
        equipment: &Equipment,
        say: &mut dyn FnMut(Event),
    ) -> Result<(), CaseError> {
        if let Some(rig) = &mut self.rig {
            return runner.carry_out(name, equipment, &mut **rig, None, say);
        }
        let (tested, back) = ports_of(&runner.case, name, equipment);
        let mut port = self.open(tested.as_deref())?;
        let mut back = back.map(|back| self.open(Some(&back))).transpose()?;
        let back = back.as_mut().map(|back| &mut **back as &mut dyn Port);
        runner.carry_out(name, equipment, &mut *port, back, say)
    }

    fn open(&self, other: Option<&str>) -> Result<Box<dyn Port>, CaseError> {
        let other = other.map(PortName::parse);
        let mut tell = self.tell;
        let opened = open(other.as_ref().unwrap_or(&self.name), self.seed, &mut tell);
        opened.map_err(|error| CheckError::Port(error).into())
    }
}

/// Names of the port that is tested, where it is not the case's own, and of the return port.
fn ports_of(case: &Case, stage: &StageName, equipment: &Equipment) -> (Option<String>, Option<String>) {
    let (other, back) = (equipment.on_port.clone(), case.options.return_port.clone());
    match (stage, &back) {
        // Nothing leaves the chip, or nothing is turned back.
        (StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal) | StageName::CableTest, _) => (None, None),
        (StageName::OtherPlug, Some(_)) => (None, other),
        _ => (other, back),
    }
}
