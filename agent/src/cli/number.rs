//! Numbers of the command line, refused in words of people who write no programs.

use std::str::FromStr;

/// A whole number that is not negative.
pub(super) fn whole<T: FromStr>(text: &str) -> Result<T, String> {
    text.trim().parse().map_err(|_| "a whole number is needed, such as 64".to_owned())
}

/// A ratio, such as `1e-7`.
pub(super) fn ratio(text: &str) -> Result<f64, String> {
    let number = text.trim().parse().ok().filter(|number: &f64| number.is_finite());
    number.ok_or_else(|| "a number is needed, such as 0.95 or 1e-7".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_number_is_refused_in_plain_words() {
        assert_eq!((whole("64"), ratio("1e-7")), (Ok(64_u32), Ok(1e-7)));
        for wrong in ["", "x", "3.5", "-1", "99999999999"] {
            assert_eq!(whole::<u32>(wrong).unwrap_err(), "a whole number is needed, such as 64", "{wrong}");
        }
        for wrong in ["", "x", "nan", "inf"] {
            assert!(ratio(wrong).unwrap_err().contains("such as"), "{wrong}");
        }
    }
}
