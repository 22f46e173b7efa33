//! A broker, a database, collectors and agents on this machine, in a folder of their own, that can be killed.

use std::{
    fs,
    io::{BufRead, BufReader, Write},
    net::{TcpListener, TcpStream},
    os::unix::{fs::PermissionsExt, process::CommandExt},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use async_nats::{ConnectOptions, HeaderMap, jetstream};
use base64::{Engine, prelude::BASE64_URL_SAFE_NO_PAD};
use serde_json::{Value, json};
use tempfile::TempDir;

use super::skip::{installed, skip};

/// More than anything here takes on a loaded machine.
pub const LIMIT: Duration = Duration::from_secs(90);

/// A process that ends with the test, with all its children.
struct Process(Child);

impl Process {
    fn start(mut command: Command, log: &Path) -> Self {
        let log = fs::OpenOptions::new().create(true).append(true).open(log).expect("a log");
        let command = command.process_group(0).stdin(Stdio::null());
        let child = command.stdout(log.try_clone().expect("a log")).stderr(log).spawn().expect("it starts");
        Self(child)
    }

    /// kill -9, the children too.
    fn kill(&mut self) {
        // SAFETY: kill takes any numbers; the group is that of a child that was not waited for, so nobody else's.
        unsafe { libc::kill(-(self.0.id() as i32), libc::SIGKILL) };
        let _ = self.0.wait();
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A message as an agent would send it, or as none should.
#[derive(Clone)]
pub struct Message {
    /// Its subject.
    pub subject: String,
    /// Its headers.
    pub headers: HeaderMap,
    /// What is sent.
    pub bytes: Vec<u8>,
}

impl Message {
    /// Of a machine that is no other test's, with its number.
    pub fn new(what: &str, number: i64, bytes: Vec<u8>) -> Self {
        let mut headers = HeaderMap::new();
        headers.insert("Turnback-Number", number.to_string());
        Self { subject: format!("turnback.v1.north-quay.closet-7.{what}"), headers, bytes }
    }
}

/// The parts that can be killed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// nats-server, by number.
    Broker(usize),
    /// PostgreSQL.
    Database,
    /// A collector, by number.
    Collector(usize),
    /// An agent, by number.
    Agent(usize),
}

/// Everything on this machine.
pub struct Fleet {
    folder: TempDir,
    postgres: PathBuf,
    /// Ports of the brokers for clients, then for each other.
    ports: Vec<(u16, u16)>,
    brokers: Vec<Option<Process>>,
    database: Option<Process>,
    collectors: Vec<Option<Process>>,
    agents: Vec<Option<Process>>,
    unusual: Unusual,
}

/// How a fleet differs from the usual: one broker, which listens on the loopback, and a database at a socket.
#[derive(Default)]
pub struct Unusual {
    /// More for the brokers' configuration.
    pub broker: String,
    /// More brokers in a cluster.
    pub more_brokers: usize,
    /// The broker listens on all addresses, and this is the one that agents use.
    pub address: Option<String>,
    /// Agents are in the network namespace of this process.
    pub agents_in: Option<u32>,
    /// More words for PostgreSQL.
    pub database: Vec<String>,
    /// The port that they say; 0: the usual one.
    pub database_port: u16,
    /// How the database is reached, where that is not its socket; may have more lines for `[database]`.
    pub connection: Option<String>,
}

impl From<String> for Unusual {
    fn from(broker: String) -> Self {
        Self { broker, ..Self::default() }
    }
}

impl Fleet {
    /// Broker and database run; none, with a note, where one is not installed.
    pub fn start() -> Option<Self> {
        Self::start_with(|_| String::new())
    }

    /// The same where something is unusual: more in the broker's configuration, or whatever [`Unusual`] says. Nothing
    /// runs yet when that is asked for.
    pub fn start_with<U: Into<Unusual>>(unusual: impl FnOnce(&Self) -> U) -> Option<Self> {
        // Debian puts it where only root's PATH leads.
        let broker = ["/usr/sbin/nats-server", "/usr/bin/nats-server", "/usr/local/bin/nats-server"];
        if !broker.iter().any(|path| Path::new(path).exists()) && !installed("nats-server", "nats-server") {
            return None;
        }
        let Some(postgres) = newest_postgres() else {
            skip("PostgreSQL is not installed (Debian: apt-get install postgresql)");
            return None;
        };
        let folder = tempfile::Builder::new().prefix("tbf").tempdir().expect("a temporary directory");
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).expect("a mode");
        let mut fleet = Self {
            folder,
            postgres,
            ports: vec![(free_port(), free_port())],
            brokers: Vec::new(),
            database: None,
            collectors: Vec::new(),
            agents: Vec::new(),
            unusual: Unusual::default(),
        };
        fleet.make_database();
        fleet.write_config("");
        fleet.unusual = unusual(&fleet).into();
        for _ in 0..fleet.unusual.more_brokers {
            fleet.ports.push((free_port(), free_port()));
        }
        fleet.write_config("");
        fleet.revive(Part::Database);
        for number in 0..fleet.ports.len() {
            fleet.brokers.push(None);
            fleet.revive(Part::Broker(number));
        }
        Some(fleet)
    }

    /// Where everything lies.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Sends a message with headers that no client would send, by the protocol itself (NATS documentation, "Client
    /// Protocol": CONNECT, HPUB, PING), with the seed of a machine where the broker wants one.
    pub fn publish_raw(&self, machine: &str, headers: &[u8], seed: Option<&str>) {
        let mut broker = BufReader::new(TcpStream::connect(("127.0.0.1", self.ports[0].0)).expect("the broker"));
        let mut line = String::new();
        broker.read_line(&mut line).expect("its INFO");
        let told: Value = serde_json::from_str(line.trim_start_matches("INFO ")).expect("JSON");
        let mut who = json!({"verbose": false, "headers": true});
        if let Some(seed) = seed {
            let key = nkeys::KeyPair::from_seed(seed).expect("a seed");
            let signed = key.sign(told["nonce"].as_str().expect("a nonce").as_bytes()).expect("signed");
            who["nkey"] = key.public_key().into();
            who["sig"] = BASE64_URL_SAFE_NO_PAD.encode(signed).into();
        }
        let (own, all) = (headers.len(), headers.len() + 1);
        let subject = format!("turnback.v1.north-quay.{machine}.run");
        let mut message = format!("CONNECT {who}\r\nHPUB {subject} {own} {all}\r\n").into_bytes();
        message.extend_from_slice(headers);
        message.extend_from_slice(b"x\r\nPING\r\n");
        broker.get_mut().write_all(&message).expect("sent");
        line.clear();
        broker.read_line(&mut line).expect("an answer");
        assert_eq!(line, "PONG\r\n");
    }

    /// Sends messages, and waits until the stream has them.
    pub fn publish(&self, messages: impl Iterator<Item = Message>) {
        self.with_broker(async |broker| {
            for Message { subject, headers, bytes } in messages {
                let sent = broker.publish_with_headers(subject, headers, bytes.into()).await;
                sent.expect("sent").await.expect("taken");
            }
        });
    }

    /// Sets the largest message that both streams take, bytes.
    pub fn limit_messages(&self, bytes: i32) {
        self.with_broker(async |broker| {
            for name in ["TURNBACK", "TURNBACK-HEARTBEATS"] {
                let stream = broker.get_stream(name).await.expect("the stream");
                let config = stream.cached_info().config.clone();
                let config = jetstream::stream::Config { max_message_size: bytes, ..config };
                broker.update_stream(config).await.expect("changed");
            }
        });
    }

    /// Messages that wait in the stream of documents.
    pub fn in_stream(&self) -> u64 {
        self.with_broker(async |broker| {
            broker.get_stream("TURNBACK").await.expect("the stream").cached_info().state.messages
        })
    }

    /// Whether a broker tells a new client of the stream of documents.
    pub fn answers(&self) -> bool {
        let ask = async |broker: jetstream::Context| broker.get_stream("TURNBACK").await.is_ok();
        self.with_broker(async |broker| {
            tokio::time::timeout(Duration::from_secs(10), ask(broker)).await.unwrap_or_default()
        })
    }

    /// What the broker says of stream and consumer, for a test that fails.
    pub fn of_the_broker(&self) -> String {
        self.with_broker(async |broker| {
            let Ok(stream) = broker.get_stream("TURNBACK").await else { return "there is no stream".to_owned() };
            let consumer = stream.get_consumer::<jetstream::consumer::pull::Config>("collect").await;
            let consumer = consumer.map(|consumer| consumer.cached_info().clone());
            let info = stream.cached_info();
            format!("{:?} {:?}\n{consumer:?}", info.state, info.cluster)
        })
    }

    /// The broker that leads the stream of documents, if one does.
    pub fn leader(&self) -> Option<usize> {
        self.with_broker(async |broker| {
            let stream = broker.get_stream("TURNBACK").await.ok()?;
            stream.cached_info().cluster.as_ref()?.leader.as_ref()?.strip_prefix("broker-")?.parse().ok()
        })
    }

    fn with_broker<T>(&self, ask: impl AsyncFnOnce(jetstream::Context) -> T) -> T {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let servers: Vec<String> = self.ports.iter().map(|(port, _)| format!("nats://127.0.0.1:{port}")).collect();
            ask(jetstream::new(ConnectOptions::new().connect(servers).await.expect("a broker"))).await
        })
    }

    /// All brokers' addresses, as in a configuration.
    fn addresses(&self, host: &str) -> String {
        let all = self.ports.iter().map(|(port, _)| format!("\"nats://{host}:{port}\""));
        all.collect::<Vec<_>>().join(", ")
    }

    /// Writes fleet.toml, with `extra` in `[broker]`.
    pub fn write_config(&self, extra: &str) {
        let socket = format!("\"host={} user=turnback dbname=postgres\"", self.path("socket").display());
        let text = format!(
            "[broker]\nservers = [{}]\n{extra}\n[database]\nconnection = {}\n[stream]\nack_wait = \"2s\"\n\
             duplicate_window = \"1s\"\nsize_mib = 64\nreplicas = {}\n[collect]\ntries = 2\nbatch = 50\n",
            self.addresses("127.0.0.1"),
            self.unusual.connection.as_ref().unwrap_or(&socket),
            self.ports.len(),
        );
        fs::write(self.path("fleet.toml"), text).expect("it is written");
    }

    /// Sets for how long the broker recognizes a message id, before `init`.
    pub fn remember_ids(&self, time: &str) {
        let config = self.path("fleet.toml");
        let text = fs::read_to_string(&config).expect("a configuration");
        let text = text.replace("duplicate_window = \"1s\"", &format!("duplicate_window = {time:?}"));
        fs::write(&config, text).expect("it is written");
    }

    /// Runs `turnback fleet ...` to its end; `--config` is added.
    pub fn run(&self, arguments: &str) -> (Option<i32>, String) {
        let output = Command::new(env!("CARGO_BIN_EXE_turnback"))
            .arg("fleet")
            .args(arguments.split_whitespace())
            .arg("--config")
            .arg(self.path("fleet.toml"))
            .stdin(Stdio::null())
            .output()
            .expect("turnback starts");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (output.status.code(), text(&output.stdout) + &text(&output.stderr))
    }

    /// An agent that is named so; `extra` is for `[fleet]`.
    pub fn add_agent(&mut self, name: &str, extra: &str) -> usize {
        let number = self.agents.len();
        let state = self.state(number);
        fs::create_dir(&state).expect("a folder");
        fs::set_permissions(&state, fs::Permissions::from_mode(0o700)).expect("a mode");
        let text = format!(
            "[http]\nenabled = false\n[fleet]\nsite = \"north-quay\"\nmachine = \"{name}\"\nservers = [{}]\nrate = 2000\n\
             {extra}\n[[port]]\nselect = {{ name = \"sim:good\" }}\nlabel = \"A-{number}\"\ncabinet = \"quay-3\"\n",
            self.addresses(self.unusual.address.as_deref().unwrap_or("127.0.0.1"))
        );
        fs::write(self.path(&format!("agent-{number}.toml")), text).expect("it is written");
        self.agents.push(None);
        self.revive(Part::Agent(number));
        number
    }

    /// The folder of an agent's state.
    pub fn state(&self, agent: usize) -> PathBuf {
        self.path(&format!("state-{agent}"))
    }

    /// One more collector.
    pub fn add_collector(&mut self) {
        self.collectors.push(None);
        self.revive(Part::Collector(self.collectors.len() - 1));
    }

    /// Kills a part, all at once.
    pub fn kill(&mut self, part: Part) {
        let process = self.slot(part).take();
        assert!(process.is_some(), "{part:?} runs");
    }

    /// Starts a part that was killed.
    pub fn revive(&mut self, part: Part) {
        let process = match part {
            Part::Broker(number) => self.start_broker(number),
            Part::Database => self.start_database(),
            Part::Collector(number) => {
                let mut command = Command::new(env!("CARGO_BIN_EXE_turnback"));
                command.args(["fleet", "collect", "--config"]).arg(self.path("fleet.toml"));
                Process::start(command, &self.path(&format!("collector-{number}.log")))
            }
            Part::Agent(number) => {
                let program = env!("CARGO_BIN_EXE_turnback");
                let mut command = match self.unusual.agents_in {
                    None => Command::new(program),
                    Some(holder) => {
                        let mut command = Command::new("nsenter");
                        command.args(["-t", &holder.to_string(), "-n", program]);
                        command
                    }
                };
                command.args(["agent", "--config"]).arg(self.path(&format!("agent-{number}.toml")));
                command.env("TURNBACK_STATE_DIR", self.state(number)).env("NO_COLOR", "1");
                Process::start(command, &self.path(&format!("agent-{number}.log")))
            }
        };
        *self.slot(part) = Some(process);
    }

    /// Whether a collector is the process that was started, and said nothing of a panic.
    pub fn is_unharmed(&mut self, collector: usize) -> bool {
        let log = fs::read_to_string(self.path(&format!("collector-{collector}.log"))).unwrap_or_default();
        let process = self.collectors[collector].as_mut();
        !log.contains("panicked")
            && process.is_some_and(|process| process.0.try_wait().is_ok_and(|ended| ended.is_none()))
    }

    fn slot(&mut self, part: Part) -> &mut Option<Process> {
        match part {
            Part::Broker(number) => &mut self.brokers[number],
            Part::Database => &mut self.database,
            Part::Collector(number) => &mut self.collectors[number],
            Part::Agent(number) => &mut self.agents[number],
        }
    }

    fn start_broker(&self, number: usize) -> Process {
        let config = self.path(&format!("broker-{number}.conf"));
        let (port, own) = self.ports[number];
        let host = if self.unusual.address.is_some() { "0.0.0.0" } else { "127.0.0.1" };
        let mut text = format!(
            "server_name: broker-{number}\nlisten: \"{host}:{port}\"\njetstream {{ store_dir: {:?}, max_file_store: 1G }}\n{}\n",
            self.path(&format!("jetstream-{number}")),
            self.unusual.broker
        );
        if self.ports.len() > 1 {
            let routes: Vec<String> = self.ports.iter().map(|(_, own)| format!("\"nats://127.0.0.1:{own}\"")).collect();
            let routes = routes.join(", ");
            text += &format!("cluster {{ name: harbour, listen: \"127.0.0.1:{own}\", routes: [{routes}] }}\n");
        }
        fs::write(&config, text).expect("it is written");
        let mut command = Command::new("nats-server");
        let path = std::env::var("PATH").unwrap_or_default();
        command.env("PATH", format!("{path}:/usr/sbin")).arg("-c").arg(config);
        let process = Process::start(command, &self.path(&format!("broker-{number}.log")));
        wait_until("the broker listens", || TcpStream::connect(("127.0.0.1", port)).is_ok());
        process
    }

    fn make_database(&self) {
        let (data, socket) = (self.path("data"), self.path("socket"));
        fs::create_dir(&socket).expect("a folder");
        fs::set_permissions(&socket, fs::Permissions::from_mode(0o777)).expect("a mode");
        fs::create_dir(&data).expect("a folder");
        if is_root() {
            std::os::unix::fs::chown(&data, Some(NOBODY), Some(NOBODY)).expect("an owner");
        }
        let mut command = self.as_nobody("initdb");
        command.args(["-A", "trust", "-U", "turnback", "--no-sync", "-E", "UTF8", "--locale", "C", "-D"]).arg(&data);
        let output = command.stdin(Stdio::null()).output().expect("initdb starts");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }

    /// Makes files those of the user that runs the database, and unreadable to others.
    pub fn give_to_database(&self, names: &[&str]) {
        for path in names.iter().map(|name| self.path(name)) {
            fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).expect("a mode");
            if is_root() {
                std::os::unix::fs::chown(&path, Some(NOBODY), Some(NOBODY)).expect("an owner");
            }
        }
    }

    fn start_database(&self) -> Process {
        let start = || {
            let mut command = self.as_nobody("postgres");
            command.arg("-D").arg(self.path("data")).arg("-k").arg(self.path("socket"));
            // What survives a killed process need not survive a power cut here.
            command.args(["-c", "listen_addresses=", "-c", "fsync=off", "-c", "max_connections=40"]);
            command.args(&self.unusual.database);
            Process::start(command, &self.path("database.log"))
        };
        let mut process = start();
        wait_until("the database answers", || {
            // After a kill it does not start before the last of its children has noticed.
            if process.0.try_wait().is_ok_and(|ended| ended.is_some()) {
                process = start();
            }
            self.ask("SELECT 1").is_some()
        });
        process
    }

    /// PostgreSQL refuses to run as root.
    fn as_nobody(&self, program: &str) -> Command {
        let program = self.postgres.join(program);
        if !is_root() {
            return Command::new(program);
        }
        let mut command = Command::new("setpriv");
        command.args(["--reuid", "65534", "--regid", "65534", "--clear-groups"]).arg(program);
        command
    }

    /// What the database answers; none if it does not.
    pub fn ask(&self, sql: &str) -> Option<String> {
        let mut command = Command::new(self.postgres.join("psql"));
        command.arg("-h").arg(self.path("socket"));
        if self.unusual.database_port > 0 {
            command.arg("-p").arg(self.unusual.database_port.to_string());
        }
        command.args(["-U", "turnback", "-d", "postgres", "-XAtq", "-c", sql]);
        let output = command.stdin(Stdio::null()).output().expect("psql starts");
        output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_owned())
    }

    /// The number that the database answers with; 0 if it does not.
    pub fn count(&self, sql: &str) -> u64 {
        self.ask(sql).and_then(|text| text.parse().ok()).unwrap_or_default()
    }

    /// The last lines of every log, for a test that fails.
    pub fn logs(&self) -> String {
        let mut text = String::new();
        for entry in fs::read_dir(self.folder.path()).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.extension().is_some_and(|end| end == "log") {
                let log = fs::read_to_string(&path).unwrap_or_default();
                let lines: Vec<&str> = log.lines().collect();
                let last = lines[lines.len().saturating_sub(25)..].join("\n");
                text.push_str(&format!("== {}\n{last}\n", path.display()));
            }
        }
        text
    }
}

impl Drop for Fleet {
    fn drop(&mut self) {
        // Before the folder goes from under them.
        self.agents.clear();
        self.collectors.clear();
        self.brokers.clear();
        self.database = None;
    }
}

/// Waits for something that comes soon.
///
/// # Panics
/// If it does not come within [`LIMIT`].
#[track_caller]
pub fn wait_until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < LIMIT, "waited too long until {what}");
        thread::sleep(Duration::from_millis(100));
    }
}

/// Makes an authority `ca.pem` in a folder, and a certificate `NAME.pem` with its key `NAME.key` that it signed for
/// these subjects, valid as told.
pub fn certificate(folder: &Path, name: &str, subjects: &str, valid: &[&str]) {
    let run = |arguments: &[&str]| {
        let output = Command::new("openssl").args(arguments).current_dir(folder).output().expect("openssl");
        assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    };
    let (key_file, pem_file) = (format!("{name}.key"), format!("{name}.pem"));
    let key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"];
    let authority = ["req", "-x509", "-keyout", "ca.key", "-out", "ca.pem", "-days", "2", "-subj", "/CN=harbour"];
    run(&[&authority[..], &key].concat());
    run(&[&["req", "-keyout", &key_file, "-out", "csr", "-subj", "/CN=server"], &key[..]].concat());
    std::fs::write(folder.join("ext"), format!("subjectAltName={subjects}\n")).expect("it is written");
    let sign = ["x509", "-req", "-in", "csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"];
    run(&[&sign[..], &["-extfile", "ext", "-out", &pem_file], valid].concat());
}

fn newest_postgres() -> Option<PathBuf> {
    let versions = fs::read_dir("/usr/lib/postgresql").ok()?.flatten();
    let mut folders: Vec<PathBuf> = versions.map(|entry| entry.path().join("bin")).collect();
    folders.retain(|folder| folder.join("postgres").is_file() && folder.join("initdb").is_file());
    folders.sort();
    folders.pop()
}

/// A port of the loopback that nobody has now.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a port");
    listener.local_addr().expect("an address").port()
}

fn is_root() -> bool {
    // SAFETY: geteuid has no arguments and cannot fail.
    unsafe { libc::geteuid() == 0 }
}

const NOBODY: u32 = 65_534;
