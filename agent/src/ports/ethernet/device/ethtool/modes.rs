//! Link modes by their names.

use super::link::LinkModes;

impl LinkModes {
    /// Names of the modes of the set that carry data, such as `1000baseT full`; a mode without a name here by its
    /// number.
    pub fn names(&self) -> Vec<String> {
        let bits = (0..self.0.len() * 32).filter(|bit| self.has(*bit) && !NO_SPEED.contains(bit));
        bits.map(|bit| match MODES.iter().find(|(known, ..)| *known == bit) {
            Some((_, mbps, rest)) => format!("{mbps}base{rest}"),
            None => format!("mode {bit}"),
        })
        .collect()
    }

    /// Highest speed of the set, Mb/s; none where no mode of it is known here.
    pub fn speed_max_mbps(&self) -> Option<u32> {
        MODES.iter().filter(|(bit, ..)| self.has(*bit)).map(|(_, mbps, _)| *mbps).max()
    }
}

/// Negotiation, connectors, pause and error correction: `ETHTOOL_LINK_MODE_*_BIT`, linux/ethtool.h.
const NO_SPEED: [usize; 14] = [6, 7, 8, 9, 10, 11, 13, 14, 16, 20, 49, 50, 51, 74];

/// Bit, speed in Mb/s, and what follows it: `ETHTOOL_LINK_MODE_*_BIT`, linux/ethtool.h.
const MODES: [(usize, u32, &str); 51] = [
    (0, 10, "T half"),
    (1, 10, "T full"),
    (2, 100, "T half"),
    (3, 100, "T full"),
    (4, 1000, "T half"),
    (5, 1000, "T full"),
    (12, 10_000, "T full"),
    (15, 2500, "X full"),
    (17, 1000, "KX full"),
    (18, 10_000, "KX4 full"),
    (19, 10_000, "KR full"),
    (21, 20_000, "MLD2 full"),
    (22, 20_000, "KR2 full"),
    (23, 40_000, "KR4 full"),
    (24, 40_000, "CR4 full"),
    (25, 40_000, "SR4 full"),
    (26, 40_000, "LR4 full"),
    (31, 25_000, "CR full"),
    (32, 25_000, "KR full"),
    (33, 25_000, "SR full"),
    (34, 50_000, "CR2 full"),
    (35, 50_000, "KR2 full"),
    (36, 100_000, "KR4 full"),
    (37, 100_000, "SR4 full"),
    (38, 100_000, "CR4 full"),
    (39, 100_000, "LR4 full"),
    (40, 50_000, "SR2 full"),
    (41, 1000, "X full"),
    (42, 10_000, "CR full"),
    (43, 10_000, "SR full"),
    (44, 10_000, "LR full"),
    (45, 10_000, "LRM full"),
    (46, 10_000, "ER full"),
    (47, 2500, "T full"),
    (48, 5000, "T full"),
    (52, 50_000, "KR full"),
    (53, 50_000, "SR full"),
    (54, 50_000, "CR full"),
    (55, 50_000, "LR full"),
    (56, 50_000, "DR full"),
    (57, 100_000, "KR2 full"),
    (58, 100_000, "SR2 full"),
    (59, 100_000, "CR2 full"),
    (60, 100_000, "LR2 full"),
    (61, 100_000, "DR2 full"),
    (62, 200_000, "KR4 full"),
    (63, 200_000, "SR4 full"),
    (64, 200_000, "LR4 full"),
    (66, 200_000, "CR4 full"),
    (90, 100, "FX half"),
    (91, 100, "FX full"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn modes_are_named_and_the_fastest_found() {
        // Bits: ETHTOOL_LINK_MODE_*_BIT, linux/ethtool.h. 6 is negotiation, 7 twisted pair, 13 pause.
        let modes = LinkModes::of(&[3, 5, 6, 7, 13, 47]);
        assert_eq!(modes.names(), ["100baseT full", "1000baseT full", "2500baseT full"]);
        assert_eq!(modes.speed_max_mbps(), Some(2500));
        assert_eq!(
            (LinkModes::of(&[95]).names(), LinkModes::of(&[95]).speed_max_mbps()),
            (vec!["mode 95".into()], None)
        );
    }
}
