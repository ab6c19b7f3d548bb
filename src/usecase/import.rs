//! Past readings from a file into the store: what live polls would have kept, by the same way in.
//!
//! A file is taken whole or not at all. Rows that the store has already are passed over, rows that lie before
//! or after what it has are new, and a row that says something else than it has is refused.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::alerts::Bell;
use super::digest;
use super::slots::renew_sizes;
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::domain::outlook::Present;
use crate::domain::poll::{Memory, Patience, Poll, fold};
use crate::domain::reading::Role;
use crate::domain::rules::{Practice, Rules};
use crate::domain::snapshot::{Snapshot, SupplyRow};
use crate::domain::standard::{SupplyClass, SupplyKind, SupplyUnit};
use crate::store::past::{KeptReading, PastDevice};
use crate::store::slots::SlotRow;
use crate::store::{Result, Store, Work};

/// How many polls are folded at a time.
const BATCH: usize = 2_000;

/// A slot of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct PastSlot {
    /// Its name there.
    pub name: String,
    /// Used up or filled up.
    pub role: Role,
    /// What it is counted in.
    pub unit: SupplyUnit,
    /// What its first unit held, in millilitres, where the file says so.
    pub first_ml: Option<f64>,
}

/// A row of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PastRow {
    /// The line that it stands in.
    pub line: u64,
    /// The place of its slot among those of the file.
    pub slot: usize,
    /// When the device said it.
    pub at: Timestamp,
    /// The capacity as it came.
    pub max_capacity: i32,
    /// The level as it came.
    pub level: i32,
}

/// What came of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Imported {
    /// Rows that are new.
    pub new: usize,
    /// Rows that were in the store already.
    pub known: usize,
    /// Whether the device was made for them; it is not watched.
    pub made: bool,
}

/// Why a file is refused; then nothing of it is kept.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// It has no rows.
    #[error("the file holds no readings")]
    Empty,
    /// A row is of a moment that has not come.
    #[error("line {line}: {at} lies ahead")]
    Ahead {
        /// The line.
        line: u64,
        /// The moment.
        at: Timestamp,
    },
    /// A slot has two rows of one moment that differ.
    #[error("line {line}: slot {slot} says two things at {at}")]
    Twice {
        /// The line.
        line: u64,
        /// The slot's name.
        slot: String,
        /// The moment.
        at: Timestamp,
    },
    /// The device has no such supply.
    #[error("{device} has no supply '{slot}'; it has {has}. Name slots by their numbers or labels")]
    NoSuchSlot {
        /// The device's name.
        device: String,
        /// The slot's name in the file.
        slot: String,
        /// What the device has.
        has: String,
    },
    /// What came before is no longer worked out anew.
    #[error(
        "line {line}: {at} lies before {from}, where the store's readings begin, and those from before {detail} are \
         one a day by now, so that nothing is worked out from them again; leave out the rows from before {from}"
    )]
    Settled {
        /// The line.
        line: u64,
        /// The moment.
        at: Timestamp,
        /// The store's history begins here.
        from: Timestamp,
        /// From here on every reading is kept.
        detail: Timestamp,
    },
    /// The store has something else for that moment.
    #[error(
        "line {line}: slot {slot} says {theirs} at {at}, where the store has {ours}; leave out the rows from \
         {from} to {until}, which the store has already"
    )]
    Overlaps {
        /// The line.
        line: u64,
        /// The slot's name.
        slot: String,
        /// The moment.
        at: Timestamp,
        /// Capacity and level of the file.
        theirs: String,
        /// Capacity and level of the store.
        ours: String,
        /// The store's history begins here,
        from: Timestamp,
        /// and ends here.
        until: Timestamp,
    },
}

type Outcome<T> = Result<std::result::Result<T, Refusal>>;

/// Brings past readings in, of a device that is known by its name or of a new one that is not watched.
///
/// # Errors
/// If the store cannot be reached; then nothing is kept.
pub async fn import(
    store: &Store,
    (site, name): (i64, &str),
    slots: &[PastSlot],
    mut rows: Vec<PastRow>,
    present: &Present,
    rules: &Rules,
) -> Outcome<Imported> {
    rows.sort_by_key(|row| (row.at, row.slot, row.line));
    if let Err(refusal) = checked(slots, &rows, present) {
        return Ok(Err(refusal));
    }
    let (Some(first), Some(last)) = (rows.first().map(|row| row.at), rows.last().map(|row| row.at)) else {
        return Ok(Err(Refusal::Empty));
    };
    let mut work = store.begin().await?;
    let known = Store::past_device(&mut work, name).await?;
    let made = known.is_none();
    let device = match known {
        Some(device) => device,
        None => store.make_past_device(&mut work, site, name, (first, last)).await?,
    };
    let supplies = match places(&mut work, name, device.id, slots).await? {
        Ok(supplies) => supplies,
        Err(refusal) => return Ok(Err(refusal)),
    };
    let total = rows.len();
    let detail = Store::detail_of(&mut work, device.id).await?;
    let (before, after) = match apart(&mut work, &device, (slots, &supplies), rows, detail).await? {
        Ok(apart) => apart,
        Err(refusal) => return Ok(Err(refusal)),
    };
    let new = before.len() + after.len();
    if new > 0 {
        let every = SignedDuration::from_secs(i64::from(device.poll_every_s));
        fold_before(&mut work, (device.id, first, every), &supplies, &before, present, rules).await?;
        fold_after(&mut work, (device.id, last), &supplies, &after, present, rules).await?;
        work_out(&mut work, name, device.id, slots, &supplies, present, rules).await?;
        work.commit().await?;
    }
    Ok(Ok(Imported { new, known: total - new, made }))
}

#[expect(clippy::result_large_err, reason = "made once for a file")]
fn checked(slots: &[PastSlot], rows: &[PastRow], present: &Present) -> std::result::Result<(), Refusal> {
    if let Some(row) = rows.iter().find(|row| row.at > present.now) {
        return Err(Refusal::Ahead { line: row.line, at: row.at });
    }
    let differ = |pair: &&[PastRow]| match pair {
        [a, b] => (a.at, a.slot) == (b.at, b.slot) && (a.max_capacity, a.level) != (b.max_capacity, b.level),
        _ => false,
    };
    match rows.windows(2).find(differ) {
        Some([_, row]) => {
            let slot = slots.get(row.slot).map(|slot| slot.name.clone()).unwrap_or_default();
            Err(Refusal::Twice { line: row.line, slot, at: row.at })
        }
        _ => Ok(()),
    }
}

/// A row of the supplies table for each slot of the file, as the device would have told it.
async fn places(
    work: &mut Work,
    name: &str,
    device: DeviceId,
    slots: &[PastSlot],
) -> Outcome<Vec<SupplyRow>> {
    let has = Store::slots_in(work, Some(device)).await?;
    let kept = Store::rows_of(work, device).await?;
    let number = |slot: &PastSlot| slot.name.parse::<i32>().ok().filter(|number| *number > 0);
    let same = |row: &&SlotRow, slot: &PastSlot| {
        number(slot) == Some(row.slot.index.0)
            || row.slot.description == slot.name
            || row.slot.label().eq_ignore_ascii_case(&slot.name)
    };
    let mut supplies = Vec::with_capacity(slots.len());
    for (n, slot) in (1..).zip(slots) {
        let found = has.iter().find(|row| same(row, slot)).and_then(|row| kept.get(&row.slot.index));
        match found {
            Some(row) => {
                let unit = if slot.unit == SupplyUnit::Unknown { row.unit } else { slot.unit };
                supplies.push(SupplyRow { unit, ..row.clone() });
            }
            None if has.is_empty() => supplies.push(told_by_a_file(slot, number(slot).unwrap_or(n))),
            None => {
                let has = has.iter().map(|row| format!("{} ({})", row.slot.index, row.slot.label()));
                let has = has.collect::<Vec<_>>().join(", ");
                let (device, slot) = (name.to_owned(), slot.name.clone());
                return Ok(Err(Refusal::NoSuchSlot { device, slot, has }));
            }
        }
    }
    Ok(Ok(supplies))
}

fn told_by_a_file(slot: &PastSlot, number: i32) -> SupplyRow {
    let (class, kind) = match slot.role {
        Role::Consumed => (SupplyClass::Consumed, SupplyKind::InkCartridge),
        Role::Filled => (SupplyClass::Filled, SupplyKind::WasteInk),
    };
    SupplyRow {
        index: SupplyIndex(number),
        marker: 1,
        class,
        kind,
        description: slot.name.clone(),
        colorant: (slot.role == Role::Consumed).then(|| slot.name.clone()),
        unit: slot.unit,
        max_capacity: -2,
        level: -2,
    }
}

/// The rows before and after what the store has; those between have to say what it has.
async fn apart(
    work: &mut Work,
    device: &PastDevice,
    (slots, supplies): (&[PastSlot], &[SupplyRow]),
    mut rows: Vec<PastRow>,
    detail: Option<Timestamp>,
) -> Outcome<(Vec<PastRow>, Vec<PastRow>)> {
    let Some((from, until)) = device.history else { return Ok(Ok((Vec::new(), rows))) };
    let kept = Store::kept_readings(work, device.id, (from, until)).await?;
    let after = rows.split_off(rows.partition_point(|row| row.at <= until));
    let between = rows.split_off(rows.partition_point(|row| row.at < from));
    if let Some((row, detail)) = rows.first().zip(detail) {
        return Ok(Err(Refusal::Settled { line: row.line, at: row.at, from, detail }));
    }
    // Where one reading a day is left, nothing can be held against what was said between.
    for row in between.iter().filter(|row| detail.is_none_or(|detail| row.at >= detail)) {
        let (Some(slot), Some(supply)) = (slots.get(row.slot), supplies.get(row.slot)) else { continue };
        let readings = kept.get(&supply.index).map(Vec::as_slice).unwrap_or_default();
        if let Err(ours) = agrees(readings, supply.unit, row) {
            return Ok(Err(Refusal::Overlaps {
                line: row.line,
                slot: slot.name.clone(),
                at: row.at,
                theirs: said(row.max_capacity, row.level),
                ours,
                from,
                until,
            }));
        }
    }
    Ok(Ok((rows, after)))
}

fn said(max_capacity: i32, level: i32) -> String {
    format!("{level} of {max_capacity}")
}

/// Whether a row says what is kept for its moment, or what that is. Between the last answer before a change and
/// the change, either may be right.
fn agrees(kept: &[KeptReading], unit: SupplyUnit, row: &PastRow) -> std::result::Result<(), String> {
    let next = kept.partition_point(|reading| reading.at <= row.at);
    let same = |reading: &&KeptReading| {
        (reading.unit, reading.max_capacity, reading.level) == (unit.number(), row.max_capacity, row.level)
    };
    let now = next.checked_sub(1).and_then(|now| kept.get(now));
    let soon = kept.get(next).filter(|soon| soon.previous_at.is_some_and(|before| before < row.at));
    if now.iter().chain(soon.iter()).any(same) {
        return Ok(());
    }
    Err(now.map_or_else(|| "nothing".to_owned(), |reading| said(reading.max_capacity, reading.level)))
}

/// The polls that would have told these rows: all rows of one moment are one answer. The table of such an answer
/// may lack rows, so it is not complete.
fn polls(supplies: &[SupplyRow], rows: &[PastRow]) -> Vec<Poll> {
    let answer = |rows: &[PastRow]| {
        let row = |row: &PastRow| {
            let supply = supplies.get(row.slot)?;
            Some(SupplyRow { max_capacity: row.max_capacity, level: row.level, ..supply.clone() })
        };
        let at = rows.first()?.at;
        let supplies = rows.iter().filter_map(row).collect();
        Some(Poll { at, outcome: Ok(Snapshot { supplies, ..Snapshot::default() }) })
    };
    rows.chunk_by(|a, b| a.at == b.at).filter_map(answer).collect()
}

fn patience(rules: &Rules) -> Patience<'_> {
    let Practice { dark_after, calendar, .. } = &rules.practice;
    Patience { dark_after: *dark_after, calendar }
}

async fn fold_before(
    work: &mut Work,
    (device, first, every): (DeviceId, Timestamp, SignedDuration),
    supplies: &[SupplyRow],
    rows: &[PastRow],
    present: &Present,
    rules: &Rules,
) -> Result<()> {
    let mut memory = Memory::new(first, every);
    for polls in polls(supplies, rows).chunks(BATCH) {
        let changes = fold(&mut memory, polls, present, patience(rules));
        Store::record_past(work, device, &memory, &changes).await?;
    }
    Ok(())
}

async fn fold_after(
    work: &mut Work,
    (device, last): (DeviceId, Timestamp),
    supplies: &[SupplyRow],
    rows: &[PastRow],
    present: &Present,
    rules: &Rules,
) -> Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    for polls in polls(supplies, rows).chunks(BATCH) {
        let Some(mut memory) = Store::recall_any(work, device).await? else { return Ok(()) };
        let changes = fold(&mut memory, polls, present, patience(rules));
        Store::record_levels(work, device, &memory, &changes).await?;
    }
    Store::retired_no_earlier(work, device, last).await
}

/// Works out anew what follows. What is past opens no alert.
async fn work_out(
    work: &mut Work,
    name: &str,
    device: DeviceId,
    slots: &[PastSlot],
    supplies: &[SupplyRow],
    present: &Present,
    rules: &Rules,
) -> Result<()> {
    let rows = Store::slots_in(work, Some(device)).await?;
    let by_index: BTreeMap<SupplyIndex, &SlotRow> = rows.iter().map(|row| (row.slot.index, row)).collect();
    for (slot, supply) in slots.iter().zip(supplies) {
        let Some(row) = by_index.get(&supply.index) else { continue };
        let id: SlotId = row.slot.id;
        Store::choose_part(work, id, row.chosen, slot.first_ml.or(row.first_ml)).await?;
        Store::walked_so_far(work, id).await?;
    }
    renew_sizes(work, Some(device)).await?;
    if let Some((_, Some(seen_until))) = Store::last_answer_in(work, device).await? {
        let bell = Bell::of(work, device, present, rules).await?;
        digest::digest(work, device, name, seen_until, present, rules, &bell).await?;
    }
    Ok(())
}
