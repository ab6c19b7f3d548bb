//! What follows from a device's new readings: installs, ledger, alerts about levels, and outlooks.
//!
//! Everything is worked out anew from the first reading of each slot's current unit, so that running it
//! twice, or after a crash in the middle, gives the same.

use std::collections::BTreeMap;

use jiff::{Timestamp, ToSpan};

use super::ingest::Rules;
use crate::domain::advice::order_by;
use crate::domain::alert::{Rule, Thresholds};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::install::{Install, track};
use crate::domain::ledger::{Ending, ledger};
use crate::domain::outlook::{Outlook, Present, Slot, believed_level, prospect};
use crate::domain::reading::{Level, Role};
use crate::domain::units::Fraction;
use crate::store::history::Undigested;
use crate::store::outlooks::Wanted;
use crate::store::{Result, Store, Work};

/// How many days of use a forecast looks back over.
const MEMORY_DAYS: i32 = 400;

/// Digests what is new at a device. `seen_until` is its last answer.
pub(super) async fn digest(
    work: &mut Work,
    device: DeviceId,
    device_name: &str,
    seen_until: Timestamp,
    present: &Present,
    rules: &Rules,
) -> Result<()> {
    let mut levels: BTreeMap<SlotId, (Slot, Level)> = BTreeMap::new();
    for row in Store::outlooks_in(work, Wanted::Device(device)).await? {
        levels.insert(row.outlook.slot.id, (row.outlook.slot, row.outlook.level));
    }
    let open = Store::open_slots(work, device).await?;
    for mut slot in Store::undigested(work, device).await? {
        let mut installs = track(&slot.readings, seen_until);
        if let (Some(first), Some(arrival)) = (installs.first_mut(), slot.arrival) {
            first.arrival = arrival;
        }
        if let Some(latest) = slot.readings.last() {
            let level = believed_level(installs.last(), latest, seen_until);
            levels.insert(slot.slot.id, (slot.slot.clone(), level));
        }
        save_installs(work, &mut slot, &installs, present).await?;
        walk_alerts(work, &slot, &installs, open.contains(&slot.slot.id), device_name, rules).await?;
    }
    let from = present.today().checked_sub(MEMORY_DAYS.days()).unwrap_or(jiff::civil::Date::MIN);
    let use_by_slot = Store::daily_use(work, device, from).await?;
    let none = BTreeMap::new();
    for (id, (slot, level)) in levels {
        let days = use_by_slot.get(&id).unwrap_or(&none);
        let fill = rules.practice.waste_order_fill;
        let prospect = prospect(slot.role, &level, days, seen_until, present, fill);
        let order_by = order_by(slot.role, &prospect, &rules.practice);
        let outlook = Outlook {
            slot,
            as_of: seen_until,
            level,
            daily_use: prospect.daily_use,
            forecast: prospect.forecast,
        };
        Store::save_outlook(work, &outlook, order_by, present.now).await?;
    }
    Ok(())
}

async fn save_installs(
    work: &mut Work,
    slot: &mut Undigested,
    installs: &[Install],
    present: &Present,
) -> Result<()> {
    let mut before = slot.before;
    for install in installs {
        let measure = slot.readings.iter().find(|reading| reading.at == install.from);
        let Some(measure) = measure.map(|reading| reading.level.measure) else { continue };
        let booked = ledger(install, before, &present.zone);
        Store::save_install(work, slot.slot.id, install, measure, &booked).await?;
        before = Ending::of(install);
    }
    Ok(())
}

/// Walks the alert rules over the levels that are new since they last walked.
async fn walk_alerts(
    work: &mut Work,
    slot: &Undigested,
    installs: &[Install],
    open: bool,
    device_name: &str,
    rules: &Rules,
) -> Result<()> {
    let new = |at: &Timestamp| slot.digested_to.is_none_or(|to| *at > to);
    let path = installs.iter().flat_map(|install| {
        let points = install.points.iter().filter(|point| new(&point.at));
        points.filter_map(|point| Some((point.at, Fraction::of(point.remaining, install.capacity?)?)))
    });
    let rule = Thresholds::rule(slot.slot.role);
    for (at, opens, remaining) in rules.thresholds.crossings(slot.slot.role, path, open) {
        let subject = (slot.slot.device, Some(slot.slot.id));
        if opens {
            let summary = summary(rule, &slot.slot, remaining, device_name);
            Store::open_alert(work, rule, subject, at, &summary).await?;
        } else {
            Store::clear_alert(work, rule, subject, at).await?;
        }
    }
    match installs.last().and_then(|install| install.points.last()) {
        Some(last) => Store::save_digested(work, slot.slot.id, last.at).await,
        None => Ok(()),
    }
}

fn summary(rule: Rule, slot: &Slot, remaining: Fraction, device_name: &str) -> String {
    let label = slot.label();
    match (rule, slot.role) {
        (Rule::WasteOrderPoint, _) | (_, Role::Filled) => {
            format!("{label} of {device_name} is {} full: order the next one", remaining.complement())
        }
        (Rule::LowSupply | Rule::Dark, Role::Consumed) => {
            format!("{label} of {device_name} is down to {remaining}")
        }
    }
}
