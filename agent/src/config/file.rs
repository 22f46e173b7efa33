//! The configuration as people write it: every key, and its default where that needs no thought. Values are checked one
//! level up.

use std::path::PathBuf;

use serde::Deserialize;
use toml::Spanned;
use turnback_core::watch::selector::Selector;

/// The whole file.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct File {
    /// Where records are kept.
    pub store: Option<PathBuf>,
    /// Time zone of rounds that name none.
    pub zone: Option<Spanned<String>>,
    /// `[limits]`.
    pub limits: Limits,
    /// `[http]`.
    pub http: super::http::Http,
    /// `[[port]]`.
    pub port: Vec<Port>,
    /// `[[round]]`.
    pub round: Vec<Round>,
    /// `[[announce]]`.
    pub announce: Vec<super::announce::Announce>,
    /// `[fleet]`.
    pub fleet: Option<super::fleet::Fleet>,
    /// `[bench]`.
    pub bench: Option<super::bench::Bench>,
}

/// Limits on all runs together.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    /// Runs side by side.
    pub runs_at_once: Option<Spanned<u32>>,
    /// Share of all processors.
    pub cpu_share: Option<Spanned<f64>>,
    /// Time beyond the plan.
    pub overtime: Option<Spanned<String>>,
    /// How long records are kept.
    pub keep_records: Option<Spanned<String>>,
    /// How long an open case keeps its port to itself while nobody does anything in it.
    pub case_idle: Option<Spanned<String>>,
}

/// What is known of some ports.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Port {
    /// Which.
    pub select: Spanned<Selector>,
    /// Label on the port.
    pub label: Option<Spanned<String>>,
    /// Label of its cable.
    pub cable: Option<Spanned<String>>,
    /// Its cabinet.
    pub cabinet: Option<Spanned<String>>,
    /// It is a spare.
    #[serde(default)]
    pub spare: bool,
    /// Format of a serial port's line.
    pub line: Option<Spanned<String>>,
    /// Wiring of a serial port's plug.
    pub wiring: Option<Spanned<String>>,
}

/// One scheduled pass.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Round {
    /// Name.
    pub name: Spanned<String>,
    /// Which ports.
    pub select: Spanned<Vec<Selector>>,
    /// Cron expression.
    pub schedule: Spanned<String>,
    /// Time zone.
    pub zone: Option<Spanned<String>>,
    /// Random delay, at most.
    pub jitter: Option<Spanned<String>>,
    /// Allowed hours.
    #[serde(default)]
    pub hours: Vec<Spanned<String>>,
    /// Profile by name or file.
    #[serde(default = "quick")]
    pub profile: Spanned<String>,
    /// Where the plug is.
    pub placement: Option<Spanned<String>>,
    /// Time of a step, in place of the profile's.
    pub time: Option<Spanned<String>>,
    /// Rate, in place of the profile's.
    pub rate: Option<Spanned<String>>,
    /// Limit, in place of the profile's.
    pub target_ber: Option<Spanned<f64>>,
    /// Faults in a row to fail.
    pub faults_to_fail: Option<Spanned<u32>>,
    /// Passes in a row to clear.
    pub passes_to_clear: Option<Spanned<u32>>,
    /// Undecided runs in a row to doubt.
    pub inconclusive_to_doubt: Option<Spanned<u32>>,
    /// Time to the repeat.
    pub repeat_after: Option<Spanned<String>>,
    /// Age at which a proof is none.
    pub proof_lasts: Option<Spanned<String>>,
    /// Catch up missed times.
    #[serde(default = "yes")]
    pub catch_up: bool,
    /// Side by side on one adapter.
    #[serde(default)]
    pub side_by_side: bool,
    /// Targets.
    #[serde(default)]
    pub announce: Vec<Spanned<String>>,
}

fn quick() -> Spanned<String> {
    Spanned::new(0..0, "quick".to_owned())
}
fn yes() -> bool {
    true
}
