//! From a value to a place on an axis, and where an axis is marked.

/// How values are spread over an axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scale {
    /// Evenly from `low` to `high`.
    Linear {
        /// Value at the start.
        low: f64,
        /// Value at the end.
        high: f64,
    },
    /// Evenly by factors; both ends above 0.
    Logarithmic {
        /// Value at the start.
        low: f64,
        /// Value at the end.
        high: f64,
    },
}

impl Scale {
    /// For heights of columns: from 0, or by factors where the highest would hide the lowest.
    pub fn for_heights(heights: impl IntoIterator<Item = f64>) -> Self {
        let (least, most) = heights
            .into_iter()
            .filter(|h| *h > 0.0 && h.is_finite())
            .fold((f64::INFINITY, 0.0_f64), |(least, most), h| (least.min(h), most.max(h)));
        if most == 0.0 {
            Self::Linear { low: 0.0, high: 1.0 }
        } else if most / least > HIDES {
            // Half a step below the lowest: it must be seen.
            Self::Logarithmic { low: 10_f64.powf(least.log10().floor()) / 2.0, high: most * 1.5 }
        } else {
            Self::Linear { low: 0.0, high: most * 1.05 }
        }
    }

    /// Place of `value`: 0 at the start, 1 at the end; values beyond are put at the end they are beyond.
    pub fn at(&self, value: f64) -> f64 {
        let place = match *self {
            Self::Linear { low, high } => (value - low) / (high - low),
            Self::Logarithmic { low, high } => (value.max(low) / low).ln() / (high / low).ln(),
        };
        if place.is_nan() { 0.0 } else { place.clamp(0.0, 1.0) }
    }

    /// Round values along the axis, about `wanted` of them.
    pub fn ticks(&self, wanted: usize) -> Vec<f64> {
        match *self {
            Self::Linear { low, high } => even_ticks(low, high, wanted),
            Self::Logarithmic { low, high } if high / low < 4.0 => even_ticks(low, high, wanted),
            Self::Logarithmic { low, high } => factor_ticks(low, high, wanted),
        }
    }

    /// True when factors are drawn evenly.
    pub fn is_logarithmic(&self) -> bool {
        matches!(self, Self::Logarithmic { .. })
    }
}

/// A column this many times lower than the highest is about two pixels high.
const HIDES: f64 = 60.0;

fn even_ticks(low: f64, high: f64, wanted: usize) -> Vec<f64> {
    let span = high - low;
    if span.is_nan() || span <= 0.0 {
        return vec![low];
    }
    let rough = span / wanted.max(1) as f64;
    let power = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough * 0.999).unwrap_or(rough);
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(|i| i as f64 * step).collect()
}

fn factor_ticks(low: f64, high: f64, wanted: usize) -> Vec<f64> {
    let (first, last) = (low.log10().floor() as i32, high.log10().ceil() as i32);
    let decades = (last - first).max(1) as usize;
    let every = decades.div_ceil(wanted.max(1)) as i32;
    // Three marks a decade where there is room for them.
    let within: &[f64] = if (high / low).log10() * 3.0 <= wanted as f64 + 1.0 { &[1.0, 2.0, 5.0] } else { &[1.0] };
    (first..=last)
        .filter(|power| every == 1 || power.rem_euclid(every) == 0)
        .flat_map(|power| within.iter().map(move |m| m * 10_f64.powi(power)))
        .filter(|v| *v >= low * 0.999 && *v <= high * 1.001)
        .collect()
}

/// A number on an axis: as short as it can be, with a prefix for thousands, and as a power of ten where it is tiny.
pub fn short(value: f64) -> String {
    if value > 0.0 && value < 1e-3 {
        return power(value);
    }
    let (scaled, prefix) = match value.abs() {
        v if v >= 1e9 => (value / 1e9, "G"),
        v if v >= 1e6 => (value / 1e6, "M"),
        v if v >= 1e4 => (value / 1e3, "k"),
        _ => (value, ""),
    };
    let digits = format!("{scaled:.3}");
    format!("{}{prefix}", digits.trim_end_matches('0').trim_end_matches('.'))
}

/// A power of ten with a raised exponent, others as `2×10⁻⁷`.
pub fn power(value: f64) -> String {
    if value <= 0.0 || !value.is_finite() {
        return "0".into();
    }
    let exponent = (value.log10() + 1e-9).floor() as i32;
    let raised: String = exponent
        .to_string()
        .chars()
        .map(|c| match c {
            '-' => '⁻',
            _ => RAISED[c.to_digit(10).unwrap_or(0) as usize],
        })
        .collect();
    match (value / 10_f64.powi(exponent)).round() as i64 {
        1 => format!("10{raised}"),
        m => format!("{m}×10{raised}"),
    }
}

const RAISED: [char; 10] = ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ends_and_middle_are_where_they_belong() {
        let even = Scale::Linear { low: 0.0, high: 8.0 };
        assert_eq!(
            [even.at(0.0), even.at(2.0), even.at(8.0), even.at(9.0), even.at(f64::NAN)],
            [0.0, 0.25, 1.0, 1.0, 0.0]
        );
        let factors = Scale::Logarithmic { low: 1.0, high: 100.0 };
        assert!((factors.at(10.0) - 0.5).abs() < 1e-12);
        assert_eq!([factors.at(0.0), factors.at(1e6)], [0.0, 1.0]);
        assert_eq!(Scale::Linear { low: 3.0, high: 3.0 }.at(3.0), 0.0);
    }

    #[test]
    fn ticks_are_round_and_within() {
        assert_eq!(Scale::Linear { low: 0.0, high: 10.0 }.ticks(5), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert_eq!(Scale::Logarithmic { low: 1.0, high: 1e4 }.ticks(6), [1.0, 10.0, 100.0, 1e3, 1e4]);
        assert_eq!(Scale::Logarithmic { low: 1.5, high: 30.0 }.ticks(6), [2.0, 5.0, 10.0, 20.0]);
        let close = Scale::Logarithmic { low: 1000.0, high: 1010.0 }.ticks(5);
        assert!(close.len() >= 3 && close.iter().all(|v| (1000.0..=1010.0).contains(v)), "{close:?}");
    }

    #[test]
    fn one_error_beside_a_million_is_seen() {
        let scale = Scale::for_heights([1.0, 0.0, 1e6]);
        assert!(scale.is_logarithmic() && scale.at(1.0) > 0.03, "{scale:?}");
        assert_eq!(Scale::for_heights([]), Scale::Linear { low: 0.0, high: 1.0 });
    }

    #[test]
    fn numbers_on_an_axis_are_short() {
        let shown: Vec<_> = [0.0, 1e-9, 2e-4, 0.25, 500.0, 1500.0, 20_000.0, 1e6, 2.5e9].map(short).into();
        assert_eq!(shown, ["0", "10⁻⁹", "2×10⁻⁴", "0.25", "500", "1500", "20k", "1M", "2.5G"]);
        assert_eq!([power(1e-7), power(2e-12), power(1.0), power(1000.0)], ["10⁻⁷", "2×10⁻¹²", "10⁰", "10³"]);
    }
}
