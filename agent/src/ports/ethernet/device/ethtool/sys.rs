//! The unsafe half of the ethtool calls: `ioctl` on one interface through a plain socket.
//!
//! Everything else builds and reads bytes. Numbers and layouts are those of `linux/ethtool.h`, `linux/sockios.h` and
//! `linux/net_tstamp.h`.

use std::{
    io, mem,
    os::fd::{AsRawFd, OwnedFd},
};

/// Octets of an interface's name, with the closing zero (`IFNAMSIZ`).
pub(super) const NAME_BYTES: usize = libc::IFNAMSIZ;

/// Room behind every request, so that a kernel which answers longer than it said a moment ago stays inside our memory.
///
/// For strings and statistics the kernel writes as many items as the driver has *now*. This is room for 2,048 more
/// names of 32 octets.
const SLACK_BYTES: usize = 64 * 1024;

/// A socket in the network namespace of the thread that opened it, and the name of one interface there.
#[derive(Debug)]
pub(super) struct Control {
    socket: OwnedFd,
    name: [u8; NAME_BYTES],
}

/// A request of ethtool's: its structure as octets, with room to spare behind it.
pub(super) struct Request {
    bytes: Vec<u8>,
    length: usize,
}

impl Request {
    /// A zeroed structure of `length` octets whose first word is the command.
    pub(super) fn new(command: u32, length: usize) -> Self {
        let length = length.max(4);
        let mut bytes = vec![0; length + SLACK_BYTES];
        bytes[..4].copy_from_slice(&command.to_ne_bytes());
        Self { bytes, length }
    }

    /// The structure.
    pub(super) fn bytes(&self) -> &[u8] {
        &self.bytes[..self.length]
    }

    /// Writes a word at an offset.
    pub(super) fn put(&mut self, offset: usize, word: u32) {
        self.bytes[..self.length][offset..offset + 4].copy_from_slice(&word.to_ne_bytes());
    }

    /// Writes octets at an offset.
    pub(super) fn put_bytes(&mut self, offset: usize, bytes: &[u8]) {
        self.bytes[..self.length][offset..offset + bytes.len()].copy_from_slice(bytes);
    }

    /// Reads a word; zero beyond the end.
    pub(super) fn word(&self, offset: usize) -> u32 {
        super::word(self.bytes(), offset)
    }
}

impl Control {
    /// Takes any socket: it only says in which network namespace the name is looked up.
    pub(super) fn new(socket: OwnedFd, name: &str) -> io::Result<Self> {
        let mut bytes = [0; NAME_BYTES];
        if name.is_empty() || name.len() >= NAME_BYTES || name.contains('\0') {
            return Err(io::Error::from_raw_os_error(libc::ENODEV));
        }
        bytes[..name.len()].copy_from_slice(name.as_bytes());
        Ok(Self { socket, name: bytes })
    }

    /// Carries out an ethtool request; the answer replaces it. The value is the kernel's (flags, for features).
    pub(super) fn ethtool(&self, request: &mut Request) -> io::Result<i32> {
        let mut ifreq = self.ifreq();
        ifreq.ifr_ifru.ifru_data = request.bytes.as_mut_ptr().cast();
        // SAFETY: SIOCETHTOOL takes an ifreq whose data pointer leads to the command's structure. The structure is
        // `length` octets of our own initialised memory, exclusively borrowed for the call, followed by SLACK_BYTES
        // more for answers that grew since their length was asked for.
        unsafe { self.ioctl(u64::from(SIOCETHTOOL), &mut ifreq) }
    }

    /// The interface's flags (`IFF_*`).
    pub(super) fn flags(&self) -> io::Result<u16> {
        let mut ifreq = self.ifreq();
        // SAFETY: SIOCGIFFLAGS writes the flags into the ifreq itself and follows no pointer.
        unsafe { self.ioctl(libc::SIOCGIFFLAGS, &mut ifreq)? };
        // SAFETY: the kernel has just filled the flags field; any bits are a valid i16.
        Ok(unsafe { ifreq.ifr_ifru.ifru_flags }.cast_unsigned())
    }

    /// Replaces the interface's flags.
    pub(super) fn set_flags(&self, flags: u16) -> io::Result<()> {
        let mut ifreq = self.ifreq();
        ifreq.ifr_ifru.ifru_flags = flags.cast_signed();
        // SAFETY: SIOCSIFFLAGS reads the flags from the ifreq itself and follows no pointer.
        unsafe { self.ioctl(libc::SIOCSIFFLAGS, &mut ifreq) }.map(drop)
    }

    /// The interface's MTU in octets.
    pub(super) fn mtu(&self) -> io::Result<i32> {
        let mut ifreq = self.ifreq();
        // SAFETY: SIOCGIFMTU writes the MTU into the ifreq itself and follows no pointer.
        unsafe { self.ioctl(libc::SIOCGIFMTU, &mut ifreq)? };
        // SAFETY: the kernel has just filled the MTU field; any bits are a valid i32.
        Ok(unsafe { ifreq.ifr_ifru.ifru_mtu })
    }

    /// Sets the interface's MTU in octets.
    pub(super) fn set_mtu(&self, mtu: i32) -> io::Result<()> {
        let mut ifreq = self.ifreq();
        ifreq.ifr_ifru.ifru_mtu = mtu;
        // SAFETY: SIOCSIFMTU reads the MTU from the ifreq itself and follows no pointer.
        unsafe { self.ioctl(libc::SIOCSIFMTU, &mut ifreq) }.map(drop)
    }

    /// The interface's index in its namespace.
    pub(super) fn index(&self) -> io::Result<i32> {
        let mut ifreq = self.ifreq();
        // SAFETY: SIOCGIFINDEX writes the index into the ifreq itself and follows no pointer.
        unsafe { self.ioctl(libc::SIOCGIFINDEX, &mut ifreq)? };
        // SAFETY: the kernel has just filled the index field; any bits are a valid i32.
        Ok(unsafe { ifreq.ifr_ifru.ifru_ifindex })
    }

    /// The current hardware address: its kind (`ARPHRD_*`) and its first six octets.
    pub(super) fn address(&self) -> io::Result<(u16, [u8; 6])> {
        let mut ifreq = self.ifreq();
        // SAFETY: SIOCGIFHWADDR writes a sockaddr into the ifreq itself and follows no pointer.
        unsafe { self.ioctl(libc::SIOCGIFHWADDR, &mut ifreq)? };
        // SAFETY: the kernel has just filled the address field; any bits are a valid sockaddr.
        let address = unsafe { ifreq.ifr_ifru.ifru_hwaddr };
        let mut octets = [0; 6];
        for (octet, byte) in octets.iter_mut().zip(address.sa_data) {
            *octet = byte.cast_unsigned();
        }
        Ok((address.sa_family, octets))
    }

    /// Reads the time stamp configuration: flags, transmit type, receive filter.
    pub(super) fn timestamping(&self) -> io::Result<[i32; 3]> {
        self.timestamp_call(SIOCGHWTSTAMP, [0; 3])
    }

    /// Sets the time stamp configuration and gives back what the driver made of it.
    pub(super) fn set_timestamping(&self, config: [i32; 3]) -> io::Result<[i32; 3]> {
        self.timestamp_call(SIOCSHWTSTAMP, config)
    }

    fn timestamp_call(&self, request: u32, mut config: [i32; 3]) -> io::Result<[i32; 3]> {
        let mut ifreq = self.ifreq();
        ifreq.ifr_ifru.ifru_data = config.as_mut_ptr().cast();
        // SAFETY: both calls read and write one `struct hwtstamp_config`, three ints (net_tstamp.h; the size is
        // asserted below), through the data pointer; `config` is ours and outlives the call.
        unsafe { self.ioctl(u64::from(request), &mut ifreq)? };
        Ok(config)
    }

    fn ifreq(&self) -> libc::ifreq {
        // SAFETY: ifreq is plain old data of the C interface; all zeros is a valid value of every member.
        let mut ifreq: libc::ifreq = unsafe { mem::zeroed() };
        for (to, from) in ifreq.ifr_name.iter_mut().zip(self.name) {
            *to = from as libc::c_char;
        }
        ifreq
    }

    /// # Safety
    ///
    /// `ifreq` must hold what `request` reads, and any pointer in it must lead to memory as large as `request` touches.
    unsafe fn ioctl(&self, request: u64, ifreq: &mut libc::ifreq) -> io::Result<i32> {
        // SAFETY: the socket is open for as long as `self`; the rest is the caller's promise.
        let value = unsafe { libc::ioctl(self.socket.as_raw_fd(), request as _, std::ptr::from_mut(ifreq)) };
        if value < 0 { Err(io::Error::last_os_error()) } else { Ok(value) }
    }
}

/// `linux/sockios.h`.
const SIOCETHTOOL: u32 = 0x8946;
/// `linux/sockios.h`.
const SIOCSHWTSTAMP: u32 = 0x89b0;
/// `linux/sockios.h`.
const SIOCGHWTSTAMP: u32 = 0x89b1;

const _: () = assert!(size_of::<libc::hwtstamp_config>() == size_of::<[i32; 3]>());
