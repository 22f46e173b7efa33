//! The kernel's cable test: the transceiver measures each pair, and the kernel announces what it found.
//!
//! Asked for with `ETHTOOL_MSG_CABLE_TEST_ACT`, told in a notice `ETHTOOL_MSG_CABLE_TEST_NTF` to all who subscribed
//! (ethtool-netlink.rst, "CABLE_TEST"). Building and reading are pure.

use std::{
    io::{self, Read},
    time::{Duration, Instant},
};

use thiserror::Error;
use turnback_core::kind::ethernet::cable_test::{CableTest, Pair, PairResult, PairStatus};

use super::{
    ACKNOWLEDGE, REQUEST, exchange,
    message::{self, attributes, put_attribute, text, u32_at},
    open,
    phy::{self, GENERIC_HEADER_BYTES},
    sys,
};

/// Why there is no result.
#[derive(Debug, Error)]
pub enum CableTestError {
    /// Adapter, driver or kernel have no such test.
    #[error("this adapter offers no cable test")]
    NotOffered,
    /// The right is missing.
    #[error("a cable test is not permitted without CAP_NET_ADMIN")]
    NotPermitted,
    /// No such interface any more.
    #[error("the interface is gone")]
    Gone,
    /// The transceiver is testing already, or is not switched on.
    #[error("the transceiver is busy or not switched on")]
    Busy,
    /// Nothing was announced in time.
    #[error("the adapter told no result within {0:?}")]
    NotInTime(Duration),
    /// The socket failed.
    #[error("cannot ask the kernel for a cable test")]
    Socket(#[source] io::Error),
}

/// Measures the cable at an interface, which must be switched on. Takes the link down; waits at most `limit` for the
/// result.
///
/// # Errors
/// See [`CableTestError`].
pub fn cable_test(interface: u32, limit: Duration) -> Result<CableTest, CableTestError> {
    let failed = CableTestError::Socket;
    let asking = open(libc::NETLINK_GENERIC).map_err(failed)?;
    let description = phy::family(&asking, 1).ok_or(CableTestError::NotOffered)?;
    let family = parse_family(&description).ok_or(CableTestError::NotOffered)?;
    // Subscribed before it is asked for, so that no notice is missed.
    let mut listening = open(libc::NETLINK_GENERIC).map_err(failed)?;
    sys::join(&listening, &[family.notices]).map_err(failed)?;
    let request = request(family.number, interface);
    if let Err(error) = exchange(&asking, &request, SEQUENCE, family.number) {
        return Err(refused(error));
    }
    let deadline = Instant::now() + limit;
    let mut buffer = vec![0; super::BUFFER_BYTES];
    loop {
        let left = deadline.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return Err(CableTestError::NotInTime(limit));
        }
        listening.set_read_timeout(Some(left)).map_err(failed)?;
        match listening.read(&mut buffer) {
            Ok(length) => {
                let bodies = message::messages(&buffer[..length]).filter(|m| m.kind == family.number).map(|m| m.body);
                if let Some(result) = bodies.filter_map(|body| parse_notice(body, interface)).next() {
                    return Ok(result);
                }
            }
            Err(error) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted) => {}
            Err(error) => return Err(failed(error)),
        }
    }
}

fn refused(error: io::Error) -> CableTestError {
    match error.raw_os_error() {
        Some(libc::EOPNOTSUPP) => CableTestError::NotOffered,
        Some(libc::EPERM | libc::EACCES) => CableTestError::NotPermitted,
        Some(libc::ENODEV) => CableTestError::Gone,
        Some(libc::EBUSY | libc::ENETDOWN) => CableTestError::Busy,
        _ => CableTestError::Socket(error),
    }
}

/// The `ethtool` family as the kernel numbers it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Family {
    number: u16,
    /// Group of its notices.
    notices: u32,
}

/// Reads the answer to `CTRL_CMD_GETFAMILY`; `None` for a kernel without notices.
fn parse_family(body: &[u8]) -> Option<Family> {
    let (mut number, mut notices) = (None, None);
    for (kind, value) in attributes(body.get(GENERIC_HEADER_BYTES..)?) {
        match kind {
            phy::FAMILY_ID => number = message::u16_at(value, 0),
            FAMILY_GROUPS => {
                // A list: each entry is a nest with a name and a number.
                for (_, group) in attributes(value) {
                    let named = |(kind, name): (u16, &[u8])| kind == GROUP_NAME && text(name) == NOTICES;
                    if attributes(group).any(named) {
                        notices = attributes(group).find(|(kind, _)| *kind == GROUP_ID).and_then(|(_, v)| u32_at(v, 0));
                    }
                }
            }
            _ => {}
        }
    }
    Some(Family { number: number?, notices: notices? })
}

/// `ETHTOOL_MSG_CABLE_TEST_ACT` for one interface.
fn request(family: u16, interface: u32) -> Vec<u8> {
    let mut index = Vec::new();
    put_attribute(&mut index, phy::HEADER_INDEX, &interface.to_ne_bytes());
    let mut body = vec![CABLE_TEST_ACT, 1, 0, 0];
    put_attribute(&mut body, phy::HEADER | phy::NESTED, &index);
    message::request(family, REQUEST | ACKNOWLEDGE, SEQUENCE, &body)
}

/// Reads a notice: `None` unless it is the completed cable test of this interface.
fn parse_notice(body: &[u8], interface: u32) -> Option<CableTest> {
    if *body.first()? != CABLE_TEST_NTF {
        return None;
    }
    let (mut ours, mut completed) = (false, false);
    let (mut codes, mut lengths) = (Vec::new(), Vec::new());
    for (kind, value) in attributes(body.get(GENERIC_HEADER_BYTES..)?) {
        match kind {
            NTF_HEADER => {
                ours = attributes(value).any(|(kind, v)| kind == phy::HEADER_INDEX && u32_at(v, 0) == Some(interface));
            }
            NTF_STATUS => completed = value.first() == Some(&COMPLETED),
            NTF_NEST => {
                for (kind, value) in attributes(value) {
                    match kind {
                        NEST_RESULT => codes.extend(parse_result(value)),
                        NEST_FAULT_LENGTH => lengths.extend(parse_length(value)),
                        _ => {}
                    }
                }
            }
            _ => {}
        }
    }
    if !(ours && completed) {
        return None;
    }
    let distance = |pair: Pair| lengths.iter().find(|(of, _)| *of == pair).map(|&(_, cm)| f64::from(cm) / 100.0);
    let mut pairs: Vec<PairResult> =
        codes.into_iter().map(|(pair, status)| PairResult { pair, status, fault_distance_m: distance(pair) }).collect();
    pairs.sort_by_key(|result| result.pair);
    Some(CableTest { pairs })
}

fn parse_result(nest: &[u8]) -> Option<(Pair, PairStatus)> {
    let (mut pair, mut status) = (None, None);
    for (kind, value) in attributes(nest) {
        match kind {
            RESULT_PAIR => pair = parse_pair(value),
            RESULT_CODE => status = value.first().map(|&code| parse_code(code)),
            _ => {}
        }
    }
    Some((pair?, status?))
}

fn parse_length(nest: &[u8]) -> Option<(Pair, u32)> {
    let (mut pair, mut cm) = (None, None);
    for (kind, value) in attributes(nest) {
        match kind {
            LENGTH_PAIR => pair = parse_pair(value),
            LENGTH_CM => cm = u32_at(value, 0),
            _ => {}
        }
    }
    Some((pair?, cm?))
}

/// `ETHTOOL_A_CABLE_PAIR_*`.
fn parse_pair(value: &[u8]) -> Option<Pair> {
    [Pair::A, Pair::B, Pair::C, Pair::D].get(usize::from(*value.first()?)).copied()
}

/// `ETHTOOL_A_CABLE_RESULT_CODE_*`; 5 to 7 came after Linux 6.1.
fn parse_code(code: u8) -> PairStatus {
    match code {
        1 => PairStatus::Ok,
        2 => PairStatus::Open,
        3 => PairStatus::ShortWithinPair,
        4 => PairStatus::ShortToOtherPair,
        5 => PairStatus::ImpedanceMismatch,
        6 => PairStatus::Noisy,
        7 => PairStatus::NotResolved,
        _ => PairStatus::Unknown,
    }
}

const SEQUENCE: u32 = 2;
// linux/genetlink.h: CTRL_ATTR_MCAST_GROUPS, CTRL_ATTR_MCAST_GRP_NAME, CTRL_ATTR_MCAST_GRP_ID.
const FAMILY_GROUPS: u16 = 7;
const GROUP_NAME: u16 = 1;
const GROUP_ID: u16 = 2;
/// `ETHTOOL_MCGRP_MONITOR_NAME`, linux/ethtool_netlink.h.
const NOTICES: &str = "monitor";
// linux/ethtool_netlink.h. Requests and notices are numbered apart.
const CABLE_TEST_ACT: u8 = 26;
const CABLE_TEST_NTF: u8 = 27;
const NTF_HEADER: u16 = 1;
const NTF_STATUS: u16 = 2;
const NTF_NEST: u16 = 3;
const COMPLETED: u8 = 2;
const NEST_RESULT: u16 = 1;
const NEST_FAULT_LENGTH: u16 = 2;
const RESULT_PAIR: u16 = 1;
const RESULT_CODE: u16 = 2;
const LENGTH_PAIR: u16 = 1;
const LENGTH_CM: u16 = 2;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn nest(list: &[(u16, &[u8])]) -> Vec<u8> {
        let mut bytes = Vec::new();
        list.iter().for_each(|(kind, value)| put_attribute(&mut bytes, *kind, value));
        bytes
    }

    /// A notice as linux/ethtool_netlink.h lays it out: header with index, status, nest of results and lengths.
    fn notice(index: u32, status: u8, codes: &[(u8, u8)], lengths: &[(u8, u32)]) -> Vec<u8> {
        let mut results = Vec::new();
        for (pair, code) in codes {
            put_attribute(&mut results, 1 | 0x8000, &nest(&[(1, &[*pair]), (2, &[*code])]));
        }
        for (pair, cm) in lengths {
            put_attribute(&mut results, 2 | 0x8000, &nest(&[(1, &[*pair]), (2, &cm.to_ne_bytes())]));
        }
        let mut body = vec![27, 1, 0, 0];
        body.extend(nest(&[
            (1 | 0x8000, &nest(&[(1, &index.to_ne_bytes()), (2, b"quay7\0")])),
            (2, &[status]),
            (3 | 0x8000, &results),
        ]));
        body
    }

    #[test]
    fn a_request_is_laid_out_as_the_header_says() {
        // nlmsghdr 16 octets, genlmsghdr 4, then one nest (8 octets) in which the index is attribute 1.
        let bytes = request(0x1c, 7);
        assert_eq!(u32_at(&bytes, 0), Some(32));
        assert_eq!(message::u16_at(&bytes, 4), Some(0x1c));
        assert_eq!(bytes[16..20], [26, 1, 0, 0]);
        assert_eq!((message::u16_at(&bytes, 20), message::u16_at(&bytes, 22)), (Some(12), Some(0x8001)));
        assert_eq!((message::u16_at(&bytes, 24), message::u16_at(&bytes, 26)), (Some(8), Some(1)));
        assert_eq!(u32_at(&bytes, 28), Some(7));
    }

    #[test]
    fn results_and_distances_find_their_pair() {
        // Codes: 1 ok, 2 open, 3 short within the pair, 4 short to another; pairs A to D are 0 to 3; lengths in cm.
        let body = notice(7, 2, &[(0, 1), (2, 3), (1, 2), (3, 4)], &[(1, 3150), (2, 80)]);
        let found = parse_notice(&body, 7).unwrap();
        let told: Vec<_> = found.pairs.iter().map(|p| (p.pair, p.status, p.fault_distance_m)).collect();
        assert_eq!(
            told,
            [
                (Pair::A, PairStatus::Ok, None),
                (Pair::B, PairStatus::Open, Some(31.5)),
                (Pair::C, PairStatus::ShortWithinPair, Some(0.8)),
                (Pair::D, PairStatus::ShortToOtherPair, None),
            ]
        );
    }

    #[test]
    fn only_a_completed_test_of_this_interface_is_a_result() {
        // ETHTOOL_A_CABLE_TEST_NTF_STATUS_STARTED 1, _COMPLETED 2.
        assert_eq!(parse_notice(&notice(7, 1, &[], &[]), 7), None);
        assert_eq!(parse_notice(&notice(8, 2, &[(0, 1)], &[]), 7), None);
        let mut other = notice(7, 2, &[(0, 1)], &[]);
        // ETHTOOL_MSG_CABLE_TEST_TDR_NTF.
        other[0] = 28;
        assert_eq!(parse_notice(&other, 7), None);
        assert_eq!(parse_notice(&notice(7, 2, &[(9, 1)], &[]), 7), Some(CableTest::default()), "a pair E");
    }

    #[test]
    fn the_group_of_the_notices_is_found_by_its_name() {
        // genetlink.h: CTRL_ATTR_FAMILY_ID 1, CTRL_ATTR_MCAST_GROUPS 7 with entries numbered from 1.
        let groups = nest(&[
            (1, &nest(&[(2, &4u32.to_ne_bytes()), (1, b"other\0")])),
            (2, &nest(&[(2, &5u32.to_ne_bytes()), (1, b"monitor\0")])),
        ]);
        let mut body = vec![0; 4];
        body.extend(nest(&[(1, &0x14u16.to_ne_bytes()), (7, &groups)]));
        assert_eq!(parse_family(&body), Some(Family { number: 0x14, notices: 5 }));
    }

    #[test]
    fn no_and_not_you_are_told_apart() {
        let told = |code| refused(io::Error::from_raw_os_error(code));
        assert!(matches!(told(libc::EOPNOTSUPP), CableTestError::NotOffered));
        assert!(matches!(told(libc::EPERM), CableTestError::NotPermitted));
        assert!(matches!(told(libc::EBUSY), CableTestError::Busy));
        assert!(matches!(told(libc::ENODEV), CableTestError::Gone));
    }

    #[test]
    fn a_virtual_interface_offers_none() {
        crate::testing::in_namespace(|| {
            if !crate::testing::ip("link add quay1 type veth peer name quay2") {
                return;
            }
            let quay1 = super::super::links().unwrap().into_iter().find(|l| l.name == "quay1").unwrap();
            let refused = cable_test(quay1.index, Duration::from_secs(1));
            assert!(matches!(refused, Err(CableTestError::NotOffered)), "{refused:?}");
            let gone = cable_test(9999, Duration::from_secs(1));
            assert!(matches!(gone, Err(CableTestError::Gone)), "{gone:?}");
        });
    }

    proptest! {
        #[test]
        fn any_octets_are_read(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            parse_family(&bytes);
            parse_notice(&bytes, 7);
        }
    }
}
