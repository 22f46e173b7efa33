//! The damage of many probes added up.

use serde::{Deserialize, Serialize};

use super::ProbeDamage;

/// Counts of damage over probes; tallies merge in any order to the same sum.
///
/// Which kind of damage the counts speak of: [`DamageTally::kind`].
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct DamageTally {
    /// Echoes compared, right or wrong.
    pub probes_compared: u64,
    /// Bits compared.
    pub bits_compared: u64,
    /// Echoes with at least one wrong bit.
    pub errored_probes: u64,
    /// Groups of errored probes, each with fewer than [`GROUP_GAP_PROBES`] sent between one and the next; 0 where their
    /// order was not kept. A disturbance too thin to hit one probe twice still hits many in a row.
    #[serde(default)]
    pub errored_groups: u64,
    /// Groups that as many errored probes would stand in, had chance spread them evenly over the probes of each step.
    #[serde(default)]
    pub errored_groups_by_chance: u64,
    /// Bits compared in errored probes.
    pub bits_compared_in_errored_probes: u64,
    /// Wrong bits.
    pub bit_errors: u64,
    /// Wrong bits that were sent as 0.
    pub zeros_to_ones: u64,
    /// Wrong bits that were sent as 1.
    pub ones_to_zeros: u64,
    /// Wrong bits by their place in the byte; index 0 is the least significant bit.
    pub bit_in_byte: [u64; 8],
    /// Echoes that came back as the complement, see [`ProbeDamage::inverted`].
    pub inverted_probes: u64,
    /// Bursts, see [`ProbeDamage::bursts`].
    pub bursts: u64,
    /// Wrong bits that are part of a burst; the others stand alone.
    pub bit_errors_in_bursts: u64,
    /// Length of the longest burst in bits, 0 if there is none.
    pub longest_burst_bits: u64,
    /// Byte of the probe nearest its start that was ever wrong.
    pub first_offset_bytes: Option<u64>,
    /// Byte of the probe farthest from its start that was ever wrong.
    pub last_offset_bytes: Option<u64>,
    /// Wrong bits by relative place in the probe, see [`ProbeDamage::offsets`].
    pub offsets: Bins,
    /// Wrong bits that were sent as 0, by word bit.
    pub zeros_to_ones_by_word_bit: Bins,
    /// Wrong bits that were sent as 1, by word bit.
    pub ones_to_zeros_by_word_bit: Bins,
    /// Errored probes in which the word bit was received as 0 at least once.
    pub read_zero_by_word_bit: Bins,
    /// Errored probes in which the word bit was received as 1 at least once.
    pub read_one_by_word_bit: Bins,
}

impl DamageTally {
    /// Counts an echo in which all `bits_compared` bits were right.
    pub fn add_clean(&mut self, bits_compared: u64) {
        self.add_clean_many(1, bits_compared);
    }

    /// Counts `probes` echoes in which all `bits_compared` bits together were right.
    pub fn add_clean_many(&mut self, probes: u64, bits_compared: u64) {
        self.probes_compared += probes;
        self.bits_compared += bits_compared;
    }

    /// Counts a damaged echo.
    pub fn add_damage(&mut self, damage: &ProbeDamage) {
        self.probes_compared += 1;
        self.bits_compared += damage.bits_compared;
        self.errored_probes += 1;
        self.bits_compared_in_errored_probes += damage.bits_compared;
        self.bit_errors += damage.bit_errors;
        for (bit, (&up, &down)) in damage.zeros_to_ones.iter().zip(&damage.ones_to_zeros).enumerate() {
            let (up, down) = (u64::from(up), u64::from(down));
            self.zeros_to_ones += up;
            self.ones_to_zeros += down;
            self.bit_in_byte[bit % 8] += up + down;
            self.zeros_to_ones_by_word_bit.0[bit] += up;
            self.ones_to_zeros_by_word_bit.0[bit] += down;
            self.read_zero_by_word_bit.0[bit] += damage.read_zero >> bit & 1;
            self.read_one_by_word_bit.0[bit] += damage.read_one >> bit & 1;
        }
        for (total, &errors) in self.offsets.0.iter_mut().zip(&damage.offsets) {
            *total += u64::from(errors);
        }
        self.inverted_probes += u64::from(damage.inverted);
        self.bursts += u64::from(damage.bursts);
        self.bit_errors_in_bursts += damage.bit_errors_in_bursts;
        self.longest_burst_bits = self.longest_burst_bits.max(damage.longest_burst_bits);
        self.widen(Some(damage.first_offset as u64), Some(damage.last_offset as u64));
    }

    /// Notes that the errored probes of one step, all of one size, stood in so many groups.
    ///
    /// With a share `p` of all errored at random, one ends its group if the next [`GROUP_GAP_PROBES`] are right:
    /// `(1-p)` to the power of that of them do. Steps of several sizes have a `p` each, so this is reckoned before they
    /// are added up.
    pub fn note_groups(&mut self, groups: u64) {
        let share = self.errored_probes as f64 / self.probes_compared.max(1) as f64;
        self.errored_groups = groups;
        self.errored_groups_by_chance =
            (self.errored_probes as f64 * (1.0 - share).powi(GROUP_GAP_PROBES as i32)) as u64;
    }

    /// Adds the counts of another tally.
    pub fn merge(&mut self, other: &Self) {
        self.probes_compared += other.probes_compared;
        self.bits_compared += other.bits_compared;
        self.errored_probes += other.errored_probes;
        self.errored_groups += other.errored_groups;
        self.errored_groups_by_chance += other.errored_groups_by_chance;
        self.bits_compared_in_errored_probes += other.bits_compared_in_errored_probes;
        self.bit_errors += other.bit_errors;
        self.zeros_to_ones += other.zeros_to_ones;
        self.ones_to_zeros += other.ones_to_zeros;
        for (total, errors) in self.bit_in_byte.iter_mut().zip(other.bit_in_byte) {
            *total += errors;
        }
        self.inverted_probes += other.inverted_probes;
        self.bursts += other.bursts;
        self.bit_errors_in_bursts += other.bit_errors_in_bursts;
        self.longest_burst_bits = self.longest_burst_bits.max(other.longest_burst_bits);
        self.widen(other.first_offset_bytes, other.last_offset_bytes);
        self.offsets.merge(&other.offsets);
        self.zeros_to_ones_by_word_bit.merge(&other.zeros_to_ones_by_word_bit);
        self.ones_to_zeros_by_word_bit.merge(&other.ones_to_zeros_by_word_bit);
        self.read_zero_by_word_bit.merge(&other.read_zero_by_word_bit);
        self.read_one_by_word_bit.merge(&other.read_one_by_word_bit);
    }

    fn widen(&mut self, first: Option<u64>, last: Option<u64>) {
        self.first_offset_bytes = self.first_offset_bytes.into_iter().chain(first).min();
        self.last_offset_bytes = self.last_offset_bytes.max(last);
    }
}

/// Probes without damage that end a group of errored ones: our own choice. At line rate they take 43 us (64 bytes, 1
/// Gb/s) to 8 ms (1518 bytes, 100 Mb/s), the time of a spark or a contact's chatter.
pub const GROUP_GAP_PROBES: u64 = 64;

/// 64 counts; written by serde as a list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "Vec<u64>", try_from = "Vec<u64>")]
pub struct Bins(pub [u64; 64]);

impl Bins {
    /// Sum of all counts.
    pub fn sum(&self) -> u64 {
        self.0.iter().sum()
    }

    fn merge(&mut self, other: &Self) {
        for (total, count) in self.0.iter_mut().zip(&other.0) {
            *total += count;
        }
    }
}

impl Default for Bins {
    fn default() -> Self {
        Self([0; 64])
    }
}

impl From<Bins> for Vec<u64> {
    fn from(counts: Bins) -> Self {
        counts.0.into()
    }
}

impl TryFrom<Vec<u64>> for Bins {
    type Error = String;

    fn try_from(counts: Vec<u64>) -> Result<Self, String> {
        let given = counts.len();
        counts.try_into().map(Self).map_err(|_| format!("a list of {given} counts; allowed: 64"))
    }
}
