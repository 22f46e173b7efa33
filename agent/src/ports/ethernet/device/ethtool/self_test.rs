//! The self-test that a driver brings (`ETHTOOL_TEST`).

use super::{EthtoolError, Interface, sys::Request};

/// One item of a self-test.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SelfTestResult {
    /// As the driver names it.
    pub name: String,
    /// 0 if it passed; else whatever the driver says.
    pub value: u64,
}

impl Interface {
    /// Runs the offline self-test: the port sends and receives nothing meanwhile. Empty where the driver has none.
    /// Takes seconds.
    ///
    /// # Errors
    ///
    /// Without CAP_NET_ADMIN, or when the driver cannot run it now.
    pub fn self_test(&self) -> Result<Vec<SelfTestResult>, EthtoolError> {
        let names = self.strings(SS_TEST)?;
        if names.is_empty() {
            return Ok(Vec::new());
        }
        // struct ethtool_test: cmd, flags, reserved, len, then 64-bit values in the order of the names.
        let mut request = Request::new(TEST, HEADER_BYTES + names.len() * 8);
        request.put(4, OFFLINE);
        request.put(12, u32::try_from(names.len()).unwrap_or(0));
        let answer = self.control.ethtool(&mut request);
        let known = self.ask("run the self-test", answer)?.is_some();
        Ok(if known { parse(names, request.bytes()) } else { Vec::new() })
    }
}

fn parse(names: Vec<String>, bytes: &[u8]) -> Vec<SelfTestResult> {
    let values = bytes.get(HEADER_BYTES..).unwrap_or(&[]).as_chunks::<8>().0;
    let named = names.into_iter().zip(values).filter(|(name, _)| !name.is_empty());
    named.map(|(name, value)| SelfTestResult { name, value: u64::from_ne_bytes(*value) }).collect()
}

const HEADER_BYTES: usize = 16;
/// `ETH_SS_TEST`, linux/ethtool.h.
const SS_TEST: u32 = 0;
/// `ETH_TEST_FL_OFFLINE`, linux/ethtool.h.
const OFFLINE: u32 = 1;
/// linux/ethtool.h.
const TEST: u32 = 0x1a;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_item_has_its_value() {
        let mut bytes = vec![0; HEADER_BYTES];
        bytes.extend(0u64.to_ne_bytes());
        bytes.extend(3u64.to_ne_bytes());
        let item = |name: &str, value| SelfTestResult { name: name.into(), value };
        let names = || vec!["Register test".to_owned(), "Link test".to_owned()];
        assert_eq!(parse(names(), &bytes), [item("Register test", 0), item("Link test", 3)]);
        assert_eq!(parse(names(), &bytes[..30]), [item("Register test", 0)]);
        assert_eq!(parse(names(), &[]), []);
    }
}
