//! The web side of the daemon over a [`RigDesk`], and a client that can also be rude.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;
use tokio::runtime::Runtime;
use tokio::sync::watch;
use turnback::archive::memory::Memory;
use turnback::config::HttpConfig;
use turnback::daemon::keys::Keys;
use turnback::http::{self, access::Names, gate::Gate, serve::Server, token::Token};

use super::desk::RigDesk;

/// More than any answer takes on a loaded machine.
const LIMIT: Duration = Duration::from_secs(60);

/// It listens until it is dropped.
pub struct Web {
    /// Where.
    pub address: SocketAddr,
    /// The same, as a person types it.
    pub url: String,
    /// Its token.
    pub token: String,
    /// Behind it.
    pub desk: Arc<RigDesk>,
    // In this order: first it is told to stop.
    /// Tokens, sessions and codes.
    pub keys: Arc<Keys>,
    _stop: watch::Sender<bool>,
    _runtime: Runtime,
    _state: TempDir,
}

/// Tokens and sessions, in memory.
pub fn keys() -> Arc<Keys> {
    let now_ms = || jiff::Timestamp::now().as_millisecond();
    Arc::new(Keys::new(Arc::new(Mutex::new(Box::new(Memory::default()))), now_ms))
}

/// An answer.
#[derive(Debug)]
pub struct Answer {
    /// Status; 0 if the connection was closed without an answer.
    pub status: u16,
    /// Header lines, names in lower case.
    pub headers: Vec<(String, String)>,
    /// Body.
    pub body: String,
}

impl Answer {
    fn parse(bytes: &[u8]) -> Self {
        let text = String::from_utf8_lossy(bytes);
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let mut lines = head.lines();
        let status = lines.next().and_then(|line| line.split(' ').nth(1)).and_then(|s| s.parse().ok()).unwrap_or(0);
        let header = |line: &str| line.split_once(": ").map(|(n, v)| (n.to_ascii_lowercase(), v.to_owned()));
        Self { status, headers: lines.filter_map(header).collect(), body: body.to_owned() }
    }

    /// A header; empty if it is not there.
    pub fn header(&self, name: &str) -> &str {
        self.headers.iter().find(|(n, _)| n == name).map_or("", |(_, v)| v)
    }

    /// The stable word of a refusal.
    pub fn code(&self) -> String {
        let body: Value = serde_json::from_str(&self.body).unwrap_or_default();
        body["error"]["code"].as_str().unwrap_or_default().to_owned()
    }

    /// The body as JSON.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|e| panic!("{e}: {self:?}"))
    }
}

impl Web {
    /// As on a loopback address.
    pub fn start() -> Self {
        Self::with(HttpConfig { listen: "127.0.0.1:0".parse().expect("an address"), ..HttpConfig::default() })
    }

    /// As configured.
    pub fn with(config: HttpConfig) -> Self {
        let (runtime, state, desk) = (runtime(), state(), Arc::new(RigDesk::new()));
        let (stop, stopped) = watch::channel(false);
        let token_file = state.path().join("token");
        let keys = keys();
        let started = http::start(desk.clone(), Arc::clone(&keys), &config, &token_file, stopped);
        let (url, _) = runtime.block_on(started).expect("it starts");
        let address = url.rsplit('/').next().and_then(|a| a.parse().ok()).expect("an address");
        let token = std::fs::read_to_string(token_file).expect("a token").trim().to_owned();
        Self { address, url, token, desk, keys, _stop: stop, _runtime: runtime, _state: state }
    }

    /// As on an address that other machines reach, where nothing is free.
    pub fn elsewhere() -> Self {
        let (runtime, state, desk) = (runtime(), state(), Arc::new(RigDesk::new()));
        let (stop, stopped) = watch::channel(false);
        let config = HttpConfig { listen: "127.0.0.1:0".parse().expect("an address"), ..HttpConfig::default() };
        let token = "0123456789abcdef0123456789abcdef".to_owned();
        let server = runtime.block_on(Server::bind(&config)).expect("it listens");
        let (address, url) = (server.address(), server.url());
        let keys = keys();
        let gate = Gate::new(Names::new(address, &[], false), Token::new(&token), Arc::clone(&keys), false);
        let router = http::router(desk.clone(), Arc::new(gate), false);
        runtime.spawn(server.run(router, stopped));
        Self { address, url, token, desk, keys, _stop: stop, _runtime: runtime, _state: state }
    }

    /// A connection.
    pub fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address).expect("it listens");
        stream.set_read_timeout(Some(LIMIT)).expect("a time limit");
        stream
    }

    /// Sends these bytes and reads all that comes back.
    pub fn raw(&self, bytes: &[u8]) -> Answer {
        sent_to(self.connect(), bytes)
    }

    /// A proper request; `Host` is ours unless it is among the headers.
    pub fn call(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
        self.raw(request(self.address, method, path, headers, body).as_bytes())
    }

    /// Reads.
    pub fn get(&self, path: &str) -> Answer {
        self.call("GET", path, &[], "")
    }

    /// A changing call of the API with the token.
    pub fn post(&self, path: &str, body: &str) -> Answer {
        let bearer = format!("Bearer {}", self.token);
        self.call("POST", path, &[("Authorization", &bearer), ("Content-Type", "application/json")], body)
    }
}

/// A daemon of another process, called with its token.
pub struct Caller {
    /// Where it listens.
    pub address: SocketAddr,
    /// Its token.
    pub token: String,
}

impl Caller {
    /// Reads.
    pub fn get(&self, path: &str) -> Answer {
        self.call("GET", path, "")
    }

    /// A changing call of the API.
    pub fn post(&self, path: &str, body: &Value) -> Answer {
        self.call("POST", path, &body.to_string())
    }

    fn call(&self, method: &str, path: &str, body: &str) -> Answer {
        let bearer = format!("Bearer {}", self.token);
        self.send(method, path, &[("Authorization", bearer.as_str()), ("Content-Type", "application/json")], body)
    }

    /// With these headers, and without its token.
    pub fn send(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
        let stream = TcpStream::connect(self.address).expect("it listens");
        stream.set_read_timeout(Some(LIMIT)).expect("a time limit");
        sent_to(stream, request(self.address, method, path, headers, body).as_bytes())
    }
}

fn request(address: SocketAddr, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> String {
    let mut text = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n", body.len());
    if !headers.iter().any(|(name, _)| *name == "Host") {
        text.push_str(&format!("Host: {address}\r\n"));
    }
    for (name, value) in headers {
        text.push_str(&format!("{name}: {value}\r\n"));
    }
    text.push_str("\r\n");
    text.push_str(body);
    text
}

fn sent_to(mut stream: TcpStream, bytes: &[u8]) -> Answer {
    // It may be cut off while it still sends.
    let _ = stream.write_all(bytes);
    let mut back = Vec::new();
    let _ = stream.read_to_end(&mut back);
    Answer::parse(&back)
}

fn runtime() -> Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().expect("a runtime")
}

fn state() -> TempDir {
    tempfile::tempdir().expect("a temporary directory")
}
