//! Device features by the kernel's names: `rx-all`, `rx-fcs`, `loopback` and the offloads.

use serde::{Deserialize, Serialize};

use super::{EthtoolError, Interface, Support, sys::Request, text, word};

/// Delivers frames whose FCS was wrong (netdev-features.rst).
pub const RX_ALL: &str = "rx-all";
/// Delivers the FCS behind every frame (netdev-features.rst).
pub const RX_FCS: &str = "rx-fcs";
/// Loops what is sent back inside the adapter.
pub const LOOPBACK: &str = "loopback";

/// One feature of one interface.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Feature {
    /// The kernel's name.
    pub name: String,
    /// On now.
    pub on: bool,
    /// It can be switched: the driver offers it and it is not fixed.
    pub changeable: bool,
}

impl Interface {
    /// Every feature the kernel knows, on this interface; empty where it does not say.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn features(&self) -> Result<Vec<Feature>, EthtoolError> {
        let names = self.strings(SS_FEATURES)?;
        let blocks = names.len().div_ceil(32);
        let mut request = Request::new(GFEATURES, 8 + blocks * 16);
        request.put(4, u32::try_from(blocks).unwrap_or(0));
        let answer = self.control.ethtool(&mut request);
        Ok(self.ask("read the features", answer)?.map_or_else(Vec::new, |_| parse(&names, request.bytes())))
    }

    /// One feature by name; `None` when the kernel has none of that name.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn feature(&self, name: &str) -> Result<Option<Feature>, EthtoolError> {
        Ok(self.features()?.into_iter().find(|feature| feature.name == name))
    }

    /// Switches a feature. [`Support::Unsupported`] when it is unknown, fixed, or held as it is by another feature.
    ///
    /// # Errors
    ///
    /// Without CAP_NET_ADMIN, or when the driver fails.
    pub fn set_feature(&self, name: &str, on: bool) -> Result<Support, EthtoolError> {
        let names = self.strings(SS_FEATURES)?;
        let Some(bit) = names.iter().position(|known| known == name) else { return Ok(Support::Unsupported) };
        let blocks = names.len().div_ceil(32);
        // struct ethtool_sfeatures: cmd, size, then a pair (valid, requested) for every 32 features.
        let mut request = Request::new(SFEATURES, 8 + blocks * 8);
        request.put(4, u32::try_from(blocks).unwrap_or(0));
        let mask = 1 << (bit % 32);
        request.put(8 + bit / 32 * 8, mask);
        request.put(12 + bit / 32 * 8, if on { mask } else { 0 });
        let answer = self.control.ethtool(&mut request);
        // The answer holds flags: 1 "not changeable", 2 "noted as a wish, and not active now".
        match self.tell("change a feature", &name, answer)? {
            Some(flags) if flags & (F_UNSUPPORTED | F_WISH) == 0 => Ok(Support::Done),
            Some(flags) if flags & F_WISH != 0 && self.feature(name)?.is_some_and(|now| now.on == on) => {
                Ok(Support::Done)
            }
            _ => Ok(Support::Unsupported),
        }
    }

    /// The names of one set of strings (`enum ethtool_stringset`); empty when the driver has none.
    pub(super) fn strings(&self, set: u32) -> Result<Vec<String>, EthtoolError> {
        let count = self.string_count(set)?;
        if count == 0 {
            return Ok(Vec::new());
        }
        // struct ethtool_gstrings: cmd, string_set, len, then names of 32 octets.
        let mut request = Request::new(GSTRINGS, 12 + count * STRING_BYTES);
        request.put(4, set);
        request.put(8, u32::try_from(count).unwrap_or(0));
        let answer = self.control.ethtool(&mut request);
        Ok(self.ask("read names", answer)?.map_or_else(Vec::new, |_| parse_strings(request.bytes())))
    }

    fn string_count(&self, set: u32) -> Result<usize, EthtoolError> {
        // struct ethtool_sset_info: cmd, reserved, mask of 64 bits, then one count for each bit that stays set.
        let mut request = Request::new(GSSET_INFO, 20);
        request.put_bytes(8, &(1u64 << set).to_ne_bytes());
        let answer = self.control.ethtool(&mut request);
        let known = self.ask("count names", answer)?.is_some() && request.bytes()[8..16] != [0; 8];
        Ok(if known { request.word(16) as usize } else { 0 })
    }
}

fn parse_strings(bytes: &[u8]) -> Vec<String> {
    let count = word(bytes, 8) as usize;
    bytes.get(12..).unwrap_or(&[]).chunks_exact(STRING_BYTES).take(count).map(text).collect()
}

/// Reads `struct ethtool_gfeatures`: blocks of (available, requested, active, never changed).
fn parse(names: &[String], bytes: &[u8]) -> Vec<Feature> {
    let block_count = word(bytes, 4) as usize;
    let known = names.iter().enumerate().filter(|(bit, name)| !name.is_empty() && bit / 32 < block_count);
    let features = known.map(|(bit, name)| {
        let is_set = |field: usize| word(bytes, 8 + bit / 32 * 16 + field * 4) >> (bit % 32) & 1 == 1;
        Feature { name: name.clone(), on: is_set(2), changeable: is_set(0) && !is_set(3) }
    });
    features.collect()
}

/// `ETH_GSTRING_LEN`, linux/ethtool.h.
const STRING_BYTES: usize = 32;
/// linux/ethtool.h.
const GSTRINGS: u32 = 0x1b;
/// linux/ethtool.h.
const GSSET_INFO: u32 = 0x37;
/// linux/ethtool.h.
const GFEATURES: u32 = 0x3a;
/// linux/ethtool.h.
const SFEATURES: u32 = 0x3b;
/// `ETH_SS_FEATURES`, linux/ethtool.h.
const SS_FEATURES: u32 = 4;
/// `ETHTOOL_F_UNSUPPORTED`, linux/ethtool.h.
const F_UNSUPPORTED: i32 = 1;
/// `ETHTOOL_F_WISH`, linux/ethtool.h.
const F_WISH: i32 = 2;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn bits_are_read_from_the_block_of_their_number() {
        let names: Vec<String> = (0..34).map(|index| format!("f{index}")).collect();
        let mut request = Request::new(GFEATURES, 8 + 32);
        request.put(4, 2);
        // Second block, feature 33: available and active, free to change. Feature 32: active, never changed.
        request.put(24, 0b11);
        request.put(32, 0b11);
        request.put(36, 0b01);
        let features = parse(&names, request.bytes());
        assert_eq!(features.len(), 34);
        assert_eq!(features[33], Feature { name: "f33".into(), on: true, changeable: true });
        assert_eq!(features[32], Feature { name: "f32".into(), on: true, changeable: false });
        assert_eq!(features[0], Feature { name: "f0".into(), on: false, changeable: false });
    }

    proptest! {
        #[test]
        fn any_answer_is_read(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let names = parse_strings(&bytes);
            prop_assert!(names.len() <= bytes.len() / STRING_BYTES);
            prop_assert!(parse(&names, &bytes).len() <= names.len());
        }
    }
}
