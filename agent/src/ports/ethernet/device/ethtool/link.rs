//! Speed, duplex, negotiation and connector of an interface.
//!
//! Master and slave roles of gigabit copper are not here: this call of the kernel always says "unsupported" for them.
//! They come by netlink, see [`crate::ports::ethernet::device::netlink::phy`].

use std::fmt;

use serde::{Deserialize, Serialize};

use super::{EthtoolError, Interface, Support, octet, sys::Request, word};

/// Half or full duplex.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Duplex {
    /// One direction at a time.
    Half,
    /// Both directions at once.
    Full,
}

/// What the port's line is made of, as the driver sees it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Connector {
    /// Twisted pair.
    TwistedPair,
    /// Fibre.
    Fibre,
    /// Direct-attach copper.
    DirectAttach,
    /// Nothing is fitted.
    None,
    /// Attachment unit, MII, coaxial or something newer.
    Other,
}

/// Which pairs the port sends on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Crossover {
    /// Straight (MDI).
    Mdi,
    /// Crossed (MDI-X).
    MdiX,
    /// Chosen by the transceiver; only as a setting.
    Auto,
}

/// A set of link modes, as the kernel's bit mask (`ETHTOOL_LINK_MODE_*_BIT`).
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LinkModes(pub Vec<u32>);

/// Everything the driver says about the link.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Link {
    /// Megabits per second; `None` while unknown, mostly because there is no link.
    pub speed_mbps: Option<u32>,
    /// `None` while unknown.
    pub duplex: Option<Duplex>,
    /// Whether speed and duplex are agreed with the partner.
    pub autonegotiation: bool,
    /// The kind of line.
    pub connector: Connector,
    /// Pairs in use now; `None` where unknown.
    pub crossover: Option<Crossover>,
    /// Pairs as set; `None` where it cannot be set.
    pub crossover_setting: Option<Crossover>,
    /// Modes the port can do.
    pub supported: LinkModes,
    /// Modes the port offers.
    pub advertised: LinkModes,
    /// Modes the partner offers; empty without negotiation or without a driver that tells.
    pub partner_advertised: LinkModes,
}

/// The part of [`Link`] that can be set and restored.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "negotiation")]
pub enum LinkSetting {
    /// Fixed speed and duplex, no negotiation.
    Forced {
        /// Megabits per second; `None` keeps whatever the driver has.
        speed_mbps: Option<u32>,
        /// `None` keeps whatever the driver has.
        duplex: Option<Duplex>,
    },
    /// Negotiation, offering these modes.
    Negotiated {
        /// What is offered.
        advertised: LinkModes,
    },
}

impl LinkModes {
    /// The set of single modes by their bit number.
    pub fn of(bits: &[usize]) -> Self {
        let mut words = vec![0; bits.iter().max().map_or(0, |bit| bit / 32 + 1)];
        for bit in bits {
            words[bit / 32] |= 1 << (bit % 32);
        }
        Self(words)
    }

    /// True when a mode is in the set.
    pub fn has(&self, bit: usize) -> bool {
        self.0.get(bit / 32).is_some_and(|word| word >> (bit % 32) & 1 == 1)
    }

    /// True when no mode is in the set.
    pub fn is_empty(&self) -> bool {
        self.0.iter().all(|word| *word == 0)
    }

    /// The same modes whatever number of words they are held in.
    pub fn same_as(&self, other: &Self) -> bool {
        (0..self.0.len().max(other.0.len()))
            .all(|index| self.0.get(index).unwrap_or(&0) == other.0.get(index).unwrap_or(&0))
    }
}

impl Link {
    /// True when the driver heard a partner offer modes: with a plug, that is the port itself.
    pub fn partner_advertises(&self) -> bool {
        !self.partner_advertised.is_empty()
    }

    /// What must be set to have this again.
    pub fn setting(&self) -> LinkSetting {
        if self.autonegotiation {
            LinkSetting::Negotiated { advertised: self.advertised.clone() }
        } else {
            LinkSetting::Forced { speed_mbps: self.speed_mbps, duplex: self.duplex }
        }
    }
}

impl LinkSetting {
    /// Whether two readings stand for one setting. A speed or duplex unknown on one side, as on a port without a link,
    /// is not held against the other.
    pub fn same_as(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Forced { speed_mbps: a, duplex: c }, Self::Forced { speed_mbps: b, duplex: d }) => {
                a.zip(*b).is_none_or(|(a, b)| a == b) && c.zip(*d).is_none_or(|(c, d)| c == d)
            }
            (Self::Negotiated { advertised: a }, Self::Negotiated { advertised: b }) => a.same_as(b),
            _ => false,
        }
    }
}

impl fmt::Display for LinkSetting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Negotiated { .. } => f.write_str("autonegotiation"),
            Self::Forced { speed_mbps, duplex } => {
                match speed_mbps {
                    Some(speed) => write!(f, "{speed} Mb/s")?,
                    None => f.write_str("an unknown speed")?,
                }
                match duplex {
                    Some(Duplex::Half) => f.write_str(" half duplex"),
                    Some(Duplex::Full) => f.write_str(" full duplex"),
                    None => Ok(()),
                }
            }
        }
    }
}

impl Interface {
    /// Reads the link; `None` where the driver says nothing about it.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn link(&self) -> Result<Option<Link>, EthtoolError> {
        Ok(self.link_request()?.map(|request| parse(request.bytes())))
    }

    /// Whether the driver sees a link (`ETHTOOL_GLINK`); false while the interface is switched off.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn has_link(&self) -> Result<Option<bool>, EthtoolError> {
        let mut request = Request::new(GLINK, 8);
        let answer = self.control.ethtool(&mut request);
        Ok(self.ask("read the link state", answer)?.map(|_| request.word(4) != 0))
    }

    /// Sets speed and duplex, or negotiation. The link goes down for seconds on most adapters.
    ///
    /// # Errors
    ///
    /// Without CAP_NET_ADMIN, or when the driver refuses the values.
    pub fn set_link(&self, setting: &LinkSetting) -> Result<Support, EthtoolError> {
        let Some(mut request) = self.link_request()? else { return Ok(Support::Unsupported) };
        request.put(0, SLINKSETTINGS);
        fill(&mut request, setting);
        let answer = self.control.ethtool(&mut request);
        Ok(self.tell("change speed and negotiation", setting, answer)?.into())
    }

    /// The kernel's `struct ethtool_link_settings` with its three masks, in two calls: the first learns their length.
    fn link_request(&self) -> Result<Option<Request>, EthtoolError> {
        const ACTION: &str = "read speed and negotiation";
        let mut probe = Request::new(GLINKSETTINGS, MASKS);
        let answer = self.control.ethtool(&mut probe);
        if self.ask(ACTION, answer)?.is_none() {
            return Ok(None);
        }
        // "the kernel sets link_mode_masks_nwords to the negative of the number it wants" (linux/ethtool.h).
        let words = octet(probe.bytes(), WORD_COUNT).cast_signed().unsigned_abs();
        let mut request = Request::new(GLINKSETTINGS, MASKS + usize::from(words) * 3 * 4);
        request.put_bytes(WORD_COUNT, &[words]);
        let answer = self.control.ethtool(&mut request);
        Ok(self.ask(ACTION, answer)?.map(|_| request))
    }
}

fn parse(bytes: &[u8]) -> Link {
    let words = usize::from(octet(bytes, WORD_COUNT) & 0x7f);
    let mask = |index: usize| LinkModes((0..words).map(|at| word(bytes, MASKS + (index * words + at) * 4)).collect());
    let speed = word(bytes, SPEED);
    Link {
        speed_mbps: (speed != u32::MAX && speed != 0).then_some(speed),
        duplex: match octet(bytes, DUPLEX) {
            0 => Some(Duplex::Half),
            1 => Some(Duplex::Full),
            _ => None,
        },
        autonegotiation: octet(bytes, AUTONEG) == 1,
        connector: match octet(bytes, PORT) {
            0x00 => Connector::TwistedPair,
            0x03 => Connector::Fibre,
            0x05 => Connector::DirectAttach,
            0xef => Connector::None,
            _ => Connector::Other,
        },
        crossover: crossover(octet(bytes, MDIX)),
        crossover_setting: crossover(octet(bytes, MDIX_CONTROL)),
        supported: mask(0),
        advertised: mask(1),
        partner_advertised: mask(2),
    }
}

fn fill(request: &mut Request, setting: &LinkSetting) {
    match setting {
        LinkSetting::Forced { speed_mbps, duplex } => {
            request.put_bytes(AUTONEG, &[0]);
            if let Some(speed) = speed_mbps {
                request.put(SPEED, *speed);
            }
            if let Some(duplex) = duplex {
                request.put_bytes(DUPLEX, &[u8::from(*duplex == Duplex::Full)]);
            }
        }
        LinkSetting::Negotiated { advertised } => {
            request.put_bytes(AUTONEG, &[1]);
            let words = usize::from(octet(request.bytes(), WORD_COUNT) & 0x7f);
            for index in 0..words {
                request.put(MASKS + (words + index) * 4, advertised.0.get(index).copied().unwrap_or(0));
            }
        }
    }
}

fn crossover(value: u8) -> Option<Crossover> {
    Some(match value {
        1 => Crossover::Mdi,
        2 => Crossover::MdiX,
        3 => Crossover::Auto,
        _ => return None,
    })
}

// Offsets in `struct ethtool_link_settings`, linux/ethtool.h.
const SPEED: usize = 4;
const DUPLEX: usize = 8;
const PORT: usize = 9;
const AUTONEG: usize = 11;
const MDIX: usize = 13;
const MDIX_CONTROL: usize = 14;
const WORD_COUNT: usize = 15;
const MASKS: usize = 48;
/// linux/ethtool.h.
const GLINK: u32 = 0x0a;
/// linux/ethtool.h.
const GLINKSETTINGS: u32 = 0x4c;
/// linux/ethtool.h.
const SLINKSETTINGS: u32 = 0x4d;

/// `ETHTOOL_LINK_MODE_100baseT_Full_BIT`, linux/ethtool.h.
pub const MODE_100_FULL: usize = 3;
/// `ETHTOOL_LINK_MODE_1000baseT_Full_BIT`, linux/ethtool.h.
pub const MODE_1000_FULL: usize = 5;
/// `ETHTOOL_LINK_MODE_Autoneg_BIT`, linux/ethtool.h.
pub const MODE_AUTONEGOTIATION: usize = 6;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A reply with masks of two words each.
    fn reply() -> Request {
        let mut request = Request::new(GLINKSETTINGS, MASKS + 24);
        request.put(SPEED, 1000);
        request.put_bytes(DUPLEX, &[1, 0x03, 7, 1, 0, 2, 3, 2]);
        for (index, mask) in [0x2f, 0x1_0000, 0x20, 0, 0x20, 0].into_iter().enumerate() {
            request.put(MASKS + index * 4, mask);
        }
        request
    }

    #[test]
    fn a_reply_is_read_field_by_field() {
        let link = parse(reply().bytes());
        assert_eq!((link.speed_mbps, link.duplex, link.autonegotiation), (Some(1000), Some(Duplex::Full), true));
        assert_eq!((link.connector, link.crossover), (Connector::Fibre, Some(Crossover::MdiX)));
        assert_eq!(link.crossover_setting, Some(Crossover::Auto));
        assert!(link.supported.has(48) && link.supported.has(MODE_1000_FULL) && !link.supported.has(4));
        assert!(link.partner_advertises());
        assert!(link.advertised.same_as(&LinkModes::of(&[MODE_1000_FULL])));
    }

    #[test]
    fn unknown_speed_and_duplex_are_none() {
        let mut request = reply();
        // SPEED_UNKNOWN -1, DUPLEX_UNKNOWN 0xff (linux/ethtool.h).
        request.put(SPEED, u32::MAX);
        request.put_bytes(DUPLEX, &[0xff]);
        let link = parse(request.bytes());
        assert_eq!((link.speed_mbps, link.duplex), (None, None));
    }

    #[test]
    fn filling_a_setting_reads_back_as_that_setting() {
        let settings = [
            LinkSetting::Forced { speed_mbps: Some(100), duplex: Some(Duplex::Full) },
            LinkSetting::Forced { speed_mbps: Some(10), duplex: Some(Duplex::Half) },
            LinkSetting::Negotiated { advertised: LinkModes::of(&[MODE_100_FULL, MODE_AUTONEGOTIATION, 48]) },
        ];
        for setting in settings {
            let mut request = reply();
            fill(&mut request, &setting);
            let read = parse(request.bytes());
            assert_eq!(read.setting(), setting);
            assert_eq!(read.supported, parse(reply().bytes()).supported, "nothing else changes");
        }
    }

    #[test]
    fn a_forced_port_without_link_still_counts_as_set() {
        let set = LinkSetting::Forced { speed_mbps: Some(100), duplex: Some(Duplex::Full) };
        let read = LinkSetting::Forced { speed_mbps: None, duplex: None };
        let other = LinkSetting::Forced { speed_mbps: Some(10), duplex: Some(Duplex::Full) };
        assert!(set.same_as(&read) && !set.same_as(&other));
        assert!(!set.same_as(&LinkSetting::Negotiated { advertised: LinkModes::default() }));
    }

    proptest! {
        #[test]
        fn any_reply_is_read(bytes in proptest::collection::vec(any::<u8>(), 0..120)) {
            parse(&bytes);
        }
    }
}
