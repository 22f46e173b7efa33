//! `[bench]`: the bench that this machine is, and the lot whose cards are tested there.

use std::path::PathBuf;

use serde::Deserialize;
use toml::Spanned;

use super::{
    Target,
    error::{ConfigError, Lines},
};

/// `[bench]` as written.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Bench {
    /// Label of the lot.
    pub lot: Option<Spanned<String>>,
    /// A simulated bench in place of this machine's cards.
    pub rig: Option<Spanned<String>>,
    /// Labels of the slots.
    pub slots: Vec<Spanned<String>>,
    /// Labels of the plugs.
    pub plugs: Vec<Spanned<String>>,
    /// A name of the reference card.
    pub reference: Option<Spanned<String>>,
    /// Whether hands are asked.
    pub ask: Option<bool>,
    /// Where certificates go.
    pub certificates: Option<Spanned<PathBuf>>,
    /// Where labels go.
    pub labels: Option<Spanned<PathBuf>>,
    /// Width and height of a label.
    pub label_size: Option<String>,
    /// Targets.
    pub announce: Vec<Spanned<String>>,
}

/// The bench that this machine is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BenchConfig {
    /// Label of the lot; none: the one that comes with the simulated bench.
    pub lot: Option<String>,
    /// The simulated bench, `sim:NAME` or `sim:FILE`; none: the cards of this machine.
    pub rig: Option<String>,
    /// Labels of the slots whose cards are tested; empty: every slot.
    pub slots: Vec<String>,
    /// Labels of the plugs; empty: each port keeps one of its own.
    pub plugs: Vec<String>,
    /// A name of the reference card: a port, slot, place or serial number.
    pub reference: Option<String>,
    /// Hands are asked; otherwise plugs count as fitted, and what needs an exchange stays unfinished.
    pub ask: bool,
    /// Folder for certificates.
    pub certificates: Option<PathBuf>,
    /// Folder for labels.
    pub labels: Option<PathBuf>,
    /// Width and height of a label, mm, as written: `62x29`.
    pub label_size: String,
    /// Names of the targets that are told when hands are needed; all when empty.
    pub announce: Vec<String>,
}

impl BenchConfig {
    /// A simulated bench with its own lot, where hands are asked.
    pub fn of_rig(rig: &str) -> Self {
        Self {
            lot: None,
            rig: Some(rig.to_owned()),
            slots: Vec::new(),
            plugs: Vec::new(),
            reference: None,
            ask: true,
            certificates: None,
            labels: None,
            label_size: LABEL_SIZE.to_owned(),
            announce: Vec::new(),
        }
    }
}

/// A usual roll of a label printer, mm.
const LABEL_SIZE: &str = "62x29";

pub(super) fn check(raw: &Bench, targets: &[Target], lines: &Lines<'_>) -> Result<BenchConfig, ConfigError> {
    let rig = raw.rig.as_ref();
    if let Some(name) = rig.filter(|name| !name.get_ref().starts_with("sim:")) {
        return Err(lines.value(name, "rig", "a simulated bench, `sim:NAME` or `sim:FILE`"));
    }
    let of_machine = raw.slots.iter().chain(&raw.plugs).chain(&raw.reference);
    if let (Some(_), Some(given)) = (rig, of_machine.clone().next()) {
        return Err(lines.at(given.span(), "a simulated bench brings its own slots, plugs and reference card"));
    }
    if rig.is_none() && raw.lot.is_none() {
        return Err(lines.at(0..0, "[bench] needs a lot: `turnback bench lot open LABEL --quantity NUMBER` opens one"));
    }
    for text in of_machine.chain(&raw.lot) {
        if text.get_ref().is_empty() || text.get_ref().len() > 100 || text.get_ref().contains(char::is_control) {
            return Err(lines.value(text, "label", "1 to 100 characters, none of them a control character"));
        }
    }
    for (at, plug) in raw.plugs.iter().enumerate() {
        if raw.plugs[..at].iter().any(|other| other.get_ref() == plug.get_ref()) {
            let text = format!("two plugs are called `{}`: a fault of one would be the other's", plug.get_ref());
            return Err(lines.at(plug.span(), text));
        }
    }
    for folder in [&raw.certificates, &raw.labels].into_iter().flatten() {
        if !folder.get_ref().is_absolute() {
            let text = format!("folder `{}` is no absolute path", folder.get_ref().display());
            return Err(lines.at(folder.span(), text));
        }
    }
    let texts = |all: &[Spanned<String>]| all.iter().map(|text| text.get_ref().clone()).collect();
    let path = |given: &Option<Spanned<PathBuf>>| given.as_ref().map(|path| path.get_ref().clone());
    let text = |given: &Option<Spanned<String>>| given.as_ref().map(|text| text.get_ref().clone());
    Ok(BenchConfig {
        lot: text(&raw.lot),
        rig: text(&raw.rig),
        slots: texts(&raw.slots),
        plugs: texts(&raw.plugs),
        reference: text(&raw.reference),
        ask: raw.ask.unwrap_or(true),
        certificates: path(&raw.certificates),
        labels: path(&raw.labels),
        label_size: raw.label_size.clone().unwrap_or_else(|| LABEL_SIZE.to_owned()),
        announce: super::announced_to(&raw.announce, targets, lines)?,
    })
}
