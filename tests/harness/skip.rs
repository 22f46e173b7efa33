//! Tests that could not run are listed, with the reasons, when the test program ends.
//!
//! The test library has no state for a test that did not run, and holds back what a passing test prints. So this file
//! writes past it, to the standard error itself, after the last result.

use std::{
    collections::{BTreeMap, BTreeSet},
    env,
    fmt::Write as _,
    io::Write as _,
    sync::{Mutex, Once},
    thread,
};

/// Names of skipped tests by the reason.
static SKIPPED: Mutex<BTreeMap<String, BTreeSet<String>>> = Mutex::new(BTreeMap::new());

/// Notes that the test on this thread does not run, and why; the test returns after this.
pub fn skip(why: &str) {
    static LIST_AT_END: Once = Once::new();
    LIST_AT_END.call_once(|| {
        // SAFETY: `list` is a function without arguments that never unwinds, which is what atexit takes.
        unsafe { libc::atexit(list) };
    });
    let test = thread::current().name().unwrap_or("a test").to_owned();
    let mut skipped = SKIPPED.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
    // A test may ask for what it needs several times.
    skipped.entry(why.to_owned()).or_default().insert(test);
}

/// Whether `program` is installed; if not, the test on this thread is skipped for want of the Debian package `package`.
pub fn installed(program: &str, package: &str) -> bool {
    let path = env::var_os("PATH").unwrap_or_default();
    let found = env::split_paths(&path).any(|directory| directory.join(program).is_file());
    if !found {
        skip(&format!("`{program}` is not installed (Debian: apt-get install {package})"));
    }
    found
}

/// The name of this thread for the threads that do its work, so that [`skip`] names the test there too.
pub fn same_name() -> thread::Builder {
    thread::Builder::new().name(thread::current().name().unwrap_or("a test").to_owned())
}

extern "C" fn list() {
    let skipped = SKIPPED.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
    let mut text = format!("\nskipped {} tests:\n", skipped.values().map(BTreeSet::len).sum::<usize>());
    for (why, tests) in &*skipped {
        let names: Vec<&str> = tests.iter().map(String::as_str).collect();
        let _ = writeln!(text, "  {}, {why}: {}", names.len(), names.join(", "));
    }
    let _ = std::io::stderr().write_all(text.as_bytes());
}
