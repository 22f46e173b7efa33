//! Restores settings: decides on one change, and walks the journals of processes that are gone.

use std::{
    collections::BTreeMap,
    fmt,
    fs::{self, File},
    io::Read,
    path::{Path, PathBuf},
};

use serde_json::Value;
use thiserror::Error;

use super::{
    change::{Change, Line},
    file::{JournalError, Locked, Sync, abandoned, append},
};
use crate::guard::state;

/// How the thing a change was made to stands today.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Standing {
    /// It is there, the same one, and free.
    Same,
    /// It is in another network namespace than this thread.
    Elsewhere,
    /// It is not there any more, and its settings with it.
    Gone,
    /// It is not there, but may come back: an adapter that was unplugged.
    Absent,
    /// Another has its name or number now.
    Replaced,
    /// Another run has it.
    Busy(String),
    /// This [`Apply`] does not know the kind of setting.
    Unknown,
}

/// Why a value could not be read or written.
#[derive(Debug, Error)]
#[error("{0}")]
pub struct ApplyError(pub String);

/// Reads and writes settings of some kinds.
pub trait Apply {
    /// How the target stands, and whether the kind of setting is one of ours.
    fn standing(&mut self, change: &Change) -> Standing;

    /// The setting as it is now.
    ///
    /// # Errors
    ///
    /// When it cannot be read.
    fn read(&mut self, change: &Change) -> Result<Value, ApplyError>;

    /// Sets the value.
    ///
    /// # Errors
    ///
    /// When it cannot be set.
    fn write(&mut self, change: &Change, value: &Value) -> Result<(), ApplyError>;

    /// Whether two values of this kind stand for the same setting.
    fn same(&self, _change: &Change, a: &Value, b: &Value) -> bool {
        a == b
    }
}

/// What became of a change.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcome {
    /// The old value is in place again.
    Restored,
    /// The old value was in place already.
    Unchanged,
    /// Somebody set another value since; it was left alone.
    ChangedSince {
        /// That value.
        now: Value,
    },
    /// The machine was restarted since, which loses such settings; nothing to do.
    Restarted,
    /// The port is not there any more.
    Gone,
    /// It is not there, but may come back; kept.
    Absent,
    /// Another port has its place.
    Replaced,
    /// It is in another network namespace; kept for a start there.
    Elsewhere,
    /// Another run has the port; kept.
    Busy(String),
    /// Nobody here knows such settings; kept.
    Unknown,
    /// It could not be restored; kept.
    Failed(String),
}

impl Outcome {
    /// True when nothing is left to do about the change.
    pub fn is_final(&self) -> bool {
        !matches!(self, Self::Absent | Self::Elsewhere | Self::Busy(_) | Self::Unknown | Self::Failed(_))
    }
}

/// A change found in a journal, and what became of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Recovered {
    /// The change.
    pub change: Change,
    /// What became of it.
    pub outcome: Outcome,
}

/// A line of a journal that cannot be read. The last line of a file can be cut by a power failure and then stands for
/// a change that was not made; any other may hide one that was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damaged {
    /// The journal.
    pub path: PathBuf,
    /// Number of the line, from 1.
    pub line: usize,
    /// True for a cut last line.
    pub cut: bool,
}

/// Everything a recovery found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recovery {
    /// Changes, in the order they were treated.
    pub changes: Vec<Recovered>,
    /// Lines that cannot be read.
    pub damaged: Vec<Damaged>,
}

/// Undoes one change, if it is still ours to undo.
pub fn restore(apply: &mut dyn Apply, change: &Change) -> Outcome {
    match apply.standing(change) {
        Standing::Same => {}
        Standing::Elsewhere => return Outcome::Elsewhere,
        Standing::Gone => return Outcome::Gone,
        Standing::Absent => return Outcome::Absent,
        Standing::Replaced => return Outcome::Replaced,
        Standing::Busy(by) => return Outcome::Busy(by),
        Standing::Unknown => return Outcome::Unknown,
    }
    let now = match apply.read(change) {
        Ok(now) => now,
        Err(error) => return Outcome::Failed(error.to_string()),
    };
    // The new value first: where old and new are hard to tell apart (a speed without a link), setting it again is safe.
    if !apply.same(change, &now, &change.new) {
        return if apply.same(change, &now, &change.old) { Outcome::Unchanged } else { Outcome::ChangedSince { now } };
    }
    match apply.write(change, &change.old) {
        Ok(()) => Outcome::Restored,
        Err(error) => Outcome::Failed(error.to_string()),
    }
}

/// Restores what processes that are gone left changed. Call it at the start, before locking a port.
///
/// Within a file the last change is undone first. What cannot be settled now stays in the journal for a later start.
///
/// # Errors
///
/// When the directory or a file in it cannot be read at all.
pub fn recover(directory: &Path, apply: &mut dyn Apply) -> Result<Recovery, JournalError> {
    let boot = state::boot();
    let mut recovery = Recovery::default();
    let files = abandoned(directory)?;
    if !files.is_empty() {
        // What is written there is done with our rights.
        state::make_private(directory)?;
    }
    for mut locked in files {
        let Locked { path, file } = &mut locked;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(|source| JournalError::Read { path: path.clone(), source })?;
        let (open, damaged) = parse(&bytes);
        recovery.damaged.extend(damaged.into_iter().map(|(line, cut)| Damaged { path: path.clone(), line, cut }));
        let mut settled = Vec::new();
        let mut all_settled = true;
        for change in open.into_values().rev() {
            let outcome = if change.boot == boot { restore(apply, &change) } else { Outcome::Restarted };
            if outcome.is_final() {
                settled.push(change.id);
            } else {
                all_settled = false;
            }
            recovery.changes.push(Recovered { change, outcome });
        }
        if all_settled {
            // Left behind, it would only be settled again as unchanged.
            let _ = fs::remove_file(path);
        } else {
            note_settled(file, &bytes, &settled);
        }
    }
    Ok(recovery)
}

/// Changes that processes left that are gone, and that [`recover`] would see to; nothing is touched for the answer.
/// What a restart of the machine has undone is not among them.
///
/// # Errors
///
/// When the directory or a file in it cannot be read at all.
pub fn left(directory: &Path) -> Result<Vec<Change>, JournalError> {
    let boot = state::boot();
    let mut left = Vec::new();
    for Locked { path, file } in &mut abandoned(directory)? {
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(|source| JournalError::Read { path: path.clone(), source })?;
        left.extend(parse(&bytes).0.into_values().rev().filter(|change| change.boot == boot));
    }
    Ok(left)
}

/// Notes what is settled. A failure costs nothing: it is found settled the next time.
fn note_settled(file: &mut File, bytes: &[u8], settled: &[u64]) {
    if let Some(cut) = bytes.iter().rposition(|&byte| byte == b'\n').map(|at| at + 1).filter(|&at| at < bytes.len()) {
        let _ = file.set_len(cut as u64);
    }
    for &id in settled {
        let _ = append(file, &Line::Done { id }, Sync::Everything);
    }
}

/// The open changes of a journal by number, and the lines that cannot be read (number from 1, and whether it is cut).
fn parse(bytes: &[u8]) -> (BTreeMap<u64, Change>, Vec<(usize, bool)>) {
    let mut open = BTreeMap::new();
    let mut damaged = Vec::new();
    for (index, text) in bytes.split_inclusive(|&byte| byte == b'\n').enumerate() {
        match serde_json::from_slice(text) {
            // A line without its end was never known to be on the disk, so its change was not made.
            _ if text.last() != Some(&b'\n') => damaged.push((index + 1, true)),
            Ok(Line::Begin(change)) => drop(open.insert(change.id, change)),
            Ok(Line::Became { id, value }) => {
                if let Some(change) = open.get_mut(&id) {
                    change.new = value;
                }
            }
            Ok(Line::Done { id }) => drop(open.remove(&id)),
            Err(_) => damaged.push((index + 1, false)),
        }
    }
    (open, damaged)
}

impl fmt::Display for Recovered {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", self.change)?;
        match &self.outcome {
            Outcome::Restored => f.write_str("restored"),
            Outcome::Unchanged => f.write_str("already as before"),
            Outcome::ChangedSince { now } => write!(f, "left alone, somebody set it to {now} since"),
            Outcome::Restarted => f.write_str("nothing to do, the machine was restarted since"),
            Outcome::Gone => f.write_str("nothing to do, the port is gone"),
            Outcome::Absent => f.write_str("kept for later, the port is not there"),
            Outcome::Replaced => f.write_str("left alone, another port has its place"),
            Outcome::Elsewhere => f.write_str("kept for later, the port is in another network namespace"),
            Outcome::Busy(by) => write!(f, "kept for later, {by}"),
            Outcome::Unknown => f.write_str("kept for later, this program does not know the setting"),
            Outcome::Failed(error) => write!(f, "kept for later, {error}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::guard::journal::Target;

    proptest! {
        #[test]
        fn any_octets_are_read(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let lines = bytes.split_inclusive(|&byte| byte == b'\n').count();
            let (open, damaged) = parse(&bytes);
            prop_assert!(open.len() + damaged.len() <= lines);
        }

        #[test]
        fn a_cut_anywhere_loses_no_line_before_it(cut in 0usize..600) {
            let target = Target::Device { path: "/dev/quay".into(), identity: String::new() };
            let mut bytes = Vec::new();
            for id in 1..=3 {
                let change = Change {
                    id, process: 1, boot: "b".into(), target: target.clone(), kind: "speed".into(),
                    old: Value::from(id), new: Value::from(id + 1),
                };
                serde_json::to_writer(&mut bytes, &Line::Begin(change)).unwrap();
                bytes.push(b'\n');
            }
            bytes.truncate(cut);
            let whole = bytes.iter().filter(|&&byte| byte == b'\n').count();
            let (open, damaged) = parse(&bytes);
            prop_assert_eq!(open.len(), whole);
            prop_assert!(damaged.iter().all(|&(line, cut)| cut && line == whole + 1));
        }
    }
}
