//! All SQL, and the PostgreSQL that it runs on. Rows go in and come out as domain values.

pub mod alert_life;
pub mod alert_rules;
pub mod alerts;
pub mod asks;
pub mod care;
pub mod changes;
pub mod climate;
pub mod closings;
pub mod cluster;
pub mod credentials;
pub mod devices;
pub mod feed;
pub mod figures;
pub mod forecasts;
pub mod gone_by;
pub mod guides;
pub mod heads;
pub mod history;
pub mod identities;
pub mod keeping;
pub mod leases;
pub mod months;
pub mod orders;
pub mod outbox;
pub mod outlooks;
pub mod paces;
pub mod past;
pub mod people;
pub mod polls;
pub mod reach;
pub mod recipients;
pub mod rehearsal;
pub mod report_mail;
pub mod runs;
pub mod seal;
pub mod sessions;
pub mod shelf;
pub mod since;
pub mod slots;
pub mod supply;
pub mod swaps;
pub mod tokens;
pub mod units;

use std::sync::Arc;
use std::time::Duration;

use sqlx::migrate::Migrator;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{PgConnection, PgPool, Postgres, Transaction};

use crate::actor;
use seal::{KeyFault, KeySource, Keys};

/// The schema's history, in the program itself.
pub static MIGRATOR: Migrator = sqlx::migrate!();

/// What went wrong between the program and its store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// PostgreSQL refused a statement, or could not be reached.
    #[error("the store refused or could not be reached: {0}")]
    Sql(#[from] sqlx::Error),
    /// PostgreSQL did not answer in time.
    #[error("the store did not answer within {0:?}")]
    Slow(Duration),
    /// The schema could not be brought up to date.
    #[error("the store's schema could not be brought up to date: {0}")]
    Migrate(#[from] sqlx::migrate::MigrateError),
    /// A name or an address is taken.
    #[error("{0}")]
    Taken(String),
    /// A row says something that the program cannot have written.
    #[error("the store holds a {what} that this program does not know: '{value}'")]
    Unknown {
        /// What kind of value.
        what: &'static str,
        /// The value.
        value: String,
    },
    /// A secret cannot be sealed or opened.
    #[error(transparent)]
    Keys(#[from] KeyFault),
}

/// Classes and codes of errors (PostgreSQL's appendix A) that lie with the server and not with what was asked: no
/// connection or not let in (08, 28, 3D), read-only (25006), rolled back for others (40), out of room or connections
/// (53), a lock not had in time (55P03), shutting down or starting (57), the system's own (58).
const PASSING: [&str; 9] = ["08", "25006", "28", "3D", "40", "53", "55P03", "57", "58"];

impl StoreError {
    /// Whether the same may well succeed later: the server is away, starting, full or overloaded.
    #[must_use]
    pub fn may_pass(&self) -> bool {
        match self {
            Self::Sql(sqlx::Error::Database(error)) => {
                error.code().is_some_and(|code| PASSING.iter().any(|passing| code.starts_with(passing)))
            }
            Self::Sql(error) => matches!(
                error,
                sqlx::Error::Io(_)
                    | sqlx::Error::Tls(_)
                    | sqlx::Error::Protocol(_)
                    | sqlx::Error::PoolTimedOut
                    | sqlx::Error::PoolClosed
                    | sqlx::Error::WorkerCrashed
            ),
            Self::Slow(_) => true,
            _ => false,
        }
    }
}

/// The result of a store call.
pub type Result<T> = std::result::Result<T, StoreError>;

/// The store: a pool of connections to one PostgreSQL database.
#[derive(Debug, Clone)]
pub struct Store {
    pool: PgPool,
    keys: Arc<Keys>,
}

/// One transaction of the store.
pub type Work = Transaction<'static, Postgres>;

impl Store {
    /// Connects, brings the schema up to date, and seals what stands in the clear.
    ///
    /// # Errors
    /// If PostgreSQL cannot be reached, a migration fails, or others may read the key file.
    pub async fn open(options: PgConnectOptions, connections: u32, keys: KeySource) -> Result<Self> {
        let store = Self::connect(options, connections).await?.with_keys(keys)?;
        MIGRATOR.run(&store.pool).await?;
        store.settle().await?;
        Ok(store)
    }

    /// With the keys of a source; without them, no secret can be stored or opened.
    ///
    /// # Errors
    /// If others may read the key file, or it holds something else.
    pub fn with_keys(self, keys: KeySource) -> Result<Self> {
        Ok(Self { pool: self.pool, keys: Arc::new(Keys::of(Some(keys))?) })
    }

    /// Connects and changes nothing. It opens no secrets: see [`Store::with_keys`].
    ///
    /// # Errors
    /// If PostgreSQL cannot be reached.
    pub async fn connect(options: PgConnectOptions, connections: u32) -> Result<Self> {
        Self::connect_within(options, connections, Duration::from_secs(10)).await
    }

    /// The same, with a limit to how long one waits for a connection, then and later.
    ///
    /// # Errors
    /// If PostgreSQL cannot be reached.
    pub async fn connect_within(
        options: PgConnectOptions,
        connections: u32,
        patience: Duration,
    ) -> Result<Self> {
        let options = options.application_name("ullage");
        let pool = PgPoolOptions::new()
            .max_connections(connections)
            .acquire_timeout(patience)
            .after_connect(|connection, _| Box::pin(be_missed(connection)))
            .connect_with(options)
            .await?;
        Ok(Self { pool, keys: Arc::new(Keys::of(None)?) })
    }

    /// The pool, for tests that ask in their own words.
    #[must_use]
    pub fn pool(&self) -> &PgPool {
        &self.pool
    }

    /// The server's version, as it gives it.
    ///
    /// # Errors
    /// If PostgreSQL cannot be reached.
    pub async fn server_version(&self) -> Result<String> {
        Ok(sqlx::query_scalar!(r#"select current_setting('server_version') as "version!""#)
            .fetch_one(&self.pool)
            .await?)
    }

    /// A text that is the same only while the store holds the same: nothing was committed in between.
    ///
    /// # Errors
    /// If PostgreSQL cannot be reached.
    pub async fn mark(&self) -> Result<String> {
        Ok(sqlx::query_scalar!(r#"select pg_current_snapshot()::text as "mark!""#)
            .fetch_one(&self.pool)
            .await?)
    }

    /// Begins a transaction. Where somebody acts, the database is told who, and writes down what they change.
    ///
    /// # Errors
    /// If PostgreSQL cannot be reached.
    pub async fn begin(&self) -> Result<Work> {
        let mut work = self.pool.begin().await?;
        if let Some(actor) = actor::current() {
            sqlx::query_scalar!("select set_config('ullage.who', $1, true)", actor.name())
                .fetch_one(&mut *work)
                .await?;
        }
        Ok(work)
    }

    /// Closes every connection.
    pub async fn close(&self) {
        self.pool.close().await;
    }
}

/// Lets the server give up soon on a process that has vanished or stands still, and on what it has locked: with what is
/// usual a machine without power would keep its devices locked for two hours.
async fn be_missed(connection: &mut PgConnection) -> std::result::Result<(), sqlx::Error> {
    sqlx::query!(
        "select set_config('tcp_keepalives_idle', '10', false) as idle,
                set_config('tcp_keepalives_interval', '5', false) as interval,
                set_config('tcp_keepalives_count', '3', false) as count,
                set_config('tcp_user_timeout', '25000', false) as unheard,
                set_config('idle_in_transaction_session_timeout', '5min', false) as standing_still"
    )
    .fetch_one(connection)
    .await?;
    Ok(())
}

/// Whether an error is the breach of a named constraint.
fn breaches(error: &sqlx::Error, constraint: &str) -> bool {
    error.as_database_error().and_then(|error| error.constraint()) == Some(constraint)
}
