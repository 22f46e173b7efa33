//! The restore journal: what was changed, noted before it is changed, so that a killed run can be undone.
//!
//! One file per process, `restore/ID.jsonl` in the state directory, one JSON object a line: `begin` before a change,
//! `became` when the driver made something else of it, `done` once it is restored. The process keeps the file locked
//! (flock) as long as it lives; a file that can be locked by another belongs to a process that is gone. This needs no
//! look at process numbers, which are used again and which other users' sandboxes hide; the number is noted for people.
//! A file without open changes is removed.
//!
//! How the values are read and written is the business of an [`Apply`]; [`recover()`] decides whether they may be.
//! Limits: a user's journal is restored only by the same user, and on a network file system the lock is as good as the
//! file system's.

mod change;
mod file;
mod recover;
#[cfg(test)]
mod tests;

pub use change::{Change, Target};
pub use file::{Journal, JournalError};
pub use recover::{Apply, ApplyError, Damaged, Outcome, Recovered, Recovery, Standing, left, recover, restore};
