//! The only generator of random numbers. Code that needs chance takes the generator as an argument, so the seed decides
//! a whole simulated run.

/// SplitMix64: 64 bits of state, every seed good, a period of 2^64.
///
/// Source: Steele, Lea and Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014, figure 17 (the
/// constants are those of the widely published 64-bit variant, from memory).
#[derive(Clone, Debug)]
pub struct Rng {
    state: u64,
}

impl Rng {
    /// A generator whose whole future is `seed`.
    pub fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// An independent generator for one named purpose, so that adding a draw in one place moves no other.
    pub fn branch(&self, purpose: u64) -> Self {
        let mut child = Self::new(self.state ^ purpose.wrapping_mul(0x9E37_79B9_7F4A_7C15));
        child.draw();
        child
    }

    /// The next 64 bits.
    pub fn draw(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number in `0.0..1.0`, 53 bits fine.
    pub fn fraction(&mut self) -> f64 {
        (self.draw() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// A number in `0..below`; `below` must not be 0. The bias is under `below / 2^64`.
    pub fn below(&mut self, below: u64) -> u64 {
        debug_assert!(below > 0);
        ((u128::from(self.draw()) * u128::from(below)) >> 64) as u64
    }

    /// True with probability `p`.
    pub fn chance(&mut self, p: f64) -> bool {
        p > 0.0 && self.fraction() < p
    }

    /// How many trials pass before the first success, each succeeding with probability `p`; `u64::MAX` when `p` is 0.
    ///
    /// Inverse of the geometric distribution: `floor(ln(1-u) / ln(1-p))`.
    pub fn trials_before_success(&mut self, p: f64) -> u64 {
        if p <= 0.0 {
            return u64::MAX;
        }
        if p >= 1.0 {
            return 0;
        }
        let gap = ((-self.fraction()).ln_1p() / (-p).ln_1p()).floor();
        if gap >= 1.8e19 { u64::MAX } else { gap as u64 }
    }

    /// An exponentially distributed time with the given mean.
    pub fn exponential(&mut self, mean: f64) -> f64 {
        -(-self.fraction()).ln_1p() * mean
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn same_seed_same_numbers_and_branches_differ() {
        let (mut a, mut b) = (Rng::new(7), Rng::new(7));
        assert_eq!((a.draw(), a.draw()), (b.draw(), b.draw()));
        assert_ne!(a.branch(1).draw(), a.branch(2).draw());
    }

    #[test]
    fn the_stream_is_splitmix64() {
        // First outputs for the seed 1234567, from the widely copied C version of the generator (from memory).
        let mut rng = Rng::new(1_234_567);
        let first = [rng.draw(), rng.draw(), rng.draw(), rng.draw(), rng.draw()];
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
    fn gaps_have_the_mean_of_the_geometric_distribution() {
        for p in [0.5, 0.01, 1e-6] {
            let mut rng = Rng::new(9);
            let count = 40_000;
            let mean = (0..count).map(|_| rng.trials_before_success(p) as f64).sum::<f64>() / f64::from(count);
            // Mean (1-p)/p and deviation sqrt(1-p)/p (any probability handbook); six deviations of the mean.
            let expected = (1.0 - p) / p;
            let margin = 6.0 * (1.0 - p).sqrt() / p / f64::from(count).sqrt();
            assert!((mean - expected).abs() < margin, "{p}: {mean} against {expected} +- {margin}");
        }
        let mut rng = Rng::new(1);
        assert_eq!(rng.trials_before_success(0.0), u64::MAX);
        assert_eq!(rng.trials_before_success(1.0), 0);
    }

    #[test]
    fn below_stays_below_and_both_ends_occur() {
        let mut rng = Rng::new(3);
        let mut seen = [false; 7];
        (0..1000).for_each(|_| seen[rng.below(7) as usize] = true);
        assert_eq!(seen, [true; 7]);
    }
}
