//! The settings of an interface that a run may change.

use serde_json::Value;
use turnback_core::kind::ethernet::link::PortSetting;

use crate::{
    guard::{journal::Target, state},
    ports::{
        changes::Setting,
        ethernet::device::ethtool::{
            EthtoolError, Interface, Support,
            feature::{LOOPBACK, RX_ALL, RX_FCS},
            link::LinkSetting,
            timestamp::Timestamping,
        },
    },
};

/// One setting and its value.
#[derive(Clone, Debug, PartialEq)]
pub enum EthernetSetting {
    /// Switched on by the administrator.
    Up(bool),
    /// Largest payload in octets.
    Mtu(u32),
    /// Speed and duplex, or negotiation.
    Link(LinkSetting),
    /// A device feature by its name.
    Feature {
        /// The kernel's name, such as [`crate::ports::ethernet::device::ethtool::feature::RX_ALL`].
        name: String,
        /// On or off.
        on: bool,
    },
    /// What the adapter stamps with its clock.
    Timestamping(Timestamping),
}

impl Setting for EthernetSetting {
    type Device = Interface;
    type Error = EthtoolError;

    /// As in `interface.mtu`, `interface.feature.rx-all`.
    fn name(&self) -> String {
        match self {
            Self::Up(_) => UP.to_owned(),
            Self::Mtu(_) => MTU.to_owned(),
            Self::Link(_) => LINK.to_owned(),
            Self::Feature { name, .. } => format!("{FEATURE}{name}"),
            Self::Timestamping(_) => TIMESTAMPING.to_owned(),
        }
    }

    fn value(&self) -> Value {
        match self {
            Self::Up(on) | Self::Feature { on, .. } => Value::from(*on),
            Self::Mtu(octets) => Value::from(*octets),
            Self::Link(setting) => serde_json::to_value(setting).unwrap_or_default(),
            Self::Timestamping(config) => serde_json::to_value(config).unwrap_or_default(),
        }
    }

    fn from_journal(name: &str, value: &Value) -> Option<Self> {
        Some(match name {
            UP => Self::Up(value.as_bool()?),
            MTU => Self::Mtu(u32::try_from(value.as_u64()?).ok()?),
            LINK => Self::Link(serde_json::from_value(value.clone()).ok()?),
            TIMESTAMPING => Self::Timestamping(serde_json::from_value(value.clone()).ok()?),
            _ => Self::Feature { name: name.strip_prefix(FEATURE)?.to_owned(), on: value.as_bool()? },
        })
    }

    fn now(&self, interface: &Interface) -> Result<Option<Self>, EthtoolError> {
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

    /// See [`LinkSetting::same_as`] for what is let pass.
    fn same_as(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Link(a), Self::Link(b)) => a.same_as(b),
            _ => self == other,
        }
    }

    fn apply(&self, interface: &Interface) -> Result<bool, EthtoolError> {
        let support = match self {
            Self::Up(up) => interface.set_up(*up),
            Self::Mtu(octets) => interface.set_mtu(*octets),
            Self::Link(setting) => interface.set_link(setting),
            Self::Feature { name, on } => interface.set_feature(name, *on),
            Self::Timestamping(config) => interface.set_timestamping(*config).map(Into::into),
        };
        Ok(support? == Support::Done)
    }

    /// An unknown speed is not yet the speed that is wanted.
    fn is_already(&self, wanted: &Self) -> bool {
        match (self, wanted) {
            (Self::Link(LinkSetting::Forced { .. }), Self::Link(LinkSetting::Forced { .. })) => self == wanted,
            _ => self.same_as(wanted),
        }
    }

    fn in_words(&self, target: &Target) -> String {
        let what = match self {
            Self::Up(on) => PortSetting::Up(*on).to_string(),
            Self::Mtu(octets) => format!("MTU {octets}"),
            Self::Link(setting) => format!("speed: {setting}"),
            Self::Feature { name, on } if name == RX_ALL => PortSetting::DeliverBadFrames(*on).to_string(),
            Self::Feature { name, on } if name == RX_FCS => PortSetting::DeliverCheck(*on).to_string(),
            Self::Feature { name, on } if name == LOOPBACK => PortSetting::InternalLoop(*on).to_string(),
            Self::Feature { name, on } => format!("{name} {}", if *on { "on" } else { "off" }),
            Self::Timestamping(_) => "time stamps".to_owned(),
        };
        format!("{what} ({target})")
    }

    fn is_offered(&self, interface: &Interface) -> Result<bool, EthtoolError> {
        match self {
            Self::Feature { name, .. } => Ok(interface.feature(name)?.is_some_and(|feature| feature.changeable)),
            Self::Up(_) | Self::Mtu(_) | Self::Link(_) | Self::Timestamping(_) => Ok(true),
        }
    }
}

/// What a note calls the interface.
///
/// # Errors
/// When the interface does not answer.
pub fn target(interface: &Interface) -> Result<Target, EthtoolError> {
    Ok(Target::Interface {
        namespace: state::network_namespace(),
        name: interface.name().to_owned(),
        index: interface.index()?,
        address: identity(interface)?,
    })
}

/// What tells an interface from another that gets its name and number later.
pub(super) fn identity(interface: &Interface) -> Result<String, EthtoolError> {
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
