//! Figures in words: ratios, rates, times.

/// A ratio such as `3.1e-10`; zero as `0`.
pub fn ratio(value: f64) -> String {
    if value == 0.0 { "0".into() } else { format!("{value:.1e}") }
}

/// Nanoseconds in the unit that leaves one to three digits before the point.
pub fn time_ns(ns: u64) -> String {
    let ns = ns as f64;
    match ns {
        _ if ns < 1e3 => format!("{ns:.0} ns"),
        _ if ns < 1e6 => format!("{:.1} us", ns / 1e3),
        _ if ns < 1e9 => format!("{:.1} ms", ns / 1e6),
        _ => format!("{:.2} s", ns / 1e9),
    }
}

/// Bits a second with prefix.
pub fn bit_rate(bps: f64) -> String {
    match bps {
        _ if bps >= 1e9 => format!("{:.2} Gb/s", bps / 1e9),
        _ if bps >= 1e6 => format!("{:.1} Mb/s", bps / 1e6),
        _ => format!("{:.1} kb/s", bps / 1e3),
    }
}

/// A count in groups of three: `1 234 567`.
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// Seconds as `4 s`, `3 min`, `2.1 h`.
pub fn seconds(s: f64) -> String {
    match s {
        _ if s < 120.0 => format!("{s:.0} s"),
        _ if s < 7200.0 => format!("{:.0} min", s / 60.0),
        _ => format!("{:.1} h", s / 3600.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_read_well() {
        assert_eq!(count(1_234_567), "1 234 567");
        assert_eq!(count(12), "12");
        assert_eq!(time_ns(999), "999 ns");
        assert_eq!(time_ns(12_345), "12.3 us");
        assert_eq!(bit_rate(9.87e9), "9.87 Gb/s");
        assert_eq!(ratio(0.0), "0");
        assert_eq!(seconds(7500.0), "2.1 h");
    }
}
