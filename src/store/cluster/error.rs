//! What can go wrong with the managed database, each with what to do next.

use std::io;
use std::path::PathBuf;

use super::version::PgVersion;

/// A fault of the managed PostgreSQL. Every text is one line: what happened, to which thing, what to do.
/// The text holds the cause, so no fault has a source that would say it twice.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClusterError {
    /// Another process holds the data directory.
    #[error(
        "the data directory {dir} is in use by {}; stop that one first, or give another --data-dir",
        holder(*pid)
    )]
    InUse {
        /// The data directory.
        dir: PathBuf,
        /// The process that holds it, when it has said so.
        pid: Option<u32>,
    },
    /// No usable PostgreSQL programs were found or could be fetched.
    #[error(
        "no PostgreSQL 15 to 18 to run{}; install the Debian package `postgresql` (apt-get install \
         postgresql), or set DATABASE_URL to a server that runs already",
        reasons(.notes)
    )]
    NoBinaries {
        /// What was looked at and why it would not do.
        notes: Vec<String>,
    },
    /// The directory given for the binaries does not hold what it should.
    #[error(
        "the PostgreSQL binaries directory {dir} cannot be used: {why}; give the directory that holds \
             `postgres` and `initdb`, such as /usr/lib/postgresql/15/bin"
    )]
    BadBinaries {
        /// The directory as given.
        dir: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// The data were written by another major version than the programs at hand.
    #[error(
        "the database in {dir} was made by PostgreSQL {data_major} and none of that major is at hand{}; \
         install the Debian package postgresql-{data_major}, or move the data with `ullage db dump` there \
         and `ullage db restore` into a new --data-dir",
        reasons(.notes)
    )]
    WrongMajor {
        /// The PostgreSQL data directory.
        dir: PathBuf,
        /// The major version in its PG_VERSION.
        data_major: u32,
        /// What was looked at instead.
        notes: Vec<String>,
    },
    /// The data directory holds something that is not a database.
    #[error("{dir} is not a PostgreSQL database ({why}); move it away, or give another --data-dir")]
    NotADatabase {
        /// The PostgreSQL data directory.
        dir: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// PostgreSQL refuses to run as root and the other user cannot get to the directory.
    #[error(
        "PostgreSQL does not run as root, and the user it runs as, {user}, cannot get into {barrier}; give a \
         --data-dir that it can reach, such as /var/lib/ullage, or allow passage with: chmod o+x {barrier}"
    )]
    OutOfReach {
        /// The unprivileged user.
        user: String,
        /// The first directory on the way that is closed.
        barrier: PathBuf,
    },
    /// Root, and no user to hand the database to.
    #[error(
        "PostgreSQL does not run as root, and /etc/passwd has neither `postgres` nor `nobody`; start ullage as \
         another user, or set DATABASE_URL"
    )]
    NoAccount,
    /// The data belong to someone else and we may not act for them.
    #[error("the database in {dir} belongs to the user with id {owner}; start ullage as that user")]
    ForeignOwner {
        /// The PostgreSQL data directory.
        dir: PathBuf,
        /// The owner's user id.
        owner: u32,
    },
    /// No place for the socket has a short enough path.
    #[error(
        "no place for the database's socket: a socket path may have 107 bytes at most; give a shorter --data-dir"
    )]
    NoSocketDir,
    /// The programs could not be fetched.
    #[error("PostgreSQL could not be fetched: {0}")]
    Fetch(String),
    /// `initdb` did not succeed.
    #[error("a new database could not be made in {dir}: initdb says: {said}")]
    Initdb {
        /// The directory it was to be made in.
        dir: PathBuf,
        /// The last lines of its output, joined.
        said: String,
    },
    /// The server ended or did not get ready.
    #[error("the database did not start: {why}; its log is {log}")]
    NotReady {
        /// What was seen.
        why: String,
        /// The log to read.
        log: PathBuf,
    },
    /// A server left behind by an earlier run does not go away.
    #[error(
        "a database left behind by an earlier run still works in {dir} as process {pid} and does not stop; look \
         at it with: ps -fp {pid}"
    )]
    Orphan {
        /// The PostgreSQL data directory.
        dir: PathBuf,
        /// The process that stays.
        pid: i32,
    },
    /// The server did not stop.
    #[error("the database (process {pid}) did not stop within {seconds} s; look at it with: ps -fp {pid}")]
    NotStopped {
        /// The server process.
        pid: i32,
        /// How long was waited.
        seconds: u64,
    },
    /// A client program such as `pg_dump` is missing or too old.
    #[error(
        "no {program} of version {at_least} or newer was found; install the Debian package \
         postgresql-client-{at_least}"
    )]
    NoClient {
        /// The program's name.
        program: String,
        /// The oldest major that will do.
        at_least: u32,
    },
    /// The database did not answer as it should.
    #[error(
        "the database at {place} does not answer ({cause}); see that PostgreSQL runs there and lets this user in, \
         or set DATABASE_URL to where it does"
    )]
    Sql {
        /// The socket directory, or `DATABASE_URL`.
        place: String,
        /// What the driver said.
        cause: sqlx::Error,
    },
    /// A file or process could not be handled.
    #[error("cannot {what}: {cause}")]
    Io {
        /// What was tried, such as "write /var/lib/ullage/lock".
        what: String,
        /// What the system said.
        cause: io::Error,
    },
}

impl ClusterError {
    /// For `map_err`: an input or output fault while doing `what`.
    pub(super) fn io(what: impl Into<String>) -> impl FnOnce(io::Error) -> Self {
        let what = what.into();
        move |cause| Self::Io { what, cause }
    }

    /// The programs at hand are of a version that the data or the tool cannot use.
    pub(super) fn describe_skip(dir: &std::path::Path, version: PgVersion) -> String {
        format!("{} is PostgreSQL {version}", dir.display())
    }
}

fn holder(pid: Option<u32>) -> String {
    pid.map_or_else(|| "another process".to_owned(), |pid| format!("process {pid}"))
}

fn reasons(notes: &[String]) -> String {
    if notes.is_empty() { String::new() } else { format!(" ({})", notes.join("; ")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_one_line_and_say_what_to_do() {
        let in_use = ClusterError::InUse { dir: "/var/lib/ullage".into(), pid: Some(412) }.to_string();
        assert_eq!(
            in_use,
            "the data directory /var/lib/ullage is in use by process 412; stop that one first, or give another \
             --data-dir"
        );
        let none =
            ClusterError::NoBinaries { notes: vec!["/opt/pg/bin is PostgreSQL 12.3".into()] }.to_string();
        assert_eq!(
            none,
            "no PostgreSQL 15 to 18 to run (/opt/pg/bin is PostgreSQL 12.3); install the Debian package \
             `postgresql` (apt-get install postgresql), or set DATABASE_URL to a server that runs already"
        );
        let major =
            ClusterError::WrongMajor { dir: "/d/pgdata".into(), data_major: 16, notes: vec![] }.to_string();
        assert!(major.contains("postgresql-16") && !major.contains('\n'), "{major}");
        let reach = ClusterError::OutOfReach { user: "postgres".into(), barrier: "/root".into() }.to_string();
        assert!(reach.contains("chmod o+x /root") && reach.contains("/var/lib/ullage"), "{reach}");
    }
}
