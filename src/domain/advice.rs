//! Outlooks and device states to dated tasks: what to order, what to swap, what to check, and why.
//!
//! Plan first, act later: this only says; ordering and swapping are done by people.

pub mod ask;
mod care;
mod order;
mod shelf;
mod swap;
#[cfg(test)]
mod tests;
mod words;

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};

use self::care::{climate_task, error_task, silence_task, unit_task, unused_task, warranty_task};
use self::order::{order_task, part_task};
use self::shelf::shelf_tasks;
pub(in crate::domain) use self::swap::asks_for_swap;
use self::swap::swap_task;
pub(in crate::domain) use self::words::{enumerated, lower_first, short};
use super::climate::Report;
use super::cover::{Cover, covers};
use super::head::{Head, HeadOutlook};
use super::ids::{DeviceId, SlotId};
use super::life::UnitInside;
use super::outlook::{Outlook, Present, Prospect};
use super::part::LeadTime;
use super::reading::Role;
use super::reorder::Memo;
use super::reorder::room::{Goods, PartAdvice, Wanting, advise};
use super::rules::Practice;
use super::shelf::Supply;
use super::snapshot::DeviceAlert;
use super::standard::DetectedErrors;
use super::task::Task;

/// The day by which the next unit is to be ordered: a receptacle's at its order point, a container's so that
/// it arrives before the early date, on a day on which somebody is there to order it.
#[must_use]
pub fn order_by(role: Role, prospect: &Prospect, practice: &Practice) -> Option<Date> {
    match role {
        Role::Filled => prospect.order_point,
        Role::Consumed => {
            let early = prospect.forecast.horizon()?.early;
            let latest = early.checked_sub(i64::from(practice.lead_days).days()).ok()?;
            Some(practice.calendar.working_day_up_to(latest))
        }
    }
}

/// The same day for a supply whose part takes its own time to arrive.
#[must_use]
pub fn order_by_lead(
    outlook: &Outlook,
    order_by: Option<Date>,
    lead: LeadTime,
    practice: &Practice,
) -> Option<Date> {
    match outlook.slot.role {
        Role::Filled => order_by,
        Role::Consumed => {
            let days = lead.mean_days.ceil().clamp(0.0, 3650.0) as i64;
            let latest = outlook.forecast.horizon()?.early.checked_sub(days.days()).ok()?;
            Some(practice.calendar.working_day_up_to(latest))
        }
    }
}

/// What is known of a device when its tasks are worked out.
#[derive(Debug, Clone)]
pub struct DeviceState {
    /// Its identity.
    pub id: DeviceId,
    /// Its name.
    pub name: String,
    /// Its model, which decides what fits it.
    pub model: Option<String>,
    /// Since when it has been silent, if the last poll failed.
    pub silent_since: Option<Timestamp>,
    /// What it detected at its last answer.
    pub errors: DetectedErrors,
    /// What it complained of at its last answer.
    pub alerts: Vec<DeviceAlert>,
    /// Since when the oldest complaint stands that stops it.
    pub stopped_since: Option<Timestamp>,
    /// What its sensors last reported of the air, where it has any.
    pub climate: Option<Report>,
    /// The day on which something was last taken of a supply, where that is known.
    pub last_used: BTreeMap<SlotId, Date>,
    /// Its supplies, with the day by which each successor is to be ordered.
    pub supplies: Vec<(Outlook, Option<Date>)>,
    /// The units in its slots, where it is known which lots they were issued from.
    pub units: BTreeMap<SlotId, UnitInside>,
    /// The print heads that are in it.
    pub heads: Vec<(Head, HeadOutlook)>,
}

impl DeviceState {
    /// Its supplies, as the shelf is asked for what fits them.
    fn wanting(&self) -> impl Iterator<Item = Wanting<'_>> {
        let supply = |outlook| Supply { outlook, device_name: &self.name, model: self.model.as_deref() };
        self.supplies
            .iter()
            .map(move |(outlook, order_by)| Wanting { supply: supply(outlook), order_by: *order_by })
    }
}

/// What is to be done in a print room.
#[derive(Debug, Clone, Default)]
pub struct Plan {
    /// The tasks, earliest first.
    pub tasks: Vec<Task>,
    /// What to order of each part, earliest first; each of them is a task too.
    pub orders: Vec<PartAdvice>,
}

/// What is to be done in a print room with what is on its shelf and on order.
#[must_use]
pub fn plan(devices: &[DeviceState], goods: &Goods<'_>, present: &Present, practice: &Practice) -> Plan {
    plan_with(devices, goods, present, practice, &mut Memo::default())
}

/// The same, where `memo` is what was proposed the last time.
#[must_use]
pub fn plan_with(
    devices: &[DeviceState],
    goods: &Goods<'_>,
    present: &Present,
    practice: &Practice,
    memo: &mut Memo,
) -> Plan {
    let wanting: Vec<Wanting<'_>> = devices.iter().flat_map(DeviceState::wanting).collect();
    let supplies: Vec<Supply<'_>> = wanting.iter().map(|wants| wants.supply).collect();
    let covers = covers(&supplies, goods.stocks, goods.coming, present.today());
    let advised = advise(&wanting, goods, &covers, present.today(), practice, memo);
    let mut tasks = shelf_tasks(goods.stocks, &supplies, present, practice);
    tasks.extend(advised.parts.iter().map(|advice| part_task(advice, practice)));
    for device in devices {
        let dark = silence_task(device, present, practice);
        if dark.is_none() {
            tasks.extend(error_task(device, present, practice));
            tasks.extend(unused_task(device, present, practice));
            tasks.extend(climate_task(device, present, practice));
        }
        tasks.extend(dark);
        tasks.extend(warranty_task(device, present, practice));
        for (outlook, order_by) in &device.supplies {
            let cover = covers.get(&outlook.slot.id).unwrap_or(&Cover::NoPart);
            tasks.extend(swap_task(device, outlook, cover, present));
            tasks.extend(unit_task(device, outlook, present, practice));
            // What is counted with its part has no line of its own.
            if !advised.counted.contains(&outlook.slot.id) {
                tasks.extend(order_task(device, outlook, *order_by, cover, present, practice));
            }
        }
    }
    tasks.sort_by(|a, b| (a.due, a.kind, &a.what).cmp(&(b.due, b.kind, &b.what)));
    Plan { tasks, orders: advised.parts }
}
