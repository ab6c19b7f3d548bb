//! What machines last reported of the air around them.

use std::collections::BTreeMap;

use jiff_sqlx::ToSqlx;

use super::{Result, Store, Work};
use crate::domain::climate::{Climate, Report};
use crate::domain::ids::DeviceId;

impl Store {
    /// Keeps a device's report, unless it is no longer watched or a later one is there already.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_climate(work: &mut Work, device: DeviceId, report: &Report) -> Result<()> {
        sqlx::query!(
            "insert into device_climate as kept (device_id, at, celsius, humidity_percent)
             select id, $2, $3, $4 from device where id = $1 and retired_at is null
             on conflict (device_id) do update set at = excluded.at, celsius = excluded.celsius,
                 humidity_percent = excluded.humidity_percent
             where kept.at < excluded.at",
            device.0,
            report.at.to_sqlx() as _,
            report.climate.celsius,
            report.climate.humidity_percent
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// The last report of one device or of all that are watched; who reports nothing is not among them.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn climates(&self, device: Option<DeviceId>) -> Result<BTreeMap<DeviceId, Report>> {
        let rows = sqlx::query!(
            "select device_id, at, celsius, humidity_percent
             from device_climate join device on device.id = device_id
             where retired_at is null and ($1::bigint is null or device_id = $1)",
            device.map(|id| id.0)
        )
        .fetch_all(&self.pool)
        .await?;
        let report = |at: jiff_sqlx::Timestamp, climate| Report { at: at.to_jiff(), climate };
        let climate = |celsius, humidity_percent| Climate { celsius, humidity_percent };
        Ok(rows
            .into_iter()
            .map(|row| (DeviceId(row.device_id), report(row.at, climate(row.celsius, row.humidity_percent))))
            .collect())
    }
}
