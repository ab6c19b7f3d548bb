//! Directories for databases that are thrown away: in memory if there is room, and never left behind.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use super::datadir;
use super::error::ClusterError;

const PREFIX: &str = "ullage-throwaway-";
const MEMORY: &str = "/dev/shm";
/// What a new database and the data of a few tests take, with room to spare.
const WANTED_BYTES: u64 = 512 * 1024 * 1024;

/// A directory that is removed with all that is in it when the value is dropped.
#[derive(Debug)]
pub struct ThrowawayDir {
    path: PathBuf,
}

impl ThrowawayDir {
    /// Makes a directory under /dev/shm if that has half a gigabyte free, otherwise among the temporary
    /// files. Directories that killed processes left in the same place are removed.
    ///
    /// # Errors
    /// [`ClusterError::Io`] when it cannot be made.
    pub fn new() -> Result<Self, ClusterError> {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let parent = if memory_has_room() { PathBuf::from(MEMORY) } else { std::env::temp_dir() };
        remove_left_behind(&parent);
        loop {
            let count = COUNT.fetch_add(1, Ordering::Relaxed);
            let path = parent.join(format!("{PREFIX}{}-{count}", std::process::id()));
            match fs::create_dir(&path) {
                Ok(()) => return Ok(Self { path }),
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(ClusterError::io(format!("make {}", path.display()))(error)),
            }
        }
    }

    /// The directory.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for ThrowawayDir {
    fn drop(&mut self) {
        if let Err(error) = fs::remove_dir_all(&self.path) {
            tracing::warn!(path = %self.path.display(), %error, "a throwaway database stays");
        }
    }
}

fn memory_has_room() -> bool {
    rustix::fs::statvfs(MEMORY).is_ok_and(|fs| fs.f_bavail.saturating_mul(fs.f_frsize) >= WANTED_BYTES)
}

fn remove_left_behind(parent: &Path) {
    for entry in fs::read_dir(parent).into_iter().flatten().flatten() {
        let ours = entry.file_name().to_str().is_some_and(|name| name.starts_with(PREFIX));
        // Without a process in its lock it may be one that is just being made.
        let holder = if ours { datadir::holder(&entry.path()) } else { None };
        if holder.is_some_and(|pid| !Path::new(&format!("/proc/{pid}")).exists()) {
            // It may be another user's; then it stays theirs.
            let _ = fs::remove_dir_all(entry.path());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_killed_processes_left_is_removed_and_what_lives_is_not() {
        let top = tempfile::tempdir().unwrap();
        let make = |name: &str, lock: Option<&str>| {
            let dir = top.path().join(name);
            fs::create_dir(&dir).unwrap();
            if let Some(lock) = lock {
                fs::write(dir.join("lock"), lock).unwrap();
            }
            dir
        };
        let dead = make("ullage-throwaway-1-0", Some("4194999\n"));
        let live = make("ullage-throwaway-2-0", Some(&std::process::id().to_string()));
        let new = make("ullage-throwaway-3-0", None);
        let other = make("something-else", Some("4194999\n"));
        remove_left_behind(top.path());
        assert!(!dead.exists() && live.exists() && new.exists() && other.exists());
    }

    #[test]
    fn it_goes_with_the_value() {
        let dir = ThrowawayDir::new().unwrap();
        let path = dir.path().to_owned();
        fs::write(path.join("file"), "x").unwrap();
        drop(dir);
        assert!(!path.exists());
    }
}
