//! Where the database's Unix socket goes: in the data directory, unless its path is too long for one.

use std::fs;
use std::io;
use std::os::unix::fs::{DirBuilderExt, MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::account::{self, Account};
use super::error::ClusterError;

/// The port in the socket's name; nothing listens on a real port.
pub(super) const PORT: u16 = 5432;

/// `sockaddr_un.sun_path` has 108 bytes on Linux, the last of them a zero (unix(7)).
const MAX_PATH_BYTES: usize = 107;

/// The name that PostgreSQL gives its socket.
fn socket_name() -> String {
    format!(".s.PGSQL.{PORT}")
}

/// Makes the directory for the socket and returns it: private to the user that the database runs as.
pub(super) fn prepare(data_dir: &Path, account: Option<&Account>) -> Result<PathBuf, ClusterError> {
    let own = data_dir.join("socket");
    if fits(&own) {
        make_private(&own, account).map_err(ClusterError::io(format!("make {}", own.display())))?;
        return Ok(own);
    }
    let name = short_name(data_dir);
    for dir in runtime_dirs().into_iter().map(|dir| dir.join(&name)).filter(|dir| fits(dir)) {
        match make_private(&dir, account) {
            Ok(()) if account.is_none_or(|account| account.require_reach(&dir).is_ok()) => return Ok(dir),
            Ok(()) => {}
            Err(error) => tracing::debug!(dir = %dir.display(), %error, "no place for the socket"),
        }
    }
    Err(ClusterError::NoSocketDir)
}

/// Removes what a server that was killed left in the directory. Call it only when none is running.
pub(super) fn clear(dir: &Path) {
    let name = socket_name();
    for left in [dir.join(&name), dir.join(format!("{name}.lock"))] {
        match fs::remove_file(&left) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                tracing::warn!(path = %left.display(), %error, "a stale socket file stays");
            }
            _ => {}
        }
    }
}

fn fits(dir: &Path) -> bool {
    dir.as_os_str().len() + 1 + socket_name().len() <= MAX_PATH_BYTES
}

/// Short, and the same at every start, so that a directory left behind is used again.
fn short_name(data_dir: &Path) -> String {
    let digest = Sha256::digest(data_dir.as_os_str().as_encoded_bytes());
    let hex: String = digest.iter().take(6).map(|byte| format!("{byte:02x}")).collect();
    format!("ullage-{hex}")
}

fn runtime_dirs() -> Vec<PathBuf> {
    let mut dirs = Vec::new();
    if account::is_root() {
        // Root's own runtime directory is closed to the user that the database runs as.
        dirs.push(PathBuf::from("/run"));
    } else {
        dirs.extend(std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from).filter(|dir| dir.is_absolute()));
    }
    dirs.push(std::env::temp_dir());
    dirs.push(PathBuf::from("/tmp"));
    dirs
}

/// Makes `dir` with mode 0700, or takes it over if it is already ours; anybody else's is refused, since
/// the fallbacks lie in places where others may write.
fn make_private(dir: &Path, account: Option<&Account>) -> io::Result<()> {
    match fs::DirBuilder::new().mode(0o700).create(dir) {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(error),
        _ => {}
    }
    let found = fs::symlink_metadata(dir)?;
    let ours = [Some(rustix::process::geteuid().as_raw()), account.map(|account| account.uid)];
    if !found.is_dir() || !ours.contains(&Some(found.uid())) {
        return Err(io::Error::new(io::ErrorKind::PermissionDenied, "it belongs to somebody else"));
    }
    if let Some(account) = account {
        std::os::unix::fs::lchown(dir, Some(account.uid), Some(account.gid))?;
    }
    fs::set_permissions(dir, fs::Permissions::from_mode(0o700))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_directory_that_fits_has_93_bytes() {
        let of = |bytes: usize| PathBuf::from(format!("/{}", "s".repeat(bytes - 1)));
        assert!(fits(&of(93)));
        assert!(!fits(&of(94)));
    }

    #[test]
    fn a_long_data_directory_gets_a_short_private_socket_directory() {
        let top = tempfile::tempdir().unwrap();
        let near = prepare(top.path(), None).unwrap();
        assert_eq!(near, top.path().join("socket"));

        let deep = top.path().join("drapes-and-banners-".repeat(6));
        fs::create_dir_all(&deep).unwrap();
        let far = prepare(&deep, None).unwrap();
        assert!(!far.starts_with(top.path()) && fits(&far), "{}", far.display());
        assert_eq!(fs::metadata(&far).unwrap().mode() & 0o777, 0o700);
        assert_eq!(prepare(&deep, None).unwrap(), far, "the same again at the next start");
        fs::remove_dir(far).unwrap();
    }

    #[test]
    fn a_link_in_the_place_of_the_directory_is_refused() {
        let top = tempfile::tempdir().unwrap();
        let link = top.path().join("link");
        std::os::unix::fs::symlink(top.path(), &link).unwrap();
        assert!(make_private(&link, None).is_err());
    }
}
