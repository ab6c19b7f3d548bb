//! What the shelf's pages and commands show, put together from the store.

use std::collections::BTreeMap;

use super::view::{LotLine, MovementLine, PartLine, PartView, ShelfView, SlotChoice};
use crate::domain::ids::DeviceId;
use crate::domain::outlook::Present;
use crate::domain::rules::Practice;
use crate::domain::shelf::{Stock, Supply, needs_of, standings, use_first};
use crate::store::devices::DeviceRow;
use crate::store::outlooks::{OutlookRow, Wanted};
use crate::store::{Result, Store};

/// How many movements the page of a part shows.
const MOVEMENTS: i64 = 200;

/// The supplies of a print room, with what decides which parts fit them.
pub(super) struct Supplies {
    models: BTreeMap<DeviceId, Option<String>>,
    rows: Vec<OutlookRow>,
}

impl Supplies {
    /// From the store.
    pub(super) async fn load(store: &Store) -> Result<Self> {
        let devices = store.devices(None).await?;
        Ok(Self::of(&devices, store.outlooks(Wanted::All).await?))
    }

    /// None: for bookings that are about no slot.
    pub(super) fn none() -> Self {
        Self::of(&[], Vec::new())
    }

    /// From what is known of devices already.
    pub(super) fn of(devices: &[DeviceRow], rows: Vec<OutlookRow>) -> Self {
        Self { models: devices.iter().map(|row| (row.id, row.model.clone())).collect(), rows }
    }

    /// As the domain asks for them.
    pub(super) fn all(&self) -> Vec<Supply<'_>> {
        let supply = |row| supply(row, self.models.get(&row_device(row)).and_then(Option::as_deref));
        self.rows.iter().map(supply).collect()
    }
}

fn row_device(row: &OutlookRow) -> DeviceId {
    row.outlook.slot.device
}

fn supply<'a>(row: &'a OutlookRow, model: Option<&'a str>) -> Supply<'a> {
    Supply { outlook: &row.outlook, device_name: &row.device_name, model }
}

/// The shelf, part by part.
///
/// # Errors
/// If the store cannot be reached.
pub async fn shelf(store: &Store, present: &Present, practice: &Practice) -> Result<ShelfView> {
    let stocks = store.stocks(None).await?;
    let supplies = Supplies::load(store).await?;
    let supplies = supplies.all();
    let parts = stocks.iter().map(|stock| part_line(stock, &stocks, &supplies, present, practice)).collect();
    Ok(ShelfView { today: present.today(), parts })
}

/// The page of one part; `None` if none has that number.
///
/// # Errors
/// If the store cannot be reached.
pub async fn part(
    store: &Store,
    number: &str,
    present: &Present,
    practice: &Practice,
) -> Result<Option<PartView>> {
    let stocks = store.stocks(None).await?;
    let Some(stock) = stocks.iter().find(|stock| stock.part.number == number) else { return Ok(None) };
    let supplies = Supplies::load(store).await?;
    let supplies = supplies.all();
    let movements = store.movements(stock.id, MOVEMENTS).await?;
    let mut slots: Vec<SlotChoice> = fitting(stock, &supplies).map(choice).collect();
    // Who needs one first is likely the one it is taken for.
    slots.sort_by_key(|slot| (slot.ends, slot.device_name.clone(), slot.slot.index));
    Ok(Some(PartView {
        today: present.today(),
        line: part_line(stock, &stocks, &supplies, present, practice),
        proposed: stock.proposed(present.today()).map(|lot| lot.id),
        out: stock.lots.iter().filter(|lot| lot.out > 0).cloned().collect(),
        slots,
        movements: movements
            .into_iter()
            .map(|row| MovementLine {
                movement: row.movement,
                made_on: row.made_on,
                place: row.place,
                device_name: row.device_name,
            })
            .collect(),
    }))
}

/// The supplies that a part fits.
pub(super) fn fitting<'a>(
    stock: &'a Stock,
    supplies: &'a [Supply<'a>],
) -> impl Iterator<Item = &'a Supply<'a>> {
    supplies.iter().filter(|supply| stock.part.fits(&supply.outlook.slot, supply.model))
}

fn choice(supply: &Supply<'_>) -> SlotChoice {
    SlotChoice {
        slot: supply.outlook.slot.clone(),
        device_name: supply.device_name.to_owned(),
        ends: supply.outlook.forecast.horizon().map_or(jiff::civil::Date::MAX, |horizon| horizon.early),
    }
}

fn part_line(
    stock: &Stock,
    all: &[Stock],
    supplies: &[Supply<'_>],
    present: &Present,
    practice: &Practice,
) -> PartLine {
    let needs = needs_of(stock, all, supplies);
    let first = use_first(&needs).map(|need| need.device_name.clone());
    let lots = standings(stock, &needs, present.today(), practice.expiry_ahead_days)
        .into_iter()
        .map(|(lot, standing)| LotLine {
            lot: lot.clone(),
            good_until: stock.good_until(lot),
            standing,
            use_first_in: first.clone(),
        })
        .collect();
    let mut machines: Vec<String> =
        fitting(stock, supplies).map(|supply| supply.device_name.to_owned()).collect();
    machines.dedup();
    PartLine { part: stock.part.clone(), units: stock.units(), lots, machines }
}
