//! Makes a port ready for a test: opened, free, switched on, with link.

use std::time::Duration;

use turnback_core::kind::ethernet::link::{FALLBACK_MBPS, LinkState, Medium, PortSetting};

use super::halt::Halt;
use crate::{
    engine::cancel::Cancel,
    ports::{Applied, FramePort, Port, PortError, Way, name::PortName, open},
};

/// Opens a port of this computer. Settings that a killed run left changed are restored first.
pub(super) fn open(name: &str) -> Result<Box<dyn Port>, PortError> {
    open::open(&PortName::Interface(name.to_owned()), 0, &mut |told| tracing::info!("{told}"))
}

/// Opens a port and makes sure that nobody else uses it.
pub(super) fn open_free(name: &str) -> Result<Box<dyn Port>, Halt> {
    let mut port = open(name)?;
    let reasons: Vec<String> = port.in_service()?.into_iter().map(|reason| reason.text).collect();
    if reasons.is_empty() { Ok(port) } else { Err(Halt::CutOff(reasons.join("; "))) }
}

/// The port as one of frames, which every port of a card is.
pub(super) fn frames(port: &mut dyn Port) -> Result<&mut dyn FramePort, Halt> {
    match port.way() {
        Way::Frames(port) => Ok(port),
        Way::Bytes(_) => Err(Halt::CutOff("it is a serial line".to_owned())),
    }
}

/// Waits for the link; how long it took, seconds, and the link. None: it did not come in time.
pub(super) fn wait_for_link(
    port: &mut dyn FramePort,
    patience: Duration,
    cancel: &Cancel,
) -> Result<Option<(f64, LinkState)>, Halt> {
    let began = port.now();
    loop {
        let link = port.link()?;
        let waited_s = port.now().saturating_sub(began) as f64 / 1e9;
        if link.up {
            return Ok(Some((waited_s, link)));
        }
        if cancel.is_cancelled() {
            return Err(Halt::Ended);
        }
        if waited_s > patience.as_secs_f64() {
            return Ok(None);
        }
        port.pause(POLL);
    }
}

/// Switches the port on and waits for its link. Copper that cannot link to itself, as at 1000 Mb/s, is set to 100 Mb/s,
/// then to 10.
pub(super) fn bring_up(
    port: &mut dyn FramePort,
    patience: Duration,
    cancel: &Cancel,
) -> Result<Option<LinkState>, Halt> {
    let _ = port.apply(PortSetting::Up(true))?;
    let mut found = wait_for_link(port, patience, cancel)?;
    let is_copper = port.link()?.medium == Medium::Copper;
    for mbps in FALLBACK_MBPS {
        if found.is_none() && is_copper && port.apply(PortSetting::ForcedSpeed(mbps))? != Applied::NotOffered {
            found = wait_for_link(port, patience, cancel)?;
        }
    }
    Ok(found.map(|(_, link)| link))
}

const POLL: Duration = Duration::from_millis(20);
