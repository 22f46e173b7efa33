//! Where the records are.

use std::{
    ffi::OsString,
    path::{Path, PathBuf},
};

use super::error::ArchiveError;
use crate::guard::state;

/// Names the file of the records.
pub const STORE_VARIABLE: &str = "TURNBACK_STORE";

/// Name of the file where only a directory is known.
pub const FILE: &str = "records.db";

/// The file: as given; else `TURNBACK_STORE`; else [`FILE`] in the state directory, where one is named for a service
/// (`TURNBACK_STATE_DIR`, systemd's `STATE_DIRECTORY`) or for root; else in the user's data directory by the XDG rules.
///
/// # Errors
/// [`ArchiveError::Nowhere`] when a user has neither `XDG_DATA_HOME` nor `HOME`.
pub fn path(given: Option<&Path>) -> Result<PathBuf, ArchiveError> {
    given
        .map(Path::to_owned)
        .or_else(|| choose(|name| std::env::var_os(name), state::is_root()))
        .ok_or(ArchiveError::Nowhere)
}

fn choose(variable: impl Fn(&str) -> Option<OsString>, is_root: bool) -> Option<PathBuf> {
    let set = |name: &str| variable(name).filter(|value| !value.is_empty());
    if let Some(file) = set(STORE_VARIABLE) {
        return Some(file.into());
    }
    // "If multiple directories are set, then in the environment variable the paths are concatenated with colon":
    // systemd.exec(5), on STATE_DIRECTORY.
    let of_service = || Some(set("STATE_DIRECTORY")?.to_str()?.split(':').next()?.to_owned().into());
    let state: Option<OsString> = set(state::STATE_DIRECTORY_VARIABLE)
        .or_else(of_service)
        .or_else(|| is_root.then(|| "/var/lib/turnback".into()));
    if let Some(state) = state {
        return Some(PathBuf::from(state).join(FILE));
    }
    // "All paths must be absolute. If an implementation encounters a relative path it should consider it invalid", and
    // "If $XDG_DATA_HOME is either not set or empty, a default equal to $HOME/.local/share should be used":
    // XDG Base Directory Specification.
    let base = set("XDG_DATA_HOME").map(PathBuf::from).filter(|base| base.is_absolute());
    Some(base.or_else(|| set("HOME").map(|home| PathBuf::from(home).join(".local/share")))?.join("turnback").join(FILE))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_environment_decides_in_order() {
        type Variables = &'static [(&'static str, &'static str)];
        let table: [(Variables, bool, Option<&str>); 9] = [
            (&[("TURNBACK_STORE", "/a/b.db"), ("TURNBACK_STATE_DIR", "/s")], true, Some("/a/b.db")),
            (&[("TURNBACK_STATE_DIR", "/s"), ("STATE_DIRECTORY", "/t")], true, Some("/s/records.db")),
            (&[("STATE_DIRECTORY", "/t:/u"), ("HOME", "/h")], false, Some("/t/records.db")),
            (&[("HOME", "/h")], true, Some("/var/lib/turnback/records.db")),
            (&[("HOME", "/h"), ("XDG_DATA_HOME", "/x")], false, Some("/x/turnback/records.db")),
            (&[("HOME", "/h"), ("XDG_DATA_HOME", "x")], false, Some("/h/.local/share/turnback/records.db")),
            (&[("HOME", "/h"), ("XDG_DATA_HOME", "")], false, Some("/h/.local/share/turnback/records.db")),
            (&[("TURNBACK_STORE", ""), ("HOME", "/h")], false, Some("/h/.local/share/turnback/records.db")),
            (&[], false, None),
        ];
        for (variables, is_root, expected) in table {
            let variable = |name: &str| variables.iter().find(|(key, _)| *key == name).map(|(_, value)| value.into());
            assert_eq!(choose(variable, is_root), expected.map(PathBuf::from), "{variables:?} {is_root}");
        }
    }
}
