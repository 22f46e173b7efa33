//! From a ratio of damaged frames to a ratio of damaged bits, and back.
//!
//! A frame of `n` bits survives when every bit does: `FER = 1 - (1 - BER)^n`, hence `BER = 1 - (1 - FER)^(1/n)`. Both
//! are computed through `ln_1p` and `exp_m1`, since the plain forms lose every digit below about 1e-16. They assume
//! independent bit errors: in bursts many bits share one frame, and the bit ratio found this way is too low. Source:
//! the complement of `n` independent successes; P. Anslow, IEEE 802.3 study group (2012), states the pair 1e-12 and
//! 5.12e-10 for 512 bits.

use super::StatsError;
use super::looks::Looks;
use super::ratio::Bounds;

/// Ratio of damaged frames of `frame_bits` bits at a bit error ratio; both are fractions in `0..=1`.
///
/// # Errors
/// [`StatsError::Ratio`] for a ratio outside `0..=1` or not a number, [`StatsError::EmptyFrame`] for less than a bit.
/// Where frames differ in length, `frame_bits` is their mean: exact to the first order in the ratio.
pub fn frame_ratio(bit_ratio: f64, frame_bits: f64) -> Result<f64, StatsError> {
    check(bit_ratio, frame_bits)?;
    Ok(-(frame_bits * (-bit_ratio).ln_1p()).exp_m1())
}

/// Bit error ratio that damages the given ratio of frames of `frame_bits` bits; both are fractions in `0..=1`.
///
/// # Errors
/// As [`frame_ratio`].
pub fn bit_ratio(frame_ratio: f64, frame_bits: f64) -> Result<f64, StatsError> {
    check(frame_ratio, frame_bits)?;
    Ok(to_bits(frame_ratio, frame_bits))
}

/// Bounds on the bit error ratio from counts of frames, each of `frame_bits` bits.
///
/// The conversion rises with its argument, so bounds on frames turn into bounds on bits at the same confidence.
///
/// # Errors
/// As [`Bounds::new`] and [`frame_ratio`].
pub fn bounds_from_frames(
    errored: u64,
    frames: u64,
    frame_bits: f64,
    confidence: f64,
    looks: Looks,
) -> Result<Bounds, StatsError> {
    check(0.0, frame_bits)?;
    Ok(Bounds::new(errored, frames, confidence, looks)?.map(|ratio| to_bits(ratio, frame_bits)))
}

fn to_bits(frame_ratio: f64, frame_bits: f64) -> f64 {
    -((-frame_ratio).ln_1p() / frame_bits).exp_m1()
}

fn check(ratio: f64, frame_bits: f64) -> Result<(), StatsError> {
    match ratio {
        _ if !(1.0..).contains(&frame_bits) => Err(StatsError::EmptyFrame),
        ratio if (0.0..=1.0).contains(&ratio) => Ok(()),
        _ => Err(StatsError::Ratio(ratio)),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::stats::reference;

    fn close(got: f64, want: f64, relative: f64) {
        assert!((got - want).abs() <= relative * want.abs(), "got {got:e}, want {want:e}");
    }

    /// Both tables of the reference file (source in the file).
    #[test]
    fn conversions_equal_the_reference_tables() {
        for row in reference::rows("frame_error_ratio") {
            let (ber, fer) = (row["ber"].as_f64().unwrap(), row["fer"].as_f64().unwrap());
            close(frame_ratio(ber, row["bits"].as_f64().unwrap()).unwrap(), fer, 1e-13);
        }
        for row in reference::rows("ber_from_fer") {
            let bits = row["frame_bytes_incl_fcs"].as_f64().unwrap() * 8.0;
            close(bit_ratio(row["fer"].as_f64().unwrap(), bits).unwrap(), row["ber"].as_f64().unwrap(), 1e-13);
        }
    }

    /// IEEE 802.3 100GNGOPTX study group (Anslow, 2012): BER 1e-12 is FER 5.12e-10 for 64-octet frames.
    #[test]
    fn the_published_pair_comes_out() {
        close(frame_ratio(1e-12, 512.0).unwrap(), 5.12e-10, 1e-9);
        close(bit_ratio(5.12e-10, 512.0).unwrap(), 1e-12, 1e-9);
    }

    #[test]
    fn ends_and_impossible_values_are_defined() {
        assert_eq!((frame_ratio(0.0, 512.0), bit_ratio(0.0, 512.0)), (Ok(0.0), Ok(0.0)));
        assert_eq!((frame_ratio(1.0, 512.0), bit_ratio(1.0, 512.0)), (Ok(1.0), Ok(1.0)));
        assert_eq!(frame_ratio(0.5, 0.0), Err(StatsError::EmptyFrame));
        assert_eq!(bounds_from_frames(0, 10, 0.0, 0.95, Looks::Once), Err(StatsError::EmptyFrame));
        assert_eq!(bit_ratio(1.5, 512.0), Err(StatsError::Ratio(1.5)));
        assert_eq!(bit_ratio(-0.1, 512.0), Err(StatsError::Ratio(-0.1)));
        assert!(matches!(frame_ratio(f64::NAN, 512.0), Err(StatsError::Ratio(_))));
    }

    /// No damaged frame of `n` bits in `f` is no damaged bit in `n f`: both ways must prove the same.
    #[test]
    fn undamaged_frames_prove_what_their_bits_prove() {
        let frames = bounds_from_frames(0, 1_000_000, 12_144.0, 0.95, Looks::Once).unwrap();
        let bits = Bounds::new(0, 12_144_000_000, 0.95, Looks::Once).unwrap();
        close(frames.better_than, bits.better_than, 1e-12);
        close(frames.upper, bits.upper, 1e-12);
    }

    proptest! {
        #[test]
        fn there_and_back_again(exponent in -15.0..-0.01_f64, bits in 1.0..80_000_f64) {
            let ratio = 10_f64.powf(exponent);
            let there = bit_ratio(ratio, bits).unwrap();
            prop_assert!((frame_ratio(there, bits).unwrap() / ratio - 1.0).abs() < 1e-12);
        }

        #[test]
        fn bounds_stay_in_order(frames in 1_u64..1_000_000, share in 0.0..=1.0_f64, bits in 1.0..80_000_f64) {
            let b = bounds_from_frames((frames as f64 * share) as u64, frames, bits, 0.95, Looks::Once).unwrap();
            prop_assert!(b.lower <= b.worse_than && b.worse_than <= b.estimate, "{b:?}");
            prop_assert!(b.estimate <= b.better_than && b.better_than <= b.upper && b.upper <= 1.0, "{b:?}");
        }
    }
}
