//! A small disk that fills up.

use std::{
    fs::{self, File},
    io::Write,
    path::{Path, PathBuf},
    process::Command,
};

use super::netns::run;

/// A small disk in memory, of the mount namespace of this thread: see [`in_fresh_namespace`].
///
/// [`in_fresh_namespace`]: super::netns::in_fresh_namespace
pub struct Disk(tempfile::TempDir);

impl Disk {
    /// One of so many KiB.
    pub fn new(kib: u32) -> Self {
        let folder = tempfile::Builder::new().prefix("tbd").tempdir().expect("a temporary directory");
        run(&format!("mount -t tmpfs -o size={kib}k tmpfs {}", folder.path().display()));
        Self(folder)
    }

    /// Its top.
    pub fn path(&self) -> &Path {
        self.0.path()
    }

    /// Fills it to the last byte.
    pub fn fill(&self) {
        let mut ballast = File::options().create(true).append(true).open(self.ballast()).expect("a file");
        let block = [7; 4096];
        while ballast.write_all(&block).is_ok() {}
        while ballast.write_all(&block[..1]).is_ok() {}
    }

    /// Fills it, but for so many KiB.
    pub fn fill_but(&self, kib: u64) {
        self.fill();
        let ballast = File::options().write(true).open(self.ballast()).expect("the ballast");
        let filled = ballast.metadata().expect("its size").len();
        ballast.set_len(filled - (kib << 10)).expect("it shrinks");
    }

    /// Takes away what filled it.
    pub fn free(&self) {
        fs::remove_file(self.ballast()).expect("the ballast goes");
    }

    fn ballast(&self) -> PathBuf {
        self.path().join("ballast")
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.path()).status();
    }
}
