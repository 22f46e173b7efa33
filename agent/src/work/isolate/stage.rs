//! One stage at its port: what a hand would do, where none is needed, then its check or the adapter's own test. Whoever
//! leads through a case, at the terminal or at the agent's page, has its stages carried out here.

use turnback_core::{
    document::{
        case::{Spot, StageName},
        run::Report,
    },
    event::Event,
    kind::ethernet::cable_test::CableTest,
    sim::setup::Setup,
};

use super::error::CaseError;
use crate::{
    engine::{CheckError, CheckOptions, cancel::Cancel, check},
    ports::Port,
};

/// What a stage brought.
#[derive(Clone, Debug)]
pub enum Measurement {
    /// The report of its check.
    Report(Box<Report>),
    /// What the adapter found on each pair; `None` where it turned out not to offer that.
    Pairs(Option<CableTest>),
}

/// Carries out a stage. On a rig the plug is moved first; elsewhere the hand has done it. `return_port` takes the place
/// of the plug. `options` says what its check is to do; a cable test has no check.
///
/// # Errors
/// When it could not be made.
pub fn carry_out(
    name: &StageName,
    port: &mut dyn Port,
    return_port: Option<&mut dyn Port>,
    options: CheckOptions,
    say: &mut dyn FnMut(Event),
    cancel: &Cancel,
) -> Result<Measurement, CaseError> {
    if *name == StageName::CableTest {
        return port.cable_test().map(Measurement::Pairs).map_err(|error| CheckError::Port(error).into());
    }
    if let Some(spot) = name.spot().filter(|_| port.offers().moves_plug)
        && !port.arrange(&bench(name, &spot))
    {
        return Err(CaseError::NoSuchPlace { port: port.identity().name, stage: name.clone() });
    }
    Ok(Measurement::Report(Box::new(check(port, return_port.map(|back| back as &mut dyn Port), options, say, cancel)?)))
}

/// Speed that a stage forces, Mb/s.
pub fn speed_mbps(name: &StageName) -> Option<u32> {
    matches!(name, StageName::TwoPairs(_)).then_some(100)
}

/// What a hand does for a stage.
pub(crate) fn bench(name: &StageName, spot: &Spot) -> Setup {
    Setup {
        placement: spot.placement(),
        segment: spot.segment().map(str::to_owned),
        other_plug: *name == StageName::OtherPlug,
        known_good_port: *name == StageName::KnownGoodPort,
        cable_moved: matches!(name, StageName::Soak(_) | StageName::TwoPairs(_)),
    }
}
