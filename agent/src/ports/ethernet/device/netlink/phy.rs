//! What only the netlink side of ethtool tells about a transceiver: master and slave roles, signal quality, and why
//! there is no link.
//!
//! 1000BASE-T needs one master and one slave; a port that hears itself cannot agree with itself, and the fault shows
//! here and nowhere else.

use serde::{Deserialize, Serialize};

use super::{
    ACKNOWLEDGE, Answer, NetlinkError, REQUEST, exchange,
    message::{self, attributes, put_attribute, u16_at, u32_at},
    open,
};

/// Which end of a gigabit copper line gives the clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// This end.
    Master,
    /// The other end.
    Slave,
    /// The ends could not agree: what a gigabit port shows that hears itself.
    Fault,
}

/// What the transceiver says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PhyState {
    /// `None` where there are no roles, or they are not settled.
    pub role: Option<Role>,
    /// Signal quality now and at best, in steps of the transceiver's own.
    pub signal_quality: Option<(u32, Option<u32>)>,
    /// Why there is no link, by the kernel's number (`enum ethtool_link_ext_state`).
    pub no_link_reason: Option<u8>,
}

impl PhyState {
    /// The reason for no link in words.
    pub fn no_link_text(&self) -> Option<&'static str> {
        // enum ethtool_link_ext_state, linux/ethtool.h, in its order.
        const REASONS: [&str; 11] = [
            "autonegotiation failed",
            "link training failed",
            "the two ends do not match",
            "bad signal",
            "no cable",
            "a fault of the cable",
            "the transceiver's memory cannot be read",
            "calibration failed",
            "the transceiver needs more power than the cage gives",
            "too hot",
            "the transceiver is not ready",
        ];
        REASONS.get(usize::from(self.no_link_reason?)).copied()
    }
}

/// Asks for the transceiver of an interface. Fields stay `None` on kernels and drivers that do not tell.
///
/// # Errors
///
/// When no netlink socket can be had at all.
pub fn phy_state(interface: u32) -> Result<PhyState, NetlinkError> {
    let what = "transceiver state";
    let failed = |source| NetlinkError::Socket { what, source };
    let socket = open(libc::NETLINK_GENERIC).map_err(failed)?;
    let Some(family) = family(&socket, 1).and_then(|body| parse_family(&body)) else {
        return Ok(PhyState::default());
    };
    let mut index = Vec::new();
    put_attribute(&mut index, HEADER_INDEX, &interface.to_ne_bytes());
    let mut header = Vec::new();
    put_attribute(&mut header, HEADER | NESTED, &index);
    let mut state = PhyState::default();
    if let Some(body) = ask(&socket, 2, family, LINKMODES_GET, &header) {
        parse_modes(&body, &mut state);
    }
    if let Some(body) = ask(&socket, 3, family, LINKSTATE_GET, &header) {
        parse_state(&body, &mut state);
    }
    Ok(state)
}

/// How the kernel describes its `ethtool` family; `None` when it has none.
pub(super) fn family(socket: &socket2::Socket, sequence: u32) -> Option<Vec<u8>> {
    let mut name = Vec::new();
    put_attribute(&mut name, FAMILY_NAME, b"ethtool\0");
    ask(socket, sequence, CONTROL_FAMILY, GET_FAMILY, &name)
}

/// One question to a generic netlink family; an answer of "no" is `None`, since every driver may know less.
fn ask(socket: &socket2::Socket, sequence: u32, family: u16, command: u8, payload: &[u8]) -> Option<Vec<u8>> {
    let mut body = vec![command, 1, 0, 0];
    body.extend(payload);
    let request = message::request(family, REQUEST | ACKNOWLEDGE, sequence, &body);
    match exchange(socket, &request, sequence, family) {
        Ok(Answer::Bodies(bodies)) => bodies.into_iter().next(),
        Ok(Answer::Interrupted) | Err(_) => None,
    }
}

fn parse_family(body: &[u8]) -> Option<u16> {
    let (_, value) = attributes(body.get(GENERIC_HEADER_BYTES..)?).find(|(kind, _)| *kind == FAMILY_ID)?;
    u16_at(value, 0)
}

fn parse_modes(body: &[u8], state: &mut PhyState) {
    for (kind, value) in attributes(body.get(GENERIC_HEADER_BYTES..).unwrap_or(&[])) {
        if kind == LINKMODES_MASTER_SLAVE_STATE {
            // MASTER_SLAVE_STATE_*, linux/ethtool.h.
            state.role = match value.first() {
                Some(2) => Some(Role::Master),
                Some(3) => Some(Role::Slave),
                Some(4) => Some(Role::Fault),
                _ => None,
            };
        }
    }
}

fn parse_state(body: &[u8], state: &mut PhyState) {
    let (mut quality, mut best) = (None, None);
    for (kind, value) in attributes(body.get(GENERIC_HEADER_BYTES..).unwrap_or(&[])) {
        match kind {
            LINKSTATE_SQI => quality = u32_at(value, 0),
            LINKSTATE_SQI_MAX => best = u32_at(value, 0),
            LINKSTATE_EXT_STATE => state.no_link_reason = value.first().copied(),
            _ => {}
        }
    }
    state.signal_quality = quality.map(|quality| (quality, best));
}

/// `struct genlmsghdr`, linux/genetlink.h.
pub(super) const GENERIC_HEADER_BYTES: usize = 4;
/// `GENL_ID_CTRL`, `CTRL_CMD_GETFAMILY`, `CTRL_ATTR_FAMILY_*`, linux/genetlink.h.
const CONTROL_FAMILY: u16 = 16;
const GET_FAMILY: u8 = 3;
pub(super) const FAMILY_ID: u16 = 1;
const FAMILY_NAME: u16 = 2;
/// `NLA_F_NESTED`, linux/netlink.h.
pub(super) const NESTED: u16 = 0x8000;
// linux/ethtool_netlink.h.
const LINKMODES_GET: u8 = 4;
const LINKSTATE_GET: u8 = 6;
pub(super) const HEADER: u16 = 1;
pub(super) const HEADER_INDEX: u16 = 1;
const LINKMODES_MASTER_SLAVE_STATE: u16 = 8;
const LINKSTATE_SQI: u16 = 3;
const LINKSTATE_SQI_MAX: u16 = 4;
const LINKSTATE_EXT_STATE: u16 = 5;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_gigabit_port_that_hears_itself_shows_a_fault_of_roles() {
        let mut body = vec![0; GENERIC_HEADER_BYTES];
        // MASTER_SLAVE_STATE_ERR 4, linux/ethtool.h.
        put_attribute(&mut body, LINKMODES_MASTER_SLAVE_STATE, &[4]);
        let mut state = PhyState::default();
        parse_modes(&body, &mut state);
        assert_eq!(state.role, Some(Role::Fault));
    }

    #[test]
    fn the_reason_for_no_link_has_words() {
        let mut body = vec![0; GENERIC_HEADER_BYTES];
        // ETHTOOL_LINK_EXT_STATE_NO_CABLE is the fifth of its enum, linux/ethtool.h.
        put_attribute(&mut body, LINKSTATE_EXT_STATE, &[4]);
        put_attribute(&mut body, LINKSTATE_SQI, &5u32.to_ne_bytes());
        let mut state = PhyState::default();
        parse_state(&body, &mut state);
        assert_eq!(state.no_link_text(), Some("no cable"));
        assert_eq!(state.signal_quality, Some((5, None)));
        assert_eq!(PhyState { no_link_reason: Some(200), ..state }.no_link_text(), None);
    }

    proptest! {
        #[test]
        fn any_octets_are_read(bytes in proptest::collection::vec(any::<u8>(), 0..120)) {
            let mut state = PhyState::default();
            parse_family(&bytes);
            parse_modes(&bytes, &mut state);
            parse_state(&bytes, &mut state);
        }
    }
}
