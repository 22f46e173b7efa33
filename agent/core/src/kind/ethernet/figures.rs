//! The figures that only a port of frames has. Those that every kind has are with the document.

use super::detail::{EthernetDetail, FrameTotals};
use super::transceiver::{self, Light, Module};
use crate::base::figure::{self, Definition, Entry, Group, Measure, Section};
use crate::stats::latency_summary::Latency;

/// What the figures are made of.
#[derive(Clone, Copy, Debug)]
pub struct Frames<'a> {
    /// Counts.
    pub totals: &'a FrameTotals,
    /// Round trips of single frames.
    pub latency: &'a Latency,
    /// The rest.
    pub detail: &'a EthernetDetail,
}

type List = [Entry<fn(&Frames<'_>) -> Option<Measure>>];

/// Every figure, each section in reading order.
pub const FIGURES: &List = &[
    Entry {
        what: Definition {
            id: "link",
            label: "link",
            about: "Link before the first frame",
            unit: None,
            section: Section::Setup,
            groups: &[Group::Setup],
        },
        measure: |frames| Some(Measure::words(link(frames.detail))),
    },
    Entry {
        what: Definition {
            id: "link_drops",
            label: "link drops",
            about: "Times the link dropped and came back",
            unit: None,
            section: Section::Setup,
            groups: &[Group::Setup],
        },
        measure: |frames| match frames.detail.link_flaps {
            0 => None,
            drops => Some(Measure::count(drops, figure::count(drops))),
        },
    },
    Entry {
        what: Definition {
            id: "frames_sent",
            label: "frames",
            about: "Frames sent",
            unit: None,
            section: Section::Counts,
            groups: &[Group::Run, Group::Total],
        },
        measure: |frames| {
            let t = frames.totals;
            let text = format!("{} sent, {} came back", figure::count(t.frames_sent), figure::count(t.frames_returned));
            Some(Measure::count(t.frames_sent, text))
        },
    },
    Entry {
        what: Definition {
            id: "frames_lost",
            label: "lost",
            about: "Frames lost on the wire; those lost in this computer are not among them",
            unit: None,
            section: Section::Counts,
            groups: &[Group::Run, Group::Total],
        },
        measure: |frames| {
            let t = frames.totals;
            let value = Some((t.frames_lost_on_wire + t.frames_failed_fcs) as f64);
            Some(Measure { value, text: (t.frames_lost > 0).then(|| lost(t)) })
        },
    },
    Entry {
        what: Definition {
            id: "frames_odd",
            label: "odd",
            about: "Frames that came back other than they were sent",
            unit: None,
            section: Section::Counts,
            groups: &[Group::Run],
        },
        measure: |frames| odd(frames.totals),
    },
    Entry {
        what: Definition {
            id: "round_trip_median",
            label: "round trip",
            about: "Half of the round trips of the last run took at most this",
            unit: Some("seconds"),
            section: Section::Times,
            groups: &[Group::Run, Group::Last],
        },
        measure: |frames| Some(Measure::new(frames.latency.median_s(), frames.latency.words())),
    },
    Entry {
        what: Definition {
            id: "round_trip_loaded_median",
            label: "under full flow",
            about: "Half of the round trips under full flow took at most this",
            unit: Some("seconds"),
            section: Section::Times,
            groups: &[Group::Run],
        },
        measure: |frames| {
            let loaded = &frames.detail.latency_loaded_ns;
            Some(Measure::new(loaded.median_s(), loaded.words()))
        },
    },
    Entry {
        what: Definition {
            id: "light_received",
            label: "transceiver",
            about: "Light that the transceiver receives",
            unit: Some("dbm"),
            section: Section::Port,
            groups: &[Group::Run, Group::Port],
        },
        measure: |frames| {
            let module = frames.detail.transceiver.as_ref()?;
            Some(Measure::new(module.received_dbm(), transceiver(module)))
        },
    },
];

fn link(detail: &EthernetDetail) -> String {
    let link = &detail.link;
    let speed = link.speed_mbps.map_or(String::new(), |mbps| format!(", {mbps} Mb/s"));
    let duplex = match link.full_duplex {
        Some(true) => ", full duplex",
        Some(false) => ", half duplex",
        None => "",
    };
    format!("{}{speed}{duplex}", if link.up { "up" } else { "none" })
}

fn lost(t: &FrameTotals) -> String {
    format!(
        "{}: {} on the wire, {} failed the frame check, {} in this computer, {} never left, {} came late",
        figure::count(t.frames_lost),
        figure::count(t.frames_lost_on_wire),
        figure::count(t.frames_failed_fcs),
        figure::count(t.frames_lost_in_host),
        figure::count(t.frames_never_left),
        figure::count(t.frames_late)
    )
}

fn odd(t: &FrameTotals) -> Option<Measure> {
    let kinds = [
        (t.frames_damaged, "damaged"),
        (t.frames_duplicated, "twice"),
        (t.frames_reordered, "out of order"),
        (t.frames_truncated, "cut"),
        (t.frames_lengthened, "lengthened"),
        (t.frames_readdressed, "with other addresses"),
        (t.frames_padded, "padded"),
        (t.frames_tagged, "with a VLAN tag"),
        (t.frames_unrecognised, "unrecognised"),
    ];
    let some: Vec<_> = kinds.iter().filter(|(n, _)| *n > 0).collect();
    let words: Vec<_> = some.iter().map(|(n, what)| format!("{} {what}", figure::count(*n))).collect();
    let all = some.iter().map(|(n, _)| n).sum();
    (!some.is_empty()).then(|| Measure::count(all, words.join(", ")))
}

/// Light as dBm, lane by lane, and warmth.
fn transceiver(module: &Module) -> String {
    let light = |way: &str, of: fn(&Light) -> Option<f64>| {
        let levels: Vec<_> = module
            .lanes
            .iter()
            .filter_map(of)
            .map(|mw| transceiver::dbm(mw).map_or_else(|| "dark".to_owned(), |level| format!("{level:.1} dBm")))
            .collect();
        (!levels.is_empty()).then(|| format!("{way} {}", levels.join(" / ")))
    };
    let warmth = module.temperature_c.map(|celsius| format!("{celsius:.0} °C inside"));
    [light("receives", |l| l.received_mw), light("sends", |l| l.sent_mw), warmth]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(", ")
}
