//! The plug on a TAP device: it reads every frame the host sends there and writes it back.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::os::fd::AsRawFd;

use serde_json::{Value, json};

use crate::control::{self, Control, ControlOptions, Plug};
use crate::error::{PlugError, cannot};
use crate::fault::FrameFaults;
use crate::frame::FramePlug;
use crate::sys::{self, Opening, Watch};

/// Setup of the device.
#[derive(clap::Args, Debug)]
pub struct TapOptions {
    /// Name of the TAP device
    #[arg(long, value_name = "NAME")]
    interface: String,
    /// Use an existing device instead of making one
    #[arg(long)]
    attach: bool,
    /// Switch the device on
    #[arg(long)]
    up: bool,
    /// Largest payload of the device, in bytes
    #[arg(long, value_name = "BYTES", value_parser = clap::value_parser!(u16).range(68..=65_521))]
    mtu: Option<u16>,
    /// Frames that may wait for the plug before the kernel drops any
    #[arg(long, value_name = "FRAMES", default_value_t = 10_000)]
    queue_frames: u16,
}

/// Runs the plug until a command or a signal ends it, then prints the final report.
///
/// # Errors
/// The faults do not fit together, the device cannot be opened or set up, or it vanished while the plug ran (after the
/// report).
pub fn run(options: &TapOptions, faults: FrameFaults, controls: &ControlOptions) -> Result<(), PlugError> {
    let name = &options.interface;
    let seed = controls.seed;
    let plug = FramePlug::new(faults, seed)?;
    let opening = if options.attach { Opening::Attach } else { Opening::Create };
    // Before the device exists, so that a signal cannot end the plug without a report.
    let mut control = Control::new(controls)?;
    let tap = sys::open_tap(name, opening).map_err(cannot(format!("open the TAP device {name}")))?;
    sys::set_queue(name, options.queue_frames).map_err(cannot(format!("set the queue of {name}")))?;
    if let Some(mtu_bytes) = options.mtu {
        sys::set_mtu(name, mtu_bytes).map_err(cannot(format!("set the MTU of {name} to {mtu_bytes}")))?;
    }
    if options.up {
        sys::set_up(name).map_err(cannot(format!("switch {name} on")))?;
    }
    sys::wake_sharply();
    let mut device = Device {
        tap: tap.try_clone().map_err(cannot("share the TAP device"))?,
        name: name.clone(),
        seed,
        carrier: true,
        plug,
        queue_dropped_before: queue_dropped(name).unwrap_or(0),
    };
    control::print(&json!({"ready": true, "interface": name, "seed": seed})).map_err(cannot("print"))?;
    let ended = serve(&tap, &mut device, &mut control);
    device.plug.finish(control.now_ns(), &mut |frame| write(&tap, frame));
    control.finish(device.report()).map_err(cannot("print"))?;
    ended.map_err(cannot(format!("go on with the TAP device {name}")))
}

fn serve(tap: &File, device: &mut Device, control: &mut Control) -> io::Result<()> {
    let mut reader = Reader { tap, buffer: vec![0; FRAME_BYTES_MAX], frame: Vec::with_capacity(FRAME_BYTES_MAX) };
    loop {
        let busy = reader.return_batch(&mut device.plug, control)?;
        device.plug.handle_time(control.now_ns(), &mut |frame| write(tap, frame));
        let due_ns = device.plug.next_due_ns();
        let watch = Watch::new(tap.as_raw_fd(), true, false);
        if !control.serve(device, watch, due_ns, busy)? {
            break;
        }
    }
    // Frames that the host had sent before the end are still returned.
    for _ in 0..FINAL_BATCHES {
        if !reader.return_batch(&mut device.plug, control)? {
            break;
        }
    }
    Ok(())
}

/// The device's reading end with two buffers: one to read into, and one that a fault may lengthen.
struct Reader<'a> {
    tap: &'a File,
    buffer: Vec<u8>,
    frame: Vec<u8>,
}

impl Reader<'_> {
    /// Returns up to a batch of frames to the host. The result is true if more may be waiting.
    fn return_batch(&mut self, plug: &mut FramePlug, control: &Control) -> io::Result<bool> {
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

/// Hands one frame to the host. The result is false if the host did not take it.
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

/// Frames of any kind that the kernel dropped because the plug's queue was full.
///
/// Reads the kernel's table for this thread's network namespace. sysfs may show another namespace.
fn queue_dropped(name: &str) -> Option<u64> {
    transmit_drops(&fs::read_to_string("/proc/thread-self/net/dev").ok()?, name)
}

/// Reads column "drop" of the transmit half. By the table's own heading it comes after eight receive columns and after
/// bytes, packets and errs.
fn transmit_drops(table: &str, name: &str) -> Option<u64> {
    let line = table.lines().find_map(|line| line.trim_start().strip_prefix(name)?.strip_prefix(':'))?;
    line.split_whitespace().nth(11)?.parse().ok()
}

/// The longest frame that a TAP device can carry, with room to lengthen it.
const FRAME_BYTES_MAX: usize = 66_560;

/// Frames returned between two checks for signals and commands. Enough to make the check cheap.
const BATCH_FRAMES: usize = 256;

/// At the end the plug reads as many frames as the longest queue can hold, and no more, so that it does end.
const FINAL_BATCHES: usize = 65_536 / BATCH_FRAMES;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_drop_column_is_found_by_its_heading() {
        // Columns as in the kernel's own heading, closer together. The figures are invented.
        let table = "\
Inter-|   Receive                                      |  Transmit
 face |bytes packets errs drop fifo frame compressed multicast|bytes packets errs drop fifo colls carrier compressed
    lo:    1       2    3    4    5     6          7         8      9     10   11   12   13    14      15         16
quay01:    0       0    0    0    0     0          0         0      0      0    0   77    0     0       0          0
 quay0:    0       0    0    0    0     0          0         0      0      0    0   99    0     0       0          0
";
        assert_eq!(transmit_drops(table, "lo"), Some(12));
        assert_eq!(transmit_drops(table, "quay0"), Some(99));
        assert_eq!(transmit_drops(table, "quay"), None);
    }
}
