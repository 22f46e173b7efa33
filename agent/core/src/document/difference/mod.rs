//! What changed between two runs, and whether it is more than chance.
//!
//! Counts are held against each other by the exact test of [`compare_rates`](crate::stats::compare_rates). Wrong bits
//! cluster, so hits are counted (damaged probes), and the bits they had a chance to fall in. Several figures are tested
//! at once: the doubt is shared among them (Bonferroni), so that two runs of an unchanged port differ in any of them no
//! more often than one test would. Round trips are compared by what their summaries prove and no more: see `latency`.

mod line;

use serde::{Deserialize, Serialize};

use crate::base::figure;
use crate::document::run::{Latency, Report};
use crate::judge::ratio::Basis;
use crate::stats::compare_rates::{ErrorCount, RateComparison};

/// Two runs side by side.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Ids of the runs.
    pub runs: [String; 2],
    /// How the runs were not alike: where the plug was, cable, profile, driver and the like. Figures of runs made under
    /// other conditions may differ for that reason.
    pub conditions: Vec<Change>,
    /// Figures, whether they changed or not.
    pub figures: Vec<Change>,
    /// How sure "beyond chance" is, over all figures together.
    pub confidence: f64,
    /// What it comes to, in a sentence.
    pub says: String,
}

/// One thing in both runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// What it is.
    pub name: String,
    /// In either run, in words.
    pub values: [String; 2],
    /// Whether it changed, and how that is known.
    pub change: Kind,
    /// Probability that chance alone makes so large a difference, where counts can tell.
    pub chance: Option<f64>,
}

/// Whether a thing changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The same in both.
    Same,
    /// Not a figure that scatters: it is simply another.
    Other,
    /// Higher in the second run, beyond chance.
    Higher,
    /// Lower in the second run, beyond chance.
    Lower,
    /// Differs by no more than chance may do.
    WithinChance,
    /// The two were not measured alike, or not at all.
    NotComparable,
}

/// Holds two runs against each other.
pub fn difference(a: &Report, b: &Report) -> Difference {
    let confidence = a.limit.confidence.max(b.limit.confidence);
    let lines = a.serial().zip(b.serial());
    let tests: Vec<Test> = match lines {
        Some(_) => vec![error_ratio(a, b), line::slips(a, b), line::characters(a, b), latency(a, b)],
        None => vec![error_ratio(a, b), loss(a, b), latency(a, b)],
    };
    // Shared by the number of tests there are, whether or not each could be made: our own choice, on the careful side.
    let doubt = (1.0 - confidence) / tests.len() as f64;
    let mut figures = vec![plain("outcome", outcome(a), outcome(b))];
    figures.extend(tests.into_iter().map(|test| test.judged(doubt)));
    figures.push(plain("kind of damage", a.damage.kind().to_string(), b.damage.kind().to_string()));
    match lines {
        Some((first, second)) => figures.extend(line::figures((a, first), (b, second))),
        None => {
            figures.push(plain("link", link(a), link(b)));
            figures.push(plain("link drops", link_drops(a), link_drops(b)));
        }
    }
    let conditions: Vec<_> = conditions(a, b).into_iter().filter(|c| c.change != Kind::Same).collect();
    let says = says(&conditions, &figures);
    Difference { runs: [a.run.clone(), b.run.clone()], conditions, figures, confidence, says }
}

/// A comparison before the doubt is shared out.
struct Test {
    name: &'static str,
    values: [String; 2],
    /// Probability of chance, and whether the second run is the higher one; none where the two cannot be compared.
    chance: Option<(f64, bool)>,
}

impl Test {
    fn judged(self, doubt: f64) -> Change {
        let change = match self.chance {
            None => Kind::NotComparable,
            Some((chance, higher)) if chance <= doubt => {
                if higher {
                    Kind::Higher
                } else {
                    Kind::Lower
                }
            }
            Some(_) if self.values[0] == self.values[1] => Kind::Same,
            Some(_) => Kind::WithinChance,
        };
        Change { name: self.name.into(), values: self.values, change, chance: self.chance.map(|(chance, _)| chance) }
    }
}

fn plain(name: &str, a: String, b: String) -> Change {
    let change = if a == b { Kind::Same } else { Kind::Other };
    Change { name: name.into(), values: [a, b], change, chance: None }
}

fn rates(a: ErrorCount, b: ErrorCount) -> Option<(f64, bool)> {
    let test = RateComparison::new(a, b).ok()?;
    Some((test.p_two_sided, test.p_b_higher < test.p_a_higher))
}

/// Hits (damaged probes) in the bits they could fall in.
fn hits(report: &Report) -> Option<ErrorCount> {
    let ratio = report.error_ratio.as_ref()?;
    let (errors, bits) = match ratio.basis {
        Basis::Bits => (report.damage.errored_probes, ratio.trials),
        Basis::Frames => (ratio.errors, (ratio.trials as f64 * mean_frame_bits(report)?).round() as u64),
    };
    Some(ErrorCount { errors: errors.min(bits), bits })
}

/// Mean length of the probes sent, bits with FCS: a hit there fails the frame too.
fn mean_frame_bits(report: &Report) -> Option<f64> {
    let sent: u64 = report.steps.iter().map(|s| s.frames_sent).sum();
    let bits: f64 = report.steps.iter().map(|s| s.frames_sent as f64 * f64::from(s.size_bytes) * 8.0).sum();
    (sent > 0).then(|| bits / sent as f64)
}

fn error_ratio(a: &Report, b: &Report) -> Test {
    let alike = a.error_ratio.as_ref().map(|r| r.basis) == b.error_ratio.as_ref().map(|r| r.basis);
    let chance = match (hits(a), hits(b)) {
        (Some(a), Some(b)) if alike => rates(a, b),
        _ => None,
    };
    let words = |r: &Report| match &r.error_ratio {
        None => "not measured".to_owned(),
        Some(ratio) => format!("{} ({} to {})", power(ratio.estimate), power(ratio.lower), power(ratio.upper)),
    };
    Test { name: "bit error ratio", values: [words(a), words(b)], chance }
}

fn loss(a: &Report, b: &Report) -> Test {
    let count = |r: &Report| {
        let Some(t) = r.totals.frames() else { return ErrorCount { errors: 0, bits: 0 } };
        let inside = r.totals.lost_inside();
        let bits = t.frames_sent.saturating_sub(inside);
        ErrorCount { errors: t.frames_lost.saturating_sub(inside).min(bits), bits }
    };
    let words = |r: &Report| {
        let c = count(r);
        if c.bits == 0 {
            "not measured".to_owned()
        } else {
            format!("{} of {}", figure::count(c.errors), figure::count(c.bits))
        }
    };
    Test { name: "frames lost on the way", values: [words(a), words(b)], chance: rates(count(a), count(b)) }
}

/// Round trips of probes that travelled alone.
///
/// A report keeps a summary: shortest, median, 99th percentile. It bounds how many trips lie above a threshold: of the
/// run whose median is the threshold at most half, of the one whose shortest trip lies above it all, and so on. If even
/// these bounds differ beyond chance, so do the trips. Four thresholds are tried in each direction, and the doubt is
/// shared among the eight. Shifts smaller than the spread of the trips are therefore left open: a careful test, our
/// own.
fn latency(a: &Report, b: &Report) -> Test {
    let (a, b) = (&a.latency_ns, &b.latency_ns);
    let words = |l: &Latency| match (l.p50, l.p99) {
        (Some(p50), Some(p99)) => {
            format!("{} median, {} p99 ({} clock)", figure::time_ns(p50), figure::time_ns(p99), l.clock)
        }
        _ => "not measured".to_owned(),
    };
    let comparable = a.clock == b.clock && a.count > 0 && b.count > 0;
    let chance = comparable.then(|| {
        let (b_higher, a_higher) = (shifted(a, b), shifted(b, a));
        ((b_higher.min(a_higher) * 8.0).min(1.0), b_higher < a_higher)
    });
    Test { name: "round trip", values: [words(a), words(b)], chance }
}

/// Least probability that the summary of `high` would look so much longer than that of `low` by chance; 1 if it does
/// not.
fn shifted(low: &Latency, high: &Latency) -> f64 {
    let thresholds = [(low.p50, 0.5), (low.p99, 0.01)];
    let reached = [(high.min, 1.0), (high.p50, 0.5)];
    let mut least = 1.0_f64;
    for (threshold, share_above) in thresholds {
        for (from, share_reached) in reached {
            let (Some(threshold), Some(from)) = (threshold, from) else { continue };
            if from <= threshold {
                continue;
            }
            let above = ErrorCount { errors: (low.count as f64 * share_above).ceil() as u64, bits: low.count };
            let reached = ErrorCount { errors: (high.count as f64 * share_reached).floor() as u64, bits: high.count };
            if let Ok(test) = RateComparison::new(above, reached) {
                least = least.min(test.p_b_higher);
            }
        }
    }
    least
}

fn outcome(report: &Report) -> String {
    let v = &report.verdict;
    let places: Vec<_> = v.location.iter().map(|l| l.name()).collect();
    if places.is_empty() {
        v.outcome.name().to_owned()
    } else {
        format!("{}: {}", v.outcome.name(), places.join(" or "))
    }
}

fn link_drops(report: &Report) -> String {
    report.ethernet().map_or(0, |detail| detail.link_flaps).to_string()
}

fn link(report: &Report) -> String {
    let Some(link) = report.ethernet().map(|detail| &detail.link) else { return "none".into() };
    match (link.up, link.speed_mbps, link.full_duplex) {
        (false, ..) => "none".into(),
        (true, Some(mbps), Some(false)) => format!("{mbps} Mb/s half duplex"),
        (true, Some(mbps), _) => format!("{mbps} Mb/s"),
        (true, None, _) => "up".into(),
    }
}

fn conditions(a: &Report, b: &Report) -> Vec<Change> {
    type Read = fn(&Report) -> String;
    let or_none = |text: Option<&String>| text.cloned().unwrap_or_else(|| "-".into());
    let texts: [(&str, Read); 4] = [
        ("machine", |r| r.machine.clone()),
        ("placement", |r| r.placement.to_string()),
        ("profile", |r| r.profile.clone()),
        ("program", |r| r.program.clone()),
    ];
    type ReadLabel = fn(&Report) -> Option<&String>;
    let optional: [(&str, ReadLabel); 8] = [
        ("permanent address", |r| r.port.permanent_address.as_ref()),
        ("bus", |r| r.port.bus.as_ref()),
        ("driver", |r| r.port.driver.as_ref()),
        ("firmware", |r| r.port.firmware.as_ref()),
        ("cable", |r| r.cable.as_ref()),
        ("segment", |r| r.labels.segment.as_ref()),
        ("far end", |r| r.labels.far_end.as_ref()),
        ("plug", |r| r.labels.plug.as_ref()),
    ];
    let mut list = vec![plain("port", a.port.name.clone(), b.port.name.clone())];
    list.extend(texts.iter().map(|(name, read)| plain(name, read(a), read(b))));
    if let Some((first, second)) = a.serial().zip(b.serial()) {
        list.push(plain("line", first.format.to_string(), second.format.to_string()));
        list.push(plain("wiring", first.plug.to_string(), second.plug.to_string()));
    }
    list.extend(optional.iter().map(|(name, read)| plain(name, or_none(read(a)), or_none(read(b)))));
    list
}

fn says(conditions: &[Change], figures: &[Change]) -> String {
    let named = |kinds: &[Kind]| -> Vec<String> {
        figures
            .iter()
            .filter(|f| kinds.contains(&f.change))
            .map(|f| match f.change {
                Kind::Higher => format!("{} is higher in the second", f.name),
                Kind::Lower => format!("{} is lower in the second", f.name),
                _ => format!("{} differs", f.name),
            })
            .collect()
    };
    let beyond = named(&[Kind::Higher, Kind::Lower]);
    let other = named(&[Kind::Other]);
    let mut text = if beyond.is_empty() {
        "no counted figure differs beyond chance".to_owned()
    } else {
        format!("beyond chance: {}", beyond.join(", "))
    };
    if !other.is_empty() {
        text.push_str(&format!("; {}", other.join(", ")));
    }
    if !conditions.is_empty() {
        let names: Vec<_> = conditions.iter().map(|c| c.name.as_str()).collect();
        text.push_str(&format!("; not made alike: {}", names.join(", ")));
    }
    text
}

fn power(value: f64) -> String {
    if value == 0.0 { "0".into() } else { format!("{value:.1e}") }
}

#[cfg(test)]
mod tests;
