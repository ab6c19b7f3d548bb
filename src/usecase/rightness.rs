//! How right the forecasts were: what was kept of them, held against the ledger.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;

use crate::domain::ids::SlotId;
use crate::domain::month::Month;
use crate::domain::outlook::Present;
use crate::domain::rightness::{KeptForecast, Rightness, Verdict, judge};
use crate::store::forecasts::KeptRow;
use crate::store::{Result, Store};

/// How right the forecasts were whose late day lay in a month: every week's first forecast of every supply, each
/// judged once its late day is over and the supply's use is known up to then. A month without any judges none.
///
/// # Errors
/// If the store cannot be reached.
pub async fn due_in_month(store: &Store, month: Month, present: &Present) -> Result<Rightness> {
    let rows = store.forecasts_due((month.first_day(), month.last_day())).await?;
    let due: Vec<KeptRow> =
        rows.into_iter().filter(|row| known_until(row, present) > row.kept.horizon.late).collect();
    let judged = held_against_use(store, &due, present).await?;
    Ok(Rightness::of(judged.into_iter().filter_map(|(kept, verdict)| Some((kept.horizon.middle, verdict?)))))
}

/// What was forecast of a supply from a day to a day, earliest first, with what came of it as far as that is known.
///
/// # Errors
/// If the store cannot be reached.
pub async fn past_forecasts(
    store: &Store,
    slot: SlotId,
    span: (Date, Date),
    present: &Present,
) -> Result<Vec<(KeptForecast, Option<Verdict>)>> {
    let rows = store.forecasts_of(slot, span).await?;
    held_against_use(store, &rows, present).await
}

/// The first day of which a supply's use is not fully known.
fn known_until(row: &KeptRow, present: &Present) -> Date {
    present.date(row.known_to).min(present.today())
}

async fn held_against_use(
    store: &Store,
    rows: &[KeptRow],
    present: &Present,
) -> Result<Vec<(KeptForecast, Option<Verdict>)>> {
    let Some(first) = rows.iter().map(|row| row.kept.day).min() else { return Ok(Vec::new()) };
    let slots: BTreeSet<SlotId> = rows.iter().map(|row| row.kept.slot).collect();
    let used = store.daily_use_of(&slots.into_iter().collect::<Vec<_>>(), first).await?;
    let none = BTreeMap::new();
    let verdict = |row: &KeptRow| {
        let used = used.get(&row.kept.slot).unwrap_or(&none);
        (row.kept, judge(&row.kept, used, known_until(row, present)))
    };
    Ok(rows.iter().map(verdict).collect())
}
