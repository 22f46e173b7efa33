//! What the report of a run says of a serial port: counts, and the part that no other kind has.

use serde::{Deserialize, Serialize};

use super::facts::{FlowCheck, FormatTrial, ModemReading};
use super::format::{LineCapabilities, LineFormat};
use super::plug::LinePlug;
use super::stream::LineCounts;

/// Counts of bytes, under the names of the report.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ByteTotals {
    /// Bytes the port took.
    pub bytes_sent: u64,
    /// Bytes that came in.
    pub bytes_returned: u64,
    /// Bytes sent for which none came.
    pub bytes_lost: u64,
    /// Of the lost, dropped inside this computer or its adapter.
    pub bytes_lost_in_host: u64,
    /// Bytes that came and were not sent.
    pub bytes_inserted: u64,
    /// Bytes that came back with a wrong bit.
    pub bytes_damaged: u64,
    /// Data bits compared.
    pub bits_compared: u64,
    /// Of those, wrong.
    pub bit_errors: u64,
}

impl ByteTotals {
    /// From the counts of the data steps, and how many of the lost this computer dropped.
    pub fn new(counts: &LineCounts, lost_in_host: u64) -> Self {
        Self {
            bytes_sent: counts.sent,
            bytes_returned: counts.returned,
            bytes_lost: counts.lost,
            bytes_lost_in_host: lost_in_host,
            bytes_inserted: counts.inserted,
            bytes_damaged: counts.damaged,
            bits_compared: counts.bits_compared,
            bit_errors: counts.bit_errors,
        }
    }
}

/// How long bytes that travel alone take from being handed over until the last is back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Turnaround {
    /// Bytes sent together.
    pub block_bytes: u32,
    /// The driver's setting for low latency was on.
    pub low_latency: bool,
    /// Trips measured.
    pub count: u64,
    /// Time these bytes take on the line, each way at once; none where bytes do not take their time.
    pub line_ns: Option<u64>,
    /// Shortest.
    pub min_ns: Option<u64>,
    /// Half are at or below this.
    pub p50_ns: Option<u64>,
    /// Longest.
    pub max_ns: Option<u64>,
}

/// Two-wire RS-485: what was set, heard, and how soon the port is done with its own bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HalfDuplex {
    /// The driver took its RS-485 setting; else the port hears itself without.
    pub by_setting: bool,
    /// Bytes came back while it was sending.
    pub heard_itself: bool,
    /// Shortest time from handing bytes over to having heard the last, less their own time on the line: the soonest
    /// this computer can know that the pair is free. None where nothing was measured.
    pub turnaround_ns_min: Option<u64>,
    /// Half of the blocks are at or below this, the slowest block size.
    pub turnaround_ns_p50: Option<u64>,
    /// The longest.
    pub turnaround_ns_max: Option<u64>,
}

impl HalfDuplex {
    /// From the turnaround of all block sizes, the driver's latency setting as it was.
    pub fn new(by_setting: bool, heard_itself: bool, turnaround: &[Turnaround]) -> Self {
        let usual = || turnaround.iter().filter(|t| !t.low_latency);
        let beyond = |t: &Turnaround, ns: Option<u64>| Some(ns?.saturating_sub(t.line_ns?));
        Self {
            by_setting,
            heard_itself,
            turnaround_ns_min: usual().filter_map(|t| beyond(t, t.min_ns)).min(),
            turnaround_ns_p50: usual().filter_map(|t| beyond(t, t.p50_ns)).max(),
            turnaround_ns_max: usual().filter_map(|t| beyond(t, t.max_ns)).max(),
        }
    }
}

/// What only a serial port has to say.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct SerialDetail {
    /// Format of the data steps, as the port took it.
    pub format: LineFormat,
    /// Plug that was said to be fitted.
    pub plug: LinePlug,
    /// What the port can show and do.
    pub capabilities: LineCapabilities,
    /// Bytes heard before anything was sent.
    pub foreign_bytes: u64,
    /// Byte counts in full.
    pub counts: LineCounts,
    /// Of those, since fewer were let out at once for the last time.
    #[serde(default)]
    pub counts_since_slowed: LineCounts,
    /// Characters a second that came back while sending.
    pub characters_per_second: Option<f64>,
    /// The same as a share of what the line has time for; none where bytes do not take their time.
    pub share_of_line: Option<f64>,
    /// Turnaround by block size.
    pub turnaround: Vec<Turnaround>,
    /// Two-wire RS-485; none on other wiring.
    #[serde(default)]
    pub half_duplex: Option<HalfDuplex>,
    /// Other speeds.
    pub speeds: Vec<FormatTrial>,
    /// Highest speed at which every byte came back as sent, bits a second.
    pub highest_clean_bits_per_second: Option<u32>,
    /// Other data bits, parities and stop bits.
    pub formats: Vec<FormatTrial>,
    /// Whether clear to send stops and starts the sender.
    pub flow_control: Option<FlowCheck>,
    /// Whether a break came round.
    pub break_returned: Option<bool>,
    /// Modem lines as read, over all states of the outputs.
    pub modem_readings: Vec<ModemReading>,
}
