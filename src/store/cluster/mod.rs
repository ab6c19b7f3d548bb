//! A PostgreSQL of our own: found or fetched, set up, started as a child, and stopped again.
//!
//! The order of a start matters: hold the data directory, stop what an earlier run left behind, find
//! programs that fit the data, make the data if there are none, start the server, wait until it answers.

mod account;
mod binaries;
mod child;
mod clients;
mod connection;
mod datadir;
mod error;
mod fetch;
mod initdb;
mod inspect;
mod log;
mod orphan;
mod process;
mod settings;
mod socket;
mod throwaway;
mod version;

use std::path::{Path, PathBuf};

use rustix::process::Signal;
use sqlx::postgres::{PgConnectOptions, PgSslMode};
use tokio::task::AbortHandle;

pub use clients::find_client;
pub use connection::Connection;
pub use error::ClusterError;
pub use inspect::{Nature, nature};
pub use throwaway::ThrowawayDir;
pub use version::PgVersion;

use account::Account;
use binaries::{Binaries, Search};
use child::Postmaster;
use datadir::DataDir;

/// What a managed database is to be like.
#[derive(Debug, Clone)]
pub struct ClusterOptions {
    /// Where everything of it lies; made if absent.
    pub data_dir: PathBuf,
    /// The directory of `postgres` and `initdb`, when somebody named one; otherwise it is searched for.
    pub binaries: Option<PathBuf>,
    /// Trade durability for speed: for tests, never for data that matter.
    pub throwaway: bool,
    /// Whether PostgreSQL may be fetched when the machine has none.
    pub allow_fetch: bool,
}

/// A managed database that runs. [`Cluster::stop`] ends it in order; dropping the value asks it to end
/// without waiting.
#[derive(Debug)]
pub struct Cluster {
    postmaster: Postmaster,
    connection: Connection,
    options: PgConnectOptions,
    data_dir: PathBuf,
    log_keeper: AbortHandle,
}

/// What the blocking part of a start has settled.
struct Ground {
    data: DataDir,
    account: Option<Account>,
    binaries: Binaries,
    socket_dir: PathBuf,
}

impl Cluster {
    /// Starts the database in `options.data_dir`, making it first if it is not there. Returns when it
    /// takes connections.
    ///
    /// # Errors
    /// See [`ClusterError`]; nothing is left running then.
    pub async fn start(options: ClusterOptions) -> Result<Self, ClusterError> {
        let path = options.data_dir.clone();
        let data = blocking(move || DataDir::hold(&path)).await?;
        let new = data.pgdata_in_the_making();
        orphan::settle(&data.pgdata()).await?;
        // An initdb that was killed may still have a helper at work.
        orphan::settle(&new).await?;
        let throwaway = options.throwaway;
        let ground = blocking(move || prepare(data, &options)).await?;
        launch(ground, throwaway).await
    }

    /// How to connect to the database `ullage`.
    #[must_use]
    pub fn connect_options(&self) -> PgConnectOptions {
        self.options.clone()
    }

    /// The database's address, for sqlx, `psql` and everything else that uses libpq.
    #[must_use]
    pub fn url(&self) -> String {
        self.connection.url.clone()
    }

    /// The version of the server.
    #[must_use]
    pub fn version(&self) -> PgVersion {
        self.connection.version
    }

    /// All that another process needs to reach the database.
    #[must_use]
    pub fn connection(&self) -> &Connection {
        &self.connection
    }

    /// Waits until the server has ended by itself or by somebody else's hand, and says how. A service
    /// that hears this should stop, or start the cluster again.
    pub async fn ended(&self) -> String {
        self.postmaster.ended().await
    }

    /// Stops the server and waits until it is gone.
    ///
    /// # Errors
    /// [`ClusterError::NotStopped`] when it does not go within a minute.
    pub async fn stop(self) -> Result<(), ClusterError> {
        self.log_keeper.abort();
        // Only while we hold the directory is the file ours to remove.
        Connection::remove(&self.data_dir);
        self.postmaster.stop().await
    }
}

/// Everything between the held directory and a command to run. Blocks, for a second or more when data
/// have to be made.
fn prepare(data: DataDir, options: &ClusterOptions) -> Result<Ground, ClusterError> {
    let major = data.major()?;
    let account = Account::for_child(data.root(), &data.pgdata())?;
    if let Some(account) = &account {
        account.require_reach(data.root())?;
    }
    let binaries = choose_binaries(&data, options, major, account.as_ref())?;
    if major.is_none() {
        initdb::make(&data, &binaries, account.as_ref(), !options.throwaway)?;
    } else if let Some(account) = &account {
        // Data that root has put back from a copy belong to root.
        let pgdata = data.pgdata();
        account
            .own_tree_if_roots(&pgdata)
            .map_err(ClusterError::io(format!("give {} to the database's user", pgdata.display())))?;
    }
    let socket_dir = socket::prepare(data.root(), account.as_ref())?;
    socket::clear(&socket_dir);
    Ok(Ground { data, account, binaries, socket_dir })
}

fn choose_binaries(
    data: &DataDir,
    options: &ClusterOptions,
    major: Option<u32>,
    account: Option<&Account>,
) -> Result<Binaries, ClusterError> {
    let search = Search::here(options.binaries.as_deref(), major, account);
    let mut notes = match search.find()? {
        Ok(found) => return Ok(found),
        Err(notes) => notes,
    };
    if options.allow_fetch && options.binaries.is_none() && major.is_none_or(|major| major == fetch::MAJOR) {
        match fetch::fetch().map(|()| search.find()) {
            Ok(found) => match found? {
                Ok(found) => return Ok(found),
                Err(after) => notes = after,
            },
            Err(error) => notes.push(error.to_string()),
        }
    }
    Err(match major {
        Some(data_major) => ClusterError::WrongMajor { dir: data.pgdata(), data_major, notes },
        None => ClusterError::NoBinaries { notes },
    })
}

/// Starts the server on prepared ground and waits until the tool's database answers.
async fn launch(ground: Ground, throwaway: bool) -> Result<Cluster, ClusterError> {
    let Ground { data, account, binaries, socket_dir } = ground;
    let (pgdata, root) = (data.pgdata(), data.root().to_owned());
    let log = log::Mark::at_end(data.log()?);
    let mut command = process::command(&binaries.dir.join("postgres"), account.as_ref(), &pgdata);
    command.arg("-D").arg(&pgdata).args(settings::arguments(&socket_dir, throwaway));
    process::bind_to_our_life(&mut command, Signal::INT);
    child::print_into(&mut command, &log.path)
        .map_err(ClusterError::io(format!("write {}", log.path.display())))?;
    let postmaster = Postmaster::spawn(command, data).await?;
    postmaster.wait_ready(&pgdata, &log).await?;
    let place = socket_dir.display().to_string();
    inspect::ensure_database(&connect_options(&socket_dir, "postgres"), &place).await?;
    let connection = Connection {
        url: connection::url(&socket_dir, connection::DATABASE),
        pid: std::process::id(),
        version: binaries.version,
        binaries: binaries.dir,
    };
    connection.write(&root)?;
    let options = connect_options(&socket_dir, connection::DATABASE);
    let log_keeper = tokio::spawn(log::keep_small(log.path)).abort_handle();
    tracing::info!(version = %connection.version, dir = %root.display(), "the database runs");
    Ok(Cluster { postmaster, connection, options, data_dir: root, log_keeper })
}

/// Nothing is left to the environment or to a password file: the socket's directory is the only guard.
fn connect_options(socket_dir: &Path, database: &str) -> PgConnectOptions {
    PgConnectOptions::new_without_pgpass()
        .socket(socket_dir)
        .port(socket::PORT)
        .username(initdb::ROLE)
        .database(database)
        .ssl_mode(PgSslMode::Disable)
}

async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, ClusterError> + Send + 'static,
) -> Result<T, ClusterError> {
    tokio::task::spawn_blocking(work)
        .await
        .unwrap_or_else(|error| Err(ClusterError::io("set up the database")(std::io::Error::other(error))))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cluster_can_be_started_and_kept_on_any_thread() {
        fn check<T: Send>(value: T) -> T {
            value
        }
        let options =
            ClusterOptions { data_dir: "/".into(), binaries: None, throwaway: true, allow_fetch: false };
        drop(check(Cluster::start(options)));
        fn share<T: Send + Sync + 'static>() {}
        share::<Cluster>();
    }
}
