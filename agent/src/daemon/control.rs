//! The control socket: how another program on this machine asks a running daemon.
//!
//! Whoever connects sends a question as one JSON document and gets one as answer. The socket is in the state directory,
//! which only the daemon's user can enter: who reaches it may ask everything. A lock beside it keeps a second daemon
//! from the same state, and one on the file of the records from the same records.

use std::{
    fs::{self, File},
    io::{self, Read, Write},
    net::Shutdown,
    os::unix::net::UnixStream,
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};

use serde::{Deserialize, Serialize};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::UnixListener,
};
use turnback_core::watch::care::Pause;

use super::{
    agent::{Agent, BenchView, Health, OutboxLine, PortView, QueueEntry},
    error::NotStarted,
    keys::{Keys, Role},
    status::Stop,
};

/// What can be asked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case")]
pub enum Question {
    /// How it fares.
    Status,
    /// To make a token.
    MakeToken {
        /// Its name.
        name: String,
        /// What its holder may do.
        role: Role,
    },
    /// Which tokens there are.
    Tokens,
    /// To revoke a token.
    RevokeToken {
        /// Its name.
        name: String,
    },
    /// To pair a phone.
    Pair {
        /// What the phone may do.
        role: Role,
    },
}

/// How the daemon fares.
#[derive(Clone, Debug, Serialize)]
struct Status {
    /// How the daemon fares.
    pub health: Health,
    /// Process number of the daemon.
    pub process: u32,
    /// Address of the page, where it is served.
    pub page: Option<String>,
    /// Every port.
    pub ports: Vec<PortView>,
    /// Runs that wait.
    pub queue: Vec<QueueEntry>,
    /// Pauses that hold now.
    pub pauses: Vec<Pause>,
    /// What is not announced yet.
    pub outbox: Vec<OutboxLine>,
    /// The bench; null where this machine is none.
    pub bench: Option<BenchView>,
}

/// What the socket answers from.
#[derive(Clone)]
pub struct Desk {
    /// The agent.
    pub agent: Arc<dyn Agent>,
    /// Its tokens.
    pub keys: Arc<Keys>,
    /// Address of the page, where it is served.
    pub page: Option<String>,
}

impl Desk {
    /// *Disk.*
    fn answer(&self, question: Question) -> serde_json::Value {
        let json = |value: serde_json::Result<serde_json::Value>| value.map_err(|error| error.to_string());
        let answer = match question {
            Question::Status => json(serde_json::to_value(Status {
                health: self.agent.health(),
                process: std::process::id(),
                page: self.page.clone(),
                ports: self.agent.ports(),
                queue: self.agent.queue(),
                pauses: self.agent.pauses(),
                outbox: self.agent.outbox().unwrap_or_default(),
                bench: self.agent.bench(),
            })),
            Question::MakeToken { name, role } => {
                let made = self.keys.make_token(&name, role, BY);
                made.map(|token| serde_json::json!({ "token": token })).map_err(|error| error.to_string())
            }
            Question::Tokens => json(serde_json::to_value(self.keys.tokens())),
            Question::RevokeToken { name } => {
                self.keys.revoke(&name).map(|()| serde_json::json!({})).map_err(|error| error.to_string())
            }
            Question::Pair { role } => match (&self.page, self.keys.pair(role, BY)) {
                (None, _) => Err("the page is off: `enabled` under [http]".to_owned()),
                (Some(_), Ok(pairing)) => json(serde_json::to_value(pairing)),
                (Some(_), Err(error)) => Err(error.to_string()),
            },
        };
        answer.unwrap_or_else(|error| serde_json::json!({ "error": error }))
    }
}

/// Whoever reaches the socket.
const BY: &str = "agent-user";

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

/// Keeps a second daemon from these records, as long as it lives; programs that only read or add records are not kept
/// out.
///
/// # Errors
/// When there is one, or the file cannot be opened.
pub fn only_one_on(records: &Path) -> Result<File, NotStarted> {
    let file = File::open(records).map_err(|error| format!("cannot read {}: {error}", records.display()))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(fs::TryLockError::WouldBlock) => Err(NotStarted {
            text: format!("another agent uses the records in {}", records.display()),
            hint: Some("each agent needs records of its own: `store` in the configuration names the file".into()),
        }),
        Err(fs::TryLockError::Error(error)) => Err(format!("cannot lock {}: {error}", records.display()).into()),
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
pub async fn answer(listener: UnixListener, desk: Desk, stopped: &Stop) {
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
        let desk = desk.clone();
        tokio::spawn(async move {
            let mut asked = Vec::new();
            let mut question = (&mut stream).take(QUESTION_BYTES_MAX);
            let heard = question.read_to_end(&mut asked);
            if !matches!(tokio::time::timeout(ANSWER_LIMIT, heard).await, Ok(Ok(_))) {
                return;
            }
            let document = tokio::task::spawn_blocking(move || {
                let answer = match serde_json::from_slice(&asked) {
                    Ok(question) => desk.answer(question),
                    Err(error) => serde_json::json!({ "error": format!("not understood: {error}") }),
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
pub fn ask(state: &Path, question: &Question) -> io::Result<serde_json::Value> {
    let mut stream = UnixStream::connect(socket(state))?;
    stream.set_read_timeout(Some(ANSWER_LIMIT))?;
    stream.write_all(&serde_json::to_vec(question)?)?;
    stream.shutdown(Shutdown::Write)?;
    let mut text = Vec::new();
    stream.read_to_end(&mut text)?;
    Ok(serde_json::from_slice(&text)?)
}

const ANSWER_LIMIT: Duration = Duration::from_secs(10);
const QUESTION_BYTES_MAX: u64 = 4096;
