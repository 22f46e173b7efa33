//! Figures that a plug-in transceiver measures itself: light sent, light received and temperature.
//!
//! They are read from its memory, laid out as SFF-8472 (one lane) or SFF-8636 (four lanes) says. A figure is left out
//! when the transceiver does not measure it, is not ready to report it, or reports it in an unknown layout: a guessed
//! figure would be worse than none.

use serde::{Deserialize, Serialize};

/// What a transceiver measured of itself. Its makers promise light to 3 dB only (SFF-8472), so a level judges nothing;
/// its change over time is what tells.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Module {
    /// Warmth inside, degrees Celsius.
    pub temperature_c: Option<f64>,
    /// Light, lane by lane; empty where it is not measured.
    pub lanes: Vec<Light>,
    /// Light received is its average; otherwise it is the swing between bright and dark (OMA).
    pub received_is_average: bool,
}

/// Light of one lane, milliwatts; 0 where there is none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Light {
    /// Sent.
    pub sent_mw: Option<f64>,
    /// Received.
    pub received_mw: Option<f64>,
}

impl Module {
    /// Light received on the darkest lane, dBm; none where no lane is lit, or where it is not measured.
    pub fn received_dbm(&self) -> Option<f64> {
        self.lanes.iter().filter_map(|lane| dbm(lane.received_mw?)).min_by(f64::total_cmp)
    }

    /// From 512 octets as SFF-8472 lays them out: page A0h, then page A2h.
    pub fn of_sff8472(bytes: &[u8]) -> Option<Self> {
        let (base, diagnostics) = bytes.split_at_checked(PAGE)?;
        let diagnostics = diagnostics.get(..PAGE)?;
        let kind = base[DIAGNOSTIC_TYPE];
        let asked_otherwise = kind & ADDRESS_CHANGE != 0;
        if base[0] != SFP || kind & HAS_DIAGNOSTICS == 0 || asked_otherwise || diagnostics[STATUS] & NOT_READY != 0 {
            return None;
        }
        // A wrong sum is a memory that was read wrongly, or a copy that its maker did not finish: its type cannot be
        // trusted.
        if sum(&base[..63]) != base[63] || sum(&base[64..95]) != base[95] {
            return None;
        }
        let raw = |offset| f64::from(unsigned(diagnostics, offset));
        let celsius = f64::from(signed(diagnostics, 96));
        let (celsius, sent, received) = match kind & (CALIBRATED_INSIDE | CALIBRATED_OUTSIDE) {
            CALIBRATED_INSIDE => (celsius, raw(102), raw(104)),
            // The constants lie below the sum; figures made with damaged ones would look real.
            CALIBRATED_OUTSIDE if sum(&diagnostics[..95]) == diagnostics[95] => {
                let line =
                    |slope, offset, reading: f64| raw(slope) / 256.0 * reading + f64::from(signed(diagnostics, offset));
                // Coefficients of the fourth power first (56, 60, 64, 68, 72): Horner's scheme.
                let received =
                    [56, 60, 64, 68, 72].iter().fold(0.0, |sum, at| sum * raw(104) + float(diagnostics, *at));
                (line(84, 86, celsius), line(80, 82, raw(102)), received)
            }
            _ => return None,
        };
        let mw = |power: f64| (power.is_finite() && power <= POWER_MAX).then_some(power.max(0.0) * MW_PER_UNIT);
        Some(Self {
            temperature_c: Some(celsius / 256.0).filter(|c| c.is_finite()),
            lanes: vec![Light { sent_mw: mw(sent), received_mw: mw(received) }],
            received_is_average: kind & AVERAGE != 0,
        })
    }

    /// From the lower page and page 00h as SFF-8636 lays them out, in this order.
    pub fn of_sff8636(bytes: &[u8]) -> Option<Self> {
        let bytes = bytes.get(..PAGE)?;
        if !QSFP.contains(&bytes[0]) || bytes[2] & NOT_READY != 0 {
            return None;
        }
        let lanes = |offset: usize| [0, 2, 4, 6].map(|lane| unsigned(bytes, offset + lane));
        let (received, sent) = (lanes(34), lanes(50));
        let celsius = signed(bytes, 22);
        // A copper cable in the cage answers with zeros, and so does a dark fibre: neither has light to watch.
        let (gives_received, gives_sent) = (received != [0; 4], sent != [0; 4]);
        if !gives_received && !gives_sent && celsius == 0 {
            return None;
        }
        let mw = |given: bool, raw: u16| given.then_some(f64::from(raw) * MW_PER_UNIT);
        let lane =
            |(sent, received)| Light { sent_mw: mw(gives_sent, sent), received_mw: mw(gives_received, received) };
        let lit = gives_received || gives_sent;
        Some(Self {
            temperature_c: Some(f64::from(celsius) / 256.0),
            lanes: if lit { sent.into_iter().zip(received).map(lane).collect() } else { Vec::new() },
            received_is_average: bytes[220] & AVERAGE != 0,
        })
    }
}

/// A transceiver's own low alarm limits for light sent and received, dBm, from 512 octets as SFF-8472 lays them out:
/// page A2h, octets 26 and 34 (SFF-8472; `SFP_TXPWR_LOW_ALARM` and `SFP_RXPWR_LOW_ALARM` in linux/sfp.h). None where
/// it is calibrated outside, since its limits are then raw readings, and where a limit is zero.
pub fn light_alarms_dbm(bytes: &[u8]) -> Option<(f64, f64)> {
    let (base, diagnostics) = bytes.split_at_checked(PAGE)?;
    let diagnostics = diagnostics.get(..PAGE)?;
    let kind = base[DIAGNOSTIC_TYPE];
    if kind & CALIBRATED_INSIDE == 0 || sum(&diagnostics[..95]) != diagnostics[95] {
        return None;
    }
    let level = |offset| dbm(f64::from(unsigned(diagnostics, offset)) * MW_PER_UNIT);
    Some((level(26)?, level(34)?))
}

/// Milliwatts as dBm; none for no light at all.
pub fn dbm(mw: f64) -> Option<f64> {
    (mw > 0.0).then(|| 10.0 * mw.log10())
}

fn unsigned(bytes: &[u8], offset: usize) -> u16 {
    u16::from_be_bytes([bytes[offset], bytes[offset + 1]])
}

fn signed(bytes: &[u8], offset: usize) -> i16 {
    i16::from_be_bytes([bytes[offset], bytes[offset + 1]])
}

fn float(bytes: &[u8], offset: usize) -> f64 {
    f64::from(f32::from_be_bytes([bytes[offset], bytes[offset + 1], bytes[offset + 2], bytes[offset + 3]]))
}

/// Low eight bits of the sum (SFF-8472: check codes CC_BASE, CC_EXT, CC_DMI).
fn sum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum.wrapping_add(*byte))
}

/// Octets of one page with its lower half.
const PAGE: usize = 256;
/// Identifiers (SFF-8024).
const SFP: u8 = 0x03;
const QSFP: [u8; 3] = [0x0c, 0x0d, 0x11];
/// SFF-8472, page A0h, octet 92; its bits are as in linux/sfp.h.
const DIAGNOSTIC_TYPE: usize = 92;
const HAS_DIAGNOSTICS: u8 = 1 << 6;
const CALIBRATED_INSIDE: u8 = 1 << 5;
const CALIBRATED_OUTSIDE: u8 = 1 << 4;
/// The same bit in octet 220 of SFF-8636 (that one from memory).
const AVERAGE: u8 = 1 << 3;
const ADDRESS_CHANGE: u8 = 1 << 2;
/// SFF-8472, page A2h; its lowest bit says that the figures are not ready, as that of octet 2 does in SFF-8636.
const STATUS: usize = 110;
const NOT_READY: u8 = 1;
/// Both count power in tenths of a microwatt, in 16 bits.
const MW_PER_UNIT: f64 = 1e-4;
const POWER_MAX: f64 = 65_535.0;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A transceiver of this type with these octets in page A2h, its sums right.
    fn memory(kind: u8, octets: &[(usize, &[u8])]) -> Vec<u8> {
        let mut bytes = vec![0; 2 * PAGE];
        bytes[0] = SFP;
        bytes[DIAGNOSTIC_TYPE] = kind;
        for (offset, value) in octets {
            bytes[PAGE + offset..PAGE + offset + value.len()].copy_from_slice(value);
        }
        mend(&mut bytes);
        bytes
    }

    fn mend(bytes: &mut [u8]) {
        bytes[63] = sum(&bytes[..63]);
        bytes[95] = sum(&bytes[64..95]);
        bytes[PAGE + 95] = sum(&bytes[PAGE..PAGE + 95]);
    }

    const INSIDE: u8 = HAS_DIAGNOSTICS | CALIBRATED_INSIDE | AVERAGE;
    const OUTSIDE: u8 = HAS_DIAGNOSTICS | CALIBRATED_OUTSIDE | AVERAGE;

    /// Offsets and units: SFF-8472, linux/sfp.h. 1000 tenths of a microwatt are 0.1 mW, -10 dBm.
    #[test]
    fn its_own_limits_are_read_where_they_mean_what_they_say() {
        let octets: [(usize, &[u8]); 3] = [(24, &[0xff; 2]), (26, &1000u16.to_be_bytes()), (34, &100u16.to_be_bytes())];
        let limits = light_alarms_dbm(&memory(INSIDE, &octets)).unwrap();
        assert!((limits.0 + 10.0).abs() < 1e-9 && (limits.1 + 20.0).abs() < 1e-9, "{limits:?}");
        assert_eq!(light_alarms_dbm(&memory(OUTSIDE, &octets)), None, "raw readings");
        assert_eq!(light_alarms_dbm(&memory(INSIDE, &octets[..2])), None, "no limit at all");
        let mut damaged = memory(INSIDE, &octets);
        damaged[PAGE + 26] ^= 1;
        assert_eq!(light_alarms_dbm(&damaged), None);
        assert_eq!(light_alarms_dbm(&damaged[..300]), None);
    }

    #[test]
    fn temperatures_are_those_of_the_table() {
        // Table 3.13 of the application note AN-2030, which reproduces SFF-8472; exact values of its rounded ones.
        for (octets, celsius) in [
            (0x7fff, 127.996_093_75),
            (0x7d00, 125.0),
            (0x1900, 25.0),
            (0x0101, 1.003_906_25),
            (0x0001, 0.003_906_25),
            (0xffff, -0.003_906_25),
            (0xff00, -1.0),
            (0xe700, -25.0),
            (0xd800, -40.0),
            (0x8000_u16, -128.0),
        ] {
            let module = Module::of_sff8472(&memory(INSIDE, &[(96, &octets.to_be_bytes())])).unwrap();
            assert_eq!(module.temperature_c, Some(celsius), "{octets:04x}");
        }
    }

    #[test]
    fn light_is_read_in_tenths_of_a_microwatt() {
        // Range "-40 to +8.2 dBm": AN-2030. The two readings: message of Linux commit 1b43e0d20f2d.
        for (raw, level) in [(1_u16, -40.0), (10_000, 0.0), (65_535, 8.1647), (2132, -6.71), (2740, -5.62)] {
            let module = Module::of_sff8472(&memory(INSIDE, &[(104, &raw.to_be_bytes())])).unwrap();
            assert!((module.received_dbm().unwrap() - level).abs() < 0.005, "{raw} {module:?}");
            assert!(module.received_is_average);
        }
        let dark = Module::of_sff8472(&memory(INSIDE, &[])).unwrap();
        assert_eq!((dark.lanes[0].received_mw, dark.received_dbm()), (Some(0.0), None));
    }

    #[test]
    fn outside_calibration_is_carried_out() {
        // Computed by the formulas of SFF-8472 (AN-2030 3.15, 3.16): slope 0108h, offset -512, reading 6400 gives
        // 23.78125 degrees; c1 0.5, c0 -20, reading 2000 gives 980, which is -10.0877 dBm. Sent: 2.0 times 1000 less
        // 100 gives 1900.
        let octets: &[(usize, &[u8])] = &[
            (68, &0x3f00_0000_u32.to_be_bytes()),
            (72, &0xc1a0_0000_u32.to_be_bytes()),
            (80, &0x0200_u16.to_be_bytes()),
            (82, &(-100_i16).to_be_bytes()),
            (84, &0x0108_u16.to_be_bytes()),
            (86, &(-512_i16).to_be_bytes()),
            (96, &6400_u16.to_be_bytes()),
            (102, &1000_u16.to_be_bytes()),
            (104, &2000_u16.to_be_bytes()),
        ];
        let bytes = memory(OUTSIDE, octets);
        let module = Module::of_sff8472(&bytes).unwrap();
        assert_eq!(module.temperature_c, Some(23.781_25));
        assert!((module.lanes[0].sent_mw.unwrap() - 0.19).abs() < 1e-12, "{module:?}");
        assert!((module.received_dbm().unwrap() + 10.0877).abs() < 5e-5, "{module:?}");
        // Constants that were read wrongly give no figure.
        let mut damaged = bytes;
        damaged[PAGE + 69] ^= 1;
        assert_eq!(Module::of_sff8472(&damaged), None);
    }

    #[test]
    fn a_module_calibrated_inside_reads_the_same_by_constants_that_change_nothing() {
        // Slopes 0100h, offsets 0, c1 1.0: those of a transceiver calibrated inside, by FreeBSD's sff8472.h.
        let constants: &[(usize, &[u8])] = &[
            (68, &0x3f80_0000_u32.to_be_bytes()),
            (80, &0x0100_u16.to_be_bytes()),
            (84, &0x0100_u16.to_be_bytes()),
            (96, &0xe780_u16.to_be_bytes()),
            (102, &5432_u16.to_be_bytes()),
            (104, &1234_u16.to_be_bytes()),
        ];
        let (inside, outside) = (memory(INSIDE, constants), memory(OUTSIDE, constants));
        assert_eq!(Module::of_sff8472(&inside), Module::of_sff8472(&outside));
        assert!(Module::of_sff8472(&inside).is_some());
    }

    #[test]
    fn what_is_not_measured_is_not_told() {
        let with = |change: &dyn Fn(&mut Vec<u8>)| {
            let mut bytes = memory(INSIDE, &[(104, &[1, 0])]);
            change(&mut bytes);
            Module::of_sff8472(&bytes)
        };
        assert!(with(&|_| ()).is_some());
        assert_eq!(with(&|b| b.truncate(PAGE)), None, "no page A2h");
        assert_eq!(with(&|b| b[20] = b'Q'), None, "a sum is wrong");
        assert_eq!(with(&|b| b[PAGE + STATUS] = NOT_READY), None);
        for kind in [0, CALIBRATED_INSIDE, HAS_DIAGNOSTICS, INSIDE | ADDRESS_CHANGE, INSIDE | CALIBRATED_OUTSIDE] {
            let change = |bytes: &mut Vec<u8>| {
                bytes[DIAGNOSTIC_TYPE] = kind;
                mend(bytes);
            };
            assert_eq!(with(&change), None, "{kind:08b}");
        }
    }

    #[test]
    fn the_darkest_of_four_lanes_counts() {
        // Offsets: FreeBSD's sff8436.h.
        let mut bytes = vec![0; PAGE];
        bytes[0] = 0x11;
        bytes[22..24].copy_from_slice(&0x1900_u16.to_be_bytes());
        for (lane, raw) in [10_000_u16, 5000, 1000, 8000].into_iter().enumerate() {
            bytes[34 + 2 * lane..36 + 2 * lane].copy_from_slice(&raw.to_be_bytes());
        }
        let module = Module::of_sff8636(&bytes).unwrap();
        assert_eq!((module.temperature_c, module.lanes.len()), (Some(25.0), 4));
        assert_eq!(module.received_dbm(), Some(-10.0));
        assert_eq!(module.lanes[0].sent_mw, None);
        // A copper cable in the same cage, and a transceiver that lays its memory out otherwise (identifier 18h,
        // SFF-8024).
        assert_eq!(Module::of_sff8636(&[[0x11].as_slice(), &[0; 255]].concat()), None);
        bytes[0] = 0x18;
        assert_eq!(Module::of_sff8636(&bytes), None);
    }

    proptest! {
        #[test]
        fn no_memory_makes_a_figure_that_is_none(
            mut bytes in prop::collection::vec(any::<u8>(), 0..600),
            right in any::<bool>(),
        ) {
            if right && bytes.len() >= 2 * PAGE {
                (bytes[0], bytes[DIAGNOSTIC_TYPE], bytes[PAGE + STATUS]) = (SFP, OUTSIDE, 0);
                mend(&mut bytes);
                prop_assert!(Module::of_sff8472(&bytes).is_some());
            }
            for module in [Module::of_sff8472(&bytes), Module::of_sff8636(&bytes)].into_iter().flatten() {
                let figures = module.lanes.iter().flat_map(|lane| [lane.sent_mw, lane.received_mw]);
                for mw in figures.flatten() {
                    prop_assert!((0.0..=6.5535).contains(&mw), "{module:?}");
                }
                prop_assert!(module.temperature_c.is_none_or(f64::is_finite));
            }
        }
    }
}
