//! All unsafe code of the packet sockets, in three small files.
//!
//! Here: options, addresses and interface requests. `message` sends and receives, `mapping` is the memory of a receive
//! ring. Everything above calls safe functions that take references and return `io::Result`.

mod mapping;
mod message;

use std::{
    ffi::{CStr, CString},
    io,
    mem::{offset_of, size_of},
    os::fd::{AsRawFd, RawFd},
    time::Duration,
};

use libc::{c_int, c_void, socklen_t};
use socket2::Socket;

pub(super) use mapping::Mapping;
pub(super) use message::{receive_with_tag, receive_with_type, send_batch, send_stamped, transmit_stamp};

/// `PACKET_VNET_HDR`, linux/if_packet.h.
pub(super) const PACKET_VNET_HDR: c_int = 15;
/// Octets of `struct virtio_net_hdr`, linux/virtio_net.h.
pub(super) const VNET_BYTES: usize = 10;

/// Sets an integer option of the packet level.
pub(super) fn set_packet_option(socket: &Socket, name: c_int, value: c_int) -> io::Result<()> {
    set_option(socket, libc::SOL_PACKET, name, &value)
}

/// Turns on reporting of transmit stamps, with numbers (OPT_ID) and without a copy of the frame (OPT_TSONLY), of kernel
/// and adapter both (OPT_TX_SWHW, Linux 4.13): an adapter that promises a stamp and gives none would else leave
/// nothing.
pub(super) fn report_transmit_stamps(socket: &Socket) -> io::Result<()> {
    let flags = libc::SOF_TIMESTAMPING_SOFTWARE
        | libc::SOF_TIMESTAMPING_RAW_HARDWARE
        | libc::SOF_TIMESTAMPING_OPT_ID
        | libc::SOF_TIMESTAMPING_OPT_TSONLY;
    set_option(socket, libc::SOL_SOCKET, libc::SO_TIMESTAMPING, &(flags | libc::SOF_TIMESTAMPING_OPT_TX_SWHW))
        .or_else(|_| set_option(socket, libc::SOL_SOCKET, libc::SO_TIMESTAMPING, &flags))
}

/// Asks for a receive ring of `block_count` blocks, handed over when full or after `retire_ms` with a frame inside.
pub(super) fn set_receive_ring(socket: &Socket, block_bytes: u32, block_count: u32, retire_ms: u32) -> io::Result<()> {
    set_packet_option(socket, libc::PACKET_VERSION, libc::tpacket_versions::TPACKET_V3 as c_int)?;
    // Frames of version 3 are packed, so the frame size only has to divide the block; one a block asks for least.
    let request = libc::tpacket_req3 {
        tp_block_size: block_bytes,
        tp_block_nr: block_count,
        tp_frame_size: block_bytes,
        tp_frame_nr: block_count,
        tp_retire_blk_tov: retire_ms,
        tp_sizeof_priv: 0,
        tp_feature_req_word: 0,
    };
    set_option(socket, libc::SOL_PACKET, libc::PACKET_RX_RING, &request)
}

/// Makes the interface promiscuous for as long as the socket is open: the kernel undoes it, even after a kill.
pub(super) fn add_promiscuous_membership(socket: &Socket, ifindex: u32) -> io::Result<()> {
    let membership = libc::packet_mreq {
        mr_ifindex: index(ifindex)?,
        mr_type: libc::PACKET_MR_PROMISC as u16,
        mr_alen: 0,
        mr_address: [0; 8],
    };
    set_option(socket, libc::SOL_PACKET, libc::PACKET_ADD_MEMBERSHIP, &membership)
}

/// Joins a group of sockets among which frames are shared out by the queue that they take; group 0 is a new one.
/// Returns the group's number (`PACKET_FANOUT_QM`, packet(7)).
pub(super) fn join_by_queue(socket: &Socket, group: u16) -> io::Result<u16> {
    let new = if group == 0 { libc::PACKET_FANOUT_FLAG_UNIQUEID as c_int } else { 0 };
    let how = (libc::PACKET_FANOUT_QM as c_int | new) << 16;
    set_packet_option(socket, libc::PACKET_FANOUT, c_int::from(group) | how)?;
    let mut told: c_int = 0;
    let mut length = size_of::<c_int>() as socklen_t;
    // SAFETY: pointer and length describe `told`, which outlives the call; any bits are a c_int.
    check(unsafe {
        libc::getsockopt(
            socket.as_raw_fd(),
            libc::SOL_PACKET,
            libc::PACKET_FANOUT,
            (&raw mut told).cast::<c_void>(),
            &mut length,
        )
    })?;
    Ok((told & 0xffff) as u16)
}

/// Counts since the last read, which resets them: `[packets, drops, freezes]`. A socket without ring has no freezes.
pub(super) fn statistics(socket: &Socket) -> io::Result<[u32; 3]> {
    let mut counts = [0u32; 3];
    let mut length = size_of::<[u32; 3]>() as socklen_t;
    // SAFETY: the pointer and length describe `counts`, which is as large as tpacket_stats_v3 and of the same layout
    // (asserted below); the kernel writes at most `length` bytes, and any bits are a u32.
    let result = unsafe {
        libc::getsockopt(
            socket.as_raw_fd(),
            libc::SOL_PACKET,
            libc::PACKET_STATISTICS,
            counts.as_mut_ptr().cast::<c_void>(),
            &mut length,
        )
    };
    check(result).map(|_| counts)
}

/// Binds to an interface and an EtherType (0: send only).
pub(super) fn bind(socket: &Socket, ethertype: u16, ifindex: u32) -> io::Result<()> {
    let address = libc::sockaddr_ll {
        sll_family: libc::AF_PACKET as u16,
        sll_protocol: ethertype.to_be(),
        sll_ifindex: index(ifindex)?,
        sll_hatype: 0,
        sll_pkttype: 0,
        sll_halen: 0,
        sll_addr: [0; 8],
    };
    // SAFETY: the pointer and length describe `address`, a valid sockaddr_ll that outlives the call.
    check(unsafe {
        libc::bind(
            socket.as_raw_fd(),
            (&raw const address).cast::<libc::sockaddr>(),
            size_of::<libc::sockaddr_ll>() as socklen_t,
        )
    })?;
    Ok(())
}

/// Waits for `events` (poll(2)), an error condition, a signal or the timeout; returns what happened, 0 for nothing.
pub(super) fn wait(socket: &Socket, events: i16, timeout: Duration) -> io::Result<i16> {
    let mut entry = libc::pollfd { fd: socket.as_raw_fd(), events, revents: 0 };
    let limit = libc::timespec {
        tv_sec: libc::time_t::try_from(timeout.as_secs()).unwrap_or(libc::time_t::MAX),
        tv_nsec: timeout.subsec_nanos() as _,
    };
    // SAFETY: one pollfd and one timespec, both alive during the call; a null mask leaves signals as they are.
    match check(unsafe { libc::ppoll(&mut entry, 1, &limit, std::ptr::null()) }) {
        Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(0),
        Err(error) => Err(error),
        Ok(_) => Ok(entry.revents),
    }
}

/// Waits until one of the sockets has something to receive, or for as long as that; places of those that have.
pub(super) fn wait_any<'a>(sockets: impl Iterator<Item = &'a Socket>, timeout: Duration) -> io::Result<Vec<usize>> {
    let entry = |socket: &Socket| libc::pollfd { fd: socket.as_raw_fd(), events: libc::POLLIN, revents: 0 };
    let mut entries: Vec<libc::pollfd> = sockets.map(entry).collect();
    let limit = libc::timespec {
        tv_sec: libc::time_t::try_from(timeout.as_secs()).unwrap_or(libc::time_t::MAX),
        tv_nsec: timeout.subsec_nanos() as _,
    };
    // SAFETY: pointer and length describe `entries`, and one timespec, all alive during the call; a null mask leaves
    // signals as they are.
    let waited = unsafe { libc::ppoll(entries.as_mut_ptr(), entries.len() as _, &limit, std::ptr::null()) };
    match check(waited) {
        Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(Vec::new()),
        Err(error) => Err(error),
        Ok(_) => Ok((0..).zip(&entries).filter(|(_, entry)| entry.revents != 0).map(|(place, _)| place).collect()),
    }
}

/// Index of the interface called `name`.
pub(super) fn interface_index(name: &str) -> io::Result<u32> {
    let name = CString::new(name).map_err(|_| io::Error::from(io::ErrorKind::NotFound))?;
    // SAFETY: a nul-terminated string that outlives the call.
    match unsafe { libc::if_nametoindex(name.as_ptr()) } {
        0 => Err(match io::Error::last_os_error() {
            error if error.raw_os_error() == Some(libc::ENODEV) => io::ErrorKind::NotFound.into(),
            error => error,
        }),
        index => Ok(index),
    }
}

/// Name of an interface, in the network namespace of the socket.
pub(super) fn interface_name(socket: &Socket, ifindex: u32) -> io::Result<String> {
    let mut request = empty_request();
    request.ifr_ifru.ifru_ifindex = index(ifindex)?;
    interface_request(socket, libc::SIOCGIFNAME, &mut request)?;
    // SAFETY: the kernel wrote a nul-terminated name of at most IFNAMSIZ bytes into an array of that size, which was
    // all zero before.
    let name = unsafe { CStr::from_ptr(request.ifr_name.as_ptr()) };
    Ok(name.to_string_lossy().into_owned())
}

/// Flags of an interface (`IFF_UP`, `IFF_RUNNING`, ...; netdevice(7)).
pub(super) fn interface_flags(socket: &Socket, name: &str) -> io::Result<c_int> {
    let mut request = named_request(name)?;
    interface_request(socket, libc::SIOCGIFFLAGS, &mut request)?;
    // SAFETY: SIOCGIFFLAGS filled in this member of the union, and any bits are a c_short.
    Ok(c_int::from(unsafe { request.ifr_ifru.ifru_flags }))
}

/// Hardware address of an Ethernet interface.
pub(super) fn interface_address(socket: &Socket, name: &str) -> io::Result<[u8; 6]> {
    let mut request = named_request(name)?;
    interface_request(socket, libc::SIOCGIFHWADDR, &mut request)?;
    // SAFETY: SIOCGIFHWADDR filled in this member of the union, and any bits are a sockaddr.
    let data = unsafe { request.ifr_ifru.ifru_hwaddr.sa_data };
    Ok(std::array::from_fn(|i| data[i] as u8))
}

fn empty_request() -> libc::ifreq {
    // SAFETY: ifreq is made of integers, arrays of them and a raw pointer, for all of which zero is a value.
    unsafe { std::mem::zeroed() }
}

fn named_request(name: &str) -> io::Result<libc::ifreq> {
    let mut request = empty_request();
    if name.len() >= request.ifr_name.len() {
        return Err(io::Error::from_raw_os_error(libc::ENODEV));
    }
    for (to, from) in request.ifr_name.iter_mut().zip(name.bytes()) {
        *to = from as libc::c_char;
    }
    Ok(request)
}

/// Only for requests that read and write an ifreq.
fn interface_request(socket: &Socket, number: libc::c_ulong, request: &mut libc::ifreq) -> io::Result<()> {
    // SAFETY: all callers pass a request number of netdevice(7), whose argument is one ifreq.
    check(unsafe { libc::ioctl(socket.as_raw_fd(), number as _, std::ptr::from_mut(request)) })?;
    Ok(())
}

/// `T` is a plain structure of the kernel's interface without padding, as asserted below.
fn set_option<T>(socket: &Socket, level: c_int, name: c_int, value: &T) -> io::Result<()> {
    // SAFETY: pointer and length describe `value`, which outlives the call; the kernel only reads it.
    check(unsafe {
        libc::setsockopt(
            socket.as_raw_fd(),
            level,
            name,
            std::ptr::from_ref(value).cast::<c_void>(),
            size_of::<T>() as socklen_t,
        )
    })?;
    Ok(())
}

fn index(ifindex: u32) -> io::Result<c_int> {
    c_int::try_from(ifindex).map_err(|_| io::Error::from_raw_os_error(libc::ENODEV))
}

fn check(result: c_int) -> io::Result<c_int> {
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(result) }
}

/// The socket's number, for the calls in `message` and `mapping`.
fn number(socket: &Socket) -> RawFd {
    socket.as_raw_fd()
}

// Sizes as compiled from linux/if_packet.h on x86-64, values of the constants as published there.
const _: () = {
    assert!(size_of::<libc::tpacket_req3>() == 28);
    assert!(size_of::<libc::tpacket3_hdr>() == 48);
    assert!(size_of::<libc::tpacket_block_desc>() == 48);
    assert!(libc::TPACKET3_HDRLEN == 68);
    assert!(size_of::<libc::tpacket_stats_v3>() == 12);
    assert!(offset_of!(libc::tpacket_stats_v3, tp_drops) == 4);
    assert!(offset_of!(libc::tpacket_stats_v3, tp_freeze_q_cnt) == 8);
    assert!(size_of::<libc::sockaddr_ll>() == 20);
    assert!(offset_of!(libc::sockaddr_ll, sll_pkttype) == 10);
    assert!(size_of::<libc::packet_mreq>() == 16);
    assert!(libc::PACKET_STATISTICS == 6 && libc::PACKET_VERSION == 10);
    assert!(libc::PACKET_TIMESTAMP == 17 && libc::PACKET_QDISC_BYPASS == 20 && libc::PACKET_IGNORE_OUTGOING == 23);
    assert!(libc::PACKET_FANOUT == 18 && libc::PACKET_FANOUT_QM == 5 && libc::PACKET_FANOUT_FLAG_UNIQUEID == 0x2000);
    assert!(libc::tpacket_versions::TPACKET_V3 as u32 == 2);
    // linux/net_tstamp.h
    assert!(libc::SOF_TIMESTAMPING_TX_HARDWARE == 1 && libc::SOF_TIMESTAMPING_TX_SOFTWARE == 2);
    assert!(libc::SOF_TIMESTAMPING_SOFTWARE == 0x10 && libc::SOF_TIMESTAMPING_RAW_HARDWARE == 0x40);
    assert!(libc::SOF_TIMESTAMPING_OPT_ID == 0x80 && libc::SOF_TIMESTAMPING_OPT_TSONLY == 0x800);
    // linux/if_packet.h
    assert!(libc::TP_STATUS_KERNEL == 0 && libc::TP_STATUS_USER == 1 && libc::TP_STATUS_TS_RAW_HARDWARE == 1 << 31);
    assert!(libc::PACKET_HOST == 0 && libc::PACKET_OTHERHOST == 3 && libc::PACKET_OUTGOING == 4);
};
