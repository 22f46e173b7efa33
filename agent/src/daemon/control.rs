//! The control socket: how another program on this machine asks a running daemon how it fares.
//!
//! One JSON document for whoever connects, then the end. The socket is in the state directory, which only the daemon's
//! user can enter; a lock beside it keeps a second daemon from the same state.

use std::{
    fs::{self, File},
    io::{self, Read},
    os::unix::net::UnixStream,
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};

use serde::Serialize;
use tokio::{io::AsyncWriteExt, net::UnixListener};

use super::{
    agent::{Agent, Health, OutboxLine, PortView},
    error::NotStarted,
    status::Stop,
};

/// What the socket says.
#[derive(Clone, Debug, Serialize)]
pub struct Answer {
    /// How the daemon fares.
    pub health: Health,
    /// Process number of the daemon.
    pub process: u32,
    /// Address of the page, where it is served.
    pub page: Option<String>,
    /// Every port.
    pub ports: Vec<PortView>,
    /// What is not announced yet.
    pub outbox: Vec<OutboxLine>,
}

/// Keeps a second daemon from this state directory, as long as it lives.
///
/// # Errors
/// When there is one, or the directory cannot be written.
pub fn only_one(state: &Path) -> Result<File, NotStarted> {
    let path = state.join("agent.lock");
    let file = File::create(&path).map_err(|error| format!("cannot write {}: {error}", path.display()))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(fs::TryLockError::WouldBlock) => Err(NotStarted {
            text: format!("another agent runs with the state directory {}", state.display()),
            hint: Some("`turnback agent status` asks it; TURNBACK_STATE_DIR names another directory".into()),
        }),
        Err(fs::TryLockError::Error(error)) => Err(format!("cannot lock {}: {error}", path.display()).into()),
    }
}

/// The socket's place.
pub fn socket(state: &Path) -> PathBuf {
    state.join("agent.sock")
}

/// Listens.
///
/// # Errors
/// When the socket cannot be made.
pub fn listen(state: &Path) -> io::Result<UnixListener> {
    let path = socket(state);
    // Left by a daemon that was killed: nobody listens there, for we hold the lock.
    match fs::remove_file(&path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    UnixListener::bind(path)
}

/// Answers until the daemon ends.
pub async fn answer(listener: UnixListener, agent: Arc<dyn Agent>, page: Option<String>, stopped: &Stop) {
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = stopped.cancelled() => return,
        };
        let Ok((mut stream, _)) = accepted else {
            // Out of descriptors, say: it does not get better by trying at once.
            tokio::time::sleep(Duration::from_secs(1)).await;
            continue;
        };
        let (agent, page) = (Arc::clone(&agent), page.clone());
        tokio::spawn(async move {
            let document = tokio::task::spawn_blocking(move || {
                let answer = Answer {
                    health: agent.health(),
                    process: std::process::id(),
                    page,
                    ports: agent.ports(),
                    outbox: agent.outbox().unwrap_or_default(),
                };
                serde_json::to_vec(&answer).unwrap_or_default()
            });
            if let Ok(document) = document.await {
                // Whoever does not read is left behind.
                let _ = tokio::time::timeout(ANSWER_LIMIT, stream.write_all(&document)).await;
            }
        });
    }
}

/// Asks the daemon of this state directory.
///
/// # Errors
/// When none runs, or it does not answer.
pub fn ask(state: &Path) -> io::Result<serde_json::Value> {
    let mut stream = UnixStream::connect(socket(state))?;
    stream.set_read_timeout(Some(ANSWER_LIMIT))?;
    let mut text = Vec::new();
    stream.read_to_end(&mut text)?;
    Ok(serde_json::from_slice(&text)?)
}

const ANSWER_LIMIT: Duration = Duration::from_secs(10);
