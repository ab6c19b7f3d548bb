//! Alerts of ours as they are read and answered, and what devices complain of themselves.

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::alert_life::{grade, rule, subject};
use super::{Result, Store, Work};
use crate::domain::alert::{Alert, Seen};
use crate::domain::ids::{AlertId, DeviceId};
use crate::domain::snapshot::DeviceAlert;
use crate::domain::standard::{AlertCode, AlertGroup, Severity};

/// An alert with the names that it needs to be read.
#[derive(Debug, Clone)]
pub struct AlertRow {
    /// The alert.
    pub alert: Alert,
    /// The device's name, if the alert is about one.
    pub device_name: Option<String>,
    /// The slot's label, if the alert is about one.
    pub slot_label: Option<String>,
    /// The part's number, if the alert is about one.
    pub part_number: Option<String>,
}

/// Which alerts are wanted, newest first.
#[derive(Debug, Clone, Copy, Default)]
pub struct WantedAlerts<'a> {
    /// Open ones; else cleared ones; both, if it is not said.
    pub open: Option<bool>,
    /// Of one device.
    pub device: Option<DeviceId>,
    /// These, whatever else is said.
    pub ids: Option<&'a [AlertId]>,
    /// Without the names of what they are about, which take longest to find.
    pub nameless: bool,
    /// How many are passed over.
    pub offset: i64,
    /// At most so many.
    pub limit: i64,
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
    pub(super) cleared_at: Option<jiff_sqlx::Timestamp>,
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
                    first_seen_at, cleared_at
             from device_alert where cleared_at is null and ($1::bigint is null or device_id = $1)
             order by device_id, severity, first_seen_at, id",
            device.map(|id| id.0)
        )
        .fetch_all(&self.pool)
        .await?;
        let told = |row: DeviceAlertRow| (DeviceId(row.device_id), row.first_seen_at.to_jiff(), row);
        Ok(rows.into_iter().map(told).map(|(device, since, row)| (device, row.into(), since)).collect())
    }

    /// Open or cleared alerts, newest first, at most so many; of one device if it is given.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn alerts(&self, open: bool, device: Option<DeviceId>, limit: i64) -> Result<Vec<AlertRow>> {
        self.wanted_alerts(WantedAlerts { open: Some(open), device, limit, ..WantedAlerts::default() }).await
    }

    /// Alerts with their names.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn wanted_alerts(&self, wanted: WantedAlerts<'_>) -> Result<Vec<AlertRow>> {
        wanted_alerts(&self.pool, wanted).await
    }

    /// The same within a transaction, locked against other answers if it is one alone.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn alert_to_answer(work: &mut Work, id: AlertId) -> Result<Option<AlertRow>> {
        sqlx::query_scalar!("select id from alert where id = $1 for update", id.0)
            .fetch_optional(&mut **work)
            .await?;
        let wanted = WantedAlerts { ids: Some(&[id]), limit: 1, ..WantedAlerts::default() };
        Ok(wanted_alerts(&mut **work, wanted).await?.pop())
    }

    /// Writes down that somebody has seen an alert; whoever was first stays.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn mark_seen(work: &mut Work, id: AlertId, at: Timestamp, who: &str, note: &str) -> Result<()> {
        sqlx::query!(
            "update alert set seen_at = coalesce(seen_at, $2), seen_by = coalesce(seen_by, $3),
                 note = case when $4 = '' then note else $4 end
             where id = $1",
            id.0,
            at.to_sqlx() as _,
            who,
            note
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Writes down until when an alert is put off.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn snooze(work: &mut Work, id: AlertId, until: Timestamp) -> Result<()> {
        sqlx::query!("update alert set snoozed_until = $2 where id = $1", id.0, until.to_sqlx())
            .execute(&mut **work)
            .await?;
        Ok(())
    }

    /// How many alerts are open at each device that has any.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn open_alert_counts(&self) -> Result<std::collections::BTreeMap<DeviceId, usize>> {
        let rows = sqlx::query!(
            r#"select device_id as "device_id!", count(*) as "count!" from alert join device on device.id = device_id
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

/// Each way to ask is a branch of its own, which is not run where something else is asked: one condition for all of them
/// would have every alert of a large room read. Slots are looked up one by one for the same reason.
async fn wanted_alerts(
    executor: impl sqlx::PgExecutor<'_>,
    wanted: WantedAlerts<'_>,
) -> Result<Vec<AlertRow>> {
    let ids: Option<Vec<i64>> = wanted.ids.map(|ids| ids.iter().map(|id| id.0).collect());
    let rows = sqlx::query!(
        r#"select alert.id as "id!", rule as "rule!", alert.device_id, slot_id, alert.part_id, head_place,
                  severity as "severity!", opened_at as "opened_at!", cleared_at, summary as "summary!",
                  folded as "folded!", told_at, alert.seen_at, seen_by, note as "note!", snoozed_until,
                  device.name as "device_name?", colorant as "colorant?", slot.description as "description?",
                  class as "class?", slot.kind as "kind?", supply_index as "supply_index?",
                  part.number as "part_number?"
           from (
               select * from alert where id = any($3::bigint[])
               union all
               select * from alert
               where $3 is null and device_id = $2::bigint and ($1::boolean is null or (cleared_at is null) = $1)
               union all
               select * from alert where $3 is null and $2 is null and $1 and cleared_at is null
               union all
               (select * from alert where $3 is null and $2 is null and not $1 and cleared_at is not null
                order by cleared_at desc, id desc limit least($4::bigint, 1000000) + $5::bigint)
               union all
               (select * from alert where $3 is null and $2 is null and $1 is null
                order by coalesce(cleared_at, opened_at) desc, id desc limit least($4, 1000000) + $5)
           ) alert
           left join lateral (
               select name from device where not $6::boolean and device.id = alert.device_id offset 0
           ) device on true
           left join lateral (
               select colorant, description, class, kind, supply_index from slot where not $6 and slot.id = alert.slot_id offset 0
           ) slot on true
           left join part on part.id = alert.part_id
           order by coalesce(cleared_at, opened_at) desc, alert.id desc limit $4 offset $5"#,
        wanted.open,
        wanted.device.map(|id| id.0),
        ids.as_deref(),
        wanted.limit,
        wanted.offset,
        wanted.nameless
    )
    .fetch_all(executor)
    .await?;
    rows.into_iter()
        .map(|row| {
            let (class, kind) = (row.class.unwrap_or_default(), row.kind.unwrap_or_default());
            let (index, about) = (row.supply_index.unwrap_or_default(), row.description.unwrap_or_default());
            let slot_label = row.slot_id.zip(row.device_id).map(|(id, device)| {
                super::history::slot(id, device, index, (class, kind), row.colorant, about).label()
            });
            let seen = row.seen_at.zip(row.seen_by).map(|(at, by)| Seen { at: at.to_jiff(), by });
            Ok(AlertRow {
                alert: Alert {
                    id: AlertId(row.id),
                    rule: rule(&row.rule)?,
                    grade: grade(&row.severity)?,
                    subject: subject(row.device_id, row.slot_id, row.part_id, row.head_place)?,
                    opened_at: row.opened_at.to_jiff(),
                    cleared_at: row.cleared_at.map(|at| at.to_jiff()),
                    summary: row.summary,
                    folded: row.folded,
                    told_at: row.told_at.map(|at| at.to_jiff()),
                    seen,
                    note: row.note,
                    snoozed_until: row.snoozed_until.map(|at| at.to_jiff()),
                },
                device_name: row.device_name,
                slot_label,
                part_number: row.part_number,
            })
        })
        .collect()
}
