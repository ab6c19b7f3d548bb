//! What the pages and commands about heads show.

use super::count::{Inks, NO_MAP};
use super::view::{HeadLine, HeadsView};
use crate::domain::flow::Scale;
use crate::domain::head::{HeadOutlook, is_head_for};
use crate::domain::ids::DeviceId;
use crate::domain::life::Warranty;
use crate::domain::outlook::Present;
use crate::domain::plumbing::Map;
use crate::domain::rules::Practice;
use crate::store::heads::{HeadRow, Heads};
use crate::store::{Result, Store};
use crate::usecase::pages::device;

/// The heads that are in a machine, place by place.
///
/// # Errors
/// If the store cannot be reached.
pub async fn machine_heads(store: &Store, device: DeviceId, present: &Present) -> Result<Vec<HeadLine>> {
    let mut work = store.begin().await?;
    let rows = Store::heads_in(&mut work, Heads::Device(device)).await?;
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let inks = Inks::load(&mut work, device).await?;
    let inside = rows.into_iter().filter(|row| row.head.out_on.is_none());
    Ok(inside.map(|row| line(row, &inks.map, present)).collect())
}

/// The page of a machine's heads; `None` if no watched machine has that number.
///
/// # Errors
/// If the store cannot be reached.
pub async fn heads_page(
    store: &Store,
    id: DeviceId,
    present: &Present,
    practice: &Practice,
) -> Result<Option<HeadsView>> {
    let Some(row) = store.devices(Some(id)).await?.pop() else { return Ok(None) };
    let mut work = store.begin().await?;
    let inks = Inks::load(&mut work, id).await?;
    let rows = Store::heads_in(&mut work, Heads::Device(id)).await?;
    let first_day = Store::first_ledger_day(&mut work, id).await?;
    let (mut inside, mut past) = (Vec::new(), Vec::new());
    for row in rows {
        let lines = if row.head.out_on.is_none() { &mut inside } else { &mut past };
        lines.push(line(row, &inks.map, present));
    }
    past.sort_by_key(|line: &HeadLine| std::cmp::Reverse(line.head.out_on));
    let parts = Store::stocks_in(&mut work, None).await?.into_iter().map(|stock| stock.part);
    let carried = |slot| inks.map.plumbing().is_none_or(|plumbing| plumbing.carries(slot));
    Ok(Some(HeadsView {
        today: present.today(),
        device: device(row, present, practice),
        inside,
        past,
        uncarried: inks.slots.iter().filter(|(slot, _)| !carried(slot)).map(|(s, _)| s.label()).collect(),
        scaled: inks
            .slots
            .iter()
            .filter(|(_, scale)| *scale != Scale::Told)
            .map(|(slot, scale)| (slot.label(), scale.clone()))
            .collect(),
        map: inks.map,
        parts: parts.filter(|part| is_head_for(part, inks.model.as_deref())).collect(),
        first_day,
    }))
}

/// The heads of all machines, and those that were in them.
///
/// # Errors
/// If the store cannot be reached.
pub async fn all_heads(store: &Store, machine: Option<DeviceId>) -> Result<Vec<HeadRow>> {
    store.heads(machine.map_or(Heads::All, Heads::Device)).await
}

fn line(row: HeadRow, map: &Map, present: &Present) -> HeadLine {
    let outlook = row.outlook.unwrap_or_else(|| HeadOutlook::unknown(NO_MAP));
    let colours = map.plumbing().into_iter().flat_map(|plumbing| plumbing.colours_of(row.head.position));
    HeadLine {
        colours: colours.map(str::to_owned).collect(),
        warranty: Warranty::of(&row.head, &outlook, present.today()),
        head: row.head,
        outlook,
    }
}
