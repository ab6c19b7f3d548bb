//! Who is told of alerts, and by which routes.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;

use super::alert_life::{grade, rule};
use super::seal::Place;
use super::{Result, Store, StoreError, Work, breaches};
use crate::domain::alert::Grade;
use crate::domain::alert::recipient::{Channel, Peace, Quiet, Recipient, Route, shown_address};
use crate::domain::ids::{DeviceId, RecipientId};

impl Store {
    /// Everybody who is told, by name.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn recipients(&self) -> Result<Vec<Recipient>> {
        let mut work = self.begin().await?;
        Self::recipients_in(&mut work).await
    }

    /// The same within a transaction.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn recipients_in(work: &mut Work) -> Result<Vec<Recipient>> {
        let mut routes: BTreeMap<i64, Vec<Route>> = BTreeMap::new();
        let rows = sqlx::query!("select recipient_id, rule, device_id, unseen_for_s from route order by id")
            .fetch_all(&mut **work)
            .await?;
        for row in rows {
            routes.entry(row.recipient_id).or_default().push(Route {
                rule: row.rule.as_deref().map(rule).transpose()?,
                device: row.device_id.map(DeviceId),
                unseen_for: SignedDuration::from_secs(row.unseen_for_s),
            });
        }
        let rows = sqlx::query!(
            "select id, name, channel, address, least_severity, quiet_from, quiet_until, working_days_only,
                    wants_cleared
             from recipient where removed_at is null order by name"
        )
        .fetch_all(&mut **work)
        .await?;
        rows.into_iter()
            .map(|row| {
                let quiet = row.quiet_from.zip(row.quiet_until);
                let quiet = quiet.map(|(from, until)| Quiet { from: from.to_jiff(), until: until.to_jiff() });
                Ok(Recipient {
                    id: RecipientId(row.id),
                    channel: channel(&row.channel)?,
                    name: row.name,
                    address: row.address,
                    least: grade(&row.least_severity)?,
                    peace: Peace { quiet, working_days_only: row.working_days_only },
                    wants_cleared: row.wants_cleared,
                    routes: routes.remove(&row.id).unwrap_or_default(),
                })
            })
            .collect()
    }

    /// Adds somebody with their routes; the identity of what is given counts for nothing. A web address is sealed.
    ///
    /// # Errors
    /// [`StoreError::Taken`] if the name is in use, [`StoreError::Keys`] if there is no key to seal the address with.
    pub async fn add_recipient(&self, recipient: &Recipient, at: Timestamp) -> Result<RecipientId> {
        let mut work = self.begin().await?;
        let quiet = recipient.peace.quiet;
        // What is sealed is bound to the row, whose number has to be known first.
        let id = sqlx::query_scalar!(
            r#"select nextval(pg_get_serial_sequence('recipient', 'id')::regclass) as "id!""#
        );
        let id = id.fetch_one(&mut *work).await?;
        let secret_address = match recipient.channel {
            Channel::Mail => None,
            Channel::Webhook => {
                let key = self.sealer(&mut work).await?;
                Some(self.keys.seal(&key, &secret_address(id), (None, &recipient.address))?)
            }
        };
        let added = sqlx::query_scalar!(
            "insert into recipient (id, name, channel, address, secret_address, least_severity, quiet_from, quiet_until,
                                    working_days_only, wants_cleared, added_at)
             overriding system value
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) returning id",
            id,
            recipient.name,
            recipient.channel.word(),
            shown_address(recipient.channel, &recipient.address),
            secret_address,
            recipient.least.word(),
            quiet.map(|quiet| quiet.from.to_sqlx()) as _,
            quiet.map(|quiet| quiet.until.to_sqlx()) as _,
            recipient.peace.working_days_only,
            recipient.wants_cleared,
            at.to_sqlx()
        )
        .fetch_one(&mut *work)
        .await;
        let id = match added {
            Ok(id) => id,
            Err(error) if breaches(&error, "recipient_name") => {
                let name = &recipient.name;
                return Err(StoreError::Taken(format!("somebody is told under the name '{name}' already")));
            }
            Err(error) => return Err(error.into()),
        };
        for route in &recipient.routes {
            add_route(&mut work, RecipientId(id), route).await?;
        }
        work.commit().await?;
        Ok(RecipientId(id))
    }

    /// Adds a route to somebody's. `false` if there is nobody of that number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn add_route(&self, id: RecipientId, route: Route) -> Result<bool> {
        let mut work = self.begin().await?;
        let found = sqlx::query_scalar!(
            "select id from recipient where id = $1 and removed_at is null for update",
            id.0
        );
        if found.fetch_optional(&mut *work).await?.is_none() {
            return Ok(false);
        }
        add_route(&mut work, id, &route).await?;
        work.commit().await?;
        Ok(true)
    }

    /// Changes how grave what somebody is told has to be, and when they are left alone. `false` if there is nobody of
    /// that number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn change_recipient(&self, id: RecipientId, least: Grade, peace: Peace) -> Result<bool> {
        let done = sqlx::query!(
            "update recipient set least_severity = $2, quiet_from = $3, quiet_until = $4, working_days_only = $5
             where id = $1 and removed_at is null",
            id.0,
            least.word(),
            peace.quiet.map(|quiet| quiet.from.to_sqlx()) as _,
            peace.quiet.map(|quiet| quiet.until.to_sqlx()) as _,
            peace.working_days_only
        );
        let mut work = self.begin().await?;
        let done = done.execute(&mut *work).await?;
        work.commit().await?;
        Ok(done.rows_affected() > 0)
    }

    /// Tells somebody nothing any more; what waits for them is dropped. `false` if there is nobody of that number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn remove_recipient(&self, id: RecipientId, at: Timestamp) -> Result<bool> {
        let mut work = self.begin().await?;
        let done = sqlx::query!(
            "update recipient set removed_at = $2 where id = $1 and removed_at is null",
            id.0,
            at.to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        sqlx::query!(
            "update notice set dropped_at = $2
             where recipient_id = $1 and message_id is null and dropped_at is null",
            id.0,
            at.to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        sqlx::query!(
            "update message set given_up_at = $2, fault = 'the recipient was removed'
             where recipient_id = $1 and sent_at is null and given_up_at is null",
            id.0,
            at.to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(done.rows_affected() > 0)
    }
}

/// Where the sealed web address of somebody stands.
pub(super) fn secret_address(recipient: i64) -> Place {
    Place { table: "recipient", column: "secret_address", row: recipient }
}

async fn add_route(work: &mut Work, id: RecipientId, route: &Route) -> Result<()> {
    sqlx::query!(
        "insert into route (recipient_id, rule, device_id, unseen_for_s) values ($1, $2, $3, $4)
         on conflict do nothing",
        id.0,
        route.rule.map(|rule| rule.word()),
        route.device.map(|device| device.0),
        route.unseen_for.as_secs()
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

/// A channel from its stored word.
pub(super) fn channel(stored: &str) -> Result<Channel> {
    Channel::from_word(stored)
        .ok_or_else(|| StoreError::Unknown { what: "channel", value: stored.to_owned() })
}
