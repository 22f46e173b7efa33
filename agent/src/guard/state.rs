//! Where the program keeps what must outlive it, and what tells one start of the machine from another.

use std::{
    ffi::OsString,
    fs, io,
    os::unix::fs::{DirBuilderExt, MetadataExt},
    path::{Path, PathBuf},
};

use thiserror::Error;

use super::sys;
pub use super::sys::is_root;

/// Names another state directory; for tests and for services that bring their own.
pub const STATE_DIRECTORY_VARIABLE: &str = "TURNBACK_STATE_DIR";

/// Why there is no usable state directory.
#[derive(Debug, Error)]
pub enum StateError {
    /// Nothing in the environment says where it could be.
    #[error("no state directory: none of TURNBACK_STATE_DIR, XDG_STATE_HOME and HOME is set")]
    Nowhere,
    /// It cannot be made or read.
    #[error("cannot use the state directory {}", path.display())]
    Unusable {
        /// The directory.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// Others could write into it, and what they wrote would be done with our rights.
    #[error("the state directory {} can be written by others; it must belong to this user alone", path.display())]
    NotOurs {
        /// The directory.
        path: PathBuf,
    },
}

/// The state directory as the environment says: `TURNBACK_STATE_DIR`; for root `/var/lib/turnback`; for others
/// `turnback` in `XDG_STATE_HOME`, or in `.local/state` at home.
///
/// # Errors
///
/// [`StateError::Nowhere`] when a user has neither of these variables.
pub fn directory() -> Result<PathBuf, StateError> {
    choose(|name| std::env::var_os(name), is_root()).ok_or(StateError::Nowhere)
}

/// The directory of the restore journal: within the state directory, or, for root beside a service whose state
/// directory that is, a place of root's own. What is noted there is done with root's rights, and has no meaning after a
/// restart of the machine.
pub fn restore_directory(state: &Path) -> PathBuf {
    let owner = fs::metadata(state).map(|metadata| metadata.uid()).ok();
    place_of_notes(state, is_root(), owner)
}

fn place_of_notes(state: &Path, is_root: bool, owner: Option<u32>) -> PathBuf {
    match owner {
        Some(owner) if is_root && owner != 0 => PathBuf::from("/run/turnback/restore"),
        _ => state.join("restore"),
    }
}

/// Makes a directory that only this user can enter, or checks that an existing one can be written by nobody else.
///
/// # Errors
///
/// When it cannot be made, or others could write into it.
pub fn make_private(path: &Path) -> Result<(), StateError> {
    let unusable = |source| StateError::Unusable { path: path.to_owned(), source };
    fs::DirBuilder::new().recursive(true).mode(0o700).create(path).map_err(unusable)?;
    let metadata = fs::metadata(path).map_err(unusable)?;
    if metadata.mode() & 0o022 != 0 || metadata.uid() != sys::effective_user() {
        return Err(StateError::NotOurs { path: path.to_owned() });
    }
    Ok(())
}

/// The kernel's name for this start of the machine; empty where it does not say.
pub fn boot() -> String {
    fs::read_to_string("/proc/sys/kernel/random/boot_id").map(|id| id.trim().to_owned()).unwrap_or_default()
}

/// The machine's name, as its owner calls it; empty where the kernel does not say.
pub fn machine() -> String {
    fs::read_to_string("/proc/sys/kernel/hostname").map(|name| name.trim().to_owned()).unwrap_or_default()
}

/// The number of the calling thread's network namespace; 0 where `/proc` does not say.
pub fn network_namespace() -> u64 {
    fs::metadata("/proc/thread-self/ns/net").map_or(0, |metadata| metadata.ino())
}

fn choose(variable: impl Fn(&str) -> Option<OsString>, is_root: bool) -> Option<PathBuf> {
    let path = |name: &str| variable(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    if let Some(state) = path(STATE_DIRECTORY_VARIABLE) {
        return Some(state);
    }
    if is_root {
        return Some(PathBuf::from("/var/lib/turnback"));
    }
    // "All paths must be absolute. If an implementation encounters a relative path it should consider it invalid":
    // XDG Base Directory Specification, "Basics".
    let base = path("XDG_STATE_HOME").filter(|base| base.is_absolute());
    Some(base.or_else(|| path("HOME").map(|home| home.join(".local/state")))?.join("turnback"))
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn the_environment_decides_in_order() {
        type Variables = &'static [(&'static str, &'static str)];
        let table: [(Variables, bool, Option<&str>); 7] = [
            (&[(STATE_DIRECTORY_VARIABLE, "/srv/t"), ("HOME", "/h")], true, Some("/srv/t")),
            (&[("HOME", "/h"), ("XDG_STATE_HOME", "/x")], true, Some("/var/lib/turnback")),
            (&[("HOME", "/h"), ("XDG_STATE_HOME", "/x")], false, Some("/x/turnback")),
            (&[("HOME", "/h"), ("XDG_STATE_HOME", "x")], false, Some("/h/.local/state/turnback")),
            (&[("HOME", "/h")], false, Some("/h/.local/state/turnback")),
            (&[(STATE_DIRECTORY_VARIABLE, ""), ("HOME", "/h")], false, Some("/h/.local/state/turnback")),
            (&[], false, None),
        ];
        for (variables, is_root, expected) in table {
            let variable = |name: &str| variables.iter().find(|(key, _)| *key == name).map(|(_, value)| value.into());
            assert_eq!(choose(variable, is_root), expected.map(PathBuf::from), "{variables:?} {is_root}");
        }
    }

    #[test]
    fn root_keeps_its_notes_apart_from_a_service() {
        let state = Path::new("/var/lib/turnback");
        for (is_root, owner, expected) in [
            (true, Some(0), "/var/lib/turnback/restore"),
            (true, None, "/var/lib/turnback/restore"),
            (true, Some(990), "/run/turnback/restore"),
            (false, Some(990), "/var/lib/turnback/restore"),
        ] {
            assert_eq!(place_of_notes(state, is_root, owner), Path::new(expected), "{is_root} {owner:?}");
        }
    }

    /// The same by what this process really is: `id` and `uname` (POSIX) say it too.
    #[test]
    fn this_process_has_its_directories() {
        let said = |program: &str, option: &str| {
            let output = std::process::Command::new(program).arg(option).output().unwrap();
            String::from_utf8(output.stdout).unwrap().trim().to_owned()
        };
        assert_eq!(is_root(), said("id", "-u") == "0");
        assert_eq!(machine(), said("uname", "-n"));
        assert_eq!(directory().ok(), choose(|name| std::env::var_os(name), is_root()));
        let state = tempfile::tempdir().unwrap();
        assert_eq!(restore_directory(state.path()), state.path().join("restore"));
        if is_root() {
            std::os::unix::fs::chown(state.path(), Some(990), None).unwrap();
            assert_eq!(restore_directory(state.path()), Path::new("/run/turnback/restore"));
        }
    }

    #[test]
    fn a_directory_others_can_write_is_refused() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("a/b");
        make_private(&path).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().mode() & 0o777, 0o700);
        fs::set_permissions(&path, fs::Permissions::from_mode(0o777)).unwrap();
        assert!(matches!(make_private(&path), Err(StateError::NotOurs { .. })));
    }
}
