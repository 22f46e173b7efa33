//! The bench: network cards are tested by the lot, and accepted or rejected.
//!
//! In reading order: [`card`] (who a card is), [`claim`] (what its seller says it is), [`procedure`] (which tests, with
//! which limits), [`facts`] and [`queues`] (what a test measured), [`all_ports`] (what tells a card from its driver
//! where all ports send), [`findings`] (facts held against limits), [`attempt`] (one try at a test, in which slot and
//! with which plugs), [`blame`] (whether a failure is the card's, a plug's or a slot's). The [`vpd`] and [`image`] read
//! what a card holds of itself. The documents that hold all this are in [`document`](crate::document). [`sim`] is a
//! simulated bench.

pub mod all_ports;
pub mod attempt;
pub mod blame;
pub mod card;
pub mod claim;
pub mod facts;
pub mod findings;
pub mod image;
pub mod procedure;
pub mod queues;
pub mod sim;
pub mod vpd;
