//! What keeps a run from doing harm: one run per port ([`lock`]), and a note of everything that must be restored
//! ([`journal`]) in a directory of ours ([`state`]). [`id`] gives ids of what is recorded.

pub mod id;
pub mod journal;
pub mod lock;
pub mod state;
mod sys;
