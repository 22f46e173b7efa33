//! Who drives the interface, what it counts by its own names, and the light at the port.

use std::{collections::BTreeMap, time::Duration};

use serde::{Deserialize, Serialize};

use super::{EthtoolError, Interface, Support, sys::Request, text, word};

/// The driver's account of itself; an empty text where it says nothing.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Driver {
    /// Its name.
    pub name: String,
    /// Its version, often the kernel's.
    pub version: String,
    /// Version of the firmware in the adapter.
    pub firmware: String,
    /// Where the adapter sits, as in `0000:01:00.0`.
    pub bus_address: String,
}

impl Interface {
    /// The driver; `None` where it does not say.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn driver(&self) -> Result<Option<Driver>, EthtoolError> {
        let mut request = Request::new(GDRVINFO, DRIVER_BYTES);
        let answer = self.control.ethtool(&mut request);
        Ok(self.ask("read the driver", answer)?.map(|_| parse_driver(request.bytes())))
    }

    /// Every statistic of the adapter by the driver's names; empty where it has none.
    ///
    /// Names that occur twice are added up, which is what a driver with equal names for every queue means.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn statistics(&self) -> Result<BTreeMap<String, u64>, EthtoolError> {
        let names = self.strings(SS_STATS)?;
        if names.is_empty() {
            return Ok(BTreeMap::new());
        }
        // struct ethtool_stats: cmd, n_stats, then 64-bit values in the order of the names.
        let mut request = Request::new(GSTATS, 8 + names.len() * 8);
        request.put(4, u32::try_from(names.len()).unwrap_or(0));
        let answer = self.control.ethtool(&mut request);
        let known = self.ask("read the adapter's statistics", answer)?.is_some();
        Ok(if known { parse_statistics(names, request.bytes()) } else { BTreeMap::new() })
    }

    /// Blinks the port's light. Blocks for the whole time, rounded up to seconds; a signal ends it early.
    ///
    /// # Errors
    ///
    /// Without CAP_NET_ADMIN, or when the driver fails.
    pub fn blink(&self, time: Duration) -> Result<Support, EthtoolError> {
        // Zero would mean "until interrupted".
        let seconds = u32::try_from(time.as_nanos().div_ceil(1_000_000_000)).unwrap_or(u32::MAX).max(1);
        let mut request = Request::new(PHYS_ID, 8);
        request.put(4, seconds);
        let answer = match self.control.ethtool(&mut request) {
            Err(error) if error.raw_os_error() == Some(libc::EINTR) => Ok(0),
            other => other,
        };
        Ok(self.ask("blink the light", answer)?.into())
    }
}

/// Reads `struct ethtool_drvinfo`: cmd, then driver, version, firmware and bus address of 32 octets each.
fn parse_driver(bytes: &[u8]) -> Driver {
    let field = |index: usize| text(bytes.get(4 + index * 32..4 + (index + 1) * 32).unwrap_or(&[]));
    let mut driver = Driver { name: field(0), version: field(1), firmware: field(2), bus_address: field(3) };
    if driver.firmware == "N/A" {
        driver.firmware.clear();
    }
    driver
}

fn parse_statistics(names: Vec<String>, bytes: &[u8]) -> BTreeMap<String, u64> {
    let count = word(bytes, 4) as usize;
    let values = bytes.get(8..).unwrap_or(&[]).as_chunks::<8>().0;
    let mut statistics = BTreeMap::new();
    for (name, value) in names.into_iter().zip(values).take(count).filter(|(name, _)| !name.is_empty()) {
        let sum: &mut u64 = statistics.entry(name).or_default();
        *sum = sum.wrapping_add(u64::from_ne_bytes(*value));
    }
    statistics
}

/// `struct ethtool_drvinfo`, linux/ethtool.h: cmd, five texts of 32, 12 reserved octets, five words.
const DRIVER_BYTES: usize = 4 + 5 * 32 + 12 + 5 * 4;
/// linux/ethtool.h.
const GDRVINFO: u32 = 0x03;
/// linux/ethtool.h.
const PHYS_ID: u32 = 0x1c;
/// linux/ethtool.h.
const GSTATS: u32 = 0x1d;
/// `ETH_SS_STATS`, linux/ethtool.h.
const SS_STATS: u32 = 1;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn fields_of_the_driver_are_where_the_header_puts_them() {
        let mut request = Request::new(GDRVINFO, DRIVER_BYTES);
        for (offset, value) in [(4, "quaynet"), (36, "6.1"), (68, "N/A"), (100, "0000:01:00.0")] {
            request.put_bytes(offset, value.as_bytes());
        }
        let expected = Driver {
            name: "quaynet".into(),
            version: "6.1".into(),
            firmware: String::new(),
            bus_address: "0000:01:00.0".into(),
        };
        assert_eq!(parse_driver(request.bytes()), expected);
        assert_eq!(parse_driver(&[]), Driver::default());
    }

    proptest! {
        #[test]
        fn statistics_pair_names_with_values(values in proptest::collection::vec(any::<u64>(), 0..20)) {
            let names: Vec<String> = (0..values.len()).map(|index| format!("counter_{index}")).collect();
            let mut request = Request::new(GSTATS, 8 + values.len() * 8);
            request.put(4, u32::try_from(values.len()).unwrap());
            for (index, value) in values.iter().enumerate() {
                request.put_bytes(8 + index * 8, &value.to_ne_bytes());
            }
            let statistics = parse_statistics(names.clone(), request.bytes());
            for (name, value) in names.iter().zip(&values) {
                prop_assert_eq!(statistics.get(name), Some(value));
            }
        }

        #[test]
        fn any_answer_is_read(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            parse_driver(&bytes);
            prop_assert!(parse_statistics(vec!["a".into(), "b".into()], &bytes).len() <= 2);
        }
    }
}
