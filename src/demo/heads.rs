//! The print heads of the invented room, with invented figures.

use anyhow::Context;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use mock_agent::Scenario;

use crate::demo::DemoRoom;
use crate::domain::outlook::Present;
use crate::domain::plumbing::Position;
use crate::store::Store;
use crate::usecase::book::Note;
use crate::usecase::heads::{Entry, EntryRow, all_heads, import};

/// The number of their part.
pub(super) const HEAD: &str = "VO-H-2";
/// Days for which the heads have been in, machine by machine, position by position, over and over.
const DAYS_IN: [i64; 7] = [58, 33, 20, 66, 46, 12, 40];
/// Ink through a head per day before its machine was watched, ml.
const BEFORE_ML_A_DAY: f64 = 4.0;
/// Days from going in to the date stamped on a head.
const WARRANTY_DAYS: i64 = 420;

/// Writes down the heads of a room that has none yet, with one that was replaced.
///
/// # Errors
/// If the store cannot be reached.
pub async fn fit_heads(
    store: &Store,
    demo: &DemoRoom,
    scenario: &Scenario,
    (opened, now): (Timestamp, Timestamp),
    zone: &TimeZone,
) -> anyhow::Result<()> {
    if !all_heads(store, None).await?.is_empty() {
        return Ok(());
    }
    let present = Present { now, zone: zone.clone() };
    let (first, today) = (present.date(opened), present.today());
    let mut rows = Vec::new();
    let mut turn = DAYS_IN.iter().cycle();
    for ((_, machine), printer) in demo.devices.iter().zip(&scenario.printers) {
        for place in 1..=2 * printer.inks.len().div_ceil(2) {
            let days = *turn.next().unwrap_or(&DAYS_IN[0]);
            let in_on = today.checked_sub(days.days())?;
            let before_days = f64::from(in_on.until(first)?.get_days().max(0));
            let position = i32::try_from(place).ok().and_then(Position::new).context("too many heads")?;
            rows.push(EntryRow {
                line: 0,
                machine: machine.clone(),
                entry: Entry {
                    position,
                    part: Some(HEAD.to_owned()),
                    in_on,
                    out_on: None,
                    warranty_until: in_on.checked_add(WARRANTY_DAYS.days()).ok(),
                    limit_ml: None,
                    before_ml: (BEFORE_ML_A_DAY * before_days).round(),
                },
                who: None,
                why: None,
            });
        }
    }
    // The first machine's third head had one before it.
    if let Some(newer) = rows.get(2).map(|row| row.entry.clone()) {
        let in_on = newer.in_on.checked_sub(300.days())?;
        let entry = Entry {
            in_on,
            out_on: Some(newer.in_on),
            warranty_until: in_on.checked_add(WARRANTY_DAYS.days()).ok(),
            before_ml: 980.0,
            ..newer
        };
        let why = Some("banding that no cleaning cured".to_owned());
        let machine = demo.devices.first().map(|(_, name)| name.clone()).unwrap_or_default();
        rows.push(EntryRow { line: 0, machine, entry, who: None, why });
    }
    let note = Note { who: "print room".to_owned(), why: String::new() };
    let fitted = import(store, &rows, &note, &present).await?;
    fitted
        .map(drop)
        .map_err(|refused| anyhow::anyhow!("{refused:?}"))
        .context("the demo's heads could not be fitted")
}
