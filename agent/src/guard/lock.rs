//! One run per port at a time.
//!
//! The lock is a name in the kernel's abstract socket space, held for as long as the holder's socket lives. That space
//! belongs to a network namespace, as the port does, so that
//! - every user of the namespace meets the same lock, whatever files they may read or write, also from a container that
//!   shares the host's network but not its files;
//! - equal names or numbers of interfaces in two namespaces do not clash;
//! - a crash, a `kill -9` or a power cut leaves nothing behind.
//!
//! A lock file would have none of the three without a directory that everybody may write. Limits: any local user can
//! take the name and so keep others from testing (never the other way round), and a port that is moved to another
//! namespace during a run can be locked there a second time.

use std::{
    fmt, io,
    net::Shutdown,
    os::{
        linux::net::SocketAddrExt,
        unix::net::{SocketAddr, UnixListener},
    },
    thread,
    time::Duration,
};

use socket2::{Domain, SockAddr, SockRef, Socket, Type};
use thiserror::Error;

use super::sys;

/// Held by a run for its port; let go when dropped.
#[derive(Debug)]
pub struct PortLock {
    listener: UnixListener,
}

impl Drop for PortLock {
    fn drop(&mut self) {
        // A child that another thread is starting has a copy of the socket until it becomes another program. Shut down,
        // the copy refuses connections, by which `take` knows that it will go by itself in a moment.
        let _ = SockRef::from(&self.listener).shutdown(Shutdown::Both);
    }
}

/// Who holds a lock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Holder {
    /// Process number as seen from here; 0 for a process this one cannot see.
    pub process: i32,
    /// Its user.
    pub user: u32,
}

/// Why a port could not be locked.
#[derive(Debug, Error)]
pub enum LockError {
    /// Another run has it.
    #[error("{port} is under test already{}", by(*.holder))]
    Held {
        /// The port.
        port: String,
        /// Who has it, if the kernel tells.
        holder: Option<Holder>,
    },
    /// The kernel gives no lock.
    #[error("cannot lock {port}")]
    Failed {
        /// The port.
        port: String,
        /// The cause.
        #[source]
        source: io::Error,
    },
}

impl PortLock {
    /// Locks an interface of the calling thread's network namespace. `name` is for messages; `index` is what counts,
    /// since a name can change during a run.
    ///
    /// # Errors
    ///
    /// [`LockError::Held`] while another process, or another part of this one, has it.
    pub fn interface(name: &str, index: u32) -> Result<Self, LockError> {
        Self::take(name, &format!("turnback/interface/{index}"))
    }

    /// Locks anything else by a key of the caller's, such as the path of a serial line.
    ///
    /// # Errors
    ///
    /// As for [`PortLock::interface`].
    pub fn named(port: &str, key: &str) -> Result<Self, LockError> {
        Self::take(port, &format!("turnback/port/{key}"))
    }

    /// Who has the lock of an interface now, in words; none while it is free.
    pub fn held_interface(index: u32) -> Option<String> {
        held(&format!("turnback/interface/{index}"))
    }

    /// Who has the lock of anything else now, in words; none while it is free.
    pub fn held_named(key: &str) -> Option<String> {
        held(&format!("turnback/port/{key}"))
    }

    fn take(port: &str, key: &str) -> Result<Self, LockError> {
        let failed = |source| LockError::Failed { port: port.to_owned(), source };
        let address = SocketAddr::from_abstract_name(key).map_err(failed)?;
        for _ in 0..LETTING_GO_TRIES {
            match UnixListener::bind_addr(&address) {
                Ok(listener) => return Ok(Self { listener }),
                Err(error) if error.kind() != io::ErrorKind::AddrInUse => return Err(failed(error)),
                Err(_) => {}
            }
            match holder(key) {
                Err(error) if error.kind() == io::ErrorKind::ConnectionRefused => thread::sleep(LETTING_GO_PAUSE),
                answer => return Err(LockError::Held { port: port.to_owned(), holder: answer.ok() }),
            }
        }
        Err(LockError::Held { port: port.to_owned(), holder: None })
    }
}

fn held(key: &str) -> Option<String> {
    holder(key).ok().map(|holder| format!("it is under test{}", by(Some(holder))))
}

/// Asks the kernel who listens. The holder never accepts, so this must not wait for a place in its queue.
fn holder(key: &str) -> io::Result<Holder> {
    let socket = Socket::new(Domain::UNIX, Type::STREAM, None)?;
    socket.set_nonblocking(true)?;
    socket.connect(&SockAddr::unix(format!("\0{key}"))?)?;
    let peer = sys::peer(&socket)?;
    Ok(Holder { process: peer.pid, user: peer.uid })
}

fn by(holder: Option<Holder>) -> String {
    holder.map_or_else(String::new, |holder| format!(", by {holder}"))
}

impl fmt::Display for Holder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.process {
            0 => write!(f, "a process of user {} out of sight", self.user),
            process => write!(f, "process {process} of user {}", self.user),
        }
    }
}

/// How long a lock that was let go may linger, all in all a second: far more than a program takes to start.
const LETTING_GO_TRIES: u32 = 1000;
const LETTING_GO_PAUSE: Duration = Duration::from_millis(1);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing;

    fn key(name: &str) -> String {
        format!("{name}/{}", std::process::id())
    }

    #[test]
    fn a_held_port_names_its_holder_and_is_free_after_it() {
        let key = key("held");
        let lock = PortLock::named("quay1", &key).unwrap();
        // More tries than a socket's queue holds: none may wait.
        for _ in 0..300 {
            let error = PortLock::named("quay1", &key).unwrap_err();
            assert!(error.to_string().starts_with("quay1 is under test already"), "{error}");
        }
        drop(lock);
        let lock = PortLock::named("quay1", &key).unwrap();
        let held = PortLock::held_named(&key).unwrap();
        assert!(held.starts_with(&format!("it is under test, by process {}", std::process::id())), "{held}");
        let LockError::Held { holder, .. } = PortLock::named("quay1", &key).unwrap_err() else { panic!("not held") };
        assert_eq!(holder.map(|holder| holder.process), Some(std::process::id().cast_signed()));
        drop(lock);
        assert_eq!(PortLock::held_named(&key), None);
    }

    #[test]
    fn a_lock_let_go_is_free_though_a_copy_of_its_socket_lingers() {
        let key = key("lingering");
        let lock = PortLock::named("quay1", &key).unwrap();
        let copy = lock.listener.try_clone().unwrap();
        drop(lock);
        assert_eq!(PortLock::held_named(&key), None);
        let waiting = {
            let key = key.clone();
            thread::spawn(move || PortLock::named("quay1", &key).map(drop))
        };
        // Long enough that it has met the copy.
        thread::sleep(Duration::from_millis(50));
        drop(copy);
        waiting.join().unwrap().unwrap();
    }

    #[test]
    fn a_holder_out_of_sight_is_told_by_its_user_alone() {
        let told = |process| Holder { process, user: 990 }.to_string();
        assert_eq!([0, 1].map(told), ["a process of user 990 out of sight", "process 1 of user 990"]);
    }

    #[test]
    fn two_ports_do_not_clash() {
        let _one = PortLock::named("quay1", &key("one")).unwrap();
        PortLock::named("quay2", &key("two")).unwrap();
    }

    #[test]
    fn the_same_index_in_two_namespaces_does_not_clash() {
        testing::in_namespace(|| {
            let _lock = PortLock::interface("quay1", 7).unwrap();
            assert!(PortLock::interface("quay1", 7).is_err());
            let other = testing::in_namespace(|| {
                PortLock::interface("quay1", 7).unwrap();
            });
            assert!(other.is_some(), "a second namespace could be made");
        });
    }
}
