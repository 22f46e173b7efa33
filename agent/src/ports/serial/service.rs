//! Whether a serial line is in service, and who has it: asked of `/proc`, `/sys` and the lock files, without opening
//! it.
//!
//! Opening would raise RTS and DTR, which what is connected may take for a call. What only an open line tells is asked
//! by `of_open_line`. Limits: without root the files that other users' processes hold open cannot be seen, only a
//! process whose own terminal the line is; and a lock file is only as good as the program that wrote it.

use std::{
    fmt, fs,
    fs::File,
    io,
    path::{Path, PathBuf},
};

use super::{
    device::{Device, DeviceKind},
    number::Number,
    sys,
};
use crate::ports::port::ServiceReason;

/// A process, by number and name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Process {
    /// Its number.
    pub id: u32,
    /// Its name as the kernel keeps it, cut to 15 characters; empty if it cannot be read.
    pub name: String,
}

impl fmt::Display for Process {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name.as_str() {
            "" => write!(f, "process {}", self.id),
            name => write!(f, "process {} ({name})", self.id),
        }
    }
}

/// Somebody who has the line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Holder {
    /// The kernel writes its messages there.
    Console,
    /// The kernel's debugger listens there.
    Debugger,
    /// A process has it open.
    Open(Process),
    /// It is a process's terminal: somebody is logged in there.
    Terminal(Process),
    /// It is the terminal this program was started from.
    OwnTerminal,
    /// A lock file names a living process.
    LockFile {
        /// The file.
        file: PathBuf,
        /// Who it names.
        process: Process,
    },
    /// A lock file names nobody that can be understood.
    UnreadableLockFile(PathBuf),
    /// A part of the kernel takes what the line receives.
    Discipline(i32),
    /// Somebody asked the kernel to keep others out.
    Exclusive,
}

impl Holder {
    /// What to tell the person, and whether they may say that it does not matter. Whoever reads from the same line
    /// takes bytes away, which would look like a fault of port or plug, so only a lock file can be passed over.
    pub fn reason(&self, path: &Path) -> ServiceReason {
        let name = path.file_name().unwrap_or_default().display();
        let path = path.display();
        let text = match self {
            Self::Console => format!(
                "{path} is a console of the kernel (to free it: start the machine without console={name} on the \
                 kernel's command line)"
            ),
            Self::Debugger => format!("the kernel's debugger listens on {path} (to free it: take it from kgdboc)"),
            // The first process of the machine ends with the machine.
            Self::Open(process) if process.id == 1 => format!("{process} has {path} open"),
            Self::Open(process) => format!("{process} has {path} open (to free it: end that process)"),
            Self::Terminal(process) => format!("{path} is the terminal of {process} (to free it: log out there)"),
            Self::OwnTerminal => {
                format!("{path} is the terminal you are working at (to free it: work from another terminal)")
            }
            Self::LockFile { file, process } => {
                format!("{} says that {process} uses {path} (to free it: end that process)", file.display())
            }
            Self::UnreadableLockFile(file) => format!(
                "{} locks {path} and does not say for whom (to free it: remove the file if nobody uses the line)",
                file.display()
            ),
            Self::Discipline(number) => format!(
                "line discipline {number} of the kernel takes what {path} receives (to free it: end the program that \
                 attached it)"
            ),
            Self::Exclusive => format!("a program asked the kernel to keep others off {path} (to free it: end it)"),
        };
        let may_be_overridden = matches!(self, Self::LockFile { .. } | Self::UnreadableLockFile(_));
        ServiceReason { text, may_be_overridden }
    }
}

/// Where to look; the machine's own places, or a test's.
#[derive(Clone, Debug)]
pub struct Places {
    proc: PathBuf,
    sys: PathBuf,
    locks: Vec<PathBuf>,
    own_id: u32,
}

impl Default for Places {
    fn default() -> Self {
        Self {
            proc: "/proc".into(),
            sys: "/sys".into(),
            // Filesystem Hierarchy Standard 3.0, 5.9: "Device lock files [...] must now be stored in /var/lock"; the
            // same folder as /run/lock on most systems, where one of the two is enough.
            locks: vec!["/var/lock".into(), "/run/lock".into()],
            own_id: std::process::id(),
        }
    }
}

impl Places {
    /// Everybody who has the line, as far as this process may know. Our own open handles do not count.
    pub fn holders(&self, device: &Device) -> Vec<Holder> {
        let mut holders = Vec::new();
        if self.is_console(device) {
            holders.push(Holder::Console);
        }
        if self.has_debugger(device) {
            holders.push(Holder::Debugger);
        }
        holders.extend(self.processes(device));
        holders.extend(self.lock_files(device));
        holders
    }

    /// `/proc/consoles` ends each line in the device's numbers; the file "console" of a line in `/sys` says Y.
    fn is_console(&self, device: &Device) -> bool {
        let Number { major, minor } = device.number;
        let listed = fs::read_to_string(self.proc.join("consoles")).unwrap_or_default();
        let numbers = format!("{major}:{minor}");
        let folder = self.sys.join(format!("dev/char/{numbers}"));
        listed.lines().any(|line| line.split_whitespace().next_back() == Some(&numbers))
            || fs::read_to_string(folder.join("console")).is_ok_and(|text| text.trim() == "Y")
            || fs::read_to_string(self.sys.join("class/tty/console/active"))
                .is_ok_and(|text| text.split_whitespace().any(|name| file_name(device) == name))
    }

    fn has_debugger(&self, device: &Device) -> bool {
        fs::read_to_string(self.sys.join("module/kgdboc/parameters/kgdboc"))
            .is_ok_and(|text| text.split([',', ' ', '\n']).any(|name| name == file_name(device)))
    }

    fn processes(&self, device: &Device) -> Vec<Holder> {
        let Ok(entries) = fs::read_dir(&self.proc) else { return Vec::new() };
        let mut ids: Vec<u32> =
            entries.flatten().filter_map(|entry| entry.file_name().to_string_lossy().parse().ok()).collect();
        ids.sort_unstable();
        ids.into_iter().filter_map(|id| self.look_at_process(id, device)).collect()
    }

    fn look_at_process(&self, id: u32, device: &Device) -> Option<Holder> {
        let folder = self.proc.join(id.to_string());
        let is_terminal =
            || fs::read_to_string(folder.join("stat")).ok().and_then(|stat| terminal_of(&stat)) == Some(device.number);
        if id == self.own_id {
            return is_terminal().then_some(Holder::OwnTerminal);
        }
        let process = || self.process(id);
        if is_open(&folder, device) {
            return Some(Holder::Open(process()));
        }
        is_terminal().then(|| Holder::Terminal(process()))
    }

    fn process(&self, id: u32) -> Process {
        let name = fs::read_to_string(self.proc.join(id.to_string()).join("comm")).unwrap_or_default();
        Process { id, name: name.trim_end().to_owned() }
    }

    /// Lock files of living processes. One whose process is gone was left behind and locks nothing.
    fn lock_files(&self, device: &Device) -> Vec<Holder> {
        let mut holders: Vec<Holder> = Vec::new();
        let mut seen: Vec<PathBuf> = Vec::new();
        let names = [file_name(device), device.name.rsplit('/').next().unwrap_or_default().to_owned()];
        for folder in &self.locks {
            for name in &names {
                let Ok(file) = fs::canonicalize(folder.join(format!("LCK..{name}"))) else { continue };
                if seen.contains(&file) {
                    continue;
                }
                seen.push(file.clone());
                match fs::read(&file).ok().as_deref().and_then(process_in_lock_file) {
                    Some(id) if id == self.own_id || !self.proc.join(id.to_string()).exists() => {}
                    Some(id) => holders.push(Holder::LockFile { file, process: self.process(id) }),
                    None => holders.push(Holder::UnreadableLockFile(file)),
                }
            }
        }
        holders
    }
}

/// What only the open line tells. To be asked before it is made exclusive.
///
/// # Errors
/// When the line does not answer.
pub(super) fn of_open_line(line: &File) -> io::Result<Vec<Holder>> {
    let mut holders = Vec::new();
    match sys::discipline(line)? {
        N_TTY => {}
        other => holders.push(Holder::Discipline(other)),
    }
    // Kernels before 3.8 cannot be asked.
    if sys::is_exclusive(line).unwrap_or(false) {
        holders.push(Holder::Exclusive);
    }
    Ok(holders)
}

/// `N_TTY`, the discipline that hands bytes to programs (`linux/tty.h`).
const N_TTY: i32 = 0;

fn file_name(device: &Device) -> String {
    device.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Whether a process has the device open. One that also has the other end of a pseudo-terminal open stands at that end,
/// and keeps this one open only so that the line does not hang up: it does not use the port.
fn is_open(folder: &Path, device: &Device) -> bool {
    let Ok(handles) = fs::read_dir(folder.join("fd")) else { return false };
    let mut is_open = false;
    for handle in handles.flatten() {
        let Ok(target) = fs::read_link(handle.path()) else { continue };
        // Only device files are asked further: a look at a file of a dead network disk could wait for ever.
        if !target.starts_with("/dev") {
            continue;
        }
        let is_other_end = device.kind == DeviceKind::Pseudo
            && target.file_name().is_some_and(|name| name == "ptmx")
            && fs::read_to_string(folder.join("fdinfo").join(handle.file_name()))
                .is_ok_and(|text| pseudo_terminal_of(&text) == Some(device.number.minor));
        if is_other_end {
            return false;
        }
        is_open |= fs::metadata(handle.path()).ok().as_ref().and_then(Number::of) == Some(device.number);
    }
    is_open
}

/// Which pseudo-terminal a handle of its other end belongs to: the line `tty-index` of its file in `fdinfo`.
fn pseudo_terminal_of(info: &str) -> Option<u32> {
    info.lines().find_map(|line| line.strip_prefix("tty-index:")?.trim().parse().ok())
}

/// The terminal of a process: field 7 of its `stat`. The name in field 2 may hold spaces and brackets, so what counts
/// begins after the last bracket. "The minor device number is contained in the combination of bits 31 to 20 and 7 to 0;
/// the major device number is in bits 15 to 8" (proc_pid_stat(5)).
fn terminal_of(stat: &str) -> Option<Number> {
    let number: u32 = stat.rsplit_once(')')?.1.split_whitespace().nth(4)?.parse::<i32>().ok()? as u32;
    (number != 0).then_some(Number { major: number >> 8 & 0xFF, minor: number >> 12 & 0xFFF00 | number & 0xFF })
}

/// The process that a lock file names: ten characters of decimal number and a newline (Filesystem Hierarchy Standard
/// 3.0, 5.9), or the four bytes of a binary number, as programs wrote before (common practice, no source).
fn process_in_lock_file(bytes: &[u8]) -> Option<u32> {
    let text = std::str::from_utf8(bytes).ok().and_then(|text| text.split_whitespace().next()?.parse().ok());
    text.or_else(|| bytes.try_into().ok().map(u32::from_ne_bytes)).filter(|&id| id > 0)
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    const OWN: u32 = 999;

    fn device(kind: DeviceKind, path: &str, number: (u32, u32)) -> Device {
        Device { name: path.to_owned(), path: path.into(), number: Number { major: number.0, minor: number.1 }, kind }
    }

    fn quay() -> Device {
        device(DeviceKind::Serial, "/dev/ttyS1", (4, 65))
    }

    /// Places of its own: an empty /proc, /sys and lock folder.
    fn places(root: &Path) -> Places {
        let places = Places {
            proc: root.join("proc"),
            sys: root.join("sys"),
            locks: vec![root.join("lock"), root.join("lock")],
            own_id: OWN,
        };
        for folder in [&places.proc, &places.sys, &places.locks[0]] {
            fs::create_dir_all(folder).unwrap();
        }
        places
    }

    fn process(places: &Places, id: u32, name: &str, terminal: i32) -> PathBuf {
        let folder = places.proc.join(id.to_string());
        fs::create_dir_all(folder.join("fd")).unwrap();
        fs::create_dir_all(folder.join("fdinfo")).unwrap();
        fs::write(folder.join("comm"), format!("{name}\n")).unwrap();
        // proc_pid_stat(5): pid, comm, state, ppid, pgrp, session, tty_nr.
        fs::write(folder.join("stat"), format!("{id} ({name}) S 1 {id} {id} {terminal} -1 4194304 0\n")).unwrap();
        folder
    }

    #[test]
    fn a_free_line_has_no_holder() {
        let root = tempfile::tempdir().unwrap();
        let places = places(root.path());
        process(&places, 412, "cranes", 0);
        assert_eq!(places.holders(&quay()), []);
    }

    #[test]
    fn a_console_is_found_by_each_of_its_signs() {
        let root = tempfile::tempdir().unwrap();
        let places = places(root.path());
        // As Linux 6.18 prints it.
        fs::write(places.proc.join("consoles"), "ttyS1                -W- (EC  p a)    4:65\n").unwrap();
        assert_eq!(places.holders(&quay()), [Holder::Console]);
        assert_eq!(places.holders(&device(DeviceKind::Serial, "/dev/ttyS2", (4, 66))), []);
        fs::write(places.proc.join("consoles"), "").unwrap();
        fs::create_dir_all(places.sys.join("class/tty/console")).unwrap();
        fs::write(places.sys.join("class/tty/console/active"), "tty0 ttyS1\n").unwrap();
        assert_eq!(places.holders(&quay()), [Holder::Console]);
        fs::write(places.sys.join("class/tty/console/active"), "tty0 ttyS11\n").unwrap();
        assert_eq!(places.holders(&quay()), []);
        fs::create_dir_all(places.sys.join("dev/char/4:65")).unwrap();
        fs::write(places.sys.join("dev/char/4:65/console"), "Y\n").unwrap();
        assert_eq!(places.holders(&quay()), [Holder::Console]);
    }

    #[test]
    fn the_kernels_debugger_is_found() {
        let root = tempfile::tempdir().unwrap();
        let places = places(root.path());
        fs::create_dir_all(places.sys.join("module/kgdboc/parameters")).unwrap();
        fs::write(places.sys.join("module/kgdboc/parameters/kgdboc"), "ttyS1,115200\n").unwrap();
        assert_eq!(places.holders(&quay()), [Holder::Debugger]);
    }

    #[test]
    fn the_terminal_of_a_process_is_found_by_its_number() {
        let root = tempfile::tempdir().unwrap();
        let places = places(root.path());
        // 4 * 256 + 65, and a name made to mislead.
        process(&places, 412, "log ) in", 1089);
        process(&places, 413, "other", 1090);
        let holder = Holder::Terminal(Process { id: 412, name: "log ) in".into() });
        assert_eq!(places.holders(&quay()), std::slice::from_ref(&holder));
        assert!(!holder.reason(Path::new("/dev/ttyS1")).may_be_overridden);
        process(&places, OWN, "turnback", 1089);
        assert!(places.holders(&quay()).contains(&Holder::OwnTerminal));
        // Minor 300 = 0x12C of major 136: bits 31 to 20 hold 1, bits 7 to 0 hold 0x2C.
        assert_eq!(
            terminal_of("7 (a) S 1 7 7 1083436 0"),
            Some(Number { major: 136, minor: 300 }),
            "1083436 = 0x10882C"
        );
        assert_eq!(terminal_of("7 (a) S 1 7 7 0 0"), None);
        assert_eq!(terminal_of("nonsense"), None);
    }

    #[test]
    fn a_process_that_has_the_device_open_is_named() {
        let root = tempfile::tempdir().unwrap();
        let places = places(root.path());
        let folder = process(&places, 77, "tide-log", 0);
        symlink("/dev/null", folder.join("fd/3")).unwrap();
        symlink("/var/log/no-such-file", folder.join("fd/4")).unwrap();
        // The null device stands for the line: number 1:3 (linux/Documentation/admin-guide/devices.txt).
        let line = device(DeviceKind::Serial, "/dev/null", (1, 3));
        let holders = places.holders(&line);
        assert_eq!(holders, [Holder::Open(Process { id: 77, name: "tide-log".into() })]);
        assert!(holders[0].reason(&line.path).text.contains("process 77 (tide-log) has /dev/null open"));
        assert_eq!(places.holders(&quay()), []);
    }

    #[test]
    fn whoever_has_the_other_end_of_a_pseudo_terminal_does_not_use_this_one() {
        let root = tempfile::tempdir().unwrap();
        let places = places(root.path());
        let folder = process(&places, 78, "plug", 0);
        symlink("/dev/null", folder.join("fd/3")).unwrap();
        symlink("/dev/ptmx", folder.join("fd/4")).unwrap();
        // As Linux 6.18 prints it.
        fs::write(folder.join("fdinfo/4"), "pos:\t0\nflags:\t02100002\nmnt_id:\t24\nino:\t91\ntty-index:\t3\n")
            .unwrap();
        assert_eq!(places.holders(&device(DeviceKind::Pseudo, "/dev/pts/3", (1, 3))), []);
        fs::write(folder.join("fdinfo/4"), "tty-index:\t4\n").unwrap();
        assert_eq!(
            places.holders(&device(DeviceKind::Pseudo, "/dev/pts/3", (1, 3))).len(),
            1,
            "another terminal's end"
        );
    }

    #[test]
    fn lock_files_count_while_their_process_lives() {
        let root = tempfile::tempdir().unwrap();
        let places = places(root.path());
        let file = places.locks[0].join("LCK..ttyS1");
        fs::write(&file, "      1230\n").unwrap();
        assert_eq!(places.holders(&quay()), [], "left behind by a process that is gone");
        process(&places, 1230, "cranes", 0);
        let holders = places.holders(&quay());
        let process = Process { id: 1230, name: "cranes".into() };
        assert_eq!(
            holders,
            [Holder::LockFile { file: fs::canonicalize(&file).unwrap(), process }],
            "once, in two folders"
        );
        assert!(holders[0].reason(Path::new("/dev/ttyS1")).may_be_overridden);
        fs::write(&file, "???").unwrap();
        assert!(matches!(places.holders(&quay())[0], Holder::UnreadableLockFile(_)));
    }

    #[test]
    fn lock_files_are_read_as_the_standard_writes_them() {
        // "For example, if process 1230 holds a lock file, it would contain the eleven characters: space, space, space,
        // space, space, space, one, two, three, zero, and newline." (Filesystem Hierarchy Standard 3.0, 5.9)
        assert_eq!(process_in_lock_file(b"      1230\n"), Some(1230));
        assert_eq!(process_in_lock_file(&1230_u32.to_ne_bytes()), Some(1230));
        for bytes in [&b""[..], b"\n", b"0\n", b"-4\n", b"cranes\n", &[0xFF; 3]] {
            assert_eq!(process_in_lock_file(bytes), None, "{bytes:?}");
        }
    }
}
