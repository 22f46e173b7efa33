//! The plug on a pseudo-terminal: every byte the host sends into the slave is read at the master and written back.
//!
//! The plug itself loses nothing: what the host does not read yet waits here, and when much waits, the host's writes block.

use std::fs;
use std::io::{self, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use serde_json::{Value, json};

use crate::bytes::BytePlug;
use crate::control::{self, AtEof, Control, Plug};
use crate::sys::{self, Terminal, Watch};

/// How the terminal is set up.
#[derive(clap::Args, Debug)]
pub struct PtyOptions {
    /// Make a symbolic link to the terminal, and remove it at the end
    #[arg(long, value_name = "PATH")]
    link: Option<PathBuf>,
}

/// Runs the plug until the operator ends it, then prints the final report.
///
/// # Errors
/// No terminal, a link path that is taken, or the terminal fails.
pub fn run(options: &PtyOptions, plug: BytePlug, seed: u64, at_eof: AtEof) -> anyhow::Result<()> {
    let mut control = Control::new(at_eof).context("cannot listen for commands and signals")?;
    let mut terminal = sys::open_terminal().context("cannot open a pseudo-terminal")?;
    let link = options.link.as_deref().map(|path| Link::new(path, &terminal.path)).transpose()?;
    sys::wake_sharply();
    let mut line = Line { path: terminal.path.clone(), seed, plug };
    control::print(&json!({"ready": true, "port": terminal.path, "link": options.link, "seed": seed}))?;
    let ended = serve(&mut terminal, &mut line, &mut control);
    drop(link);
    let mut report = line.report();
    report["report"] = "final".into();
    control::print(&report)?;
    ended.context("the pseudo-terminal failed")
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
        // Bytes that are due but find no room are waited for by the descriptor, not by the clock.
        let due_ns = if blocked { None } else { line.plug.next_due_ns() };
        let watch = Watch::new(terminal.master.as_raw_fd(), room, blocked);
        if !control.serve(line, watch, due_ns, moved)? {
            return Ok(());
        }
    }
}

/// No data, no room, or (EIO) nobody at the other side: all of them pass.
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

/// A symbolic link that goes when the plug goes.
struct Link {
    path: PathBuf,
    target: PathBuf,
}

impl Link {
    fn new(path: &Path, target: &Path) -> anyhow::Result<Self> {
        // A plug that was killed leaves its link behind; only a link into the terminals' own folder is taken for that.
        match fs::read_link(path) {
            Ok(old) if old.starts_with("/dev/pts") => fs::remove_file(path)?,
            Ok(_) => bail!("{} is a link to something else", path.display()),
            Err(_) => {}
        }
        symlink(target, path).with_context(|| format!("cannot make the link {}", path.display()))?;
        Ok(Self { path: path.to_path_buf(), target: target.to_path_buf() })
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        // Only if it is still ours; a later plug may have taken the name.
        if fs::read_link(&self.path).is_ok_and(|target| target == self.target) {
            let _ = fs::remove_file(&self.path);
        }
    }
}

/// How much may wait before the plug stops reading; larger than any buffer of the kernel on the way.
const PENDING_BYTES_MAX: u64 = 1 << 20;
