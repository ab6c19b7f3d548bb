//! The month's supply report, put together from the store.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};

use super::view::MonthView;
use crate::domain::ids::DeviceId;
use crate::domain::month::{DeviceMonth, Month, MonthReport, SupplyMonth, coverage};
use crate::domain::outlook::Present;
use crate::domain::standard::CapacityUnit;
use crate::store::{Result, Store};

/// The report of a month, complete or still running.
///
/// # Errors
/// If the store cannot be reached.
pub async fn month_report(store: &Store, month: Month, present: &Present) -> Result<MonthReport> {
    let (begins, ends) = edges(month, present);
    let days = (month.first_day(), month.last_day());
    let mut supplies: BTreeMap<DeviceId, Vec<SupplyMonth>> = BTreeMap::new();
    for (device, supply) in store.supply_months(days, (begins, ends)).await? {
        supplies.entry(device).or_default().push(supply);
    }
    let mut outputs: BTreeMap<DeviceId, (i64, String)> = BTreeMap::new();
    for (device, unit, gained) in store.counts_gained(days.0, days.1).await? {
        let unit = CapacityUnit::from_number(unit).to_string().replace('_', " ");
        outputs.entry(device).or_insert((gained, unit));
    }
    let mut devices = Vec::new();
    for device in store.devices_at(begins).await? {
        let Some(supplies) = supplies.remove(&device.id) else { continue };
        let until = ends.min(present.now).min(device.retired_at.unwrap_or(Timestamp::MAX));
        let from = begins.max(device.first_answer_at.unwrap_or(device.added_at));
        let spans = store.answered_spans(device.id, from, until).await?;
        let patience = SignedDuration::from_secs(2 * i64::from(device.poll_every_s));
        devices.push(DeviceMonth {
            device: device.id,
            name: device.name,
            cost_centre: device.cost_centre,
            output: outputs.remove(&device.id),
            coverage: coverage(&spans, from, until, patience),
            supplies,
        });
    }
    Ok(MonthReport { month, complete: ends <= present.now, devices })
}

/// The report with the list of months that have anything in them.
///
/// # Errors
/// If the store cannot be reached.
pub async fn month_view(store: &Store, month: Month, present: &Present) -> Result<MonthView> {
    let report = month_report(store, month, present).await?;
    let (first, last) = store.ledger_days().await?.unwrap_or((present.today(), present.today()));
    let (first, mut month) = (Month::of(first), Month::of(last));
    let mut months = vec![month];
    while month > first {
        month = month.before();
        months.push(month);
    }
    Ok(MonthView { report, months })
}

/// The first moment of a month in the site's zone, and the first moment after it.
fn edges(month: Month, present: &Present) -> (Timestamp, Timestamp) {
    let midnight = |day: Date| present.zone.to_timestamp(day.at(0, 0, 0, 0));
    let begins = midnight(month.first_day()).unwrap_or(Timestamp::MIN);
    let ends = midnight(month.after().first_day()).unwrap_or(Timestamp::MAX);
    (begins, ends)
}
