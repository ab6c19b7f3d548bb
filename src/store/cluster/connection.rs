//! How a running managed database is reached: the address, and the small file that tells it to others.

use std::fs::{self, File};
use std::future::ready;
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::datadir;
use super::error::ClusterError;
use super::initdb::ROLE;
use super::orphan::wait_until;
use super::socket::PORT;
use super::version::PgVersion;

/// The name of the database in the cluster.
pub(super) const DATABASE: &str = "ullage";

/// How long to wait for a service that holds the data directory but has not said yet how to reach it.
const PATIENCE: Duration = Duration::from_secs(20);

/// What `<data-dir>/connection` says while a service runs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Connection {
    /// The database's address; it holds no secret, since the socket's directory guards the door.
    pub url: String,
    /// The process that holds the data directory.
    pub pid: u32,
    /// The version of the server.
    pub version: PgVersion,
    /// Where the server's programs are.
    pub binaries: PathBuf,
}

impl Connection {
    /// Finds out how to reach the managed database of a service that is running in `data_dir`.
    ///
    /// # Errors
    /// [`ClusterError::InUse`] when the service does not say it in time.
    pub async fn of_running(data_dir: &Path) -> Result<Self, ClusterError> {
        // A file that a killed service left has another process in it than the lock.
        let read = || Self::read(data_dir).filter(|found| Some(found.pid) == datadir::holder(data_dir));
        wait_until(PATIENCE, || ready(read().is_some())).await;
        read().ok_or_else(|| ClusterError::InUse { dir: data_dir.to_owned(), pid: datadir::holder(data_dir) })
    }

    fn read(data_dir: &Path) -> Option<Self> {
        serde_json::from_str(&fs::read_to_string(file(data_dir)).ok()?).ok()
    }

    /// Writes the file under another name first, so that nobody reads half of it.
    pub(super) fn write(&self, data_dir: &Path) -> Result<(), ClusterError> {
        let target = file(data_dir);
        let partial = data_dir.join("connection.new");
        let write = || -> io::Result<()> {
            let mut out =
                File::options().write(true).create(true).truncate(true).mode(0o600).open(&partial)?;
            serde_json::to_writer(&mut out, self)?;
            out.write_all(b"\n")?;
            fs::rename(&partial, &target)
        };
        write().map_err(ClusterError::io(format!("write {}", target.display())))
    }

    pub(super) fn remove(data_dir: &Path) {
        if let Err(error) = fs::remove_file(file(data_dir))
            && error.kind() != io::ErrorKind::NotFound
        {
            tracing::warn!(path = %file(data_dir).display(), %error, "a stale file stays");
        }
    }
}

fn file(data_dir: &Path) -> PathBuf {
    data_dir.join("connection")
}

/// The database's address. libpq and sqlx both take a host that is an encoded absolute path for the
/// directory of the socket.
pub(super) fn url(socket_dir: &Path, database: &str) -> String {
    let host = percent_encode(socket_dir.as_os_str().as_encoded_bytes());
    format!("postgres://{ROLE}@{host}:{PORT}/{database}?sslmode=disable")
}

fn percent_encode(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(byte) {
            text.push(char::from(*byte));
        } else {
            text.push_str(&format!("%{byte:02X}"));
        }
        text
    })
}

#[cfg(test)]
mod tests {
    use std::str::FromStr;

    use sqlx::postgres::PgConnectOptions;

    use super::*;

    #[test]
    fn the_address_leads_the_driver_to_the_socket() {
        let dir = Path::new("/var/lib/print loft/söcket");
        let options = PgConnectOptions::from_str(&url(dir, DATABASE)).unwrap();
        assert_eq!(options.get_socket().map(PathBuf::as_path), Some(dir));
        assert_eq!(options.get_username(), "ullage");
        assert_eq!(options.get_database(), Some("ullage"));
        assert_eq!(options.get_port(), 5432);
    }

    #[test]
    fn what_is_written_is_read_again_and_only_for_the_process_that_holds_the_directory() {
        let top = tempfile::tempdir().unwrap();
        let said = Connection {
            url: url(Path::new("/s"), DATABASE),
            pid: 12,
            version: PgVersion { major: 17, minor: 2 },
            binaries: "/usr/lib/postgresql/17/bin".into(),
        };
        assert_eq!(Connection::read(top.path()), None);
        said.write(top.path()).unwrap();
        assert_eq!(Connection::read(top.path()), Some(said));
        Connection::remove(top.path());
        assert_eq!(Connection::read(top.path()), None);
    }
}
