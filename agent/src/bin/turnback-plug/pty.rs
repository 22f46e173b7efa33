//! The plug on a pseudo-terminal: it reads every byte that the host sends, and writes it back.
//!
//! The host has the slave side open, the plug the master side. The plug itself loses nothing: bytes that the host does
//! not read yet wait here, and when many wait, the host's writes block.

use std::fs;
use std::io::{self, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::bytes::BytePlug;
use crate::control::{self, Control, ControlOptions, Plug};
use crate::error::{PlugError, cannot};
use crate::fault::ByteFaults;
use crate::sys::{self, Terminal, Watch};

/// Setup of the terminal.
#[derive(clap::Args, Debug)]
pub struct PtyOptions {
    /// Make a symbolic link to the terminal, and remove it at the end
    #[arg(long, value_name = "PATH")]
    link: Option<PathBuf>,
}

/// Runs the plug until a command or a signal ends it, then prints the final report.
///
/// # Errors
/// The faults do not fit together, there is no terminal, the link's path is taken, or the terminal fails (after the
/// report).
pub fn run(options: &PtyOptions, faults: ByteFaults, controls: &ControlOptions) -> Result<(), PlugError> {
    let seed = controls.seed;
    let plug = BytePlug::new(faults, seed)?;
    let mut control = Control::new(controls)?;
    let mut terminal = sys::open_terminal().map_err(cannot("open a pseudo-terminal"))?;
    let link = options.link.as_deref().map(|path| Link::new(path, &terminal.path)).transpose()?;
    sys::wake_sharply();
    let mut line = Line { path: terminal.path.clone(), seed, plug };
    let ready = json!({"ready": true, "port": terminal.path, "link": options.link, "seed": seed});
    control::print(&ready).map_err(cannot("print"))?;
    let ended = serve(&mut terminal, &mut line, &mut control);
    drop(link);
    control.finish(line.report()).map_err(cannot("print"))?;
    ended.map_err(cannot("go on with the pseudo-terminal"))
}

fn serve(terminal: &mut Terminal, line: &mut Line, control: &mut Control) -> io::Result<()> {
    let mut bytes = [0; 4096];
    loop {
        let mut moved = false;
        let room = line.plug.counts().pending < PENDING_BYTES_MAX;
        if room {
            match terminal.master.read(&mut bytes) {
                Ok(count) => {
                    line.plug.handle_bytes(&bytes[..count], control.now_ns());
                    moved = count > 0;
                }
                Err(error) if is_quiet(&error) => {}
                Err(error) => return Err(error),
            }
        }
        let due = line.plug.due(control.now_ns());
        let mut blocked = false;
        if !due.is_empty() {
            match terminal.master.write(due) {
                Ok(count) => {
                    line.plug.handle_returned(count);
                    moved |= count > 0;
                }
                Err(error) if is_quiet(&error) => blocked = true,
                Err(error) => return Err(error),
            }
        }
        // Bytes that are due but find no room wait for the descriptor, not for the clock.
        let due_ns = if blocked { None } else { line.plug.next_due_ns() };
        let watch = Watch::new(terminal.master.as_raw_fd(), room, blocked);
        if !control.serve(line, watch, due_ns, moved)? {
            return Ok(());
        }
    }
}

/// Whether there is just no data, no room, or (EIO) nobody at the other side. None of these is a failure.
fn is_quiet(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted)
        || error.raw_os_error() == Some(libc::EIO)
}

struct Line {
    path: PathBuf,
    seed: u64,
    plug: BytePlug,
}

impl Plug for Line {
    fn set(&mut self, name: &str, value: &str) -> Result<(), String> {
        self.plug.set(name, value).map_err(|error| error.to_string())
    }

    fn report(&self) -> Value {
        let mut report = json!({"report": "running", "port": self.path, "seed": self.seed});
        let parts = [json!(self.plug.counts()), json!({"options": self.plug.faults()})];
        for (key, value) in parts.into_iter().filter_map(|part| part.as_object().cloned()).flatten() {
            report[key] = value;
        }
        report
    }
}

/// A symbolic link that is removed when the plug ends.
struct Link {
    path: PathBuf,
    target: PathBuf,
}

impl Link {
    fn new(path: &Path, target: &Path) -> Result<Self, PlugError> {
        let task = || format!("make the link {}", path.display());
        // A plug that was killed leaves its link behind. Only a link into the terminals' own folder is taken for that.
        if fs::read_link(path).is_ok_and(|old| old.starts_with("/dev/pts")) {
            fs::remove_file(path).map_err(cannot(task()))?;
        }
        symlink(target, path).map_err(cannot(task()))?;
        Ok(Self { path: path.to_path_buf(), target: target.to_path_buf() })
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        // Only if the link is still ours. A later plug may have taken the name.
        if fs::read_link(&self.path).is_ok_and(|target| target == self.target) {
            let _ = fs::remove_file(&self.path);
        }
    }
}

/// Bytes that may wait before the plug stops reading. More than any buffer of the kernel on the way holds.
const PENDING_BYTES_MAX: u64 = 1 << 20;
