//! Who polls which device, where several processes share one database. All times are the database's own.

use std::time::Duration;

use super::{Result, Store, Work};
use crate::domain::ids::{DeviceId, RunId};

/// A process that polls, as it says of itself.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct NewPoller {
    /// What it is called.
    pub name: String,
    /// The sites whose devices it polls; all if there are none.
    pub sites: Vec<String>,
    /// The ranges of addresses that it polls in; all if there are none.
    pub networks: Vec<String>,
}

/// A process that polls and is at work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PollerRow {
    /// Its run.
    pub run: RunId,
    /// What it says of itself.
    pub says: NewPoller,
}

/// A device that is watched, where it is, and who has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeaseRow {
    /// Which.
    pub device: DeviceId,
    /// The name of its site.
    pub site: String,
    /// Its host name or address.
    pub host: String,
    /// Whose it is, if the lease has not run out.
    pub holder: Option<RunId>,
}

impl Store {
    /// Writes a process down that polls, as one more run. With `alone` all others are struck off with their leases: for
    /// a database that only one process can have.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn begin_polling(&self, poller: &NewPoller, length: Duration, alone: bool) -> Result<RunId> {
        let mut work = self.begin().await?;
        // The runs of yesterday are over, whoever they were.
        sqlx::query!("delete from poller where $1 or until < clock_timestamp() - interval '1 day'", alone)
            .execute(&mut *work)
            .await?;
        let run = sqlx::query_scalar!(
            "insert into poller (name, sites, networks, until)
             values ($1, $2, $3, clock_timestamp() + make_interval(secs => $4)) returning id",
            poller.name,
            &poller.sites,
            &poller.networks,
            length.as_secs_f64()
        )
        .fetch_one(&mut *work)
        .await?;
        work.commit().await?;
        Ok(RunId(run))
    }

    /// Strikes a run off and gives its leases back at once.
    ///
    /// # Errors
    /// If the store cannot be reached; the leases then run out.
    pub async fn end_polling(&self, run: RunId) -> Result<()> {
        sqlx::query!("delete from poller where id = $1", run.0).execute(&self.pool).await?;
        Ok(())
    }

    /// Renews all leases of a run that nobody has taken. Returns their devices; `None` if the run was struck off.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn renew_leases(&self, run: RunId, length: Duration) -> Result<Option<Vec<DeviceId>>> {
        let row = sqlx::query!(
            r#"with moment as (select clock_timestamp() + make_interval(secs => $2) as until),
                    alive as (update poller set until = moment.until from moment where id = $1 returning id),
                    kept as (update device_lease set until = moment.until from moment, alive
                             where poller_id = alive.id returning device_id)
               select exists (select from alive) as "alive!",
                      (select coalesce(array_agg(device_id), '{}') from kept) as "devices!""#,
            run.0,
            length.as_secs_f64()
        )
        .fetch_one(&self.pool)
        .await?;
        Ok(row.alive.then(|| row.devices.into_iter().map(DeviceId).collect()))
    }

    /// The runs that are at work, the longest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn pollers(&self) -> Result<Vec<PollerRow>> {
        let rows = sqlx::query!(
            "select id, name, sites, networks from poller where until > clock_timestamp() order by id"
        )
        .fetch_all(&self.pool)
        .await?;
        let says = |name, sites, networks| NewPoller { name, sites, networks };
        Ok(rows
            .into_iter()
            .map(|row| PollerRow { run: RunId(row.id), says: says(row.name, row.sites, row.networks) })
            .collect())
    }

    /// The devices that are watched, and who has them.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn leases(&self) -> Result<Vec<LeaseRow>> {
        let rows = sqlx::query!(
            r#"select device.id, site.name as site, host, lease.poller_id as "holder?"
               from device join site on site.id = site_id
               left join device_lease lease on lease.device_id = device.id and lease.until > clock_timestamp()
               where retired_at is null order by device.id"#
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| LeaseRow {
                device: DeviceId(row.id),
                site: row.site,
                host: row.host,
                holder: row.holder.map(RunId),
            })
            .collect())
    }

    /// Takes leases that have run out or that nobody has had, for a run. Those that somebody else is just taking, or
    /// under which a poll is just being kept, are passed over. Returns those that it got.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn take_leases(
        &self,
        run: RunId,
        devices: &[DeviceId],
        length: Duration,
    ) -> Result<Vec<DeviceId>> {
        let devices: Vec<i64> = devices.iter().map(|device| device.0).collect();
        let got = sqlx::query_scalar!(
            r#"with moment as (select clock_timestamp() + make_interval(secs => $3) as until),
                    free as (select device_id from device_lease
                             where device_id = any($2) and until <= clock_timestamp()
                             order by device_id for update skip locked),
                    taken as (update device_lease lease set poller_id = $1, until = moment.until
                              from free, moment where lease.device_id = free.device_id returning lease.device_id),
                    fresh as (insert into device_lease (device_id, poller_id, until)
                              select id, $1, moment.until from device, moment
                              where id = any($2) and retired_at is null
                                and not exists (select from device_lease where device_id = device.id)
                              on conflict do nothing returning device_id)
               select device_id as "device_id!" from taken union all select device_id from fresh"#,
            run.0,
            &devices,
            length.as_secs_f64()
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(got.into_iter().map(DeviceId).collect())
    }

    /// Gives leases of a run back.
    ///
    /// # Errors
    /// If the store cannot be reached; they then run out.
    pub async fn let_go_leases(&self, run: RunId, devices: &[DeviceId]) -> Result<()> {
        let devices: Vec<i64> = devices.iter().map(|device| device.0).collect();
        sqlx::query!(
            "delete from device_lease where poller_id = $1 and device_id = any($2)",
            run.0,
            &devices
        )
        .execute(&self.pool)
        .await?;
        Ok(())
    }

    /// The run that has a device now.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn holder_of(&self, device: DeviceId) -> Result<Option<RunId>> {
        let holder = sqlx::query_scalar!(
            "select poller_id from device_lease where device_id = $1 and until > clock_timestamp()",
            device.0
        );
        Ok(holder.fetch_optional(&self.pool).await?.map(RunId))
    }

    /// Whether nobody has taken a device from a run, which stays so to the end of the transaction. That its lease has
    /// run out does no harm as long as nobody else has polled.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn still_has(work: &mut Work, run: RunId, device: DeviceId) -> Result<bool> {
        // Renewing goes on beside this lock; taking waits for its end, or looks elsewhere.
        let row = sqlx::query_scalar!(
            "select device_id from device_lease where device_id = $1 and poller_id = $2 for key share",
            device.0,
            run.0
        );
        Ok(row.fetch_optional(&mut **work).await?.is_some())
    }

    /// The turn to do something that only one process does at a time; `None` if another is at it. It ends with the
    /// transaction that it is, also when this process is killed.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn turn_at(&self, what: &str) -> Result<Option<Work>> {
        let mut work = self.begin().await?;
        Ok(Self::has_turn(&mut work, what).await?.then_some(work))
    }

    /// The same for a transaction that is under way.
    pub(super) async fn has_turn(work: &mut Work, what: &str) -> Result<bool> {
        let turn = sqlx::query_scalar!(
            r#"select pg_try_advisory_xact_lock(hashtextextended('ullage ' || $1, 0)) as "turn!""#,
            what
        );
        Ok(turn.fetch_one(&mut **work).await?)
    }
}
