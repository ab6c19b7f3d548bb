//! The page of one supply: its course and its likely course, what that rests on, and its readings.

pub mod view;

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan};

use self::view::{PartHeld, ReadingLine, Said, SupplyView};
use super::alerts::Bell;
use super::pages::{alert_line, device, known_from, trend};
use super::questions::{self, SlotUnits};
use crate::domain::account::{account, account_of_days, months};
use crate::domain::alert::{Rule, Subject};
use crate::domain::cover::ComingUnit;
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::domain::ledger::Days;
use crate::domain::life::UnitInside;
use crate::domain::month::gaps;
use crate::domain::order::Coming;
use crate::domain::outlook::fan::fan;
use crate::domain::outlook::{Present, Terms, prospect};
use crate::domain::polarity::{Ground, Watch};
use crate::domain::reading::{Level, Polarity, Reading};
use crate::domain::rules::Rules;
use crate::domain::shelf::Stock;
use crate::domain::standard::SupplyUnit;
use crate::domain::stream::Known;
use crate::store::outlooks::{OutlookRow, Wanted};
use crate::store::past::KeptReading;
use crate::store::supply::Readings;
use crate::store::{Result, Store};

/// How many readings a page shows.
const PAGE: usize = 60;
/// So many readings before those of a page tell how they were taken.
const LEAD_IN: usize = 120;
/// So many after them tell what lasted.
const LEAD_OUT: i64 = 16;
/// How far back the ledger is looked at, days: as far as a forecast looks, and thirteen months.
const LEDGER_DAYS: i32 = 400;
/// So many months are shown.
const MONTHS: usize = 13;
/// So many days are shown.
const DAYS: i32 = 30;

/// What is asked of the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
    /// The span of the course, days.
    pub days: u16,
    /// Readings before this moment; the latest where there is none.
    pub before: Option<Timestamp>,
}

/// The page of one supply; `None` if there is no watched machine of that number, or it has no such supply.
///
/// # Errors
/// If the store cannot be reached.
pub async fn supply(
    store: &Store,
    (id, index): (DeviceId, SupplyIndex),
    asked: Asked,
    present: &Present,
    rules: &Rules,
) -> Result<Option<SupplyView>> {
    let Some(row) = store.devices(Some(id)).await?.pop() else { return Ok(None) };
    let Some(units) = questions::units(store, id, present).await? else { return Ok(None) };
    let Some(slot) = units.slots.into_iter().find(|of| of.row.slot.index == index) else { return Ok(None) };
    let slot_id = slot.row.slot.id;
    let to = present.now;
    let from =
        to.checked_sub(SignedDuration::from_hours(24 * i64::from(asked.days))).unwrap_or(Timestamp::MIN);
    let seen_until = row.last_answer_at.unwrap_or(from).min(to);
    let patience = SignedDuration::from_secs(2 * i64::from(row.poll_every_s));
    let began = row.first_answer_at.unwrap_or(to).max(from);
    let spans = store.answered_spans(id, from, to).await?;
    let kept = store.readings_of((id, slot_id), Readings::Between(from, to)).await?;
    let counts = slot.row.counts.unwrap_or((Polarity::Remaining, Ground::Standard));
    let course: Vec<Reading> = kept.iter().map(reading).collect();
    let trend = trend(slot.row.slot.clone(), counts, &course, Some(&slot), (from, seen_until), present);
    let since = present.today().checked_sub(LEDGER_DAYS.days()).unwrap_or(Date::MIN);
    let ledger =
        store.ledger_of(id, Some(slot_id), since).await?.pop().map(|(_, days)| days).unwrap_or_default();
    let said =
        match store.outlooks(Wanted::Device(id)).await?.into_iter().find(|o| o.outlook.slot.id == slot_id) {
            Some(row) => Some(said(store, row, &ledger, present, rules).await?),
            None => None,
        };
    let stocks = store.stocks(None).await?;
    let coming = store.coming().await?;
    let detail_at = store.detail_of_slot((id, slot_id)).await?;
    let (readings, older) = readings(store, &slot, (asked.before, detail_at), seen_until, present).await?;
    let mut alerts = store.alerts(true, Some(id), i64::MAX).await?;
    alerts.retain(|row| row.alert.subject == Subject::Slot(id, slot_id));
    let last_days = present.today().checked_sub(DAYS.days()).unwrap_or(Date::MIN);
    let mut by_month = months(&ledger, present.date(seen_until), &rules.practice.calendar);
    by_month.truncate(MONTHS);
    Ok(Some(SupplyView {
        today: present.today(),
        device: device(row, present, &rules.practice),
        from,
        to,
        trend,
        gaps: gaps(&spans, began, to, patience),
        said,
        inside: inside(&slot, &stocks),
        parts: parts(&slot, stocks, &coming),
        days: ledger.range(last_days..).map(|(day, used)| (*day, *used)).collect(),
        months: by_month,
        readings,
        detail_from: detail_at.map(|at| present.date(at)),
        older,
        alerts: alerts.into_iter().map(alert_line).collect(),
        slot,
    }))
}

/// Where a slot of a watched machine is: its machine, and its number there.
///
/// # Errors
/// If the store cannot be reached.
pub async fn supply_of(store: &Store, slot: SlotId) -> Result<Option<(DeviceId, SupplyIndex)>> {
    store.supply_of(slot).await
}

/// A reading as the domain takes it.
fn reading(kept: &KeptReading) -> Reading {
    let level = Level::from_raw(SupplyUnit::from_number(kept.unit), kept.max_capacity, kept.level);
    Reading { at: kept.at, previous_at: kept.previous_at, level }
}

/// What is said of a supply with what it rests on: worked out again, since grounds are not kept.
async fn said(
    store: &Store,
    row: OutlookRow,
    ledger: &Days,
    present: &Present,
    rules: &Rules,
) -> Result<Said> {
    let slot = &row.outlook.slot;
    let mut work = store.begin().await?;
    let bell = Bell::of(&mut work, slot.device, present, rules).await?;
    let subject = Subject::Slot(slot.device, slot.id);
    let order_fill = bell.rules.at(Rule::WasteOrderPoint, &bell.place(subject)).open_at / 100.0;
    let days: BTreeMap<Date, f64> = ledger.iter().map(|(day, used)| (*day, used.used)).collect();
    let terms = Terms { order_fill, calendar: &rules.practice.calendar, borrowed: None };
    let level = &row.outlook.level;
    let prospect = prospect(slot.role, level, &days, row.outlook.as_of, present, &terms);
    Ok(Said {
        fan: fan(level, &days, row.outlook.as_of, present, &terms),
        grounds: prospect.grounds,
        order_point: prospect.order_point,
        order_fill,
        order_by: row.order_by,
        outlook: row.outlook,
    })
}

/// One page of readings, newest first, with what came of each; and where the next page begins.
async fn readings(
    store: &Store,
    slot: &SlotUnits,
    (before, detail_at): (Option<Timestamp>, Option<Timestamp>),
    seen_until: Timestamp,
    present: &Present,
) -> Result<(Vec<ReadingLine>, Option<Timestamp>)> {
    let id = slot.row.slot.id;
    let of = (slot.row.slot.device, id);
    let wanted = i64::try_from(PAGE + LEAD_IN).unwrap_or(i64::MAX);
    let mut kept = store.readings_of(of, Readings::Before(before, wanted)).await?;
    let of_page = kept.len();
    if let Some(before) = before {
        kept.extend(store.readings_of(of, Readings::From(before, LEAD_OUT)).await?);
    }
    let old = kept.partition_point(|reading| detail_at.is_some_and(|detail| reading.at < detail));
    let (Some(first), Some(last)) = (kept.get(old).or(kept.first()), kept.last()) else {
        return Ok((Vec::new(), None));
    };
    let span = (first.at, last.at);
    let signs = store.signs_of(of, span).await?;
    let answers = slot.answers.iter().map(|answered| (answered.question.at, answered.answer)).collect();
    let known = Known { answers, ..known_from(Some(slot), first.at) };
    let polarity = slot.row.counts.map(|(polarity, _)| polarity);
    let watch = Watch::new(slot.row.slot.role, polarity, known);
    let taken: Vec<Reading> = kept.iter().map(reading).collect();
    // An older page is told by what came after it; how long the last of those lasted does not matter to it.
    let until = if before.is_some() { span.1 } else { seen_until };
    let (days, taken) = taken.split_at(old);
    let mut accounts = account_of_days(days, polarity.unwrap_or(Polarity::Remaining));
    accounts.extend(account(watch, taken, &signs, until, &present.zone));
    let begins = of_page.saturating_sub(PAGE);
    let older = (begins > 0).then(|| kept.get(begins).map(|reading| reading.at)).flatten();
    let line = |(kept, account): (KeptReading, _)| ReadingLine {
        at: kept.at,
        unit: SupplyUnit::from_number(kept.unit),
        max_capacity: kept.max_capacity,
        level: kept.level,
        account,
    };
    let page = kept.into_iter().zip(accounts).take(of_page).skip(begins).map(line);
    let mut page: Vec<ReadingLine> = page.collect();
    page.reverse();
    Ok((page, older))
}

/// The unit that is in a slot, where it is known which lot it came from.
fn inside(slot: &SlotUnits, stocks: &[Stock]) -> Option<UnitInside> {
    let issue = slot.units.first()?.issue.as_ref()?;
    let part = &stocks.iter().find(|stock| stock.id == issue.part)?.part;
    Some(UnitInside {
        part: part.number.clone(),
        made_on: issue.made_on,
        shelf_life_months: part.shelf_life_months,
    })
}

/// The parts that fit, with what there is of each.
fn parts(slot: &SlotUnits, stocks: Vec<Stock>, coming: &[Coming]) -> Vec<PartHeld> {
    let fits = |stock: &Stock| slot.fits.iter().any(|(part, _)| *part == stock.id);
    let unit = |stock: &Stock, coming: &Coming| ComingUnit {
        part: stock.part.number.clone(),
        order: coming.order,
        expected_on: coming.expected_on,
    };
    let held = |stock: Stock| {
        let lots = stock.oldest_first().into_iter().filter(|lot| lot.units > 0);
        PartHeld {
            lots: lots.map(|lot| (lot.clone(), stock.good_until(lot))).collect(),
            coming: coming
                .iter()
                .filter(|coming| coming.part == stock.id && coming.units > 0)
                .map(|coming| (coming.units, unit(&stock, coming)))
                .collect(),
            part: stock.part,
        }
    };
    stocks.into_iter().filter(fits).map(held).collect()
}
