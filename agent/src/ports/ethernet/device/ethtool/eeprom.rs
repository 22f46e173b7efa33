//! The image of an adapter's own memory (`ETHTOOL_GEEPROM`).

use super::{EthtoolError, Interface, sys::Request};

impl Interface {
    /// The image; `None` where the driver shows none. Of a very large memory only the first part is read.
    ///
    /// # Errors
    ///
    /// Without CAP_NET_ADMIN, or when the adapter does not answer.
    pub fn image(&self) -> Result<Option<Vec<u8>>, EthtoolError> {
        const ACTION: &str = "read the adapter's memory";
        let mut info = Request::new(GDRVINFO, DRIVER_BYTES);
        let answer = self.control.ethtool(&mut info);
        if self.ask(ACTION, answer)?.is_none() {
            return Ok(None);
        }
        let length = (info.word(IMAGE_LENGTH) as usize).min(IMAGE_BYTES_MAX);
        if length == 0 {
            return Ok(None);
        }
        // struct ethtool_eeprom: cmd, magic, offset, len, then the octets.
        let mut request = Request::new(GEEPROM, 16 + length);
        request.put(12, u32::try_from(length).unwrap_or(0));
        let answer = self.control.ethtool(&mut request);
        if self.ask(ACTION, answer)?.is_none() {
            return Ok(None);
        }
        let read = (request.word(12) as usize).min(length);
        Ok((read > 0).then(|| request.bytes()[16..16 + read].to_vec()))
    }
}

/// `struct ethtool_drvinfo`, linux/ethtool.h: cmd, five texts of 32, 12 reserved octets, five words.
const DRIVER_BYTES: usize = 4 + 5 * 32 + 12 + 5 * 4;
/// The fourth of those words, `eedump_len`.
const IMAGE_LENGTH: usize = 4 + 5 * 32 + 12 + 3 * 4;
/// Enough for every setting; reading megabytes of program would take minutes on some adapters. Our own choice.
const IMAGE_BYTES_MAX: usize = 64 * 1024;
/// linux/ethtool.h.
const GDRVINFO: u32 = 0x03;
/// linux/ethtool.h.
const GEEPROM: u32 = 0x0b;
