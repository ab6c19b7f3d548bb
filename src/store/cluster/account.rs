//! Whom the database runs as: PostgreSQL refuses root, so root hands it to an unprivileged user.

use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use super::error::ClusterError;

/// The unprivileged user that root runs the database as.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Account {
    pub(super) uid: u32,
    pub(super) gid: u32,
    pub(super) name: String,
}

impl Account {
    /// Whom to run as, `None` for ourselves. Data that exist keep their owner, and a data directory that
    /// somebody made for the purpose gives new data to that owner; the rest goes to `postgres`, else `nobody`.
    pub(super) fn for_child(root: &Path, pgdata: &Path) -> Result<Option<Self>, ClusterError> {
        let data_owner = owner(pgdata)?;
        if !is_root() {
            let me = rustix::process::geteuid().as_raw();
            return match data_owner {
                Some((uid, _)) if uid != me => {
                    Err(ClusterError::ForeignOwner { dir: pgdata.to_owned(), owner: uid })
                }
                _ => Ok(None),
            };
        }
        let owners = [data_owner, owner(root)?];
        if let Some((uid, gid)) = owners.into_iter().flatten().find(|(uid, _)| *uid != 0) {
            return Ok(Some(Self { uid, gid, name: format!("with id {uid}") }));
        }
        let passwd =
            fs::read_to_string("/etc/passwd").map_err(ClusterError::io("read the users in /etc/passwd"))?;
        ["postgres", "nobody"]
            .iter()
            .find_map(|name| find_in_passwd(&passwd, name))
            .map(Some)
            .ok_or(ClusterError::NoAccount)
    }

    /// Makes the command run as this user, in its group and in no other.
    pub(super) fn apply(&self, command: &mut Command) {
        // The standard library also empties the supplementary groups when root sets a user id.
        command.gid(self.gid).uid(self.uid);
    }

    /// Gives the tree under `path` to this user.
    fn own_tree(&self, path: &Path) -> io::Result<()> {
        std::os::unix::fs::lchown(path, Some(self.uid), Some(self.gid))?;
        if fs::symlink_metadata(path)?.is_dir() {
            for entry in fs::read_dir(path)? {
                self.own_tree(&entry?.path())?;
            }
        }
        Ok(())
    }

    /// Gives the tree to this user if root owns its top, as after putting data back from a copy.
    pub(super) fn own_tree_if_roots(&self, path: &Path) -> io::Result<()> {
        if fs::metadata(path)?.uid() == 0 { self.own_tree(path) } else { Ok(()) }
    }

    /// Refuses a directory that this user cannot get into.
    pub(super) fn require_reach(&self, dir: &Path) -> Result<(), ClusterError> {
        match self.first_barrier(dir) {
            Some(barrier) => Err(ClusterError::OutOfReach { user: self.name.clone(), barrier }),
            None => Ok(()),
        }
    }

    /// The first directory from the root down to `dir` that this user may not pass through.
    fn first_barrier(&self, dir: &Path) -> Option<PathBuf> {
        let mut way: Vec<&Path> = dir.ancestors().collect();
        way.reverse();
        way.into_iter()
            .find(|step| fs::metadata(step).is_ok_and(|data| !self.may_pass(&data)))
            .map(Path::to_owned)
    }

    fn may_pass(&self, dir: &fs::Metadata) -> bool {
        let shift = if dir.uid() == self.uid {
            6
        } else if dir.gid() == self.gid {
            3
        } else {
            0
        };
        (dir.mode() >> shift) & 1 == 1
    }
}

fn owner(path: &Path) -> Result<Option<(u32, u32)>, ClusterError> {
    match fs::metadata(path) {
        Ok(data) => Ok(Some((data.uid(), data.gid()))),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(ClusterError::io(format!("look at {}", path.display()))(error)),
    }
}

/// Whether we are root, which PostgreSQL refuses to run as.
pub(super) fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

fn find_in_passwd(passwd: &str, name: &str) -> Option<Account> {
    passwd.lines().find_map(|line| {
        let mut fields = line.split(':');
        if fields.next()? != name {
            return None;
        }
        let uid: u32 = fields.nth(1)?.parse().ok()?;
        let gid = fields.next()?.parse().ok()?;
        (uid != 0).then(|| Account { uid, gid, name: name.to_owned() })
    })
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn the_user_is_read_from_the_password_file() {
        let passwd = "root:x:0:0:root:/root:/bin/bash\nbroken\npostgres:x:101:104::/var/lib/p:/bin/bash\n";
        let found = find_in_passwd(passwd, "postgres").unwrap();
        assert_eq!((found.uid, found.gid), (101, 104));
        assert_eq!(find_in_passwd(passwd, "nobody"), None);
        assert_eq!(find_in_passwd("postgres:x:0:0:::", "postgres"), None, "never root by another name");
    }

    #[test]
    fn a_closed_directory_on_the_way_is_named() {
        let top = tempfile::tempdir().unwrap();
        let closed = top.path().join("closed");
        let inside = closed.join("inside");
        fs::create_dir_all(&inside).unwrap();
        fs::set_permissions(top.path(), fs::Permissions::from_mode(0o755)).unwrap();
        fs::set_permissions(&closed, fs::Permissions::from_mode(0o700)).unwrap();
        let stranger = Account { uid: 54_321, gid: 54_321, name: "stranger".into() };
        assert_eq!(stranger.first_barrier(&inside), Some(closed.clone()));
        fs::set_permissions(&closed, fs::Permissions::from_mode(0o711)).unwrap();
        assert_eq!(stranger.first_barrier(&inside), None);
    }
}
