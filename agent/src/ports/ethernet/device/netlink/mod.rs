//! What the kernel tells about interfaces, addresses and routes over netlink, without any rights.
//!
//! Netlink and not `/sys` or `/proc/net/route`: a socket speaks for the network namespace of the thread that opened it,
//! while `/sys` shows the namespace it was mounted in, and the text files show one routing table of many.
//! The parsers ([`mod@link`], [`route`], [`phy`]) are pure; this file only asks and collects. [`cable`] has the
//! transceiver measure its cable, [`monitor`] hears what is done to an interface while a run goes on, and [`arrivals`]
//! which interfaces come and go.

use std::{
    io::{self, Read},
    time::Duration,
};

use socket2::{Domain, Protocol, Socket, Type};
use thiserror::Error;

pub mod arrivals;
pub mod cable;
pub mod link;
mod message;
pub mod monitor;
pub mod phy;
pub mod route;
mod sys;

/// Why the kernel's tables could not be read.
#[derive(Debug, Error)]
pub enum NetlinkError {
    /// The socket failed.
    #[error("cannot ask the kernel for its {what}")]
    Socket {
        /// Which table.
        what: &'static str,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// The kernel kept changing the table while it was being read.
    #[error("the kernel's {what} changed {TRIES} times while they were read")]
    Unsteady {
        /// Which table.
        what: &'static str,
    },
}

/// How an exchange ended.
enum Answer {
    /// The bodies of the messages with the wanted type.
    Bodies(Vec<Vec<u8>>),
    /// The table changed under the dump (`NLM_F_DUMP_INTR`).
    Interrupted,
}

/// Every interface of this network namespace.
///
/// # Errors
///
/// When the kernel does not answer.
pub fn links() -> Result<Vec<link::LinkFacts>, NetlinkError> {
    // struct ifinfomsg, all zero: every interface of every family.
    let bodies = dump("interfaces", GETLINK, NEWLINK, &[0; 16])?;
    Ok(bodies.iter().filter_map(|body| link::parse(body)).collect())
}

/// One interface of this network namespace by its index; `None` when there is none.
///
/// # Errors
///
/// When the kernel does not answer.
pub fn link(index: u32) -> Result<Option<link::LinkFacts>, NetlinkError> {
    let failed = |source| NetlinkError::Socket { what: "interface", source };
    // struct ifinfomsg: family, padding, hardware, index, flags, change.
    let mut body = [0; 16];
    body[4..8].copy_from_slice(&index.to_ne_bytes());
    let request = message::request(GETLINK, REQUEST | ACKNOWLEDGE, 1, &body);
    let socket = open(libc::NETLINK_ROUTE).map_err(failed)?;
    match exchange(&socket, &request, 1, NEWLINK) {
        Ok(Answer::Bodies(bodies)) => Ok(bodies.first().and_then(|body| link::parse(body))),
        Ok(Answer::Interrupted) => Ok(None),
        Err(error) if error.raw_os_error() == Some(libc::ENODEV) => Ok(None),
        Err(error) => Err(failed(error)),
    }
}

/// Every address of this network namespace.
///
/// # Errors
///
/// When the kernel does not answer.
pub fn addresses() -> Result<Vec<route::Address>, NetlinkError> {
    let bodies = dump("addresses", GETADDR, NEWADDR, &[0; 8])?;
    Ok(bodies.iter().filter_map(|body| route::parse_address(body)).collect())
}

/// Every unicast route of every table of this network namespace, IPv4 and IPv6.
///
/// # Errors
///
/// When the kernel does not answer.
pub fn routes() -> Result<Vec<route::Route>, NetlinkError> {
    let bodies = dump("routes", GETROUTE, NEWROUTE, &[0; 12])?;
    Ok(bodies.iter().flat_map(|body| route::parse_route(body)).collect())
}

fn dump(what: &'static str, get: u16, new: u16, body: &[u8]) -> Result<Vec<Vec<u8>>, NetlinkError> {
    let failed = |source| NetlinkError::Socket { what, source };
    for sequence in 1..=TRIES {
        let request = message::request(get, REQUEST | DUMP, sequence, body);
        let socket = open(libc::NETLINK_ROUTE).map_err(failed)?;
        match exchange(&socket, &request, sequence, new).map_err(failed)? {
            Answer::Bodies(bodies) => return Ok(bodies),
            Answer::Interrupted => {}
        }
    }
    Err(NetlinkError::Unsteady { what })
}

fn open(protocol: libc::c_int) -> io::Result<Socket> {
    let socket = Socket::new(Domain::from(libc::AF_NETLINK), Type::RAW, Some(Protocol::from(protocol)))?;
    // The kernel answers at once; this only keeps a lost answer from holding us for ever.
    socket.set_read_timeout(Some(Duration::from_secs(5)))?;
    Ok(socket)
}

/// Sends a request to the kernel and collects answers until it says done, acknowledges, or reports an error.
fn exchange(mut socket: &Socket, request: &[u8], sequence: u32, wanted: u16) -> io::Result<Answer> {
    socket.send(request)?;
    let mut buffer = vec![0; BUFFER_BYTES];
    let mut bodies = Vec::new();
    let mut interrupted = false;
    loop {
        let length = socket.read(&mut buffer)?;
        let mut seen = false;
        for (message, flags) in message::messages(&buffer[..length]).zip(flags_of(&buffer[..length])) {
            seen = true;
            if message.sequence != sequence {
                continue;
            }
            interrupted |= flags & DUMP_INTERRUPTED != 0;
            match message.kind {
                DONE if interrupted => return Ok(Answer::Interrupted),
                DONE => return Ok(Answer::Bodies(bodies)),
                ERROR => match message::u32_at(message.body, 0).map_or(-libc::EIO, u32::cast_signed) {
                    0 => return Ok(Answer::Bodies(bodies)),
                    code => return Err(io::Error::from_raw_os_error(code.saturating_neg())),
                },
                kind if kind == wanted => bodies.push(message.body.to_vec()),
                _ => {}
            }
        }
        if !seen {
            return Err(io::Error::from_raw_os_error(libc::EBADMSG));
        }
    }
}

/// The flags of each message, in step with [`message::messages`].
fn flags_of(buffer: &[u8]) -> impl Iterator<Item = u16> {
    let mut offset = 0;
    std::iter::from_fn(move || {
        let flags = message::u16_at(buffer, offset + 6)?;
        offset += (message::u32_at(buffer, offset)? as usize).next_multiple_of(4);
        Some(flags)
    })
}

/// Dumps interrupted by a change are asked again this many times; a choice of ours, changes are rare.
const TRIES: u32 = 8;
/// Larger than the 32 KiB the kernel puts into one dump message at most (netlink_dump in af_netlink.c, from memory).
const BUFFER_BYTES: usize = 64 * 1024;

/// `NLM_F_REQUEST`, linux/netlink.h.
const REQUEST: u16 = 1;
/// `NLM_F_ACK`, linux/netlink.h.
const ACKNOWLEDGE: u16 = 4;
/// `NLM_F_DUMP`, linux/netlink.h.
const DUMP: u16 = 0x300;
/// `NLM_F_DUMP_INTR`, linux/netlink.h.
const DUMP_INTERRUPTED: u16 = 0x10;
/// `NLMSG_ERROR`, linux/netlink.h.
const ERROR: u16 = 2;
/// `NLMSG_DONE`, linux/netlink.h.
const DONE: u16 = 3;
/// `RTM_*`, linux/rtnetlink.h.
const NEWLINK: u16 = 16;
const DELLINK: u16 = 17;
const GETLINK: u16 = 18;
const NEWADDR: u16 = 20;
const GETADDR: u16 = 22;
const NEWROUTE: u16 = 24;
const GETROUTE: u16 = 26;
