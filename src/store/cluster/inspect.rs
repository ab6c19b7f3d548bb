//! What is asked of a database, managed or not, before its schema is known.

use sqlx::postgres::PgConnectOptions;
use sqlx::{ConnectOptions, Connection as _, PgConnection};

use super::connection::DATABASE;
use super::error::ClusterError;
use super::version::PgVersion;

/// What a database is, before anything is done to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Nature {
    /// The server's version.
    pub version: PgVersion,
    /// How many tables, views and sequences people or programs have made in it.
    pub relations: i64,
}

/// Asks a database for its version and for what is in it.
///
/// # Errors
/// [`ClusterError::Sql`] when it does not answer.
pub async fn nature(options: &PgConnectOptions, place: &str) -> Result<Nature, ClusterError> {
    let fault = |cause| ClusterError::Sql { place: place.to_owned(), cause };
    let mut connection = options.connect().await.map_err(fault)?;
    let number: String =
        sqlx::query_scalar("SHOW server_version_num").fetch_one(&mut connection).await.map_err(fault)?;
    let relations: i64 = sqlx::query_scalar(
        "SELECT count(*) FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace \
         WHERE n.nspname NOT LIKE 'pg\\_%' AND n.nspname <> 'information_schema'",
    )
    .fetch_one(&mut connection)
    .await
    .map_err(fault)?;
    connection.close().await.map_err(fault)?;
    let number = number.trim().parse().unwrap_or(0);
    Ok(Nature { version: PgVersion::from_number(number), relations })
}

/// Makes the tool's database in a cluster that has none yet. `options` lead to the one that always exists.
pub(super) async fn ensure_database(options: &PgConnectOptions, place: &str) -> Result<(), ClusterError> {
    let fault = |cause| ClusterError::Sql { place: place.to_owned(), cause };
    let mut connection = options.connect().await.map_err(fault)?;
    create_if_absent(&mut connection).await.map_err(fault)?;
    connection.close().await.map_err(fault)
}

async fn create_if_absent(connection: &mut PgConnection) -> Result<(), sqlx::Error> {
    let exists: bool =
        sqlx::query_scalar("SELECT EXISTS (SELECT FROM pg_catalog.pg_database WHERE datname = $1)")
            .bind(DATABASE)
            .fetch_one(&mut *connection)
            .await?;
    if !exists {
        sqlx::query("CREATE DATABASE ullage TEMPLATE template0").execute(connection).await?;
    }
    Ok(())
}
