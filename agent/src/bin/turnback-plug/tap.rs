//! The plug on a TAP device: every frame the host sends out of it is read here and written back.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::os::fd::AsRawFd;

use anyhow::Context;
use serde_json::{Value, json};

use crate::control::{self, AtEof, Control, Plug};
use crate::frame::FramePlug;
use crate::sys::{self, Opening, Watch};

/// How the device is set up.
#[derive(clap::Args, Debug)]
pub struct TapOptions {
    /// Name of the TAP device
    #[arg(long, value_name = "NAME")]
    interface: String,
    /// Use a device that exists already, instead of making one
    #[arg(long)]
    attach: bool,
    /// Set the device up
    #[arg(long)]
    up: bool,
    /// Largest payload of the device, in bytes
    #[arg(long, value_name = "BYTES", value_parser = clap::value_parser!(u16).range(68..=65_521))]
    mtu: Option<u16>,
    /// How many frames may wait for the plug before the kernel drops any
    #[arg(long, value_name = "FRAMES", default_value_t = 10_000)]
    queue_frames: u16,
}

/// Runs the plug until the operator ends it, then prints the final report.
///
/// # Errors
/// The device cannot be opened or set up, or it vanished while running (after the report).
pub fn run(options: &TapOptions, plug: FramePlug, seed: u64, at_eof: AtEof) -> anyhow::Result<()> {
    let name = &options.interface;
    let opening = if options.attach { Opening::Attach } else { Opening::Create };
    // Before the device exists, so that a signal cannot end the plug without a report.
    let mut control = Control::new(at_eof).context("cannot listen for commands and signals")?;
    let tap = sys::open_tap(name, opening).with_context(|| format!("cannot open the TAP device {name}"))?;
    sys::set_queue(name, options.queue_frames).with_context(|| format!("cannot set the queue of {name}"))?;
    if let Some(mtu_bytes) = options.mtu {
        sys::set_mtu(name, mtu_bytes).with_context(|| format!("cannot set the MTU of {name} to {mtu_bytes}"))?;
    }
    if options.up {
        sys::set_up(name).with_context(|| format!("cannot set {name} up"))?;
    }
    sys::wake_sharply();
    let mut device = Device {
        tap: tap.try_clone().context("cannot share the TAP device")?,
        name: name.clone(),
        seed,
        carrier: true,
        plug,
        queue_dropped_before: queue_dropped(name).unwrap_or(0),
    };
    control::print(&json!({"ready": true, "interface": name, "seed": seed}))?;
    let ended = serve(&tap, &mut device, &mut control);
    device.plug.finish(control.now_ns(), &mut |frame| write(&tap, frame));
    let mut report = device.report();
    report["report"] = "final".into();
    control::print(&report)?;
    ended.with_context(|| format!("the TAP device {name} failed"))
}

fn serve(tap: &File, device: &mut Device, control: &mut Control) -> io::Result<()> {
    let mut reader = Reader { tap, buffer: vec![0; FRAME_BYTES_MAX], frame: Vec::with_capacity(FRAME_BYTES_MAX) };
    loop {
        let busy = reader.pass(&mut device.plug, control)?;
        device.plug.handle_time(control.now_ns(), &mut |frame| write(tap, frame));
        let due_ns = device.plug.next_due_ns();
        let watch = Watch::new(tap.as_raw_fd(), true, false);
        if !control.serve(device, watch, due_ns, busy)? {
            break;
        }
    }
    // What the host had sent before the end still gets its turn.
    for _ in 0..FINAL_BATCHES {
        if !reader.pass(&mut device.plug, control)? {
            break;
        }
    }
    Ok(())
}

/// The device's reading end with its two buffers, one to read into and one that a fault may lengthen.
struct Reader<'a> {
    tap: &'a File,
    buffer: Vec<u8>,
    frame: Vec<u8>,
}

impl Reader<'_> {
    /// Returns up to a batch of frames; true if there may be more.
    fn pass(&mut self, plug: &mut FramePlug, control: &Control) -> io::Result<bool> {
        for _ in 0..BATCH_FRAMES {
            match self.tap.read(&mut self.buffer) {
                Ok(length) => {
                    self.frame.clear();
                    self.frame.extend_from_slice(&self.buffer[..length]);
                    plug.handle_frame(&mut self.frame, control.now_ns(), &mut |frame| write(self.tap, frame));
                }
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(false),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(true)
    }
}

/// Hands one frame to the host; false if it was not taken.
fn write(mut tap: &File, frame: &[u8]) -> bool {
    loop {
        match tap.write(frame) {
            Ok(_) => return true,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                let mut room = [Watch::new(tap.as_raw_fd(), false, true)];
                if sys::wait(&mut room, None).is_err() {
                    return false;
                }
            }
            Err(_) => return false,
        }
    }
}

struct Device {
    tap: File,
    name: String,
    seed: u64,
    carrier: bool,
    plug: FramePlug,
    queue_dropped_before: u64,
}

impl Plug for Device {
    fn set(&mut self, name: &str, value: &str) -> Result<(), String> {
        if name != "carrier" {
            return self.plug.set(name, value).map_err(|error| error.to_string());
        }
        let present = match value {
            "on" => true,
            "off" => false,
            _ => return Err(format!("carrier \"{value}\" is neither on nor off")),
        };
        sys::set_carrier(&self.tap, present).map_err(|error| format!("cannot switch the carrier: {error}"))?;
        self.carrier = present;
        Ok(())
    }

    fn report(&self) -> Value {
        let mut report =
            json!({"report": "running", "interface": self.name, "seed": self.seed, "carrier": self.carrier});
        let parts = [json!(self.plug.counts()), json!({"options": self.plug.faults()})];
        for (key, value) in parts.into_iter().filter_map(|part| part.as_object().cloned()).flatten() {
            report[key] = value;
        }
        // Null when the device is gone: unknown is not zero.
        report["queue_dropped"] = json!(queue_dropped(&self.name).map(|count| count - self.queue_dropped_before));
        report
    }
}

/// How many frames of any kind the kernel dropped because the plug's queue was full.
///
/// Read from the kernel's table of this thread's own network namespace: sysfs may be that of another one.
fn queue_dropped(name: &str) -> Option<u64> {
    transmit_drops(&fs::read_to_string("/proc/thread-self/net/dev").ok()?, name)
}

/// Column "drop" of the transmit half: eight receive columns, then bytes, packets, errs, drop (from the table's own heading).
fn transmit_drops(table: &str, name: &str) -> Option<u64> {
    let line = table.lines().find_map(|line| line.trim_start().strip_prefix(name)?.strip_prefix(':'))?;
    line.split_whitespace().nth(11)?.parse().ok()
}

/// Longest frame a TAP device can be made to carry, with room to lengthen it.
const FRAME_BYTES_MAX: usize = 66_560;

/// Frames between two looks at signals and commands; enough to make the look cheap.
const BATCH_FRAMES: usize = 256;

/// At the end, at least as many frames as the longest queue holds are read, but not for ever.
const FINAL_BATCHES: usize = 65_536 / BATCH_FRAMES;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_drop_column_is_found_by_its_heading() {
        // Layout as in the kernel's own heading; the figures are invented.
        let table = "\
Inter-|   Receive                                                |  Transmit
 face |bytes    packets errs drop fifo frame compressed multicast|bytes    packets errs drop fifo colls carrier compressed
    lo:       1       2    3    4    5     6          7         8        9      10   11   12   13    14      15         16
quay01:       0       0    0    0    0     0          0         0        0       0    0   77    0     0       0          0
 quay0:       0       0    0    0    0     0          0         0        0       0    0   99    0     0       0          0
";
        assert_eq!(transmit_drops(table, "lo"), Some(12));
        assert_eq!(transmit_drops(table, "quay0"), Some(99));
        assert_eq!(transmit_drops(table, "quay"), None);
    }
}
