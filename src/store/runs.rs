//! What was printed: life counts, widths of media, and runs that people wrote down.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::{Result, Store, StoreError, Work};
use crate::domain::ids::DeviceId;
use crate::domain::run::past::{CountDay, MediaWidth, Printed};
use crate::domain::run::plan::{Media, Metres, SquareMetres};
use crate::domain::standard::CapacityUnit;

/// The life counts of a marker, day by day.
#[derive(Debug, Clone, PartialEq)]
pub struct Counted {
    /// Which marker, by the device's own number.
    pub marker: i32,
    /// What it counts in, as of its last day.
    pub unit: Option<CapacityUnit>,
    /// Its days, earliest first.
    pub days: Vec<CountDay>,
}

/// A run that somebody wrote down.
#[derive(Debug, Clone, PartialEq)]
pub struct PrintedRow {
    /// At which device.
    pub device: DeviceId,
    /// Its name.
    pub device_name: String,
    /// The run.
    pub run: Printed,
    /// Who wrote it down.
    pub who: String,
}

impl Store {
    /// The life counts of devices from a day on.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn life_counts(
        work: &mut Work,
        devices: &[DeviceId],
        from: Date,
    ) -> Result<BTreeMap<DeviceId, Vec<Counted>>> {
        let ids: Vec<i64> = devices.iter().map(|device| device.0).collect();
        let rows = sqlx::query!(
            r#"select device_id as "device_id!", marker_index as "marker_index!", day as "day!", counter_unit,
                      first_count as "first_count!", last_count as "last_count!"
               from marker_day
               where device_id = any($1) and day >= $2 and month >= date_trunc('month', $2::date)::date
               order by device_id, marker_index, day"#,
            &ids,
            from.to_sqlx() as _
        )
        .fetch_all(&mut **work)
        .await?;
        let mut counts: BTreeMap<DeviceId, Vec<Counted>> = BTreeMap::new();
        for row in rows {
            let of_device = counts.entry(DeviceId(row.device_id)).or_default();
            if of_device.last().is_none_or(|counted| counted.marker != row.marker_index) {
                of_device.push(Counted { marker: row.marker_index, unit: None, days: Vec::new() });
            }
            if let Some(counted) = of_device.last_mut() {
                counted.unit = row.counter_unit.map(CapacityUnit::from_number);
                let (first, last) = (row.first_count, row.last_count);
                counted.days.push(CountDay { day: row.day.to_jiff(), first, last });
            }
        }
        Ok(counts)
    }

    /// How wide the media of watched devices are, where that is known.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn media_widths(work: &mut Work) -> Result<BTreeMap<DeviceId, MediaWidth>> {
        let rows = sqlx::query!(
            r#"select device.id, media_width.width_m as "written?",
                      (select max(width_um) from media_input where media_input.device_id = device.id) as told
               from device left join media_width on media_width.device_id = device.id
               where retired_at is null"#
        )
        .fetch_all(&mut **work)
        .await?;
        let width = |written: Option<f64>, told: Option<i64>| {
            let written = written.and_then(Metres::width).map(MediaWidth::Written);
            written.or_else(|| told.and_then(Metres::of_media).map(MediaWidth::Told))
        };
        Ok(rows
            .into_iter()
            .filter_map(|row| Some((DeviceId(row.id), width(row.written, row.told)?)))
            .collect())
    }

    /// Writes down how wide a device's media are; none: what the device tells counts again.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_media_width(
        work: &mut Work,
        device: DeviceId,
        width: Option<Metres>,
        who: &str,
        at: Timestamp,
    ) -> Result<()> {
        sqlx::query!("delete from media_width where device_id = $1", device.0).execute(&mut **work).await?;
        if let Some(width) = width {
            sqlx::query!(
                "insert into media_width (device_id, width_m, who, written_at) values ($1, $2, $3, $4)",
                device.0,
                width.value(),
                who,
                at.to_sqlx()
            )
            .execute(&mut **work)
            .await?;
        }
        Ok(())
    }

    /// Writes a run down.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn add_printed(
        work: &mut Work,
        device: DeviceId,
        run: &Printed,
        who: &str,
        at: Timestamp,
    ) -> Result<i64> {
        let id = sqlx::query_scalar!(
            "insert into printed_run (device_id, day, area_m2, media, what, who, written_at)
             values ($1, $2, $3, $4, $5, $6, $7) returning id",
            device.0,
            run.day.to_sqlx() as _,
            run.area.value(),
            run.media.word(),
            run.what,
            who,
            at.to_sqlx()
        )
        .fetch_one(&mut **work)
        .await?;
        Ok(id)
    }

    /// Runs of watched devices that were written down from a day on, the latest day first, at most so many.
    ///
    /// # Errors
    /// If the store cannot be reached, or holds what is no run.
    pub async fn printed(work: &mut Work, from: Date, most: i64) -> Result<Vec<PrintedRow>> {
        let rows = sqlx::query!(
            "select device_id, name, day, area_m2, media, what, who from printed_run
             join device on device.id = device_id where retired_at is null and day >= $1
             order by day desc, printed_run.id desc limit $2",
            from.to_sqlx(),
            most
        )
        .fetch_all(&mut **work)
        .await?;
        rows.into_iter()
            .map(|row| {
                let unknown = |what, value| StoreError::Unknown { what, value };
                let media = Media::from_word(&row.media);
                let area = SquareMetres::new(row.area_m2);
                Ok(PrintedRow {
                    device: DeviceId(row.device_id),
                    device_name: row.name,
                    run: Printed {
                        day: row.day.to_jiff(),
                        area: area.ok_or_else(|| unknown("area", row.area_m2.to_string()))?,
                        media: media.ok_or_else(|| unknown("medium", row.media))?,
                        what: row.what,
                    },
                    who: row.who,
                })
            })
            .collect()
    }
}
