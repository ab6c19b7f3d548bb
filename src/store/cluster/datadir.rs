//! The data directory: who holds it, where things lie in it, and which PostgreSQL made what is there.

use std::fs::{self, File, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use super::account;
use super::error::ClusterError;

/// A data directory that this process holds, and nobody else until the value is dropped.
#[derive(Debug)]
pub(super) struct DataDir {
    root: PathBuf,
    /// Kept open: closing it gives the lock up.
    _lock: File,
}

impl DataDir {
    /// Makes the directory if need be and takes hold of it. That comes before everything else: whoever
    /// looked for orphans first would stop the database of a live service.
    pub(super) fn hold(path: &Path) -> Result<Self, ClusterError> {
        let made = !path.exists();
        fs::DirBuilder::new()
            .recursive(true)
            .mode(0o755)
            .create(path)
            .map_err(ClusterError::io(format!("make the data directory {}", path.display())))?;
        let root = path
            .canonicalize()
            .map_err(ClusterError::io(format!("resolve the data directory {}", path.display())))?;
        open_the_way(&root, made).map_err(ClusterError::io(format!("set the mode of {}", root.display())))?;
        let lock = lock(&root)?;
        Ok(Self { root, _lock: lock })
    }

    pub(super) fn root(&self) -> &Path {
        &self.root
    }

    /// PostgreSQL's own directory.
    pub(super) fn pgdata(&self) -> PathBuf {
        self.root.join("pgdata")
    }

    /// Where a new one is made, to be renamed when it is complete.
    pub(super) fn pgdata_in_the_making(&self) -> PathBuf {
        self.root.join("pgdata.new")
    }

    /// The server's log, made with its directory.
    pub(super) fn log(&self) -> Result<PathBuf, ClusterError> {
        let dir = self.root.join("log");
        fs::create_dir_all(&dir).map_err(ClusterError::io(format!("make {}", dir.display())))?;
        Ok(dir.join("postgres.log"))
    }

    /// The major version that made the data; `None` when there are none yet.
    pub(super) fn major(&self) -> Result<Option<u32>, ClusterError> {
        let dir = self.pgdata();
        match fs::read_to_string(dir.join("PG_VERSION")) {
            Ok(text) => text.trim().parse().map(Some).map_err(|_| ClusterError::NotADatabase {
                dir,
                why: format!("its PG_VERSION says {:?}", text.trim()),
            }),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                if dir.exists() {
                    return Err(ClusterError::NotADatabase { dir, why: "it has no PG_VERSION".into() });
                }
                Ok(None)
            }
            Err(error) => Err(ClusterError::io(format!("read {}", dir.join("PG_VERSION").display()))(error)),
        }
    }
}

/// The process that holds the data directory, as it wrote it down; it may be gone since.
pub(super) fn holder(root: &Path) -> Option<u32> {
    fs::read_to_string(root.join("lock")).ok()?.trim().parse().ok()
}

fn lock(root: &Path) -> Result<File, ClusterError> {
    let path = root.join("lock");
    let mut file = File::options()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .mode(0o600)
        .open(&path)
        .map_err(|error| not_ours(root, error))?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut text = String::new();
            // Whoever holds it may be just about to write its id: then it stays unnamed.
            let pid = file.read_to_string(&mut text).ok().and_then(|_| text.trim().parse().ok());
            return Err(ClusterError::InUse { dir: root.to_owned(), pid });
        }
        Err(TryLockError::Error(error)) => {
            return Err(ClusterError::io(format!("lock {}", path.display()))(error));
        }
    }
    let write = |file: &mut File| {
        file.set_len(0)?;
        file.rewind()?;
        writeln!(file, "{}", std::process::id())
    };
    write(&mut file).map_err(ClusterError::io(format!("write {}", path.display())))?;
    Ok(file)
}

/// A lock that may not be opened lies in somebody else's directory, as a rule.
fn not_ours(root: &Path, error: io::Error) -> ClusterError {
    match fs::metadata(root) {
        Ok(data)
            if error.kind() == io::ErrorKind::PermissionDenied
                && data.uid() != rustix::process::geteuid().as_raw() =>
        {
            ClusterError::ForeignOwner { dir: root.to_owned(), owner: data.uid() }
        }
        _ => ClusterError::io(format!("open {}", root.join("lock").display()))(error),
    }
}

/// A directory that we made is closed to others, but as root the user that the database runs as must be
/// able to pass through. That is also given to an empty directory that root has made ready.
fn open_the_way(root: &Path, made: bool) -> io::Result<()> {
    let found = fs::metadata(root)?;
    let mode = match (made, account::is_root()) {
        (true, true) => 0o711,
        (true, false) => 0o700,
        (false, true) if found.uid() == 0 && is_empty(root) => found.mode() | 0o011,
        (false, _) => return Ok(()),
    };
    fs::set_permissions(root, fs::Permissions::from_mode(mode & 0o7777))
}

fn is_empty(dir: &Path) -> bool {
    fs::read_dir(dir).is_ok_and(|mut entries| entries.next().is_none())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_to_come_is_told_who_holds_it() {
        let top = tempfile::tempdir().unwrap();
        let held = DataDir::hold(top.path()).unwrap();
        let error = DataDir::hold(top.path()).unwrap_err();
        assert!(
            matches!(error, ClusterError::InUse { pid: Some(pid), .. } if pid == std::process::id()),
            "{error}"
        );
        drop(held);
        DataDir::hold(top.path()).unwrap();
    }

    #[test]
    fn what_is_no_database_is_left_alone() {
        let top = tempfile::tempdir().unwrap();
        let held = DataDir::hold(&top.path().join("new/er")).unwrap();
        assert_eq!(held.major().unwrap(), None);
        fs::create_dir(held.pgdata()).unwrap();
        assert!(matches!(held.major(), Err(ClusterError::NotADatabase { .. })));
        fs::write(held.pgdata().join("PG_VERSION"), "17\n").unwrap();
        assert_eq!(held.major().unwrap(), Some(17));
        fs::write(held.pgdata().join("PG_VERSION"), "seventeen\n").unwrap();
        assert!(matches!(held.major(), Err(ClusterError::NotADatabase { .. })));
    }
}
