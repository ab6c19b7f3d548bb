//! The month's supply report: put together from the store, and closed.

pub mod mail;
pub mod page;
mod trend;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use jiff::Timestamp;
use sha2::{Digest, Sha256};

use super::view::{Closing, Statement};
use crate::domain::ids::SlotId;
use crate::domain::month::{
    Beside, Compared, Costs, DeviceRecord, Month, MonthReport, Output, Records, build, share_of_price,
    thousandths,
};
use crate::domain::outlook::Present;
use crate::domain::part::Price;
use crate::domain::shelf::Stock;
use crate::domain::standard::CapacityUnit;
use crate::domain::units::Measure;
use crate::report::json::{self, JsonError};
use crate::store::closings::ClosedMonth;
use crate::store::months::{Edges, SlotMonth};
use crate::store::outlooks::Wanted;
use crate::store::{Store, StoreError};
use crate::usecase::rightness::due_in_month;

pub use trend::trend;

/// So many closed months in a row are looked through for changes.
const LOOKED_BACK: usize = 24;

/// Why a report cannot be given.
#[derive(Debug, thiserror::Error)]
pub enum MonthError {
    /// The store could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// What a closed month is kept as cannot be read, or a report cannot be written.
    #[error("{month}: {fault}")]
    Document {
        /// Which month.
        month: Month,
        /// What is wrong.
        fault: JsonError,
    },
}

/// Why a month is not closed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotClosed {
    /// It is still running, or has not begun.
    #[error("{} is not over: it can be closed from {} on", .0.name(), .0.after().first_day().strftime("%-d %B %Y"))]
    NotOver(Month),
    /// Somebody closed it.
    #[error("{} is closed already: {who} closed it on {}", .month.name(), .on.strftime("%-d %B %Y"))]
    Already {
        /// Which month.
        month: Month,
        /// Who.
        who: String,
        /// When.
        on: jiff::civil::Date,
    },
    /// There is nothing in it.
    #[error("nothing was read in {}: there is nothing to close", .0.name())]
    Nothing(Month),
    /// Nobody is named.
    #[error("whoever closes a month is named")]
    Nobody,
}

/// The report of a month as of now, complete or still running, whether or not it was closed.
///
/// # Errors
/// If the store cannot be reached.
pub async fn month_report(store: &Store, month: Month, present: &Present) -> Result<MonthReport, StoreError> {
    let edges = (month, month.edges(&present.zone));
    let (begins, ends) = edges.1;
    let mut records = Records {
        devices: devices(store, begins).await?,
        slots: store.slot_sums(edges).await?,
        polls: store.poll_runs(begins, ends).await?,
        stocks: store.stocks(None).await?,
        flows: store.lot_flows(begins, ends).await?,
        taken: store.units_taken(begins, ends).await?,
        alerts: store.alert_spans(begins, ends).await?,
        heads: store.heads_replaced(month.first_day(), month.last_day()).await?,
        forecasts: Some(due_in_month(store, month, present).await?.into()),
        ..Records::default()
    };
    for (device, unit, gained) in store.counts_gained(month.first_day(), month.last_day()).await? {
        let unit = CapacityUnit::from_number(unit).to_string().replace('_', " ");
        records.outputs.entry(device).or_insert(Output { count: gained, unit });
    }
    // What is said of supplies now is about the month after this one, unless that is past.
    if month.after() >= Month::of(present.today()) && begins <= present.now {
        let rows = store.outlooks(Wanted::All).await?;
        records.outlooks = Some(rows.into_iter().map(|row| row.outlook).collect());
    }
    let closed = closed_before(&store.closed_months().await?, month, present);
    records.adjustments = store.adjustments(&closed, month).await?;
    records.compared = compared(store, &records, month, present).await?;
    Ok(build(month, records, present))
}

/// The devices that were watched at some time from `begins` on.
async fn devices(store: &Store, begins: Timestamp) -> Result<Vec<DeviceRecord>, StoreError> {
    let mut sites = store.device_sites().await?;
    let rows = store.devices_at(begins).await?;
    let record = |row: crate::store::devices::DeviceRow| DeviceRecord {
        site: sites.remove(&row.id).unwrap_or_default(),
        since: row.first_answer_at.unwrap_or(row.added_at),
        until: row.retired_at,
        id: row.id,
        name: row.name,
        model: row.model,
        cost_centre: row.cost_centre,
        poll_every_s: row.poll_every_s,
    };
    Ok(rows.into_iter().map(record).collect())
}

/// The closed months that lie directly before one: changes in them are told in it, and in no later one.
fn closed_before(closed: &BTreeSet<Month>, month: Month, present: &Present) -> Vec<Edges> {
    let mut before = Vec::new();
    let mut earlier = month.before();
    while closed.contains(&earlier) && before.len() < LOOKED_BACK {
        before.push((earlier, earlier.edges(&present.zone)));
        earlier = earlier.before();
    }
    before
}

/// The sums of the month before and of the year before, where there is anything in them.
async fn compared(
    store: &Store,
    records: &Records,
    month: Month,
    present: &Present,
) -> Result<Vec<Compared>, StoreError> {
    let others = [(Beside::MonthBefore, month.before()), (Beside::YearBefore, month.year_before())];
    let edges = others.map(|(_, other)| (other, other.edges(&present.zone)));
    let rows = store.slot_months(&edges).await?;
    let parts = records.slot_parts();
    let first_watched = records.devices.iter().map(|device| device.since).min();
    let compare = |(beside, other): (Beside, Month)| {
        let mut sums = Compared {
            beside,
            month: other,
            whole: first_watched.is_some_and(|since| since <= other.edges(&present.zone).0),
            ink_ml: 0.0,
            swaps: 0,
            cost: Costs::default(),
        };
        let mut any = false;
        for row in rows.iter().filter(|row| row.month == other) {
            any = true;
            sums.swaps += row.swaps;
            if row.consumed && row.measure == Measure::Millilitres {
                sums.ink_ml = thousandths(sums.ink_ml + row.used);
            }
            worth(row, &parts).into_iter().for_each(|cost| sums.cost.add(cost));
        }
        any.then_some(sums)
    };
    Ok(others.into_iter().filter_map(compare).collect())
}

/// What a slot used in a month is worth: as it was frozen, or at its part's price now.
fn worth(row: &SlotMonth, parts: &BTreeMap<SlotId, &Stock>) -> Option<Price> {
    if let Some(frozen) = row.frozen_cost {
        return frozen;
    }
    let part = &parts.get(&row.slot)?.part;
    share_of_price(part.price?, (thousandths(row.used), row.measure), part.capacity)
}

/// The report of a month as it is handed in.
///
/// # Errors
/// If the store cannot be reached, or what it keeps of a closed month cannot be read.
pub async fn statement(store: &Store, month: Month, present: &Present) -> Result<Statement, MonthError> {
    let unread = |fault| MonthError::Document { month, fault };
    if let Some(closed) = store.closed_month(month).await? {
        let report = json::read(&closed.document).map_err(unread)?;
        let ClosedMonth { at, who, document, sha256 } = closed;
        return Ok(Statement { report, document, closing: Some(Closing { at, who, sha256 }) });
    }
    let report = month_report(store, month, present).await?;
    let document = json::month(&report).map_err(unread)?;
    Ok(Statement { report, document, closing: None })
}

/// Closes a month: its report is frozen as it is now.
///
/// # Errors
/// If the store cannot be reached.
pub async fn close(
    store: &Store,
    month: Month,
    who: &str,
    present: &Present,
) -> Result<Result<Closing, NotClosed>, MonthError> {
    let who = who.trim();
    if who.is_empty() {
        return Ok(Err(NotClosed::Nobody));
    }
    if let Some(closed) = store.closed_month(month).await? {
        return Ok(Err(already(month, &closed, present)));
    }
    if month.edges(&present.zone).1 > present.now {
        return Ok(Err(NotClosed::NotOver(month)));
    }
    let report = month_report(store, month, present).await?;
    if report.devices.is_empty() {
        return Ok(Err(NotClosed::Nothing(month)));
    }
    let document = json::month(&report).map_err(|fault| MonthError::Document { month, fault })?;
    let sha256 = hex(&Sha256::digest(document.as_bytes()));
    let closed = ClosedMonth { at: present.now, who: who.to_owned(), document, sha256 };
    if store.close_month(&report, &closed).await? {
        let ClosedMonth { at, who, sha256, .. } = closed;
        return Ok(Ok(Closing { at, who, sha256 }));
    }
    // Somebody else was quicker.
    let first = store.closed_month(month).await?;
    Ok(Err(already(month, first.as_ref().unwrap_or(&closed), present)))
}

fn already(month: Month, closed: &ClosedMonth, present: &Present) -> NotClosed {
    NotClosed::Already { month, who: closed.who.clone(), on: present.date(closed.at) }
}

fn hex(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(2 * bytes.len());
    for byte in bytes {
        // Writing to a string does not fail.
        let _ = write!(text, "{byte:02x}");
    }
    text
}

/// The months from the first with anything in the ledger to the last, newest first.
async fn known_months(store: &Store, present: &Present) -> Result<Vec<Month>, StoreError> {
    let (first, last) = store.ledger_days().await?.unwrap_or((present.today(), present.today()));
    let (first, mut month) = (Month::of(first), Month::of(last));
    let mut months = vec![month];
    while month > first {
        month = month.before();
        months.push(month);
    }
    Ok(months)
}
