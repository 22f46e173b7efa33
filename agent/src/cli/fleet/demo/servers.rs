//! A broker and a database for the demo, in a folder that goes with it. Neither listens to other machines: the broker
//! on the loopback, for those with keys; the database at a socket.
//!
//! Should the demo be killed, the kernel ends both (`setpriv --pdeathsig`). Only their folder stays then.

use std::{
    fs,
    io::{self, Read},
    net::{Ipv4Addr, TcpListener},
    os::unix::{
        fs::{PermissionsExt, chown},
        process::CommandExt,
    },
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    time::Duration,
};

use tempfile::TempDir;
use thiserror::Error;

/// A server cannot be started.
#[derive(Debug, Error)]
pub enum ServerError {
    /// A program is not installed.
    #[error("{program} is not installed")]
    Missing {
        /// The program.
        program: &'static str,
        /// The package of Debian that has it.
        package: &'static str,
    },
    /// The folder cannot be made or written.
    #[error("cannot write {}", path.display())]
    Folder {
        /// Where.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// It does not run, or does not do what it should.
    #[error("{program} failed: {said}")]
    Failed {
        /// The program.
        program: &'static str,
        /// What it said last.
        said: String,
    },
}

impl ServerError {
    /// The way out, where one is known.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Missing { package, .. } => Some(format!("apt-get install --no-install-recommends {package}")),
            Self::Folder { .. } => Some("TMPDIR names another place for the demo's folder".into()),
            Self::Failed { .. } => None,
        }
    }
}

/// The programs.
pub struct Programs {
    broker: PathBuf,
    /// Folder of `initdb`, `postgres` and `pg_ctl`.
    database: PathBuf,
    setpriv: PathBuf,
}

impl Programs {
    /// Looks for them.
    ///
    /// # Errors
    /// [`ServerError::Missing`].
    pub fn find() -> Result<Self, ServerError> {
        let missing = |program, package| ServerError::Missing { program, package };
        let broker = on_path("nats-server").ok_or(missing("nats-server", "nats-server"))?;
        let database = newest_database().ok_or(missing("PostgreSQL", "postgresql"))?;
        let setpriv = on_path("setpriv").ok_or(missing("setpriv", "util-linux"))?;
        Ok(Self { broker, database, setpriv })
    }
}

/// A program on the path, or where Debian puts what only root's path leads to.
fn on_path(name: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let more = ["/usr/sbin", "/usr/bin", "/sbin", "/bin"].map(PathBuf::from);
    std::env::split_paths(&path).chain(more).map(|folder| folder.join(name)).find(|file| file.is_file())
}

/// The folder with the programs of the newest PostgreSQL.
fn newest_database() -> Option<PathBuf> {
    let version = |folder: &PathBuf| folder.file_name()?.to_str()?.parse::<u32>().ok();
    let debian = fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten().map(|entry| entry.path());
    let newest = debian.filter(|folder| folder.join("bin/initdb").is_file()).max_by_key(version);
    newest.map(|folder| folder.join("bin")).or_else(|| Some(on_path("initdb")?.parent()?.to_owned()))
}

/// Both servers, running. They end when this is dropped, and their folder goes.
pub struct Servers {
    programs: Programs,
    folder: TempDir,
    /// Whom the database runs as; none: whoever runs the demo.
    user: Option<(u32, u32)>,
    broker: Option<Child>,
    database: Option<Child>,
    /// The broker's TCP port.
    pub port: u16,
}

impl Servers {
    /// Makes the folder and starts the database in it; the broker is started apart, once its accounts are there.
    /// To be called on a thread that lives as long as the servers: the kernel ends them with it.
    ///
    /// # Errors
    /// See [`ServerError`].
    pub fn start_database(programs: Programs) -> Result<Self, ServerError> {
        let place = std::env::temp_dir();
        let failed = |path: &Path| {
            let path = path.to_owned();
            move |source| ServerError::Folder { path, source }
        };
        let folder = tempfile::Builder::new().prefix("turnback-fleet-").tempdir().map_err(failed(&place))?;
        // The database runs as somebody else, and has to get to its own folder.
        let open = fs::Permissions::from_mode(0o711);
        fs::set_permissions(folder.path(), open).map_err(failed(folder.path()))?;
        let user = is_root().then(unprivileged);
        let port = free_port().map_err(failed(folder.path()))?;
        let mut servers = Self { programs, folder, user, broker: None, database: None, port };
        for name in ["data", "socket"] {
            let path = servers.path(name);
            fs::create_dir(&path).map_err(failed(&path))?;
            fs::set_permissions(&path, fs::Permissions::from_mode(0o700)).map_err(failed(&path))?;
            if let Some((user, group)) = user {
                chown(&path, Some(user), Some(group)).map_err(failed(&path))?;
            }
        }
        servers.make_database()?;
        let mut command = servers.command(&servers.programs.database.join("postgres"), "QUIT", user);
        command.arg("-D").arg(servers.path("data")).arg("-k").arg(servers.path("socket"));
        // What is lost in a power cut is only a demo.
        command.args(["-c", "listen_addresses=", "-c", "fsync=off", "-c", "max_connections=40"]);
        servers.database = Some(servers.spawn(command, "postgres")?);
        Ok(servers)
    }

    /// Starts the broker with the accounts in this file of the folder.
    ///
    /// # Errors
    /// See [`ServerError`].
    pub fn start_broker(&mut self, accounts: &str) -> Result<(), ServerError> {
        let file = self.path("broker.conf");
        let text = format!(
            "listen: \"127.0.0.1:{}\"\nserver_name: demo\njetstream {{ store_dir: {:?} }}\ninclude {accounts:?}\n",
            self.port,
            self.path("jetstream")
        );
        fs::write(&file, text).map_err(|source| ServerError::Folder { path: file.clone(), source })?;
        let mut command = self.command(&self.programs.broker, "KILL", None);
        command.arg("-c").arg(&file);
        self.broker = Some(self.spawn(command, "nats-server")?);
        Ok(())
    }

    /// A place in the folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What the database is reached by.
    pub fn connection(&self) -> String {
        format!("host={} user=turnback dbname=postgres", self.path("socket").display())
    }

    /// The broker's address.
    pub fn address(&self) -> String {
        format!("nats://127.0.0.1:{}", self.port)
    }

    /// Why one of them does not run any more, if so.
    pub fn ended(&mut self) -> Option<ServerError> {
        let parts = [("nats-server", &mut self.broker), ("postgres", &mut self.database)];
        let ended = parts.into_iter().find_map(|(program, child)| {
            let status = child.as_mut()?.try_wait().ok().flatten()?;
            Some((program, status))
        });
        let (program, status) = ended?;
        let said = last_line(&self.path(&format!("{program}.log"))).unwrap_or_else(|| status.to_string());
        Some(ServerError::Failed { program, said })
    }

    fn make_database(&self) -> Result<(), ServerError> {
        let mut command = self.command(&self.programs.database.join("initdb"), "KILL", self.user);
        // Whoever reaches the socket may: its folder is the database user's own.
        command.args(["-A", "trust", "-U", "turnback", "--no-sync", "-E", "UTF8", "--locale", "C", "-D"]);
        let output = command.arg(self.path("data")).output().map_err(|error| failed("initdb", &error))?;
        match output.status.success() {
            true => Ok(()),
            false => Err(failed("initdb", &String::from_utf8_lossy(&output.stderr).trim().replace('\n', "; "))),
        }
    }

    /// A program that ends with this one, in a process group of its own, so that Ctrl-C is ours alone.
    fn command(&self, program: &Path, at_end: &str, user: Option<(u32, u32)>) -> Command {
        let mut command = Command::new(&self.programs.setpriv);
        if let Some((user, group)) = user {
            command.arg("--reuid").arg(user.to_string()).arg("--regid").arg(group.to_string()).arg("--clear-groups");
        }
        command.arg("--pdeathsig").arg(at_end).arg("--").arg(program);
        // The database refuses to start in a folder that it cannot read.
        command.current_dir("/").process_group(0).stdin(Stdio::null());
        command
    }

    fn spawn(&self, mut command: Command, program: &'static str) -> Result<Child, ServerError> {
        let path = self.path(&format!("{program}.log"));
        let log = fs::File::create(&path).and_then(|log| Ok((log.try_clone()?, log)));
        let (out, log) = log.map_err(|source| ServerError::Folder { path, source })?;
        command.stdout(out).stderr(log).spawn().map_err(|error| failed(program, &error))
    }
}

impl Drop for Servers {
    fn drop(&mut self) {
        if let Some(mut child) = self.broker.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
        if let Some(mut child) = self.database.take() {
            // Its children end with it only if it is asked. What it keeps is thrown away in a moment.
            let mut stop = self.command(&self.programs.database.join("pg_ctl"), "KILL", self.user);
            stop.arg("stop").arg("-D").arg(self.path("data")).args(["-m", "immediate", "-w", "-t", "10"]);
            let asked = stop.stdout(Stdio::null()).stderr(Stdio::null()).status();
            if !asked.is_ok_and(|status| status.success()) {
                let _ = child.kill();
            }
            let _ = child.wait();
        }
    }
}

fn failed(program: &'static str, said: &dyn std::fmt::Display) -> ServerError {
    ServerError::Failed { program, said: said.to_string() }
}

fn last_line(log: &Path) -> Option<String> {
    let mut text = String::new();
    fs::File::open(log).ok()?.take(LOG_BYTES_MAX).read_to_string(&mut text).ok()?;
    text.lines().rev().find(|line| !line.trim().is_empty()).map(str::to_owned)
}

fn free_port() -> io::Result<u16> {
    Ok(TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port())
}

fn is_root() -> bool {
    fs::metadata("/proc/self").is_ok_and(|metadata| std::os::unix::fs::MetadataExt::uid(&metadata) == 0)
}

/// User and group of the database's own user, or of nobody: the database refuses to run as root.
fn unprivileged() -> (u32, u32) {
    let passwd = fs::read_to_string("/etc/passwd").unwrap_or_default();
    let own = passwd.lines().find_map(|line| {
        let fields: Vec<&str> = line.split(':').collect();
        let ["postgres", _, user, group, ..] = fields[..] else { return None };
        Some((user.parse().ok()?, group.parse().ok()?))
    });
    own.unwrap_or((NOBODY, NOBODY))
}

/// As Debian numbers it (base-passwd).
const NOBODY: u32 = 65_534;
const LOG_BYTES_MAX: u64 = 1 << 20;
/// How long a server may take until it answers.
pub const START_LIMIT: Duration = Duration::from_secs(30);
