//! Sending and receiving messages with their control data.

use std::{io, mem, mem::size_of, ptr};

use libc::{c_int, c_uint, c_void};
use socket2::Socket;

use super::super::frame::VlanTag;
use super::{check, number};
use turnback_core::kind::ethernet::stream::Outgoing;

/// Most frames handed over in one system call.
///
/// Between 16 and 512 made no difference that could be measured on a virtual cable: the kernel's way of a frame costs
/// far more than 1/16 of a system call. 64 keeps the message table small enough to stay in the first-level cache.
pub(in super::super) const BATCH_MAX: usize = 64;

/// Hands over the first frames of `batch`, at most [`BATCH_MAX`], and returns how many the kernel took.
pub(in super::super) fn send_batch(socket: &Socket, batch: &[Outgoing<'_>]) -> io::Result<usize> {
    let batch = &batch[..batch.len().min(BATCH_MAX)];
    // SAFETY: iovec and mmsghdr are made of integers and raw pointers, for all of which zero is a value.
    let (mut parts, mut messages): ([[libc::iovec; 2]; BATCH_MAX], [libc::mmsghdr; BATCH_MAX]) =
        unsafe { (mem::zeroed(), mem::zeroed()) };
    for ((frame, parts), message) in batch.iter().zip(&mut parts).zip(&mut messages) {
        *parts = gather(frame);
        message.msg_hdr.msg_iov = parts.as_mut_ptr();
        message.msg_hdr.msg_iovlen = parts.len() as _;
    }
    // SAFETY: as many headers as `batch` is long are filled in; each points to two iovecs on this stack frame, which
    // point to memory borrowed by `batch`. All live through the call, and the kernel only reads the frames.
    let taken = check(unsafe {
        libc::sendmmsg(number(socket), messages.as_mut_ptr(), batch.len() as c_uint, libc::MSG_DONTWAIT as _)
    })?;
    Ok(taken as usize)
}

/// Sends one frame and asks for a transmit stamp of the kinds in `flags` (`SOF_TIMESTAMPING_TX_*`).
pub(in super::super) fn send_stamped(socket: &Socket, frame: &Outgoing<'_>, flags: u32) -> io::Result<()> {
    let mut parts = gather(frame);
    let mut control = Control::new();
    let mut message = header(&mut parts, &mut control);
    // SAFETY: CMSG_* only compute with the header's control pointer and length, which describe `control`: 8-byte
    // aligned, zeroed, and far longer than one u32 needs. So the first header exists and its data has room for the u32.
    unsafe {
        message.msg_controllen = libc::CMSG_SPACE(size_of::<u32>() as c_uint) as _;
        let first = libc::CMSG_FIRSTHDR(&message);
        (*first).cmsg_level = libc::SOL_SOCKET;
        (*first).cmsg_type = libc::SO_TIMESTAMPING;
        (*first).cmsg_len = libc::CMSG_LEN(size_of::<u32>() as c_uint) as _;
        ptr::write_unaligned(libc::CMSG_DATA(first).cast::<u32>(), flags);
    }
    // SAFETY: `message` points to two iovecs and a control buffer on this stack frame and to memory borrowed by
    // `frame`.
    let sent = unsafe { libc::sendmsg(number(socket), &message, libc::MSG_DONTWAIT) };
    if sent < 0 { Err(io::Error::last_os_error()) } else { Ok(()) }
}

/// A transmit stamp as the error queue gives it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in super::super) struct TransmitStamp {
    /// Number of the stamped send, counted by the kernel from 0 (SOF_TIMESTAMPING_OPT_ID).
    pub(in super::super) key: u32,
    /// Nanoseconds of the clock.
    pub(in super::super) at_ns: u64,
    /// Whether the adapter's clock, else the kernel's.
    pub(in super::super) hardware: bool,
}

/// Takes one entry from the error queue: `Ok(None)` when there is none, or it is no transmit stamp.
///
/// The second part says whether an entry was taken, so that a caller can go on to the next.
pub(in super::super) fn transmit_stamp(socket: &Socket) -> io::Result<(Option<TransmitStamp>, bool)> {
    let mut control = Control::new();
    let mut message = header(&mut [], &mut control);
    // SAFETY: `message` describes no data and a control buffer on this stack frame, alive through the call.
    let got = unsafe { libc::recvmsg(number(socket), &mut message, libc::MSG_ERRQUEUE | libc::MSG_DONTWAIT) };
    if got < 0 {
        return match io::Error::last_os_error() {
            error if error.kind() == io::ErrorKind::WouldBlock => Ok((None, false)),
            error => Err(error),
        };
    }
    let (mut times, mut key) = (None, None);
    each_control(&message, |level, kind, data| match (level, kind) {
        (libc::SOL_SOCKET, libc::SCM_TIMESTAMPING) => times = read::<[libc::timespec; 3]>(data),
        (libc::SOL_PACKET, libc::PACKET_TX_TIMESTAMP) => {
            key = read::<libc::sock_extended_err>(data)
                .filter(|error| error.ee_origin == libc::SO_EE_ORIGIN_TIMESTAMPING)
                .map(|error| error.ee_data);
        }
        _ => {}
    });
    // timestamping.rst 2.1: the software stamp is the first of the three, the raw hardware stamp the last.
    // With OPT_TX_SWHW each comes in an entry of its own. A stamp of nothing is none.
    let stamp = times.zip(key).and_then(|([software, _, raw], key)| {
        let hardware = nanoseconds(&raw) != 0;
        let at_ns = nanoseconds(if hardware { &raw } else { &software });
        (at_ns != 0).then_some(TransmitStamp { key, at_ns, hardware })
    });
    Ok((stamp, true))
}

/// Takes one message without waiting: its length, and the VLAN tag that travels beside it (`PACKET_AUXDATA`).
pub(in super::super) fn receive_with_tag(socket: &Socket, into: &mut [u8]) -> io::Result<(usize, Option<VlanTag>)> {
    let mut parts = [libc::iovec { iov_base: into.as_mut_ptr().cast::<c_void>(), iov_len: into.len() }];
    let mut control = Control::new();
    let mut message = header(&mut parts, &mut control);
    // SAFETY: `message` points to one iovec and a control buffer on this stack frame; the iovec describes `into`, which
    // is exclusively borrowed for the call.
    let got = unsafe { libc::recvmsg(number(socket), &mut message, libc::MSG_DONTWAIT) };
    let length = usize::try_from(got).map_err(|_| io::Error::last_os_error())?;
    let mut tag = None;
    each_control(&message, |level, kind, data| {
        if (level, kind) == (libc::SOL_PACKET, libc::PACKET_AUXDATA)
            && let Some(told) = read::<libc::tpacket_auxdata>(data)
        {
            tag = VlanTag::parse(told.tp_status, told.tp_vlan_tci, told.tp_vlan_tpid);
        }
    });
    Ok((length.min(into.len()), tag))
}

/// Takes one message without waiting: its length, and whom the kernel takes it to be for (`PACKET_OUTGOING` and so on).
pub(in super::super) fn receive_with_type(socket: &Socket, into: &mut [u8]) -> io::Result<(usize, u8)> {
    // SAFETY: sockaddr_ll is made of integers, for which zero is a value.
    let mut from: libc::sockaddr_ll = unsafe { mem::zeroed() };
    let mut length = size_of::<libc::sockaddr_ll>() as libc::socklen_t;
    // SAFETY: pointer and length describe `into`, exclusively borrowed for the call, and `from`, alive on this stack.
    let got = unsafe {
        libc::recvfrom(
            number(socket),
            into.as_mut_ptr().cast::<c_void>(),
            into.len(),
            libc::MSG_DONTWAIT,
            (&raw mut from).cast::<libc::sockaddr>(),
            &mut length,
        )
    };
    let got = usize::try_from(got).map_err(|_| io::Error::last_os_error())?;
    Ok((got.min(into.len()), from.sll_pkttype))
}

fn gather(frame: &Outgoing<'_>) -> [libc::iovec; 2] {
    [&frame.header[..], frame.payload]
        .map(|part| libc::iovec { iov_base: part.as_ptr().cast_mut().cast::<c_void>(), iov_len: part.len() })
}

/// Room for the control data of one message, aligned for its headers.
#[repr(C, align(8))]
struct Control([u8; 256]);

impl Control {
    fn new() -> Self {
        Self([0; 256])
    }
}

/// A message header that points to `parts` and `control`; the caller keeps both alive for as long as it uses it.
fn header(parts: &mut [libc::iovec], control: &mut Control) -> libc::msghdr {
    // SAFETY: msghdr is made of integers and raw pointers, for all of which zero is a value.
    let mut message: libc::msghdr = unsafe { mem::zeroed() };
    message.msg_iov = parts.as_mut_ptr();
    message.msg_iovlen = parts.len() as _;
    message.msg_control = control.0.as_mut_ptr().cast::<c_void>();
    message.msg_controllen = control.0.len() as _;
    message
}

/// Calls `each` with level, type and data of every control message that the kernel wrote.
fn each_control(message: &libc::msghdr, mut each: impl FnMut(c_int, c_int, &[u8])) {
    // SAFETY: called right after recvmsg succeeded, so control pointer and length describe well-formed control messages
    // in a live, aligned buffer; the macros stay inside it, and a message's data ends where its cmsg_len says.
    unsafe {
        let mut next = libc::CMSG_FIRSTHDR(message);
        while !next.is_null() {
            let data = libc::CMSG_DATA(next);
            let length = (*next).cmsg_len as usize - libc::CMSG_LEN(0) as usize;
            each((*next).cmsg_level, (*next).cmsg_type, std::slice::from_raw_parts(data, length));
            next = libc::CMSG_NXTHDR(message, next);
        }
    }
}

/// Reads a plain structure of the kernel's interface, made of integers only.
fn read<T: Plain>(data: &[u8]) -> Option<T> {
    // SAFETY: the length is checked, an unaligned read needs no alignment, and any bits are a value of a `Plain` type.
    (data.len() >= size_of::<T>()).then(|| unsafe { ptr::read_unaligned(data.as_ptr().cast::<T>()) })
}

/// Types for which any bits are a value.
///
/// # Safety
/// Only for structures of integers.
unsafe trait Plain: Copy {}
// SAFETY: integers only.
unsafe impl Plain for [libc::timespec; 3] {}
// SAFETY: integers only.
unsafe impl Plain for libc::sock_extended_err {}

// SAFETY: integers only.
unsafe impl Plain for libc::tpacket_auxdata {}

fn nanoseconds(time: &libc::timespec) -> u64 {
    u64::try_from(time.tv_sec).unwrap_or(0) * 1_000_000_000 + u64::try_from(time.tv_nsec).unwrap_or(0)
}

const _: () = assert!(size_of::<libc::sock_extended_err>() == 16 && size_of::<libc::tpacket_auxdata>() == 20);
