//! Settings of an interface: read, changed with a note in the journal, and put back.
//!
//! [`Changes`] is the only way a run changes anything: each change is noted on the disk first, and all of them are
//! undone in reverse when it is told to, when it is dropped (also by a panic), or at the next start by
//! [`crate::guard::journal::recover`] with an [`EthernetSettings`].

use serde_json::Value;
use thiserror::Error;

use super::device::ethtool::{EthtoolError, Interface, Support, link::LinkSetting, timestamp::Timestamping};
use crate::{
    guard::journal::{self, Change, Journal, JournalError, Outcome, Recovered, Target},
    guard::state,
};

mod apply;
#[cfg(test)]
mod tests;

pub use apply::EthernetSettings;

/// One setting and its value.
#[derive(Clone, Debug, PartialEq)]
pub enum Setting {
    /// Switched on by the administrator.
    Up(bool),
    /// Largest payload in octets.
    Mtu(u32),
    /// Speed and duplex, or negotiation.
    Link(LinkSetting),
    /// A device feature by its name.
    Feature {
        /// The kernel's name, such as [`super::device::ethtool::feature::RX_ALL`].
        name: String,
        /// On or off.
        on: bool,
    },
    /// What the adapter stamps with its clock.
    Timestamping(Timestamping),
}

/// What came of a wish to change.
#[must_use]
#[derive(Clone, Debug, PartialEq)]
pub enum Made {
    /// It was changed, and will be put back.
    Changed,
    /// It was so already; nothing was changed.
    AlreadySo,
    /// These changes had made it otherwise; the change was undone, and nothing is left to put back.
    PutBack(Box<Recovered>),
    /// The driver does not offer it; nothing was changed.
    Unsupported,
}

/// Why a setting could not be changed.
#[derive(Debug, Error)]
pub enum SettingError {
    /// It could not be noted, so it was not changed.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The interface refused.
    #[error(transparent)]
    Ethtool(#[from] EthtoolError),
}

impl Setting {
    /// The name of the setting in the journal: `interface.mtu`, `interface.feature.rx-all`.
    pub fn kind(&self) -> String {
        match self {
            Self::Up(_) => UP.to_owned(),
            Self::Mtu(_) => MTU.to_owned(),
            Self::Link(_) => LINK.to_owned(),
            Self::Feature { name, .. } => format!("{FEATURE}{name}"),
            Self::Timestamping(_) => TIMESTAMPING.to_owned(),
        }
    }

    /// The value as the journal keeps it.
    pub fn value(&self) -> Value {
        match self {
            Self::Up(on) | Self::Feature { on, .. } => Value::from(*on),
            Self::Mtu(octets) => Value::from(*octets),
            Self::Link(setting) => serde_json::to_value(setting).unwrap_or_default(),
            Self::Timestamping(config) => serde_json::to_value(config).unwrap_or_default(),
        }
    }

    /// A setting from the journal; `None` when the name or the value is none of ours.
    pub fn from_journal(kind: &str, value: &Value) -> Option<Self> {
        Some(match kind {
            UP => Self::Up(value.as_bool()?),
            MTU => Self::Mtu(u32::try_from(value.as_u64()?).ok()?),
            LINK => Self::Link(serde_json::from_value(value.clone()).ok()?),
            TIMESTAMPING => Self::Timestamping(serde_json::from_value(value.clone()).ok()?),
            _ => Self::Feature { name: kind.strip_prefix(FEATURE)?.to_owned(), on: value.as_bool()? },
        })
    }

    /// This setting as the interface has it now; `None` when it has no such setting or does not tell.
    ///
    /// # Errors
    ///
    /// When the interface does not answer.
    pub fn now(&self, interface: &Interface) -> Result<Option<Self>, EthtoolError> {
        Ok(match self {
            Self::Up(_) => Some(Self::Up(interface.is_up()?)),
            Self::Mtu(_) => Some(Self::Mtu(interface.mtu()?)),
            Self::Link(_) => interface.link()?.map(|link| Self::Link(link.setting())),
            Self::Feature { name, .. } => {
                interface.feature(name)?.map(|feature| Self::Feature { name: feature.name, on: feature.on })
            }
            Self::Timestamping(_) => interface.timestamping()?.map(Self::Timestamping),
        })
    }

    /// Whether two readings stand for the same setting; see [`LinkSetting::same_as`] for what is let pass.
    pub fn same_as(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Link(a), Self::Link(b)) => a.same_as(b),
            _ => self == other,
        }
    }

    fn apply(&self, interface: &Interface) -> Result<Support, EthtoolError> {
        match self {
            Self::Up(up) => interface.set_up(*up),
            Self::Mtu(octets) => interface.set_mtu(*octets),
            Self::Link(setting) => interface.set_link(setting),
            Self::Feature { name, on } => interface.set_feature(name, *on),
            Self::Timestamping(config) => Ok(interface.set_timestamping(*config)?.into()),
        }
    }
}

/// The changes of a run, in the order they were made.
#[derive(Debug)]
pub struct Changes {
    journal: Journal,
    made: Vec<Change>,
}

impl Changes {
    /// No changes yet.
    pub fn new(journal: Journal) -> Self {
        Self { journal, made: Vec::new() }
    }

    /// Changes a setting, after noting it. Nothing is noted for what is so already or cannot be changed.
    ///
    /// # Errors
    ///
    /// When the change cannot be noted (then it is not made) or the interface refuses it.
    pub fn make(&mut self, interface: &Interface, wanted: &Setting) -> Result<Made, SettingError> {
        // What cannot be read cannot be put back, so it is not changed either.
        let Some(old) = wanted.now(interface)? else { return Ok(Made::Unsupported) };
        if is_exactly(&old, wanted) {
            return Ok(Made::AlreadySo);
        }
        if let Setting::Feature { name, .. } = wanted
            && !interface.feature(name)?.is_some_and(|feature| feature.changeable)
        {
            return Ok(Made::Unsupported);
        }
        let target = target(interface)?;
        if let Some(recovered) = self.take_back(&target, wanted) {
            return Ok(Made::PutBack(Box::new(recovered)));
        }
        let mut change = self.journal.begin(target, &wanted.kind(), old.value(), wanted.value())?;
        let answer = wanted.apply(interface);
        let now = wanted.now(interface).ok().flatten();
        if !matches!(answer, Ok(Support::Done)) && now.as_ref().is_some_and(|now| now.same_as(&old)) {
            // If this note fails, the next start finds the old value in place.
            let _ = self.journal.done(&change);
            return Ok(answer.map(|_| Made::Unsupported)?);
        }
        // Driver may have made something else of it, or changed half of it before it failed: that is ours to undo.
        let became = now.filter(|now| !now.same_as(wanted)).map(|now| self.journal.became(&mut change, now.value()));
        self.made.push(change);
        became.transpose()?;
        let _: Support = answer?;
        Ok(Made::Changed)
    }

    /// Undoes the last change of this kind if that brings about what is wanted. Noted as a further change, it would be made
    /// twice more at the end.
    fn take_back(&mut self, target: &Target, wanted: &Setting) -> Option<Recovered> {
        let same = |change: &Change| change.kind == wanted.kind() && change.target == *target;
        let last = self.made.iter().rposition(same)?;
        if self.made[last].old != wanted.value() {
            return None;
        }
        let change = self.made[last].clone();
        let outcome = journal::put_back(&mut EthernetSettings::of_own_run(), &change);
        if outcome != Outcome::PutBack {
            return None;
        }
        self.made.remove(last);
        // If this note fails, the next start finds the old value in place.
        let _ = self.journal.done(&change);
        Some(Recovered { change, outcome })
    }

    /// Undoes everything, the last change first, and says what became of each. What fails stays in the journal.
    ///
    /// Must run in the network namespace in which the changes were made.
    pub fn put_back(&mut self) -> Vec<Recovered> {
        let mut settings = EthernetSettings::of_own_run();
        let mut recovered = Vec::new();
        while let Some(change) = self.made.pop() {
            let outcome = journal::put_back(&mut settings, &change);
            if outcome.is_final() {
                // If this note fails, the next start finds the old value in place.
                let _ = self.journal.done(&change);
            }
            recovered.push(Recovered { change, outcome });
        }
        recovered
    }
}

impl Drop for Changes {
    fn drop(&mut self) {
        for recovered in self.put_back() {
            if !matches!(recovered.outcome, Outcome::PutBack | Outcome::Unchanged) {
                tracing::warn!("{recovered}");
            }
        }
    }
}

/// Stricter than [`Setting::same_as`]: an unknown speed is not yet the speed that is wanted.
fn is_exactly(old: &Setting, wanted: &Setting) -> bool {
    match (old, wanted) {
        (Setting::Link(LinkSetting::Forced { .. }), Setting::Link(LinkSetting::Forced { .. })) => old == wanted,
        _ => old.same_as(wanted),
    }
}

fn target(interface: &Interface) -> Result<Target, EthtoolError> {
    Ok(Target::Interface {
        namespace: state::network_namespace(),
        name: interface.name().to_owned(),
        index: interface.index()?,
        address: identity(interface)?,
    })
}

/// What tells an interface from another that gets its name and number later.
fn identity(interface: &Interface) -> Result<String, EthtoolError> {
    let address = match interface.permanent_address()? {
        Some(address) => Some(address),
        None => interface.address()?,
    };
    Ok(address.map_or_else(String::new, |address| address.to_string()))
}

const UP: &str = "interface.up";
const MTU: &str = "interface.mtu";
const LINK: &str = "interface.link";
const FEATURE: &str = "interface.feature.";
const TIMESTAMPING: &str = "interface.timestamping";
