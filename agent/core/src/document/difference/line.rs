//! The figures of two runs on a serial port.

use super::{Change, Test, plain, rates};
use crate::document::run::{Report, SerialDetail};
use crate::stats::compare_rates::ErrorCount;

fn counts(report: &Report, count: impl Fn(&SerialDetail) -> (u64, u64)) -> (ErrorCount, String) {
    let (errors, of) = report.serial().map_or((0, 0), count);
    let words = if of == 0 { "not measured".to_owned() } else { format!("{errors} of {of}") };
    (ErrorCount { errors: errors.min(of), bits: of }, words)
}

fn test(name: &'static str, a: (ErrorCount, String), b: (ErrorCount, String)) -> Test {
    Test { name, chance: rates(a.0, b.0), values: [a.1, b.1] }
}

/// Blocks in which bytes are missing or extra: bytes that vanish together are one event. What this computer lost is
/// left out where its counts explain every missing byte.
pub(super) fn slips(a: &Report, b: &Report) -> Test {
    let slips = |report: &Report| {
        let on_line = report
            .totals
            .bytes()
            .map_or(0, |t| t.bytes_lost.saturating_sub(t.bytes_lost_in_host).saturating_add(t.bytes_inserted));
        counts(report, |line| (if on_line > 0 { line.counts.pieces_slipped } else { 0 }, line.counts.pieces))
    };
    test("blocks with missing or extra bytes", slips(a), slips(b))
}

/// Characters with a framing or parity error, by the driver's counts or by the marks; not comparable where one port
/// shows neither.
pub(super) fn characters(a: &Report, b: &Report) -> Test {
    let wrong = |report: &Report| {
        counts(report, |line| match report.line_errors {
            Some(e) => (e.framing.saturating_add(e.parity).max(line.counts.marked), line.counts.returned),
            None if line.capabilities.marks_errors => (line.counts.marked, line.counts.returned),
            None => (0, 0),
        })
    };
    test("characters with framing or parity errors", wrong(a), wrong(b))
}

/// What is simply the same or another: modem lines, flow control, break and speeds.
pub(super) fn figures(a: (&Report, &SerialDetail), b: (&Report, &SerialDetail)) -> Vec<Change> {
    type Read = fn((&Report, &SerialDetail)) -> String;
    let told: [(&str, Read); 4] = [
        ("modem lines", |(report, _)| {
            let lines: Vec<String> =
                report.lines.iter().map(|(name, state)| format!("{} {}", name.to_uppercase(), state.seen)).collect();
            if lines.is_empty() { "not read".into() } else { lines.join(", ") }
        }),
        ("flow control", |(_, line)| match line.flow_control {
            None => "not tried".into(),
            Some(flow) if flow.stops() && flow.starts() => "holds the sender".into(),
            Some(_) => "does not hold the sender".into(),
        }),
        ("break", |(_, line)| match line.break_returned {
            None => "not tried".into(),
            Some(true) => "came back".into(),
            Some(false) => "did not come round".into(),
        }),
        ("highest speed without error", |(_, line)| {
            line.highest_clean_bits_per_second.map_or("not tried".into(), |speed| format!("{speed} bits/s"))
        }),
    ];
    told.into_iter().map(|(name, read)| plain(name, read(a), read(b))).collect()
}
