//! Whether a rig's port has link, and at what speed: a port that hears itself through a plug.

use super::rig::{Plug, PlugKind, Rig, RigPort};
use crate::{
    base::placement::Placement,
    kind::ethernet::link::{LinkState, Medium},
};

/// What was set on the port.
#[derive(Clone, Copy, Debug)]
pub(super) struct Settings {
    pub up: bool,
    pub forced_mbps: Option<u32>,
    pub internal_loop: bool,
    pub bad_frames: bool,
}

/// Where a frame goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Destination {
    /// Turned back inside the chip.
    Internal,
    /// Out to the plug and back.
    Plug,
    /// Out to a network.
    Network,
    /// Nothing takes it.
    Nowhere,
}

/// Where frames go with this placement and these settings.
pub(super) fn destination(port: &RigPort, plug: &Plug, placement: Placement, settings: &Settings) -> Destination {
    if port.internal_loop && (settings.internal_loop || placement == Placement::Internal) {
        return Destination::Internal;
    }
    if placement == Placement::Internal || !plug.fitted {
        return Destination::Nowhere;
    }
    match plug.kind {
        PlugKind::Plug => Destination::Plug,
        PlugKind::Network => Destination::Network,
        PlugKind::Open => Destination::Nowhere,
    }
}

/// The link of frames that go there; `broken` says that a fault keeps the line from linking.
pub(super) fn state(rig: &Rig, destination: Destination, settings: &Settings, broken: bool) -> LinkState {
    let port = &rig.port;
    let negotiates = port.autonegotiation && settings.forced_mbps.is_none();
    let speed_mbps = settings.forced_mbps.unwrap_or(port.speed_max_mbps);
    let hears_itself = port.links_to_itself_at_mbps.is_empty() || port.links_to_itself_at_mbps.contains(&speed_mbps);
    let signal = settings.up && !broken;
    let up = match destination {
        Destination::Internal => settings.up,
        Destination::Plug => signal && hears_itself,
        Destination::Network => signal,
        Destination::Nowhere => false,
    };
    // 1000BASE-T and faster on twisted pair need one master and one slave (IEEE Std 802.3 40.5.2, from memory).
    let master_slave_fault = destination == Destination::Plug
        && signal
        && !hears_itself
        && port.medium == Medium::Copper
        && speed_mbps >= 1000;
    LinkState {
        up,
        speed_mbps: up.then_some(speed_mbps),
        full_duplex: up.then_some(true),
        autonegotiation: Some(negotiates),
        partner_advertises: negotiates
            .then_some(signal && matches!(destination, Destination::Plug | Destination::Network)),
        master_slave_fault,
        medium: port.medium,
        carrier_changes: None,
    }
}
