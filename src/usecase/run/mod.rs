//! Whether a planned run finishes: what is in each machine, what it took so far, and what lies on the shelf.

mod log;
mod machine;
mod notes;

use std::collections::BTreeMap;

use jiff::ToSpan;
use jiff::civil::Date;

pub use self::log::{LogRefusal, RunsView, log_run, runs, write_width};
use self::machine::Past;
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::outlook::Present;
use crate::domain::rules::Practice;
use crate::domain::run::before::Before;
use crate::domain::run::check::{Check, Verdict};
use crate::domain::run::plan::{Metres, RunPlan};
use crate::store::devices::DeviceRow;
use crate::store::heads::Heads;
use crate::store::outlooks::{OutlookRow, Wanted};
pub use crate::store::runs::PrintedRow;
use crate::store::{Result, Store};

/// So many days are looked back over for what a machine takes for a square metre.
const MEMORY_DAYS: i64 = 180;
/// No more machines than this are held against each other.
const MOST_COMPARED: usize = 60;
/// Runs that people wrote down are read up to this many.
const MOST_LOGGED: i64 = 20_000;

/// A unit on the shelf that takes the place of one that would end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FreshUnit {
    /// What a person calls the supply.
    pub label: String,
    /// Where its next unit is: its part, and the one to take; or that there is none.
    pub unit: std::result::Result<(String, String), String>,
}

/// A queue of runs at one machine.
#[derive(Debug, Clone)]
pub struct MachineRun {
    /// Which machine.
    pub device: DeviceId,
    /// Its name.
    pub name: String,
    /// Its model, where it tells it.
    pub model: Option<String>,
    /// How wide its media are, where that is known.
    pub media: Option<Metres>,
    /// The queue is wider than that.
    pub too_narrow: bool,
    /// What is said.
    pub check: Check,
    /// What to swap before a night on which nobody is there.
    pub before: Before,
    /// What goes in for each of those swaps, in their order.
    pub fresh: Vec<FreshUnit>,
    /// What it rests on, a sentence each.
    pub notes: Vec<String>,
}

/// A queue of runs against the machines of the room.
#[derive(Debug, Clone)]
pub struct RunCheckView {
    /// The machines that were checked, the best for the queue first.
    pub machines: Vec<MachineRun>,
    /// How many were not, because the room is so large.
    pub left_out: usize,
}

/// The watched machines, by name.
///
/// # Errors
/// If the store cannot be reached.
pub async fn machine_names(store: &Store) -> Result<Vec<(DeviceId, String)>> {
    Ok(store.devices(None).await?.into_iter().map(|row| (row.id, row.name)).collect())
}

/// Checks a queue of runs at one machine, or at every one of the room.
///
/// # Errors
/// If the store cannot be reached.
pub async fn run_check(
    store: &Store,
    plan: &RunPlan,
    only: Option<DeviceId>,
    present: &Present,
    practice: &Practice,
) -> Result<RunCheckView> {
    let rows = store.devices(None).await?;
    let mut supplies: BTreeMap<DeviceId, Vec<OutlookRow>> = BTreeMap::new();
    let wanted = only.map_or(Wanted::All, Wanted::Device);
    for row in store.outlooks(wanted).await? {
        supplies.entry(row.outlook.slot.device).or_default().push(row);
    }
    let prints = |row: &&DeviceRow| supplies.get(&row.id).is_some_and(|of| machine::prints(of));
    let asked = rows.iter().filter(|row| only.is_none_or(|only| only == row.id)).filter(prints);
    let asked: Vec<&DeviceRow> = asked.collect();
    let left_out = asked.len().saturating_sub(MOST_COMPARED);
    let compared = &asked[..asked.len() - left_out];
    let slots = compared.iter().filter_map(|row| supplies.get(&row.id)).flatten();
    let slots: Vec<SlotId> = slots.map(|row| row.outlook.slot.id).collect();
    let past = past(store, compared, &slots, present).await?;
    let stocks = store.stocks(None).await?;
    let mut machines = Vec::new();
    for row in compared {
        let of = supplies.remove(&row.id).unwrap_or_default();
        machines.push(machine::check(row, of, &past, &stocks, plan, present, practice));
    }
    machines.sort_by(|a, b| order(a).partial_cmp(&order(b)).unwrap_or(std::cmp::Ordering::Equal));
    Ok(RunCheckView { machines, left_out })
}

/// The best comes first: one whose media are wide enough, of which something can be told, that most likely finishes
/// as it stands, and that needs the fewest swaps.
fn order(of: &MachineRun) -> (bool, bool, f64, usize, f64) {
    let low = of.check.band.map_or(0.0, |band| band.low);
    let untold = of.check.verdict == Verdict::CannotTell;
    // Chances that read alike are alike, so that the fewer swaps decide between them.
    let tenths = -(low * 10.0).round();
    (of.too_narrow, untold, tenths, of.before.swaps.len(), -low)
}

async fn past(store: &Store, compared: &[&DeviceRow], slots: &[SlotId], present: &Present) -> Result<Past> {
    let ids: Vec<DeviceId> = compared.iter().map(|row| row.id).collect();
    let from = present.today().checked_sub(MEMORY_DAYS.days()).unwrap_or(Date::MIN);
    let mut work = store.begin().await?;
    let mut plumbing = BTreeMap::new();
    for model in compared.iter().filter_map(|row| row.model.as_ref()) {
        if !plumbing.contains_key(model) {
            plumbing.insert(model.clone(), Store::plumbing(&mut work, model).await?);
        }
    }
    Ok(Past {
        counts: Store::life_counts(&mut work, &ids, from).await?,
        used: store.daily_use_of(slots, from).await?,
        widths: Store::media_widths(&mut work).await?,
        printed: Store::printed(&mut work, from, MOST_LOGGED).await?,
        heads: Store::heads_in(&mut work, Heads::Inside).await?,
        plumbing,
    })
}
