//! What is said beside any verdict on a serial port, and changes nothing.

use super::modem::{self, Behaviour};
use crate::base::figure::count;
use crate::judge::facts::{Reference, Stopped};
use crate::judge::rule::Remark;
use crate::kind::serial::facts::{LineEvidence, highest_clean, lowest_failing};
use crate::kind::serial::plug::{LinePlug, ModemLine};

/// Remarks that follow any verdict.
pub const LINE_REMARKS: &[Remark<LineEvidence>] = &[
    ("host-slowed", |e| {
        (e.slowdowns > 0).then(|| {
            let why = match e.lost_in_host() {
                0 => "bytes went missing, and nobody counts all that is dropped on this side of the port".to_owned(),
                inside => {
                    format!("this computer did not empty the port in time: {} bytes were lost inside it", count(inside))
                }
            };
            format!("{why}; fewer were let out at once, and the step repeated, {} times", e.slowdowns)
        })
    }),
    ("lost-in-host", |e| {
        let inside = e.lost_in_host();
        (e.slowdowns == 0 && inside > 0).then(|| {
            format!(
                "{} bytes were lost inside this computer or its adapter, by the port's own counts; not put on the line",
                count(inside)
            )
        })
    }),
    ("stopped-early", |e| match e.stopped? {
        Stopped::ByUser => Some("ended by hand before the plan was done".into()),
        Stopped::TakenIntoService => Some("the port was taken into service during the run".into()),
        _ => None,
    }),
    ("confirmed-elsewhere", |e| {
        let told: Vec<String> = e.references.iter().map(told_reference).collect();
        (!told.is_empty()).then(|| told.join("; "))
    }),
    ("damage-kind", |e| {
        let c = &e.counts;
        (c.bit_errors > 0).then(|| {
            format!(
                "{} wrong bits in {} bytes of {} blocks, {}",
                count(c.bit_errors),
                count(c.damaged),
                count(c.pieces_damaged),
                e.damage
            )
        })
    }),
    ("lines-not-judged", |e| {
        let known = e.plug.has_modem_lines();
        (e.capabilities.modem_lines && !known && !e.modem.is_empty()).then(|| {
            format!("with plug {} nothing is known of the modem lines: they are shown, not judged; name a full plug with --wiring", e.plug)
        })
    }),
    ("half-duplex", |e| {
        (e.plug == LinePlug::Rs485 && e.counts.returned > 0).then(|| {
            let how = if e.capabilities.half_duplex {
                "the driver's RS-485 setting kept the receiver on while sending"
            } else {
                "the driver has no RS-485 setting, and the receiver was on while sending"
            };
            format!(
                "{how}: the port heard {} of the {} bytes that it sent",
                count(e.counts.returned),
                count(e.counts.sent)
            )
        })
    }),
    ("no-modem-lines", |e| {
        (e.counts.sent > 0 && !e.capabilities.modem_lines)
            .then(|| "this port has no modem lines to test; that does not count against it".into())
    }),
    ("no-counts", |e| {
        (e.counts.sent > 0 && !e.capabilities.counts_errors).then(|| {
            let told = "this port's driver counts no line errors; that does not count against it";
            match e.capabilities.hides_overruns() {
                true => format!(
                    "{told}, but a byte lost in this computer is told from one lost on the line only by letting fewer out at once"
                ),
                false => told.to_owned(),
            }
        })
    }),
    ("ring-wired", |e| {
        let ring = modem::state(e, ModemLine::Ri);
        (!e.modem.is_empty() && ring.expected == Some(Behaviour::Off) && ring.seen == Behaviour::FollowsRts)
            .then(|| "RI follows RTS: this plug has the ring indicator wired (--wiring de9-ri or db25-ri)".into())
    }),
    ("flow-control", |e| {
        let flow = e.flow.filter(|flow| !flow.stops() || !flow.starts())?;
        let what = if flow.stops() { "does not start the sender again" } else { "does not stop the sender" };
        Some(format!(
            "CTS {what}: {} of {} bytes came back while it was off, {} in all; not for equipment with hardware flow control",
            count(flow.came_while_off),
            count(flow.sent),
            count(flow.came_in_all)
        ))
    }),
    ("break", |e| {
        (e.break_returned == Some(false))
            .then(|| "a break was sent and none came round; some drivers and adapters pass none".into())
    }),
    ("highest-speed", |e| {
        let clean = highest_clean(&e.speeds)?;
        Some(match lowest_failing(&e.speeds) {
            Some(failing) => format!("without error up to {clean} bits a second; errors from {failing}"),
            None => format!("without error up to {clean} bits a second, the highest this port took"),
        })
    }),
];

fn told_reference(r: &Reference) -> String {
    let how = match (r.failed(), r.passed()) {
        (true, _) => "fails",
        (_, true) => "passes",
        _ => "neither passes nor fails",
    };
    format!("{}: {how} ({} of {} failed)", r.placement, count(r.failures), count(r.trials))
}
