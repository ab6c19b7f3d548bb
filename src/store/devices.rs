//! Sites and devices: who is watched, where, and how they do.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::credentials::CredentialRow;
use super::{Result, Store, StoreError, Work, breaches};
use crate::domain::ids::DeviceId;
use crate::domain::snapshot::{Marker, MediaInput};
use crate::domain::standard::{CapacityUnit, DetectedErrors, DeviceStatus, InputType, PrinterStatus};

/// A device to be watched.
#[derive(Debug, Clone)]
pub struct NewDevice {
    /// What the print room calls it.
    pub name: String,
    /// Host name or address.
    pub host: String,
    /// UDP port.
    pub port: u16,
    /// Whom its ink is charged to.
    pub cost_centre: Option<String>,
    /// Seconds between polls.
    pub poll_every_s: u32,
}

/// A device as the poller sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PollTarget {
    /// Its identity.
    pub id: DeviceId,
    /// What the print room calls it.
    pub name: String,
    /// Host name or address.
    pub host: String,
    /// UDP port.
    pub port: u16,
    /// Seconds between polls.
    pub poll_every_s: u32,
    /// The last poll.
    pub last_poll_at: Option<Timestamp>,
    /// Polls failed since the last answer.
    pub failures: u32,
}

/// A device as it is known.
#[derive(Debug, Clone)]
pub struct DeviceRow {
    /// Its identity.
    pub id: DeviceId,
    /// What the print room calls it.
    pub name: String,
    /// Host name or address.
    pub host: String,
    /// UDP port.
    pub port: u16,
    /// The SNMP version it is asked with.
    pub snmp: String,
    /// Whom its ink is charged to.
    pub cost_centre: Option<String>,
    /// Seconds between polls.
    pub poll_every_s: u32,
    /// When it was added.
    pub added_at: Timestamp,
    /// When it ceased to be watched.
    pub retired_at: Option<Timestamp>,
    /// When it first answered.
    pub first_answer_at: Option<Timestamp>,
    /// When it last answered.
    pub last_answer_at: Option<Timestamp>,
    /// Why the last poll failed, if it did.
    pub fault: Option<String>,
    /// What kind of machine it says it is.
    pub model: Option<String>,
    /// Where it says it stands.
    pub location: Option<String>,
    /// Its serial number.
    pub serial: Option<String>,
    /// `hrDeviceStatus`.
    pub device_status: Option<DeviceStatus>,
    /// `hrPrinterStatus`.
    pub printer_status: Option<PrinterStatus>,
    /// `hrPrinterDetectedErrorState`.
    pub errors: DetectedErrors,
    /// When its agent started.
    pub up_since: Option<Timestamp>,
}

impl Store {
    /// The site of that name, made if need be, with its zone set. Returns its number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_site(&self, name: &str, time_zone: &str) -> Result<i64> {
        Ok(sqlx::query_scalar!(
            "insert into site (name, time_zone) values ($1, $2)
             on conflict (name) do update set time_zone = excluded.time_zone
             returning id",
            name,
            time_zone
        )
        .fetch_one(&self.pool)
        .await?)
    }

    /// The zone of the site of that name, if it is known.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn site_zone(&self, name: &str) -> Result<Option<String>> {
        let zone = sqlx::query_scalar!("select time_zone from site where name = $1", name);
        Ok(zone.fetch_optional(&self.pool).await?)
    }

    /// Adds a device to be watched, with the credential it is asked with.
    ///
    /// # Errors
    /// [`StoreError::Taken`] if its name or its address is in use.
    pub async fn add_device(
        &self,
        site: i64,
        credential: &CredentialRow,
        device: &NewDevice,
        at: Timestamp,
    ) -> Result<DeviceId> {
        let mut work = self.begin().await?;
        let credential = self.keep_credential(&mut work, credential).await?;
        let id = Self::insert_device(&mut work, site, credential, device, at).await?;
        work.commit().await?;
        Ok(id)
    }

    /// Adds a device that is asked with a kept credential.
    ///
    /// # Errors
    /// [`StoreError::Taken`] if its name or its address is in use.
    pub async fn insert_device(
        work: &mut Work,
        site: i64,
        credential: i64,
        device: &NewDevice,
        at: Timestamp,
    ) -> Result<DeviceId> {
        let inserted = sqlx::query_scalar!(
            "insert into device (site_id, credential_id, name, host, port, cost_centre, poll_every_s, added_at)
             values ($1, $2, $3, $4, $5, $6, $7, $8) returning id",
            site,
            credential,
            device.name,
            device.host,
            i32::from(device.port),
            device.cost_centre,
            i32::try_from(device.poll_every_s).unwrap_or(i32::MAX),
            at.to_sqlx(),
        )
        .fetch_one(&mut **work)
        .await;
        inserted.map(DeviceId).map_err(|error| taken(error, device))
    }

    /// Changes what people decide of a device; the poller goes by it within seconds. `false` if no device of
    /// that number is watched.
    ///
    /// # Errors
    /// [`StoreError::Taken`] if another device has its name or its address.
    pub async fn change_device(
        work: &mut Work,
        id: DeviceId,
        device: &NewDevice,
        credential: i64,
    ) -> Result<bool> {
        let done = sqlx::query!(
            "update device set name = $2, host = $3, port = $4, cost_centre = $5, poll_every_s = $6,
                    credential_id = $7
             where id = $1 and retired_at is null",
            id.0,
            device.name,
            device.host,
            i32::from(device.port),
            device.cost_centre,
            i32::try_from(device.poll_every_s).unwrap_or(i32::MAX),
            credential
        )
        .execute(&mut **work)
        .await
        .map_err(|error| taken(error, device))?;
        Ok(done.rows_affected() > 0)
    }

    /// The name and number of the credential that each watched device is asked with.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn asked_with(&self) -> Result<BTreeMap<DeviceId, (i64, String)>> {
        let rows = sqlx::query!(
            "select device.id, credential_id, credential.name
             from device join credential on credential.id = credential_id where retired_at is null"
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(|row| (DeviceId(row.id), (row.credential_id, row.name))).collect())
    }

    /// Points a device at another address, as a demo does at every start.
    ///
    /// # Errors
    /// If the store cannot be reached or the address is taken.
    pub async fn move_device(&self, device: DeviceId, host: &str, port: u16) -> Result<()> {
        let mut work = self.begin().await?;
        sqlx::query!("update device set host = $2, port = $3 where id = $1", device.0, host, i32::from(port))
            .execute(&mut *work)
            .await?;
        work.commit().await?;
        Ok(())
    }

    /// Stops watching a device; what it said is kept. `false` if no watched device has that name.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn retire_device(&self, name: &str, at: Timestamp) -> Result<bool> {
        let mut work = self.begin().await?;
        let done = sqlx::query!(
            "update device set retired_at = $2, name = name || ' (retired ' || id || ')',
                               host = host || ' (retired ' || id || ')'
             where name = $1 and retired_at is null",
            name,
            at.to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(done.rows_affected() > 0)
    }

    /// The devices that are watched, by name, as the poller sees them.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn poll_targets(&self) -> Result<Vec<PollTarget>> {
        let rows = sqlx::query!(
            "select id, name, host, port, poll_every_s, last_poll_at, failures
             from device where retired_at is null order by name"
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| PollTarget {
                id: DeviceId(row.id),
                name: row.name,
                host: row.host,
                port: u16::try_from(row.port).unwrap_or(161),
                poll_every_s: u32::try_from(row.poll_every_s).unwrap_or(900),
                last_poll_at: row.last_poll_at.map(|at| at.to_jiff()),
                failures: u32::try_from(row.failures).unwrap_or(0),
            })
            .collect())
    }

    /// The devices that are watched, by name; only `id` if it is given.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn devices(&self, id: Option<DeviceId>) -> Result<Vec<DeviceRow>> {
        self.devices_since(id, None).await
    }

    /// The devices that are watched, and those that still were at a moment in the past.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn devices_at(&self, at: Timestamp) -> Result<Vec<DeviceRow>> {
        self.devices_since(None, Some(at)).await
    }

    async fn devices_since(
        &self,
        id: Option<DeviceId>,
        retired_after: Option<Timestamp>,
    ) -> Result<Vec<DeviceRow>> {
        let rows = sqlx::query!(
            "select device.id, device.name, host, port, version, cost_centre, poll_every_s, added_at,
                    retired_at,
                    first_answer_at, last_answer_at, fault, model, location, serial, device_status, printer_status, detected_errors, up_since
             from device join credential on credential.id = credential_id
             where (retired_at is null or retired_at > $2) and ($1::bigint is null or device.id = $1)
             order by device.name",
            id.map(|id| id.0),
            retired_after.map(ToSqlx::to_sqlx) as _
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| DeviceRow {
                id: DeviceId(row.id),
                name: row.name,
                host: row.host,
                port: u16::try_from(row.port).unwrap_or(161),
                snmp: row.version,
                cost_centre: row.cost_centre,
                poll_every_s: u32::try_from(row.poll_every_s).unwrap_or(900),
                added_at: row.added_at.to_jiff(),
                retired_at: row.retired_at.map(|at| at.to_jiff()),
                first_answer_at: row.first_answer_at.map(|at| at.to_jiff()),
                last_answer_at: row.last_answer_at.map(|at| at.to_jiff()),
                fault: row.fault,
                model: row.model,
                location: row.location,
                serial: row.serial,
                device_status: row.device_status.map(DeviceStatus::from_number),
                printer_status: row.printer_status.map(PrinterStatus::from_number),
                errors: DetectedErrors(u16::try_from(row.detected_errors).unwrap_or(0)),
                up_since: row.up_since.map(|at| at.to_jiff()),
            })
            .collect())
    }

    /// Media loaded, as of the last answer.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn media(&self, device: DeviceId) -> Result<Vec<MediaInput>> {
        let rows =
            sqlx::query!("select * from media_input where device_id = $1 order by input_index", device.0)
                .fetch_all(&self.pool)
                .await?;
        Ok(rows
            .into_iter()
            .map(|row| MediaInput {
                index: row.input_index,
                kind: row.kind.map(InputType::from_number),
                name: row.name,
                media: row.media,
                width_um: row.width_um,
                unit: row.unit.map(CapacityUnit::from_number),
                max_capacity: row.max_capacity,
                level: row.level,
            })
            .collect())
    }

    /// Life counts, as of the last answer.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn markers(&self, device: DeviceId) -> Result<Vec<Marker>> {
        let rows = sqlx::query!("select * from marker where device_id = $1 order by marker_index", device.0)
            .fetch_all(&self.pool)
            .await?;
        let count = |count: Option<i64>| count.and_then(|count| u32::try_from(count).ok());
        Ok(rows
            .into_iter()
            .map(|row| Marker {
                index: row.marker_index,
                technology: row.technology,
                counter_unit: row.counter_unit.map(CapacityUnit::from_number),
                life_count: count(row.life_count),
                power_on_count: count(row.power_on_count),
            })
            .collect())
    }
}

fn taken(error: sqlx::Error, device: &NewDevice) -> StoreError {
    if breaches(&error, "device_name_key") {
        return StoreError::Taken(format!(
            "a device named '{}' is already watched; choose another name",
            device.name
        ));
    }
    if breaches(&error, "device_host_port_key") {
        return StoreError::Taken(format!(
            "{}:{} is already watched; the list of devices says under which name",
            device.host, device.port
        ));
    }
    error.into()
}
