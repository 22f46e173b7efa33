//! A network namespace for one test.
//!
//! Only the calling thread enters it, with the threads and processes it starts. Nothing names it, so namespace,
//! interfaces and mounts vanish by themselves with the last of these, even after a panic or a kill: there is nothing to
//! clean up.

use std::{fs, io, process::Command, thread};

use super::skip::{installed, same_name, skip};

/// Runs `body` in a fresh network namespace and returns what it returned; skips the test where there can be none.
///
/// `/sys` is mounted anew, so that `/sys/class/net` shows the namespace too; `/proc/net` does so only for processes
/// started in it (a thread reads `/proc/thread-self/net`). IPv6 is off, so that the kernel sends nothing by itself.
///
/// # Panics
/// If `body` does, or if a namespace that we have the right to make cannot be set up.
pub fn in_fresh_namespace<T: Send>(body: impl FnOnce() -> T + Send) -> Option<T> {
    if !installed("ip", "iproute2") || !installed("tc", "iproute2") {
        return None;
    }
    let inside = || {
        if let Err(error) = enter_fresh_namespace() {
            skip(&format!("no network namespace of our own ({error}); run as root"));
            return None;
        }
        run("mount --make-rprivate /");
        run("mount -t sysfs sysfs /sys");
        switch_ipv6("all", false);
        switch_ipv6("default", false);
        Some(body())
    };
    thread::scope(|scope| match same_name().spawn_scoped(scope, inside).expect("a thread").join() {
        Ok(result) => result,
        Err(panic) => std::panic::resume_unwind(panic),
    })
}

/// Switches IPv6 on or off at an interface of this namespace, or at `all` or `default`.
pub fn switch_ipv6(interface: &str, on: bool) {
    let switch = format!("/proc/sys/net/ipv6/conf/{interface}/disable_ipv6");
    fs::write(&switch, if on { "0" } else { "1" }).unwrap_or_else(|error| panic!("{switch}: {error}"));
}

/// Makes a virtual cable from `near` to `far`, both up, with this MTU.
pub fn add_cable(mtu: usize) {
    run(&format!("ip link add near mtu {mtu} type veth peer name far mtu {mtu}"));
    run("ip link set near up");
    run("ip link set far up");
}

/// Puts a loopback plug on `far`: the kernel sends back whatever arrives there.
pub fn fit_plug() {
    run("tc qdisc add dev far clsact");
    // matchall is not in every kernel; u32 with an empty mask matches all as well.
    run("tc filter add dev far ingress protocol all u32 match u32 0 0 action mirred egress redirect dev far");
}

/// Runs a command, split at spaces.
///
/// # Panics
/// If it cannot be run or fails.
pub fn run(command: &str) {
    let mut words = command.split_whitespace();
    let program = words.next().expect("a program");
    let output = Command::new(program).args(words).output().unwrap_or_else(|error| panic!("{command}: {error}"));
    assert!(output.status.success(), "{command}: {}", String::from_utf8_lossy(&output.stderr));
}

fn enter_fresh_namespace() -> io::Result<()> {
    // SAFETY: takes no pointers. It changes the namespaces of the calling thread alone, which was started for this.
    match unsafe { libc::unshare(libc::CLONE_NEWNET | libc::CLONE_NEWNS) } {
        0 => Ok(()),
        _ => Err(io::Error::last_os_error()),
    }
}
