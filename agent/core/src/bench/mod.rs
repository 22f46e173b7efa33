//! The bench: network cards are tested by the lot, and accepted or rejected.
//!
//! In reading order: [`card`] (who a card is), [`claim`] (what its seller says it is), [`procedure`] (which tests, with
//! which limits; [`light`]: what a fibre loop may lose), [`facts`] and [`queues`] (what a test measured), [`all_ports`]
//! (what tells a card from its driver where all ports send), [`findings`] (facts held against limits), [`attempt`] (one
//! try at a test: in which slot, with which plugs and transceivers), [`guilt`] (which of these are at fault), [`blame`]
//! (whether a failure is theirs or the card's). The [`vpd`] and [`image`] read what a card holds of itself. The
//! documents that hold all this are in [`document`](crate::document). [`sim`] is a simulated bench.

pub mod all_ports;
pub mod attempt;
pub mod blame;
pub mod card;
pub mod claim;
pub mod facts;
pub mod findings;
pub mod guilt;
pub mod image;
pub mod light;
pub mod procedure;
pub mod queues;
pub mod sim;
pub mod vpd;
