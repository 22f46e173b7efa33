//! The fleet: many machines, one truth. `docs/fleet.md` is for users.
//!
//! An agent sends what it records to a broker (NATS JetStream, [`broker`]); collectors take it from there ([`collect`])
//! into a PostgreSQL database ([`database`]). [`payload`] packs a document for the way. [`view`] is what the page asks.
//!
//! What an agent does for the fleet is in `daemon/fleet`, subjects and messages are in `turnback_core::fleet`.

pub mod broker;
pub mod collect;
pub mod database;
pub mod error;
pub mod payload;
pub mod view;
