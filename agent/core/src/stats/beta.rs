//! Tails and quantiles of the beta distribution for parameters from 1 to 1e18, the arithmetic under exact binomial
//! bounds.
//!
//! General-purpose routines fail here: with a thousand errors in 1e13 bits they lose all digits or stop at a wrong
//! root. Two choices keep the digits:
//!
//! - The density is written as a deviance (Loader, "Fast and accurate computation of binomial probabilities", 2000): no
//!   difference of large logarithms of factorials is ever taken.
//! - The argument is the expected count `m = (a + b) * x`, not `x`, so that `1 - x` never has to be formed from an `x`
//!   of 1e-15.
//!
//! Tails are sums of positive terms for small `a`, and Gauss-Legendre quadrature for large `a`, where a sum would need
//! thousands of terms. Either way the small tail is the one computed; the other is its complement.

/// A beta distribution with real parameters of at least one half.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beta {
    a: f64,
    b: f64,
    /// Logarithm of the density (per unit of log odds) at the centre `x = a / (a + b)`.
    ln_peak: f64,
}

/// Logarithms of the probabilities below and above a point.
#[derive(Debug, Clone, Copy)]
pub(super) struct LnTails {
    pub lower: f64,
    pub upper: f64,
}

/// Which tail a quantile cuts off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Side {
    Lower,
    Upper,
}

impl Beta {
    pub fn new(a: f64, b: f64) -> Self {
        let n = a + b;
        // 1/B(a,b) by Stirling's formula with its correction, the factors that do not depend on x taken at x = a/n.
        let ln_peak = 0.5 * (a * (b / n) / std::f64::consts::TAU).ln() + stirling_correction(n)
            - stirling_correction(a)
            - stirling_correction(b);
        Self { a, b, ln_peak }
    }

    fn n(&self) -> f64 {
        self.a + self.b
    }

    /// Logarithm of `x^a (1-x)^b / B(a,b)` at `m = (a + b) x`: the density per unit of log odds.
    ///
    /// `x^a (1-x)^b` relative to its value at the centre is `exp(-deviance)`, with the deviance `a phi(d/a) + b
    /// phi(-d/b)`, `d = m - a` and `phi(u) = u - ln(1+u)`. Source: Loader (2000), rearranged so that both terms share
    /// one difference.
    fn ln_density(&self, m: f64) -> f64 {
        let d = m - self.a;
        self.ln_peak - self.a * phi(d / self.a, m / self.a) - self.b * phi(-d / self.b, (self.b - d) / self.b)
    }

    /// Both tails at `m = (a + b) x`, as logarithms; `0 < m < a + b`.
    pub fn ln_tails(&self, m: f64) -> LnTails {
        let side = if m < self.a { Side::Lower } else { Side::Upper };
        let tail = if self.a.min(self.b) < SUM_BELOW { self.ln_tail_sum(m, side) } else { self.ln_tail_area(m, side) };
        let tail = tail.min(0.0);
        let rest = ln_1m_exp(tail);
        match side {
            Side::Lower => LnTails { lower: tail, upper: rest },
            Side::Upper => LnTails { lower: rest, upper: tail },
        }
    }

    /// A tail by its series of positive terms, which for whole parameters is the sum of binomial probabilities.
    ///
    /// Source: DLMF 8.17.8 for the lower tail, and the same with the roles of `a` and `b` exchanged.
    fn ln_tail_sum(&self, m: f64, side: Side) -> f64 {
        let (misses, n) = (self.b - (m - self.a), self.n());
        // Seen from the tail: `own` counts up from its parameter while `other` counts down.
        let (own, other, odds, first) = match side {
            Side::Lower => (self.a, self.b, m / misses, self.a * (misses / n)),
            Side::Upper => (self.b, self.a, misses / m, self.b * (m / n)),
        };
        let (mut term, mut sum, mut i) = (1.0, 1.0, 1.0);
        while term > sum * 1e-17 && i < other {
            term *= (other - i) / (own + i) * odds;
            sum += term;
            i += 1.0;
        }
        self.ln_density(m) - f64::ln(first) + f64::ln(sum)
    }

    /// A tail as the area under the density, marching outwards until nothing is added.
    ///
    /// With `t` running over the expected count, the density per unit of log odds is turned into one per unit of `t` by
    /// `n / (t (n - t))`. Every panel is at most two local standard deviations wide and lets the density fall by at
    /// most about `e^-4`, which sixteen points integrate to the last digit.
    fn ln_tail_area(&self, m: f64, side: Side) -> f64 {
        let n = self.n();
        let misses_at = |t: f64| self.b - (t - self.a);
        let start = self.ln_density(m);
        let (mut from, mut area) = (m, 0.0);
        let end = match side {
            Side::Lower => 0.0,
            Side::Upper => n,
        };
        while from != end {
            let spread = (from * (misses_at(from) / n)).sqrt();
            let slope = (from - self.a).abs() / (spread * spread);
            let width = (2.0 * spread).min(4.0 / slope);
            let to = match side {
                Side::Lower => (from - width).max(end),
                Side::Upper => (from + width).min(end),
            };
            let (middle, half) = (0.5 * (from + to), 0.5 * (to - from).abs());
            let height = |t: f64| (self.ln_density(t) - start).exp() * (n / misses_at(t)) / t;
            let panel: f64 =
                GAUSS_LEGENDRE.iter().map(|&(u, w)| w * (height(middle - half * u) + height(middle + half * u))).sum();
            area += half * panel;
            // Where a step is too small to move a number this large, the tail is less than any number can say.
            if half * panel <= area * 1e-17 || to == from {
                break;
            }
            from = to;
        }
        start + area.ln()
    }

    /// The point `m = (a + b) x` that leaves probability `tail` on the given side; `0 < tail < 1`.
    ///
    /// Newton's method on the logarithm of the tail against `ln m`: that function is concave, so the steps approach the
    /// root from one side; a bracket catches the steps that would leave `0..a+b`.
    pub fn quantile(&self, tail: f64, side: Side) -> f64 {
        let (target, n) = (tail.ln(), self.n());
        let (mut low, mut high) = (0.0, n);
        let mut m = self.guess(tail, side);
        for _ in 0..200 {
            let tails = self.ln_tails(m);
            let density = self.ln_density(m) - ((self.b - (m - self.a)) / n).ln();
            let (excess, slope) = match side {
                Side::Lower => (tails.lower - target, (density - tails.lower).exp()),
                Side::Upper => (tails.upper - target, -(density - tails.upper).exp()),
            };
            // A factor near 1 keeps digits that ln m would lose.
            let next = m * (-excess / slope).exp();
            // The error after a step is about the square of the one before: this one is the last that can matter.
            if excess.abs() <= 1e-7 * target.abs().min(1.0) && next < n {
                return next;
            }
            if (excess > 0.0) == (side == Side::Lower) {
                high = m;
            } else {
                low = m;
            }
            m = match next {
                inside if low < inside && inside < high => inside,
                _ if low == 0.0 => 0.5 * high,
                _ => low.sqrt() * high.sqrt(),
            };
            if high - low <= 2e-16 * high {
                break;
            }
        }
        m
    }

    /// A first guess: the Wilson-Hilferty cube for a gamma quantile, its spread narrowed for a finite `b`.
    fn guess(&self, tail: f64, side: Side) -> f64 {
        let z = match side {
            Side::Lower => -normal_upper_quantile(tail),
            Side::Upper => normal_upper_quantile(tail),
        } * (self.b / self.n()).sqrt();
        let root = 1.0 - 1.0 / (9.0 * self.a) + z / (3.0 * self.a.sqrt());
        let cube = self.a * root.max(0.0).powi(3);
        cube.clamp(self.a * 1e-6, 0.5 * (self.a + self.n()))
    }
}

/// `ln P(X <= errors)` of a binomial count in `trials` at `ratio`, strictly between 0 and 1.
pub(super) fn ln_at_most(errors: u64, trials: u64, ratio: f64) -> f64 {
    match trials - errors {
        0 => 0.0,
        _ if errors == 0 => trials as f64 * (-ratio).ln_1p(),
        misses => Beta::new(errors as f64 + 1.0, misses as f64).ln_tails((trials as f64 + 1.0) * ratio).upper,
    }
}

/// `ln P(X >= errors)` of a binomial count in `trials` at `ratio`, strictly between 0 and 1.
pub(super) fn ln_at_least(errors: u64, trials: u64, ratio: f64) -> f64 {
    match trials - errors {
        _ if errors == 0 => 0.0,
        0 => trials as f64 * ratio.ln(),
        misses => Beta::new(errors as f64, misses as f64 + 1.0).ln_tails((trials as f64 + 1.0) * ratio).lower,
    }
}

/// `u - ln(1 + u)` without cancellation near 0; `one_plus_u` is given because the caller knows it without rounding.
fn phi(u: f64, one_plus_u: f64) -> f64 {
    if u.abs() > 0.4 {
        return u - one_plus_u.ln();
    }
    // ln(1+u) = 2 artanh(r) with r = u/(2+u); then u - 2r = u r, and the rest of the series in r^2 is small and smooth.
    let r = u / (2.0 + u);
    let square = r * r;
    let (mut power, mut sum, mut odd) = (square, 0.0, 3.0);
    while power > 1e-18 * square {
        sum += power / odd;
        power *= square;
        odd += 2.0;
    }
    r * (u - 2.0 * sum)
}

/// What Stirling's formula lacks: `ln Gamma(m) - (m - 1/2) ln m + m - ln(2 pi)/2`, for `m > 0`.
///
/// Source: DLMF 5.11.1 from `m = 16`, carried down to smaller `m` by `Gamma(m + 1) = m Gamma(m)`.
fn stirling_correction(mut m: f64) -> f64 {
    let mut sum = 0.0;
    while m < 16.0 {
        sum += (m + 0.5) * (1.0 / m).ln_1p() - 1.0;
        m += 1.0;
    }
    let s = 1.0 / (m * m);
    sum + (1.0 / 12.0 - s * (1.0 / 360.0 - s * (1.0 / 1260.0 - s * (1.0 / 1680.0 - s / 1188.0)))) / m
}

/// `ln(1 - e^t)` for `t <= 0`.
fn ln_1m_exp(t: f64) -> f64 {
    if t > -std::f64::consts::LN_2 { (-t.exp_m1()).ln() } else { (-t.exp()).ln_1p() }
}

/// The standard normal deviate above which `tail` lies, to about 5e-4: good enough to start from.
///
/// Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2.23.
fn normal_upper_quantile(tail: f64) -> f64 {
    if tail > 0.5 {
        return -normal_upper_quantile(1.0 - tail);
    }
    let t = (-2.0 * tail.max(f64::MIN_POSITIVE).ln()).sqrt();
    t - (2.515517 + t * (0.802853 + t * 0.010328)) / (1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308)))
}

/// Below this parameter a tail is summed, above it integrated: about where both cost the same.
const SUM_BELOW: f64 = 1000.0;

/// Half of the points and weights of the 16-point Gauss-Legendre rule on `-1..1`; the other half is its mirror image.
///
/// Source: Abramowitz and Stegun, Handbook of Mathematical Functions, table 25.4.
#[allow(clippy::excessive_precision)]
const GAUSS_LEGENDRE: [(f64, f64); 8] = [
    (0.989400934991649933, 0.0271524594117540949),
    (0.944575023073232576, 0.0622535239386478929),
    (0.865631202387831744, 0.0951585116824927848),
    (0.755404408355003034, 0.124628971255533872),
    (0.617876244402643748, 0.149595988816576732),
    (0.458016777657227386, 0.169156519395002538),
    (0.281603550779258913, 0.182603415044923589),
    (0.0950125098376374402, 0.189450610455068496),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, relative: f64) {
        assert!((got - want).abs() <= relative * want.abs(), "got {got:e}, want {want:e}");
    }

    /// An n-point Gauss rule is exact for polynomials up to degree 2n - 1 (A&S 25.4.29): all even powers to 30.
    #[test]
    fn the_quadrature_rule_is_exact_for_every_polynomial_it_should_be() {
        for power in (0..=30).step_by(2) {
            let sum: f64 = GAUSS_LEGENDRE.iter().map(|&(u, w)| 2.0 * w * u.powi(power)).sum();
            close(sum, 2.0 / f64::from(power + 1), 1e-14);
        }
    }

    /// Gamma(n) = (n-1)! and Gamma(1/2) = sqrt(pi) (DLMF 5.4.1, 5.4.6).
    #[test]
    fn stirling_correction_restores_factorials() {
        let mut ln_factorial = 0.0;
        for n in 1..60 {
            let m = f64::from(n);
            let want = ln_factorial - (m - 0.5) * m.ln() + m - 0.5 * std::f64::consts::TAU.ln();
            assert!((stirling_correction(m) - want).abs() < 1e-13, "{n}");
            ln_factorial += m.ln();
        }
        let half = 0.5 * std::f64::consts::PI.ln() + 0.5 - 0.5 * std::f64::consts::TAU.ln();
        close(stirling_correction(0.5), half, 1e-13);
    }

    /// The Taylor series of `u - ln(1+u)` (DLMF 4.6.1), and continuity where the two forms meet.
    #[test]
    fn phi_keeps_its_digits_near_zero() {
        for u in [1e-12, -1e-9, 1e-5, -1e-3] {
            let taylor = u * u * (0.5 - u * (1.0 / 3.0 - u * (0.25 - u * (0.2 - u / 6.0))));
            close(phi(u, 1.0 + u), taylor, 1e-14);
        }
        for u in [0.39, 0.41, -0.39, -0.41] {
            close(phi(u, 1.0 + u), u - f64::ln_1p(u), 1e-14);
        }
        assert_eq!(phi(0.0, 1.0), 0.0);
    }

    /// Two ways to the same tails must agree where both are practical.
    #[test]
    fn sums_and_areas_agree() {
        for (a, b) in [(1000.0, 1000.0), (1500.0, 1e12), (1001.0, 5000.0), (20_000.0, 1e18), (5e4, 5e4)] {
            let beta = Beta::new(a, b);
            let spread = f64::sqrt(a * b / (a + b));
            for z in [0.0, 0.1, 1.0, 2.0, 5.0, 12.0, 20.0] {
                let (above, below) = (a + z * spread, a - z * spread);
                close(beta.ln_tail_area(above, Side::Upper), beta.ln_tail_sum(above, Side::Upper), 1e-11);
                close(beta.ln_tail_area(below, Side::Lower), beta.ln_tail_sum(below, Side::Lower), 1e-11);
            }
        }
    }

    #[test]
    fn a_quantile_leaves_the_tail_asked_for() {
        for (a, b) in [(1.0, 1.0), (1.0, 1e18), (2.0, 3.0), (7.0, 1e9), (900.0, 900.0), (1e6, 1e7), (5e17, 5e17)] {
            let beta = Beta::new(a, b);
            for tail in [1e-300, 1e-30, 1e-9, 0.025, 0.3, 0.5, 0.8, 0.999] {
                for side in [Side::Lower, Side::Upper] {
                    let m = beta.quantile(tail, side);
                    if a + b - m < 1e-9 * m {
                        continue; // so near to 1 that no number of this size could hold the rest
                    }
                    let tails = beta.ln_tails(m);
                    let got = if side == Side::Lower { tails.lower } else { tails.upper };
                    // What the last bit of m can move: its distance to 0 and to a + b are both powers in the density.
                    let grain = 4.0 * f64::EPSILON * (m - a).abs().max(a.sqrt()) * m / (m.min(a + b - m));
                    let allowed = grain + 1e-13 * tail.ln().abs().max(1.0);
                    assert!((got - tail.ln()).abs() <= allowed, "{a} {b} {tail} {side:?}: {got}, allowed {allowed:e}");
                }
            }
        }
    }
}
