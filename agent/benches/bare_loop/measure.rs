//! A bare loop: how many frames a second these sockets can send and receive on an interface when nothing is checked.
//!
//! The yardstick for the tool's own speed. The sender repeats one static frame and keeps a window of frames
//! outstanding, so that the ring cannot overflow; the receiver only counts.
//!
//! What decides the rate, measured on a virtual cable with a kernel plug and two virtual processors: the kernel's way
//! of a frame (allocation, two passes through the network stack, the copy into the ring), all of it spent inside the
//! sender's system call. Batch size (16 to 512), one or two parts per message, a transmit ring in place of `sendmmsg`,
//! the queue discipline in place of the bypass, and fixed processors all stayed within about 5 % of each other. What
//! does cost is a receiver that spins instead of sleeping where two virtual processors share a core, small blocks (see
//! `BLOCK_BYTES`), a window below two blocks, which waits for blocks to be handed over half full, and a second socket
//! that has to look at every frame (a listener for foreign ones: 2.1 µs of processor time for a frame of 60 bytes in
//! place of 2.0).

use std::{
    sync::atomic::{AtomicBool, AtomicU64, Ordering},
    thread,
    time::{Duration, Instant},
};

use turnback::ports::ethernet::socket::{
    Drops, FrameRing, FrameSender, HEADER_BYTES, Outgoing, PROBE_ETHERTYPE, Queue, RingOptions, SenderOptions,
    SocketError, interface_index,
};

/// What a bare loop did.
#[derive(Clone, Copy, Debug)]
pub struct BareResult {
    /// Size of a frame with FCS, in bytes.
    pub size_bytes: usize,
    /// Frames that the kernel took.
    pub frames_sent: u64,
    /// Frames that came back.
    pub frames_returned: u64,
    /// Batches of which the kernel refused a part.
    pub refusals: u64,
    /// How long was sent.
    pub elapsed: Duration,
    /// What did not fit into the ring.
    pub drops: Drops,
    /// Which way frames went out.
    pub queue: Queue,
}

impl BareResult {
    /// Frames that came back, a second.
    pub fn frames_per_second(&self) -> f64 {
        self.frames_returned as f64 / self.elapsed.as_secs_f64()
    }

    /// Bits that came back, a second: whole frames with FCS, without preamble and gap.
    pub fn bits_per_second(&self) -> f64 {
        self.frames_per_second() * 8.0 * self.size_bytes as f64
    }
}

/// Sends frames of `size_bytes` (with FCS, at least 64) out of `interface` for `duration` and counts what comes back.
///
/// Checks nothing: neither that the interface is free to be tested, nor what the frames hold. For benchmarks on
/// interfaces made for them.
///
/// # Errors
/// Whatever stops a socket.
pub fn run(interface: &str, size_bytes: usize, duration: Duration) -> Result<BareResult, SocketError> {
    let ifindex = interface_index(interface)?;
    let mut ring = FrameRing::open(ifindex, RingOptions::default())?;
    let mut sender = FrameSender::open(ifindex, SenderOptions::default())?;
    let frame_bytes = size_bytes.saturating_sub(FCS_BYTES).max(HEADER_BYTES);
    let window = (ring.capacity_frames(frame_bytes) / 2).min(WINDOW_FRAMES) as u64;

    let payload = vec![0xA5; frame_bytes - HEADER_BYTES];
    let frame = Outgoing { header: header(sender.address()?), payload: &payload };
    let batch = [frame; BATCH_FRAMES];

    let returned = AtomicU64::new(0);
    let stop = AtomicBool::new(false);
    thread::scope(|scope| {
        let receiver = scope.spawn(|| receive(&mut ring, &returned, &stop));
        let sent = send(&mut sender, &batch, Window { frames: window, returned: &returned }, duration);
        stop.store(true, Ordering::Release);
        let drops = match receiver.join() {
            Ok(drops) => drops?,
            Err(panic) => std::panic::resume_unwind(panic),
        };
        let (frames_sent, refusals, elapsed) = sent?;
        let frames_returned = returned.load(Ordering::Acquire);
        let queue = sender.queue();
        Ok(BareResult { size_bytes, frames_sent, frames_returned, refusals, elapsed, drops, queue })
    })
}

struct Window<'a> {
    frames: u64,
    returned: &'a AtomicU64,
}

fn send(
    sender: &mut FrameSender,
    batch: &[Outgoing<'_>],
    window: Window<'_>,
    duration: Duration,
) -> Result<(u64, u64, Duration), SocketError> {
    let (mut sent, mut refusals) = (0u64, 0u64);
    // Frames that did not come back for so long that they no longer count against the window.
    let mut given_up = 0u64;
    let mut progress = (0, Instant::now());
    let started = Instant::now();
    loop {
        let now = Instant::now();
        if now - started >= duration {
            return Ok((sent, refusals, now - started));
        }
        let returned = window.returned.load(Ordering::Acquire);
        if progress.0 != returned {
            progress = (returned, now);
        }
        let outstanding = sent.saturating_sub(returned + given_up);
        if outstanding + batch.len() as u64 > window.frames {
            if now - progress.1 > GIVE_UP_AFTER {
                given_up += outstanding;
                progress.1 = now;
            }
            thread::yield_now();
            continue;
        }
        let result = sender.send(batch)?;
        sent += result.accepted as u64;
        if result.refusal.is_some() {
            refusals += 1;
            thread::yield_now();
        }
    }
}

fn receive(ring: &mut FrameRing, returned: &AtomicU64, stop: &AtomicBool) -> Result<Drops, SocketError> {
    loop {
        let last_round = stop.load(Ordering::Acquire);
        let received = ring.receive(POLL_INTERVAL, &mut |_| {})?;
        returned.fetch_add(received.frames as u64, Ordering::Release);
        if last_round && received.frames == 0 {
            return ring.drops();
        }
    }
}

/// To ourselves, from ourselves with the locally-administered bit set.
fn header(address: [u8; 6]) -> [u8; HEADER_BYTES] {
    let mut header = [0; HEADER_BYTES];
    header[..6].copy_from_slice(&address);
    header[6..12].copy_from_slice(&address);
    header[6] |= 0x02;
    header[12..14].copy_from_slice(&PROBE_ETHERTYPE.to_be_bytes());
    header
}

const FCS_BYTES: usize = 4;
const BATCH_FRAMES: usize = 64;
/// Enough that the receiver sleeps while a block fills and the sender never waits for it; more gains nothing.
const WINDOW_FRAMES: usize = 8192;
const POLL_INTERVAL: Duration = Duration::from_millis(20);
const GIVE_UP_AFTER: Duration = Duration::from_millis(100);
