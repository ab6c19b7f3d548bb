//! What opens the feeds: the digest of a secret, and when it was made.

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::{Result, Store};

impl Store {
    /// A secret that nobody can guess: 244 random bits in hexadecimal, from PostgreSQL, which takes those of its
    /// UUIDs from a source fit for secrets.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn fresh_secret(&self) -> Result<String> {
        let drawn = sqlx::query_scalar!(
            r#"select replace(gen_random_uuid()::text || gen_random_uuid()::text, '-', '') as "secret!""#
        );
        Ok(drawn.fetch_one(&self.pool).await?)
    }

    /// Lets the feeds be opened by the secret of this digest, and by no other.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_feed(&self, digest: &[u8], at: Timestamp) -> Result<()> {
        let mut work = self.begin().await?;
        sqlx::query!(
            "insert into feed (digest, made_at) values ($1, $2)
             on conflict (only_one) do update set digest = excluded.digest, made_at = excluded.made_at",
            digest,
            at.to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(())
    }

    /// The digest of the secret that opens the feeds, and when it was made; `None` while nothing opens them.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn feed(&self) -> Result<Option<(Vec<u8>, Timestamp)>> {
        let row = sqlx::query!("select digest, made_at from feed").fetch_optional(&self.pool).await?;
        Ok(row.map(|row| (row.digest, row.made_at.to_jiff())))
    }

    /// Lets nothing open the feeds any more. `false` if nothing did.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn drop_feed(&self) -> Result<bool> {
        let mut work = self.begin().await?;
        let gone = sqlx::query!("delete from feed").execute(&mut *work).await?;
        work.commit().await?;
        Ok(gone.rows_affected() > 0)
    }
}
