//! The plug's seeded generator: SplitMix64, small enough to write again anywhere from this file.
//!
//! One step adds 0x9E3779B97F4A7C15 to the state and mixes the sum: `z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9`,
//! `z = (z ^ z >> 27) * 0x94D049BB133111EB`, result `z ^ z >> 31`, all modulo 2^64.
//! Source: Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014 (from memory).

/// A stream of pseudo-random numbers; equal seeds give equal streams.
#[derive(Clone, Debug)]
pub struct Rng {
    state: u64,
}

impl Rng {
    /// The stream that starts at `seed`.
    pub fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// Stream number `index` of those that belong to `seed`.
    ///
    /// Each kind of fault draws from its own stream, so that changing one leaves the others where they were.
    pub fn stream(seed: u64, index: u64) -> Self {
        let mut parent = Self::new(seed ^ index.wrapping_mul(0xD6E8_FEB8_6659_FD93));
        Self::new(parent.next())
    }

    /// The next 64 bits.
    pub fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A fraction in `0.0..1.0`, in steps of 2^-53.
    pub fn fraction(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A whole number in `0..bound`; 0 when `bound` is 0.
    ///
    /// Takes the high half of a 128-bit product; the bias is below `bound / 2^64`.
    pub fn below(&mut self, bound: u64) -> u64 {
        ((u128::from(self.next()) * u128::from(bound)) >> 64) as u64
    }

    /// How many misses come before the next hit when each trial hits with probability `ratio`; [`NEVER`] without one.
    ///
    /// Inverse of the geometric distribution, `floor(ln(u) / ln(1 - ratio))` with `u` in `(0, 1]`.
    pub fn misses(&mut self, ratio: f64) -> u64 {
        if ratio <= 0.0 {
            return NEVER;
        }
        if ratio >= 1.0 {
            return 0;
        }
        // The cast holds beyond 2^64: floating point to integer saturates, at NEVER.
        ((1.0 - self.fraction()).ln() / (-ratio).ln_1p()) as u64
    }
}

/// "No hit within reach" as an answer of [`Rng::misses`].
pub const NEVER: u64 = u64::MAX;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stream_is_splitmix64() {
        // First outputs for the seed 1234567, from the widely copied C version of the generator (from memory).
        let mut rng = Rng::new(1_234_567);
        let first = [rng.next(), rng.next(), rng.next(), rng.next(), rng.next()];
        assert_eq!(
            first,
            [
                6_457_827_717_110_365_317,
                3_203_168_211_198_807_973,
                9_817_491_932_198_370_423,
                4_593_380_528_125_082_431,
                16_408_922_859_458_223_821
            ]
        );
    }

    #[test]
    fn bounds_hold_and_both_ends_occur() {
        let mut rng = Rng::new(5);
        let mut seen = [false; 7];
        for _ in 0..1000 {
            seen[rng.below(7) as usize] = true;
        }
        assert_eq!(seen, [true; 7]);
        assert_eq!(rng.below(0), 0);
    }

    #[test]
    fn misses_have_the_mean_of_the_geometric_distribution() {
        for ratio in [0.5, 0.01, 1e-6] {
            let mut rng = Rng::new(9);
            let count = 40_000;
            let mean = (0..count).map(|_| rng.misses(ratio) as f64).sum::<f64>() / f64::from(count);
            // Mean (1-p)/p and deviation sqrt(1-p)/p of the geometric distribution; six deviations of the mean.
            let expected = (1.0 - ratio) / ratio;
            let margin = 6.0 * (1.0 - ratio).sqrt() / ratio / f64::from(count).sqrt();
            assert!((mean - expected).abs() < margin, "{ratio}: {mean} against {expected} +- {margin}");
        }
        assert_eq!(Rng::new(1).misses(0.0), NEVER);
        assert_eq!(Rng::new(1).misses(1.0), 0);
    }
}
