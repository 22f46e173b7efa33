//! What a fibre loop may lose: the budget of a procedure, connection by connection.

use serde::{Deserialize, Serialize};

/// Limits of `transceiver`, beside the transceiver's own alarm limits.
///
/// The budget of the loop is the sum of what its connections, splices, fibre and attenuator may lose, as TIA-568 and
/// ISO/IEC 11801 count. What the readings may be off is added.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct TransceiverLimits {
    /// Mated connections of the loop, 0 to 100: one at the transmitter and one at the receiver.
    pub connections: u32,
    /// Most that a connection loses, dB, 0 to 5. 0.75 dB for a mated pair: TIA-568.
    pub connection_db: f64,
    /// Splices of the loop, 0 to 100.
    pub splices: u32,
    /// Most that a splice loses, dB, 0 to 5. 0.3 dB: TIA-568 (from memory).
    pub splice_db: f64,
    /// Length of its fibre, km, 0 to 200.
    pub kilometres: f64,
    /// Most that a kilometre loses, dB, 0 to 10. 3.5 dB: TIA-568 for multimode fibre at 850 nm (from memory), the
    /// highest of all; 0.5 dB for single mode outdoors.
    pub kilometre_db: f64,
    /// What an attenuator in the loop takes, dB, 0 to 40. A long-reach transceiver needs one.
    pub attenuator_db: f64,
    /// What the two readings may be off together, dB, 0 to 6. Each is right to 3 dB (SFF-8472); that both are off by
    /// all of that in opposite directions is left out. Our own choice.
    pub readings_db: f64,
    /// In place of the budget: what the loop is known to lose at most, readings included, dB, 0 to 60.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub loop_loss_max_db: Option<f64>,
    /// Ports have transceivers that can be taken out. Where light comes from parts that are soldered in, or the plug
    /// is itself what goes into the cage, a failure that stays though the plug was exchanged is the card's.
    pub removable: bool,
}

impl Default for TransceiverLimits {
    fn default() -> Self {
        Self {
            connections: 2,
            connection_db: 0.75,
            splices: 0,
            splice_db: 0.3,
            kilometres: 0.001,
            kilometre_db: 3.5,
            attenuator_db: 0.0,
            readings_db: 3.0,
            loop_loss_max_db: None,
            removable: true,
        }
    }
}

impl TransceiverLimits {
    /// What the loop may lose by its parts, dB.
    pub fn budget_db(&self) -> f64 {
        f64::from(self.connections) * self.connection_db
            + f64::from(self.splices) * self.splice_db
            + self.kilometres * self.kilometre_db
            + self.attenuator_db
    }

    /// The highest loss between what a port's transceiver says it sends and receives, dB.
    pub fn loss_max_db(&self) -> f64 {
        self.loop_loss_max_db.unwrap_or_else(|| self.budget_db() + self.readings_db)
    }

    /// The highest loss, and where it comes from.
    pub fn in_words(&self) -> String {
        match self.loop_loss_max_db {
            Some(stated) => format!("{stated:.1} dB"),
            None => format!("{:.1} dB budget and {:.1} dB for the readings", self.budget_db(), self.readings_db),
        }
    }

    /// Every number with its name and the highest value that makes sense; the lowest is 0.
    pub(super) fn numbers(&self) -> Vec<(&'static str, f64, f64)> {
        let mut numbers = vec![
            ("connections", self.connections.into(), 100.0),
            ("connection_db", self.connection_db, 5.0),
            ("splices", self.splices.into(), 100.0),
            ("splice_db", self.splice_db, 5.0),
            ("kilometres", self.kilometres, 200.0),
            ("kilometre_db", self.kilometre_db, 10.0),
            ("attenuator_db", self.attenuator_db, 40.0),
            ("readings_db", self.readings_db, 6.0),
        ];
        numbers.extend(self.loop_loss_max_db.map(|stated| ("loop_loss_max_db", stated, 60.0)));
        numbers
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The losses are those that guides to loss budgets give as typical: 2 km of single mode at 1310 nm (0.4 dB/km)
    /// with two connections (0.5 dB) and two splices (0.15 dB) lose 2.1 dB (The Fiber Optic Association, loss budgets).
    #[test]
    fn a_budget_is_the_sum_of_its_parts() {
        let typical = TransceiverLimits {
            connections: 2,
            connection_db: 0.5,
            splices: 2,
            splice_db: 0.15,
            kilometres: 2.0,
            kilometre_db: 0.4,
            ..TransceiverLimits::default()
        };
        assert!((typical.budget_db() - 2.1).abs() < 1e-9);
        assert!((typical.loss_max_db() - 5.1).abs() < 1e-9, "readings are right to 3 dB");
        let long_reach = TransceiverLimits { attenuator_db: 10.0, ..typical.clone() };
        assert!((long_reach.budget_db() - 12.1).abs() < 1e-9);
        let stated = TransceiverLimits { loop_loss_max_db: Some(2.0), ..typical };
        assert_eq!((stated.loss_max_db(), stated.in_words().as_str()), (2.0, "2.0 dB"));
    }

    /// Two mated pairs at 0.75 dB (TIA-568) and a metre of fibre.
    #[test]
    fn a_loop_of_two_connections_may_lose_what_they_do() {
        assert!((TransceiverLimits::default().budget_db() - 1.5035).abs() < 1e-9);
    }
}
