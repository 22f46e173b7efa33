//! The figures that only a serial port has. Those that every kind has are with the document.

use super::detail::{ByteTotals, HalfDuplex, SerialDetail};
use super::facts::FlowCheck;
use super::format::LineErrors;
use crate::base::figure::{self, Definition, Entry, Group, Measure, Section};
use crate::stats::latency_summary::Latency;

/// What the figures are made of.
#[derive(Clone, Copy, Debug)]
pub struct Bytes<'a> {
    /// Counts.
    pub totals: &'a ByteTotals,
    /// Line errors of the data steps, where counted.
    pub errors: Option<&'a LineErrors>,
    /// Round trips of single bytes.
    pub latency: &'a Latency,
    /// The rest.
    pub detail: &'a SerialDetail,
}

type List = [Entry<fn(&Bytes<'_>) -> Option<Measure>>];

/// Every figure, each section in reading order.
pub const FIGURES: &List = &[
    Entry {
        what: Definition {
            id: "line",
            label: "line",
            about: "Format of the data steps",
            unit: None,
            section: Section::Setup,
            groups: &[Group::Setup],
        },
        measure: |bytes| Some(Measure::words(bytes.detail.format.to_string())),
    },
    Entry {
        what: Definition {
            id: "wiring",
            label: "wiring",
            about: "Plug that was said to be fitted",
            unit: None,
            section: Section::Setup,
            groups: &[Group::Setup],
        },
        measure: |bytes| Some(Measure::words(bytes.detail.plug.to_string())),
    },
    Entry {
        what: Definition {
            id: "format",
            label: "format",
            about: "Format of the data steps, and the plug",
            unit: None,
            section: Section::Counts,
            groups: &[Group::Run],
        },
        measure: |bytes| Some(Measure::words(format!("{}, plug {}", bytes.detail.format, bytes.detail.plug))),
    },
    Entry {
        what: Definition {
            id: "bytes_sent",
            label: "bytes",
            about: "Bytes sent",
            unit: None,
            section: Section::Counts,
            groups: &[Group::Run],
        },
        measure: |bytes| {
            let t = bytes.totals;
            let text = format!("{} sent, {} came back", figure::count(t.bytes_sent), figure::count(t.bytes_returned));
            Some(Measure::count(t.bytes_sent, text))
        },
    },
    Entry {
        what: Definition {
            id: "bytes_failed",
            label: "of these",
            about: "Bytes lost, extra or damaged",
            unit: None,
            section: Section::Counts,
            groups: &[Group::Run],
        },
        measure: |bytes| failed(bytes.totals),
    },
    Entry {
        what: Definition {
            id: "line_errors",
            label: "line errors",
            about: "Framing, parity, overrun and break errors by the driver's count",
            unit: None,
            section: Section::Counts,
            groups: &[Group::Run, Group::Port],
        },
        measure: |bytes| Some(line_errors(bytes.errors)),
    },
    Entry {
        what: Definition {
            id: "characters",
            label: "speed",
            about: "Characters that came back while sending",
            unit: Some("per_second"),
            section: Section::Rates,
            groups: &[Group::Run, Group::Port],
        },
        measure: |bytes| speed(bytes.detail),
    },
    Entry {
        what: Definition {
            id: "highest_clean",
            label: "without error",
            about: "Highest speed at which every byte came back as sent",
            unit: Some("bits_per_second"),
            section: Section::Rates,
            groups: &[Group::Run, Group::Port],
        },
        measure: |bytes| {
            let speed = bytes.detail.highest_clean_bits_per_second?;
            Some(Measure::count(speed.into(), format!("up to {} bits/s", figure::count(speed.into()))))
        },
    },
    Entry {
        what: Definition {
            id: "round_trip_median",
            label: "turnaround",
            about: "Half of the round trips of the last run took at most this",
            unit: Some("seconds"),
            section: Section::Times,
            groups: &[Group::Run, Group::Port, Group::Last],
        },
        measure: |bytes| Some(Measure::new(bytes.latency.median_s(), format!("one byte: {}", bytes.latency.words()))),
    },
    Entry {
        what: Definition {
            id: "flow_control",
            label: "flow control",
            about: "Whether clear to send stops and starts the sender",
            unit: None,
            section: Section::Port,
            groups: &[Group::Run],
        },
        measure: |bytes| bytes.detail.flow_control.as_ref().map(flow_control),
    },
    Entry {
        what: Definition {
            id: "half_duplex",
            label: "half duplex",
            about: "Whether the port hears itself on two wires",
            unit: None,
            section: Section::Port,
            groups: &[Group::Run],
        },
        measure: |bytes| bytes.detail.half_duplex.as_ref().map(half_duplex),
    },
    Entry {
        what: Definition {
            id: "own_bytes_heard_median",
            label: "own bytes heard",
            about: "Half of the blocks were heard so long after their time on the line",
            unit: Some("seconds"),
            section: Section::Port,
            groups: &[Group::Run],
        },
        measure: |bytes| own_bytes(bytes.detail.half_duplex.as_ref()?),
    },
    Entry {
        what: Definition {
            id: "break_returned",
            label: "break",
            about: "Whether a break came back",
            unit: None,
            section: Section::Port,
            groups: &[Group::Run],
        },
        measure: |bytes| {
            let returned = bytes.detail.break_returned?;
            Some(Measure::words(if returned { "came back" } else { "did not come back" }))
        },
    },
];

fn failed(t: &ByteTotals) -> Option<Measure> {
    let all = t.bytes_lost + t.bytes_inserted + t.bytes_damaged;
    (all > 0).then(|| {
        let text = format!(
            "{} lost ({} in this computer), {} extra, {} damaged",
            figure::count(t.bytes_lost),
            figure::count(t.bytes_lost_in_host),
            figure::count(t.bytes_inserted),
            figure::count(t.bytes_damaged)
        );
        Measure::count(all, text)
    })
}

fn line_errors(errors: Option<&LineErrors>) -> Measure {
    let Some(e) = errors else { return Measure::words("not counted by this port's driver") };
    let text = format!(
        "{} framing, {} parity, {} overrun, {} break, {} buffer overrun",
        e.framing, e.parity, e.overrun, e.breaks, e.buffer_overrun
    );
    let all = [e.parity, e.overrun, e.breaks, e.buffer_overrun].into_iter().fold(e.framing, u64::saturating_add);
    Measure::count(all, text)
}

fn speed(detail: &SerialDetail) -> Option<Measure> {
    let rate = detail.characters_per_second?;
    let share = detail.share_of_line.map_or(String::new(), |s| format!(", {:.1} % of the line speed", 100.0 * s));
    let beyond = if detail.share_of_line.is_some_and(|s| s > SHARE_MAX) { ": more than a real line can" } else { "" };
    Some(Measure::new(Some(rate), format!("{} characters/s{share}{beyond}", figure::count(rate as u64))))
}

/// A chip's clock may be off by some percent; beyond that bytes are not kept to their time, as on an emulated line.
const SHARE_MAX: f64 = 1.05;

fn flow_control(flow: &FlowCheck) -> Measure {
    let works = if flow.stops() && flow.starts() { "stops and starts the sender" } else { "does not hold the sender" };
    Measure::words(format!("CTS {works} ({} of {} bytes came while it was off)", flow.came_while_off, flow.sent))
}

fn half_duplex(half: &HalfDuplex) -> Measure {
    let how = if half.by_setting { "by the driver's setting" } else { "the driver has no setting for it" };
    let heard = if half.heard_itself { "hears itself while sending" } else { "does not hear itself" };
    Measure::words(format!("{heard} ({how})"))
}

fn own_bytes(half: &HalfDuplex) -> Option<Measure> {
    let (min, p50, max) = (half.turnaround_ns_min?, half.turnaround_ns_p50?, half.turnaround_ns_max?);
    let text = format!(
        "{} min, {} median, {} max after their time on the line",
        figure::time_ns(min),
        figure::time_ns(p50),
        figure::time_ns(max)
    );
    Some(Measure::new(Some(p50 as f64 / 1e9), text))
}
