//! The length of the cable, from the growth of the round trip, where the clock is fine enough.
//!
//! A signal takes `1 / (v c)` for each metre and travels out and back, so `length = growth v c / 2`. The velocity
//! factor `v` of twisted pair is 0.64 to 0.72 (examples in cable data, second hand; common practice). The length is
//! known to 6 % at best.

use super::line::{Line, Visit};
use super::stage::Showing;
use crate::base::figure::count;
use crate::kind::Kind;
use crate::kind::ethernet::link::Medium;

/// Speed of light in vacuum, metres a nanosecond (SI).
const LIGHT_M_PER_NS: f64 = 0.299_792_458;
/// Velocity factor of twisted pair: least, usual, most.
const COPPER: [f64; 3] = [0.64, 0.68, 0.72];
/// Of glass fibre, by a group index of 1.468 (from memory), to 1 %.
const FIBRE: [f64; 3] = [0.674, 0.681, 0.688];
/// A channel of balanced pairs may be this long, m (switch manuals quoting the 568 series: 90 m fixed and 10 m of
/// cords).
pub const CHANNEL_M_MAX: f64 = 100.0;
/// Stamps of an adapter are as fine as a 125 MHz clock; growth is a difference of two round trips, so twice that.
const ADAPTER_NS: f64 = 16.0;

/// A length with its bounds, m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Length {
    /// It is at least this.
    pub low_m: f64,
    /// Best single figure.
    pub best_m: f64,
    /// It is at most this.
    pub high_m: f64,
}

/// Length of cable that lets the round trip grow by `growth_ns`, known to `resolution_ns`; none on a medium whose
/// velocity is not known.
pub fn length(growth_ns: f64, resolution_ns: f64, medium: Medium) -> Option<Length> {
    let [slow, usual, fast] = match medium {
        Medium::Copper => COPPER,
        Medium::Fibre => FIBRE,
        Medium::DirectAttach | Medium::Virtual | Medium::Unknown => return None,
    };
    let metres = |ns: f64, v: f64| (ns * v * LIGHT_M_PER_NS / 2.0).max(0.0);
    Some(Length {
        low_m: metres(growth_ns - resolution_ns, slow),
        best_m: metres(growth_ns, usual),
        high_m: metres(growth_ns + resolution_ns, fast),
    })
}

/// What is said in the answer itself: the length, where it is surely more than a copper channel may have.
pub(super) fn too_long(line: &Line) -> Option<String> {
    remark(line).filter(|told| told.ends_with(TOO_LONG))
}

/// What the round trips say of the cable's length. On a serial line a bit lasts longer than the way through any cable.
pub(super) fn remark(line: &Line) -> Option<String> {
    if line.case.port.kind == Kind::Serial {
        return None;
    }
    let measured = |v: &&Visit| v.shows == Showing::Passes || v.shows == Showing::Fails;
    let near = line.at(0).filter(measured).find(|v| v.result.latency_ns.min.is_some())?;
    // The farthest place whose round trip can be compared: same speed, same size.
    let like = |v: &&Visit| {
        v.place > 0
            && v.result.latency_ns.min.is_some()
            && v.result.latency_ns.clock == near.result.latency_ns.clock
            && v.result.link.speed_mbps == near.result.link.speed_mbps
            && v.result.size_bytes_min == near.result.size_bytes_min
    };
    let far = line.visits.iter().filter(measured).filter(like).max_by_key(|v| v.place)?;
    let (short, long) = (near.result.latency_ns.min?, far.result.latency_ns.min?);
    let growth = long as f64 - short as f64;
    let resolution = match near.result.latency_ns.clock.as_str() {
        "adapter" => ADAPTER_NS,
        "virtual" => 2.0,
        clock => {
            return Some(format!(
                "The {clock} clock stamped the round trips. Its noise is worth more than 100 m of cable, so they say \
                 nothing about the length. That needs the clock of the adapter."
            ));
        }
    };
    let Length { low_m, best_m, high_m } = length(growth, resolution, near.result.link.medium)?;
    // No growth that could be told from none says nothing: nobody asks for the length of a cable of 0 m.
    if low_m == 0.0 {
        return None;
    }
    let judged = match near.result.link.medium {
        Medium::Copper if low_m > CHANNEL_M_MAX => TOO_LONG,
        Medium::Copper if high_m > CHANNEL_M_MAX => " That is at the limit of 100 m for a copper channel.",
        Medium::Copper => " That is within the 100 m for a copper channel.",
        _ => "",
    };
    Some(format!(
        "To {} the round trip grows by {} ns: that is {} m of cable, or {} to {} m, since the speed of the signal in \
         it is not known exactly.{judged}",
        line.spot(far.place),
        whole(growth),
        whole(best_m),
        whole(low_m),
        whole(high_m)
    ))
}

const TOO_LONG: &str = " That is more than the 100 m that a copper channel may have.";

fn whole(figure: f64) -> String {
    count(figure.round() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Growth of 967 ns: 92.8 m at velocity factor 0.64 and 104.4 m at 0.72 (computed from the speed of light).
    #[test]
    fn growth_becomes_metres() {
        let got = length(967.0, 0.0, Medium::Copper).unwrap();
        assert!((got.low_m - 92.8).abs() < 0.05 && (got.high_m - 104.4).abs() < 0.05, "{got:?}");
        // 4.9 ns a metre, one way (group index 1.468): 9.8 ns out and back.
        let fibre = length(9800.0, 0.0, Medium::Fibre).unwrap();
        assert!(fibre.low_m < 1000.0 && 1000.0 < fibre.high_m && (fibre.best_m - 1000.0).abs() < 5.0, "{fibre:?}");
        // One step of a 125 MHz clock, 8 ns, is worth 0.83 m at 0.69 (computed).
        let coarse = length(0.0, 8.0, Medium::Copper).unwrap();
        assert!(coarse.low_m == 0.0 && (0.7..0.9).contains(&coarse.high_m), "{coarse:?}");
        assert_eq!(length(967.0, 0.0, Medium::Virtual), None);
    }
}
