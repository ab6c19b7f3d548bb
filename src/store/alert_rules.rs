//! What somebody changed about the alert rules, and the facts that rules go by which are kept nowhere else.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;

use super::alert_life::{grade, rule};
use super::{Result, Store, StoreError, Work};
use crate::domain::alert::ruleset::{Patch, Scope};
use crate::domain::ids::{DeviceId, SlotId};

/// A change to a rule, with who made it.
#[derive(Debug, Clone)]
pub struct PatchRow {
    /// The change.
    pub patch: Patch,
    /// When it was made.
    pub changed_at: Timestamp,
    /// Who made it.
    pub changed_by: String,
}

/// A device, as far as rules go by what no other page shows.
#[derive(Debug, Clone)]
pub struct WatchedRow {
    /// Its site's number.
    pub site: i64,
    /// The last poll; when it was added, if it was never polled.
    pub last_poll_at: Timestamp,
}

/// The stored columns of a change.
struct Row {
    rule: String,
    scope: String,
    site_id: Option<i64>,
    model: Option<String>,
    device_id: Option<i64>,
    slot_id: Option<i64>,
    is_on: Option<bool>,
    severity: Option<String>,
    open_at: Option<f64>,
    clear_at: Option<f64>,
    lasting_s: Option<i64>,
}

impl Row {
    fn patch(self) -> Result<Patch> {
        let scope = match (self.scope.as_str(), self.site_id, self.model, self.device_id, self.slot_id) {
            ("everywhere", ..) => Scope::Everywhere,
            (_, Some(site), ..) => Scope::Site(site),
            (_, _, Some(model), ..) => Scope::Model(model),
            (_, _, _, Some(device), _) => Scope::Device(DeviceId(device)),
            (_, _, _, _, Some(slot)) => Scope::Slot(SlotId(slot)),
            _ => return Err(StoreError::Unknown { what: "scope of a rule", value: self.scope }),
        };
        Ok(Patch {
            rule: rule(&self.rule)?,
            scope,
            on: self.is_on,
            grade: self.severity.as_deref().map(grade).transpose()?,
            marks: self.open_at.zip(self.clear_at),
            lasting: self.lasting_s.map(SignedDuration::from_secs),
        })
    }
}

/// The columns of a scope: site, model, device, slot.
fn columns(scope: &Scope) -> (Option<i64>, Option<&str>, Option<i64>, Option<i64>) {
    match scope {
        Scope::Everywhere => (None, None, None, None),
        Scope::Site(site) => (Some(*site), None, None, None),
        Scope::Model(model) => (None, Some(model), None, None),
        Scope::Device(device) => (None, None, Some(device.0), None),
        Scope::Slot(slot) => (None, None, None, Some(slot.0)),
    }
}

impl Store {
    /// Every change to a rule.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn rule_patches(&self) -> Result<Vec<PatchRow>> {
        let rows = sqlx::query!(
            "select rule, scope, site_id, model, device_id, slot_id, is_on, severity, open_at, clear_at, lasting_s,
                    changed_at, changed_by
             from alert_rule order by id"
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                let (changed_at, changed_by) = (row.changed_at.to_jiff(), row.changed_by);
                let patch = Row {
                    rule: row.rule,
                    scope: row.scope,
                    site_id: row.site_id,
                    model: row.model,
                    device_id: row.device_id,
                    slot_id: row.slot_id,
                    is_on: row.is_on,
                    severity: row.severity,
                    open_at: row.open_at,
                    clear_at: row.clear_at,
                    lasting_s: row.lasting_s,
                };
                Ok(PatchRow { patch: patch.patch()?, changed_at, changed_by })
            })
            .collect()
    }

    /// The changes that may hold at a device, within a transaction.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn rule_patches_at(
        work: &mut Work,
        device: DeviceId,
    ) -> Result<(i64, Option<String>, Vec<Patch>)> {
        let rows = sqlx::query!(
            r#"select device.site_id as site, device.model as model_told, rule as "rule?", scope as "scope?",
                      alert_rule.site_id as "site_id?", alert_rule.model as "model?", device_id as "device_id?",
                      slot_id as "slot_id?", is_on as "is_on?", severity as "severity?", open_at as "open_at?",
                      clear_at as "clear_at?", lasting_s as "lasting_s?"
               from device left join alert_rule on scope = 'everywhere' or alert_rule.site_id = device.site_id
                    or alert_rule.model = device.model or device_id = device.id
                    or slot_id in (select id from slot where slot.device_id = device.id)
               where device.id = $1"#,
            device.0
        )
        .fetch_all(&mut **work)
        .await?;
        let (mut site, mut model, mut patches) = (0, None, Vec::new());
        for row in rows {
            (site, model) = (row.site, row.model_told);
            let (Some(rule), Some(scope)) = (row.rule, row.scope) else { continue };
            let row = Row {
                rule,
                scope,
                site_id: row.site_id,
                model: row.model,
                device_id: row.device_id,
                slot_id: row.slot_id,
                is_on: row.is_on,
                severity: row.severity,
                open_at: row.open_at,
                clear_at: row.clear_at,
                lasting_s: row.lasting_s,
            };
            patches.push(row.patch()?);
        }
        Ok((site, model, patches))
    }

    /// Writes a change to a rule down, in place of the one for the same scope.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_patch(&self, patch: &Patch, at: Timestamp, who: &str) -> Result<()> {
        let (site, model, device, slot) = columns(&patch.scope);
        let mut work = self.begin().await?;
        sqlx::query!(
            "insert into alert_rule (rule, scope, site_id, model, device_id, slot_id, is_on, severity, open_at,
                                     clear_at, lasting_s, changed_at, changed_by)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)
             on conflict (rule, scope, coalesce(site_id, 0), coalesce(model, ''), coalesce(device_id, 0),
                          coalesce(slot_id, 0))
             do update set is_on = excluded.is_on, severity = excluded.severity, open_at = excluded.open_at,
                 clear_at = excluded.clear_at, lasting_s = excluded.lasting_s, changed_at = excluded.changed_at,
                 changed_by = excluded.changed_by",
            patch.rule.word(),
            patch.scope.word(),
            site,
            model,
            device,
            slot,
            patch.on,
            patch.grade.map(|grade| grade.word()),
            patch.marks.map(|(open_at, _)| open_at),
            patch.marks.map(|(_, clear_at)| clear_at),
            patch.lasting.map(|lasting| lasting.as_secs()),
            at.to_sqlx(),
            who
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(())
    }

    /// Forgets a change to a rule.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn drop_patch(&self, rule: crate::domain::alert::Rule, scope: &Scope) -> Result<()> {
        let (site, model, device, slot) = columns(scope);
        let mut work = self.begin().await?;
        sqlx::query!(
            "delete from alert_rule where rule = $1 and scope = $2 and site_id is not distinct from $3
             and model is not distinct from $4 and device_id is not distinct from $5
             and slot_id is not distinct from $6",
            rule.word(),
            scope.word(),
            site,
            model,
            device,
            slot
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(())
    }

    /// Sites and last polls of the devices that are watched.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn watched(&self) -> Result<BTreeMap<DeviceId, WatchedRow>> {
        let rows = sqlx::query!(
            r#"select id, site_id, coalesce(last_poll_at, added_at) as "last_poll_at!"
               from device where retired_at is null"#
        )
        .fetch_all(&self.pool)
        .await?;
        let watched = |site, at: jiff_sqlx::Timestamp| WatchedRow { site, last_poll_at: at.to_jiff() };
        Ok(rows.into_iter().map(|row| (DeviceId(row.id), watched(row.site_id, row.last_poll_at))).collect())
    }

    /// When each supply last stood in an answer, and what went from it on the days from `from` up to the one
    /// before `until`, in all.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn recent_use(&self, from: Date, until: Date) -> Result<BTreeMap<SlotId, (Timestamp, f64)>> {
        let rows = sqlx::query!(
            r#"select slot.id, seen_at,
                      coalesce((select sum(used) from ledger_day
                                where slot_id = slot.id and day >= $1 and day < $2
                                  and month >= date_trunc('month', $1::date)::date and month < $2), 0) as "used!"
               from slot join device on device.id = device_id where retired_at is null"#,
            from.to_sqlx() as _,
            until.to_sqlx() as _
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(|row| (SlotId(row.id), (row.seen_at.to_jiff(), row.used))).collect())
    }
}
