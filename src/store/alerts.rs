//! Alerts of ours: opened once, cleared once.

use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::{Result, Store, StoreError, Work};
use crate::domain::alert::{Alert, Rule};
use crate::domain::ids::{AlertId, DeviceId, SlotId};
use crate::domain::snapshot::DeviceAlert;
use crate::domain::standard::{AlertCode, AlertGroup, Severity};

/// An alert with its device's name and its slot's colorant and description.
#[derive(Debug, Clone)]
pub struct AlertRow {
    /// The alert.
    pub alert: Alert,
    /// The device's name.
    pub device_name: String,
    /// The slot's label, if the alert is about one.
    pub slot_label: Option<String>,
}

/// A row of a device's own alert table, as it is kept.
pub(super) struct DeviceAlertRow {
    pub(super) device_id: i64,
    pub(super) severity: i32,
    pub(super) training: Option<i32>,
    pub(super) alert_group: i32,
    pub(super) group_index: i32,
    pub(super) location: i32,
    pub(super) code: i32,
    pub(super) description: String,
    pub(super) first_seen_at: jiff_sqlx::Timestamp,
}

impl From<DeviceAlertRow> for DeviceAlert {
    fn from(row: DeviceAlertRow) -> Self {
        Self {
            severity: Severity::from_number(row.severity),
            training: row.training,
            group: AlertGroup::from_number(row.alert_group),
            group_index: row.group_index,
            location: row.location,
            code: AlertCode::from_number(row.code),
            description: row.description,
        }
    }
}

impl Store {
    /// What devices complain of themselves, and since when; of one device or of all.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn standing_alerts(
        &self,
        device: Option<DeviceId>,
    ) -> Result<Vec<(DeviceId, DeviceAlert, Timestamp)>> {
        let rows = sqlx::query_as!(
            DeviceAlertRow,
            "select device_id, severity, training, alert_group, group_index, location, code, description,
                    first_seen_at
             from device_alert where cleared_at is null and ($1::bigint is null or device_id = $1)
             order by device_id, severity, first_seen_at, id",
            device.map(|id| id.0)
        )
        .fetch_all(&self.pool)
        .await?;
        let told = |row: DeviceAlertRow| (DeviceId(row.device_id), row.first_seen_at.to_jiff(), row);
        Ok(rows.into_iter().map(told).map(|(device, since, row)| (device, row.into(), since)).collect())
    }

    /// The slots of a device for which a level alert is open.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn open_slots(work: &mut Work, device: DeviceId) -> Result<BTreeSet<SlotId>> {
        let rows = sqlx::query_scalar!(
            r#"select slot_id as "slot_id!" from alert
               where device_id = $1 and slot_id is not null and cleared_at is null"#,
            device.0
        )
        .fetch_all(&mut **work)
        .await?;
        Ok(rows.into_iter().map(SlotId).collect())
    }

    /// Opens an alert, unless it is open already.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn open_alert(
        work: &mut Work,
        rule: Rule,
        (device, slot): (DeviceId, Option<SlotId>),
        at: Timestamp,
        summary: &str,
    ) -> Result<()> {
        sqlx::query!(
            "insert into alert (rule, device_id, slot_id, opened_at, summary) values ($1, $2, $3, $4, $5)
             on conflict (rule, device_id, coalesce(slot_id, 0)) where cleared_at is null do nothing",
            rule.word(),
            device.0,
            slot.map(|slot| slot.0),
            at.to_sqlx(),
            summary
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Clears an alert, if it is open.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn clear_alert(
        work: &mut Work,
        rule: Rule,
        (device, slot): (DeviceId, Option<SlotId>),
        at: Timestamp,
    ) -> Result<()> {
        sqlx::query!(
            "update alert set cleared_at = $4
             where rule = $1 and device_id = $2 and slot_id is not distinct from $3 and cleared_at is null",
            rule.word(),
            device.0,
            slot.map(|slot| slot.0),
            at.to_sqlx()
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Open or cleared alerts, newest first, at most so many; of one device if it is given.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn alerts(&self, open: bool, device: Option<DeviceId>, limit: i64) -> Result<Vec<AlertRow>> {
        let rows = sqlx::query!(
            r#"select alert.id, rule, alert.device_id, slot_id, opened_at, cleared_at, summary,
                      device.name as device_name, colorant as "colorant?", slot.description as "description?",
                      class as "class?", kind as "kind?", supply_index as "supply_index?"
               from alert join device on device.id = alert.device_id left join slot on slot.id = slot_id
               where (cleared_at is null) = $1 and ($2::bigint is null or alert.device_id = $2)
               order by coalesce(cleared_at, opened_at) desc, alert.id desc limit $3"#,
            open,
            device.map(|id| id.0),
            limit
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                let rule = Rule::from_word(&row.rule)
                    .ok_or_else(|| StoreError::Unknown { what: "rule", value: row.rule.clone() })?;
                let slot_label = row.slot_id.map(|id| {
                    super::history::slot(
                        id,
                        row.device_id,
                        row.supply_index.unwrap_or_default(),
                        (row.class.unwrap_or_default(), row.kind.unwrap_or_default()),
                        row.colorant,
                        row.description.unwrap_or_default(),
                    )
                    .label()
                });
                Ok(AlertRow {
                    alert: Alert {
                        id: AlertId(row.id),
                        rule,
                        device: DeviceId(row.device_id),
                        slot: row.slot_id.map(SlotId),
                        opened_at: row.opened_at.to_jiff(),
                        cleared_at: row.cleared_at.map(|at| at.to_jiff()),
                        summary: row.summary,
                    },
                    device_name: row.device_name,
                    slot_label,
                })
            })
            .collect()
    }

    /// How many alerts are open at each device that has any.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn open_alert_counts(&self) -> Result<std::collections::BTreeMap<DeviceId, usize>> {
        let rows = sqlx::query!(
            r#"select device_id, count(*) as "count!" from alert join device on device.id = device_id
               where cleared_at is null and retired_at is null group by device_id"#
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| (DeviceId(row.device_id), usize::try_from(row.count).unwrap_or(0)))
            .collect())
    }
}
