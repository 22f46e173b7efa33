//! The plug-in transceiver of a port: its kind and the raw octets of its memory.
//! [`turnback_core::kind::ethernet::transceiver`] reads them.

use serde::{Deserialize, Serialize};
use turnback_core::kind::ethernet::transceiver::{Module, light_alarms_dbm};

use super::{EthtoolError, Interface, sys::Request, text, word};

/// Which memory map a transceiver has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MemoryMap {
    /// SFF-8079, 256 octets.
    Sff8079,
    /// SFF-8472, 512 octets with diagnostics.
    Sff8472,
    /// SFF-8636.
    Sff8636,
    /// SFF-8436.
    Sff8436,
    /// A number this program does not know.
    Other(u32),
}

/// A transceiver's memory.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ModuleMemory {
    /// How to read it.
    pub map: MemoryMap,
    /// Its octets from offset 0; shorter than promised if the driver stopped early.
    pub bytes: Vec<u8>,
}

/// Who made a transceiver, and which it is.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ModuleIdentity {
    /// Maker, as the transceiver names it.
    pub vendor: String,
    /// Part number.
    pub part: String,
    /// Serial number.
    pub serial: String,
}

impl ModuleMemory {
    /// Its own low alarm limits for light sent and received, dBm; none where its map holds none that can be read as
    /// they stand.
    pub fn light_alarms_dbm(&self) -> Option<(f64, f64)> {
        (self.map == MemoryMap::Sff8472).then(|| light_alarms_dbm(&self.bytes)).flatten()
    }

    /// Who it is: octets 20, 40 and 68 by SFF-8472 4.1, and 148, 168 and 196 of page 00h by SFF-8636 6.3, 16 letters
    /// each.
    pub fn identity(&self) -> Option<ModuleIdentity> {
        let from = match self.map {
            MemoryMap::Sff8079 | MemoryMap::Sff8472 => 0,
            MemoryMap::Sff8636 | MemoryMap::Sff8436 => 128,
            MemoryMap::Other(_) => return None,
        };
        let field = |at: usize| self.bytes.get(from + at..from + at + 16).map(text);
        Some(ModuleIdentity { vendor: field(20)?, part: field(40)?, serial: field(68)? })
    }

    /// What the transceiver measured of itself, where its map has it.
    pub fn figures(&self) -> Option<Module> {
        match self.map {
            MemoryMap::Sff8472 => Module::of_sff8472(&self.bytes),
            MemoryMap::Sff8636 | MemoryMap::Sff8436 => Module::of_sff8636(&self.bytes),
            MemoryMap::Sff8079 | MemoryMap::Other(_) => None,
        }
    }
}

impl Interface {
    /// The transceiver's memory; `None` where the port has no cage, the cage is empty, or the driver cannot read it.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer, or the transceiver does not.
    pub fn module_memory(&self) -> Result<Option<ModuleMemory>, EthtoolError> {
        const ACTION: &str = "read the transceiver";
        let mut info = Request::new(GMODULEINFO, 44);
        let answer = self.control.ethtool(&mut info);
        if self.ask(ACTION, answer)?.is_none() {
            return Ok(None);
        }
        let (map, length) = parse_info(info.bytes());
        if length == 0 {
            return Ok(None);
        }
        // struct ethtool_eeprom: cmd, magic, offset, len, then the octets.
        let mut request = Request::new(GMODULEEEPROM, 16 + length);
        request.put(12, u32::try_from(length).unwrap_or(0));
        let answer = self.control.ethtool(&mut request);
        if self.ask(ACTION, answer)?.is_none() {
            return Ok(None);
        }
        let read = (request.word(12) as usize).min(length);
        Ok(Some(ModuleMemory { map, bytes: request.bytes()[16..16 + read].to_vec() }))
    }
}

/// Reads `struct ethtool_modinfo`: cmd, type, length of the memory.
fn parse_info(bytes: &[u8]) -> (MemoryMap, usize) {
    let map = match word(bytes, 4) {
        1 => MemoryMap::Sff8079,
        2 => MemoryMap::Sff8472,
        3 => MemoryMap::Sff8636,
        4 => MemoryMap::Sff8436,
        other => MemoryMap::Other(other),
    };
    (map, (word(bytes, 8) as usize).min(MEMORY_BYTES_MAX))
}

/// The kernel's own largest memory is 640 octets (`ETH_MODULE_SFF_8636_MAX_LEN`); this is a guard against nonsense.
const MEMORY_BYTES_MAX: usize = 4096;
/// linux/ethtool.h.
const GMODULEINFO: u32 = 0x42;
/// linux/ethtool.h.
const GMODULEEEPROM: u32 = 0x43;

#[cfg(test)]
mod tests {
    use super::*;

    /// Offsets: SFF-8472 table 4-1; SFF-8636 table 6-14.
    #[test]
    fn a_transceiver_says_who_it_is() {
        for (map, from) in [(MemoryMap::Sff8472, 0), (MemoryMap::Sff8636, 128)] {
            let mut memory = ModuleMemory { map, bytes: vec![b' '; 256] };
            for (at, field) in [(20, "QUAY OPTICS"), (40, "QO-10"), (68, "Q0007")] {
                memory.bytes[from + at..from + at + field.len()].copy_from_slice(field.as_bytes());
            }
            let identity = memory.identity().unwrap();
            assert_eq!(
                (identity.vendor.as_str(), identity.part.as_str(), identity.serial.as_str()),
                ("QUAY OPTICS", "QO-10", "Q0007")
            );
            memory.bytes.truncate(from + 80);
            assert_eq!(memory.identity(), None);
        }
    }

    #[test]
    fn the_kind_names_its_memory_map() {
        // Numbers and lengths: ETH_MODULE_SFF_* in linux/ethtool.h.
        let mut request = Request::new(GMODULEINFO, 44);
        for (number, length, map) in [
            (1, 256, MemoryMap::Sff8079),
            (2, 512, MemoryMap::Sff8472),
            (3, 256, MemoryMap::Sff8636),
            (4, 256, MemoryMap::Sff8436),
        ] {
            request.put(4, number);
            request.put(8, length);
            assert_eq!(parse_info(request.bytes()), (map, length as usize));
        }
        request.put(8, u32::MAX);
        assert_eq!(parse_info(request.bytes()).1, MEMORY_BYTES_MAX);
    }
}
