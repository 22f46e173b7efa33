//! Which counter speaks about the wire, which about the host: sorts a [`CounterDelta`] into classes.
//!
//! One event is often reported under several names (the link statistics, the adapter's total, the adapter's queues). So
//! each class takes the *largest* of its sources and never their sum; only the same name over several queues is added
//! up. A class is therefore the least that happened, and the names it rests on are kept as detail.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::CounterDelta;

/// What kind of event a counter counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// Wire: a whole number of octets arrived and the frame check sequence was wrong.
    Fcs,
    /// Wire: the frame ended inside an octet and failed its check.
    Alignment,
    /// Wire: the transceiver met code groups that do not exist; the same frame may also have failed its check.
    Symbol,
    /// Wire: runts, fragments, jabbers and other frames of a length that is not allowed.
    Length,
    /// Wire: bad frames the driver counts in its total and under no other name.
    OtherReceive,
    /// Host: the adapter had no buffer from the host and dropped the frame.
    Missed,
    /// Host: the adapter's own buffer overflowed.
    Overrun,
    /// Host: the adapter met an empty list of buffers or the driver got no memory; the frame may yet have been saved.
    NoBuffer,
    /// Host: the kernel or the driver received the frame and let it go; also frames of a protocol nobody asked for.
    Dropped,
    /// Host: a processor's receive queue was full (whole machine). What it dropped of one interface's frames is in that
    /// interface's `rx_dropped` too (`enqueue_to_backlog` in net/core/dev.c, from memory).
    QueueFull,
    /// Transmit: the frame was handed over and did not leave, or left badly.
    TransmitFailed,
    /// Transmit: the frame was refused before it reached the adapter.
    TransmitDropped,
    /// Transmit: no carrier while sending.
    TransmitCarrier,
    /// Transmit: collisions, which full duplex does not have.
    Collision,
}

impl Class {
    /// True when a frame in this class speaks about port, plug and cable.
    pub fn is_wire(self) -> bool {
        matches!(self, Self::Fcs | Self::Alignment | Self::Symbol | Self::Length | Self::OtherReceive)
    }

    /// True when a frame in this class was lost between the adapter and the program, after the wire did its work.
    pub fn is_host(self) -> bool {
        matches!(self, Self::Missed | Self::Overrun | Self::NoBuffer | Self::Dropped | Self::QueueFull)
    }
}

/// One counter that grew, with the class it was sorted into.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Detail {
    /// Where and under which name: `link.rx_crc_errors`, `adapter.rx_queue_0_drops`.
    pub name: String,
    /// The class it belongs to.
    pub class: Class,
    /// How much it grew.
    pub count: u64,
}

/// A difference of counters, sorted.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Classified {
    /// Events by class; a class without events is absent.
    pub counts: BTreeMap<Class, u64>,
    /// Times the link went down.
    pub link_losses: u64,
    /// Times a processor put off receive work (whole machine): the host was busy, though nothing need be lost.
    pub queue_squeezes: u64,
    /// Errors the bus corrected.
    pub bus_corrected: u64,
    /// Errors the bus did not correct.
    pub bus_uncorrected: u64,
    /// Every counter that grew and was sorted.
    pub detail: Vec<Detail>,
}

impl Classified {
    /// Events of one class.
    pub fn count(&self, class: Class) -> u64 {
        self.counts.get(&class).copied().unwrap_or(0)
    }

    /// Frames that arrived and failed their check: FCS and alignment errors, which 802.3 counts apart.
    ///
    /// Symbol errors are not added: a frame with one normally fails its FCS and is already here (RFC 3635).
    pub fn failed_fcs(&self) -> u64 {
        self.count(Class::Fcs).saturating_add(self.count(Class::Alignment))
    }

    /// Frames this adapter certainly lost for want of room.
    ///
    /// `NoBuffer` and `Dropped` are left out because they may count frames that were saved after all, or frames of a
    /// protocol nobody wanted; `QueueFull` because it counts every interface of the machine. See
    /// [`Classified::lost_in_host_at_most`].
    pub fn lost_in_host_at_least(&self) -> u64 {
        self.count(Class::Missed).max(self.count(Class::Overrun))
    }

    /// The most frames of this adapter that may have been lost in the host; adds classes that can hold the same frame
    /// twice. [`Class::QueueFull`] is left out: its share of this adapter is in [`Class::Dropped`], and the rest is of
    /// other interfaces, which must not hide a loss on this one's wire.
    pub fn lost_in_host_at_most(&self) -> u64 {
        let of_this = |class: &Class| class.is_host() && *class != Class::QueueFull;
        self.counts.iter().filter(|(class, _)| of_this(class)).fold(0, |sum, (_, &count)| sum.saturating_add(count))
    }
}

/// Sorts what was counted. Pure; the same delta always gives the same answer.
pub fn classify(delta: &CounterDelta) -> Classified {
    let grown = &delta.grown;
    let mut sorted = Classified::default();
    let mut sources: BTreeMap<(Class, String), u64> = BTreeMap::new();
    let mut add = |class: Class, source: String, name: String, count: u64, detail: &mut Vec<Detail>| {
        if count > 0 {
            let sum = sources.entry((class, source)).or_default();
            *sum = sum.saturating_add(count);
            detail.push(Detail { name, class, count });
        }
    };
    for (name, count) in grown.link.named() {
        if let Some(class) = link_class(name) {
            add(class, format!("link.{name}"), format!("link.{name}"), count, &mut sorted.detail);
        }
    }
    for (name, &count) in &grown.adapter {
        if let Some(class) = adapter_class(name) {
            add(
                class,
                format!("adapter.{}", without_queue(name)),
                format!("adapter.{name}"),
                count,
                &mut sorted.detail,
            );
        }
    }
    if let Some(softnet) = &grown.softnet {
        let name = "softnet.dropped".to_owned();
        add(Class::QueueFull, name.clone(), name, softnet.dropped, &mut sorted.detail);
        sorted.queue_squeezes = softnet.time_squeeze;
    }
    // What the total holds beyond its named parts (if_link.h: rx_errors "must include events counted by
    // rx_length_errors, rx_crc_errors, rx_frame_errors and other errors not otherwise counted").
    let link = &grown.link;
    let parts = [
        link.rx_length_errors,
        link.rx_crc_errors,
        link.rx_frame_errors,
        link.rx_over_errors,
        link.rx_fifo_errors,
        link.rx_missed_errors,
    ];
    let rest = parts.iter().fold(link.rx_errors, |rest, part| rest.saturating_sub(*part));
    for ((class, _), count) in &sources {
        let largest = sorted.counts.entry(*class).or_default();
        *largest = (*largest).max(*count);
    }
    // The adapter's own names may explain the rest of the total: then it is not one more event.
    let explained = sorted.counts.iter().filter(|(class, _)| class.is_wire()).fold(0u64, |sum, (class, &count)| {
        let in_link = sources
            .iter()
            .filter(|((c, source), _)| c == class && source.starts_with("link."))
            .map(|(_, &count)| count)
            .max()
            .unwrap_or(0);
        sum.saturating_add(count - in_link)
    });
    let other = rest.saturating_sub(explained);
    if other > 0 {
        sorted.counts.insert(Class::OtherReceive, other);
        sorted.detail.push(Detail { name: "link.rx_errors".to_owned(), class: Class::OtherReceive, count: other });
    }
    if let Some(carrier) = &grown.carrier {
        // A kernel that counts only changes: every second change is a loss, rounded up.
        sorted.link_losses = carrier.down.max(if carrier.up == 0 { carrier.changes.div_ceil(2) } else { 0 });
    }
    if let Some(bus) = &grown.bus {
        sorted.bus_corrected = bus.corrected;
        sorted.bus_uncorrected = bus.nonfatal.saturating_add(bus.fatal);
    }
    sorted
}

/// The class of a link statistic, from its definition in `linux/if_link.h`; `None` for traffic and for totals.
fn link_class(name: &str) -> Option<Class> {
    Some(match name {
        "rx_crc_errors" => Class::Fcs,
        "rx_frame_errors" => Class::Alignment,
        "rx_length_errors" => Class::Length,
        "rx_missed_errors" => Class::Missed,
        "rx_fifo_errors" | "rx_over_errors" => Class::Overrun,
        "rx_dropped" => Class::Dropped,
        "tx_errors" | "tx_aborted_errors" | "tx_fifo_errors" | "tx_heartbeat_errors" => Class::TransmitFailed,
        "tx_dropped" => Class::TransmitDropped,
        "tx_carrier_errors" => Class::TransmitCarrier,
        "collisions" | "tx_window_errors" => Class::Collision,
        _ => return None,
    })
}

/// The class of an adapter's statistic by its name, or `None` when the name does not say clearly.
///
/// Drivers choose their names freely. The patterns are the words of 802.3, RFC 2819 and RFC 3635 in the spellings
/// drivers commonly use (common practice, no source). Anything doubtful stays unsorted: a name read wrongly could blame
/// a healthy port.
pub fn adapter_class(name: &str) -> Option<Class> {
    let name = name.to_ascii_lowercase();
    let words: Vec<&str> = name.split(|c: char| !c.is_ascii_alphanumeric()).filter(|word| !word.is_empty()).collect();
    let has = |word: &str| words.contains(&word);
    let part = |text: &str| name.contains(text);
    let sent = has("tx") || part("transmit") || words.first().is_some_and(|word| word.starts_with("tx"));
    // Checksum offload, flow control, forward error correction, management traffic, and encryption count other things.
    const FOREIGN: [&str; 17] = [
        "csum",
        "checksum",
        "xdp",
        "xsk",
        "fec",
        "pause",
        "pfc",
        "flow_control",
        "mgmt",
        "macsec",
        "ipsec",
        "tls",
        "corrected",
        "filter",
        "vlan",
        "steer",
        "recover",
    ];
    if FOREIGN.iter().any(|foreign| part(foreign)) {
        return None;
    }
    if sent {
        return if part("carrier") {
            Some(Class::TransmitCarrier)
        } else if part("collision") || has("collide") {
            Some(Class::Collision)
        } else if part("underrun") || part("underflow") || part("abort") || part("timeout") || has("errors") {
            Some(Class::TransmitFailed)
        } else if has("dropped") || has("drops") || has("discards") {
            Some(Class::TransmitDropped)
        } else {
            None
        };
    }
    if part("jabber") || part("fragment") || part("undersize") || part("oversize") || has("runt") || has("runts") {
        // Checked before crc: RMON's fragments and jabbers have a bad FCS too, and are not crc errors (RFC 2819).
        Some(Class::Length)
    } else if part("symbol") {
        Some(Class::Symbol)
    } else if has("align") || part("align_err") || part("alignment_err") {
        Some(Class::Alignment)
    } else if has("crc") || has("fcs") || part("crcerr") || part("fcserr") || part("crc_err") || part("fcs_err") {
        Some(Class::Fcs)
    } else if part("length_err") || part("short_length") || part("long_length") || part("out_of_range_len") {
        Some(Class::Length)
    } else if has("missed") {
        Some(Class::Missed)
    } else if part("no_buf") || part("nobuf") || part("out_of_buffer") || part("no_dma") || part("alloc_fail") {
        Some(Class::NoBuffer)
    } else if part("overrun") || part("overflow") || part("fifo_err") || part("over_err") {
        Some(Class::Overrun)
    } else if part("rx") && (has("drop") || has("drops") || has("dropped") || has("discard") || has("discards")) {
        Some(Class::Dropped)
    } else {
        None
    }
}

/// The name with the number of its queue taken out, so that the same counter of every queue has one name.
///
/// Only a number right after a word for a queue is taken out: the digits of `rx_1024_to_1518` are part of the name.
fn without_queue(name: &str) -> String {
    let mut out: Vec<String> = Vec::new();
    let mut after_queue = false;
    for word in name.split('_') {
        let letters = word.trim_end_matches(|c: char| c.is_ascii_digit());
        let is_queue = matches!(letters, "queue" | "rxq" | "txq" | "rx" | "tx" | "q" | "ring" | "ch" | "prio" | "tc");
        if after_queue && !word.is_empty() && word.chars().all(|c| c.is_ascii_digit()) {
            out.push("N".to_owned());
        } else if is_queue && letters.len() < word.len() {
            out.push(format!("{letters}N"));
        } else {
            out.push(word.to_owned());
        }
        after_queue = is_queue;
    }
    out.join("_")
}

#[cfg(test)]
mod tests;
