//! Subjects: `turnback.v1.SITE.MACHINE.WHAT`.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::document::DocumentKind;

/// A site's or a machine's name as a part of a subject: 1 to 63 of a-z, A-Z, 0-9, `-` and `_`. A full stop would part
/// it in two, and `*` and `>` stand for others.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Name(String);

/// A text that is no [`Name`].
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("`{0}` is no name for the fleet: 1 to {NAME_MAX} of a-z, A-Z, 0-9, - and _")]
pub struct NameError(String);

/// As long as a part of a host name (RFC 1035, section 2.3.4: "labels 63 octets or less").
pub const NAME_MAX: usize = 63;

impl Name {
    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl FromStr for Name {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        let fits = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_');
        match (1..=NAME_MAX).contains(&text.len()) && text.bytes().all(fits) {
            true => Ok(Self(text.to_owned())),
            // What is quoted may be long, and may hold anything.
            false => Err(NameError(text.escape_default().take(NAME_MAX).collect())),
        }
    }
}

impl TryFrom<String> for Name {
    type Error = NameError;

    fn try_from(text: String) -> Result<Self, NameError> {
        text.parse()
    }
}

impl From<Name> for String {
    fn from(name: Name) -> Self {
        name.0
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Which machine: names are unique within a site.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Sender {
    /// Its site.
    pub site: Name,
    /// Its own name.
    pub machine: Name,
}

/// What a message is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum What {
    /// A document.
    Document(DocumentKind),
    /// States of ports, and how they changed.
    State,
    /// The machine lives.
    Heartbeat,
}

impl What {
    /// Every one.
    pub const ALL: [Self; 6] = [
        Self::Document(DocumentKind::Run),
        Self::Document(DocumentKind::Case),
        Self::Document(DocumentKind::CardTest),
        Self::Document(DocumentKind::Lot),
        Self::State,
        Self::Heartbeat,
    ];

    /// The last part of the subject.
    pub fn name(self) -> &'static str {
        match self {
            Self::Document(kind) => kind.name(),
            Self::State => "state",
            Self::Heartbeat => "heartbeat",
        }
    }
}

/// Where a message goes, and so who sent it and what it is.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Subject {
    /// Who sent it.
    pub sender: Sender,
    /// What it is.
    pub what: What,
}

/// A text that is no [`Subject`].
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("`{0}` is no subject of the form {ROOT}.SITE.MACHINE.WHAT")]
pub struct SubjectError(String);

/// What every subject of this version begins with.
pub const ROOT: &str = "turnback.v1";

/// Every subject of this version, as a broker's filter.
pub const ALL: &str = "turnback.v1.*.*.*";

impl Sender {
    /// Where this machine sends a message of this kind.
    pub fn subject(&self, what: What) -> Subject {
        Subject { sender: self.clone(), what }
    }

    /// Everything that this machine may send, as a broker's filter.
    pub fn own_subjects(&self) -> String {
        format!("{ROOT}.{self}.*")
    }
}

impl fmt::Display for Sender {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.site, self.machine)
    }
}

impl fmt::Display for Subject {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{ROOT}.{}.{}", self.sender, self.what.name())
    }
}

impl FromStr for Subject {
    type Err = SubjectError;

    fn from_str(text: &str) -> Result<Self, SubjectError> {
        let read = || {
            let parts: Vec<&str> = text.strip_prefix(ROOT)?.strip_prefix('.')?.split('.').collect();
            let [site, machine, what] = parts[..] else { return None };
            let what = What::ALL.into_iter().find(|known| known.name() == what)?;
            let sender = Sender { site: site.parse().ok()?, machine: machine.parse().ok()? };
            Some(Self { sender, what })
        };
        read().ok_or_else(|| SubjectError(text.escape_default().take(200).collect()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_subject_is_read_back_as_it_was_written() {
        let sender = Sender { site: "north-quay".parse().unwrap(), machine: "closet_3".parse().unwrap() };
        for what in What::ALL {
            let subject = sender.subject(what);
            assert_eq!(subject.to_string().parse(), Ok(subject.clone()), "{subject}");
        }
        assert_eq!(sender.subject(What::State).to_string(), "turnback.v1.north-quay.closet_3.state");
        assert_eq!(sender.own_subjects(), "turnback.v1.north-quay.closet_3.*");
    }

    #[test]
    fn what_would_mean_others_or_nobody_is_refused() {
        // "*" and ">" are wildcards, "." parts tokens, white space ends a subject (NATS, "Subject-Based Messaging").
        for name in ["", "*", ">", "a.b", "a b", "a\n", "caf\u{e9}", &"x".repeat(64)] {
            assert!(name.parse::<Name>().is_err(), "{name:?}");
        }
        assert!("x".repeat(63).parse::<Name>().is_ok());
        for subject in [
            "",
            "turnback.v1",
            "turnback.v1.a.b",
            "turnback.v1.a.b.run.x",
            "turnback.v2.a.b.run",
            "turnback.v1.a.*.run",
            "turnback.v1..b.run",
            "turnback.v1.a.b.report",
            "other.v1.a.b.run",
        ] {
            assert!(subject.parse::<Subject>().is_err(), "{subject:?}");
        }
    }
}
