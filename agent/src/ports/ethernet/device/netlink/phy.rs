//! What only the netlink side of ethtool tells about a transceiver: whether the two ends could agree on their roles.
//!
//! 1000BASE-T needs one master and one slave; a port that hears itself cannot agree with itself, and the fault shows
//! here and nowhere else.

use super::{
    ACKNOWLEDGE, Answer, NetlinkError, REQUEST, exchange,
    message::{self, attributes, put_attribute, u16_at},
    open,
};

/// Whether master and slave could not agree, as at a gigabit port that hears itself. False on kernels and drivers that
/// do not tell, and where there are no roles.
///
/// # Errors
///
/// When no netlink socket can be had at all.
pub fn has_role_fault(interface: u32) -> Result<bool, NetlinkError> {
    let what = "transceiver state";
    let failed = |source| NetlinkError::Socket { what, source };
    let socket = open(libc::NETLINK_GENERIC).map_err(failed)?;
    let Some(family) = family(&socket, 1).and_then(|body| parse_family(&body)) else {
        return Ok(false);
    };
    let mut index = Vec::new();
    put_attribute(&mut index, HEADER_INDEX, &interface.to_ne_bytes());
    let mut header = Vec::new();
    put_attribute(&mut header, HEADER | NESTED, &index);
    Ok(ask(&socket, 2, family, LINKMODES_GET, &header).is_some_and(|body| tells_role_fault(&body)))
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

fn tells_role_fault(body: &[u8]) -> bool {
    let mut modes = attributes(body.get(GENERIC_HEADER_BYTES..).unwrap_or(&[]));
    modes.any(|(kind, value)| kind == LINKMODES_MASTER_SLAVE_STATE && value.first() == Some(&MASTER_SLAVE_STATE_ERR))
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
pub(super) const HEADER: u16 = 1;
pub(super) const HEADER_INDEX: u16 = 1;
const LINKMODES_MASTER_SLAVE_STATE: u16 = 8;
// linux/ethtool.h.
const MASTER_SLAVE_STATE_ERR: u8 = 4;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_gigabit_port_that_hears_itself_shows_a_fault_of_roles() {
        // MASTER_SLAVE_STATE_UNKNOWN 1, _MASTER 2, _SLAVE 3, _ERR 4, linux/ethtool.h.
        for (state, fault) in [(1, false), (2, false), (3, false), (4, true)] {
            let mut body = vec![0; GENERIC_HEADER_BYTES];
            put_attribute(&mut body, LINKMODES_MASTER_SLAVE_STATE, &[state]);
            assert_eq!(tells_role_fault(&body), fault, "{state}");
        }
    }

    proptest! {
        #[test]
        fn any_octets_are_read(bytes in proptest::collection::vec(any::<u8>(), 0..120)) {
            parse_family(&bytes);
            tells_role_fault(&bytes);
        }
    }
}
