//! What a pass of a profile has to prove, and by which bounds: that depends on how a run comes to its end.

use std::time::Duration;

use super::{Profile, ProfileKind};
use crate::judge::facts::Stopped;
use crate::judge::ratio::Limit;
use crate::kind::Kind;
use crate::stats::looks::Looks;

impl Profile {
    /// What a pass has to prove on this kind of port, in a run that came to the end of its plan or was stopped.
    ///
    /// One look is enough where the length was fixed beforehand. A proof ends by what it has counted, and so does a
    /// search; a person who ends a run may do so at a good moment. Their bounds hold at all times.
    pub fn limit(&self, kind: Kind, stopped: Option<Stopped>) -> Limit {
        let looks = match (self.kind, stopped) {
            (ProfileKind::Steps | ProfileKind::Soak, None) => Looks::Once,
            (ProfileKind::Steps | ProfileKind::Soak, Some(_)) | (ProfileKind::Proof | ProfileKind::RateSearch, _) => {
                Looks::Repeated
            }
        };
        let bit_error_ratio = match kind {
            Kind::Ethernet => self.target_ber,
            Kind::Serial => self.serial_target_ber,
        };
        Limit { bit_error_ratio, confidence: self.confidence, looks }
    }

    /// How long the plan sends in full flow, the most for a proof; none for a search, which ends by what it finds.
    pub fn sends_for(&self) -> Option<Duration> {
        match self.kind {
            ProfileKind::Steps => Some(self.steps().iter().map(|step| step.time).sum()),
            ProfileKind::Proof | ProfileKind::Soak => Some(self.time),
            ProfileKind::RateSearch => None,
        }
    }

    /// How long a run takes where the link is there and nothing has to be repeated.
    pub fn usual_time(&self) -> Duration {
        self.listen + self.sends_for().unwrap_or(self.time) + self.settle
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_length_fixed_beforehand_is_judged_by_one_look() {
        let looks = |name: &str, stopped| Profile::named(name).unwrap().limit(Kind::Ethernet, stopped).looks;
        for (name, to_its_end) in [
            ("quick", Looks::Once),
            ("standard", Looks::Once),
            ("soak", Looks::Once),
            ("proof", Looks::Repeated),
            ("rate-search", Looks::Repeated),
        ] {
            assert_eq!(looks(name, None), to_its_end, "{name}");
            assert_eq!(looks(name, Some(Stopped::ByUser)), Looks::Repeated, "{name}");
        }
    }

    #[test]
    fn each_kind_of_port_has_its_limit_and_each_plan_its_length() {
        let quick = Profile::named("quick").unwrap();
        let ratio = |kind| quick.limit(kind, None).bit_error_ratio;
        assert_eq!((ratio(Kind::Ethernet), ratio(Kind::Serial)), (quick.target_ber, quick.serial_target_ber));
        let seconds = |name: &str| Profile::named(name).unwrap().sends_for().map(|time| time.as_secs_f64());
        assert_eq!(
            ["quick", "soak", "proof", "rate-search"].map(seconds),
            [Some(3.9), Some(3600.0), Some(14_400.0), None]
        );
    }
}
