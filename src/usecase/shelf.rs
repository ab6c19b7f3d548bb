//! What the shelf's pages and commands show, put together from the store.

use std::borrow::Cow;
use std::collections::BTreeMap;

use super::picture::Picture;
use super::sift::{Leaf, Words};
use super::view::{LotLine, MovementLine, PartLine, PartView, ShelfView, SlotChoice, TakenBy};
use crate::domain::ids::{DeviceId, PartId, SlotId};
use crate::domain::outlook::Present;
use crate::domain::rules::Practice;
use crate::domain::shelf::{Need, Stock, Supply, needs_of, standings, use_first};
use crate::store::devices::DeviceRow;
use crate::store::outlooks::{OutlookRow, Wanted};
use crate::store::{Result, Store};

/// How many movements the page of a part shows.
const MOVEMENTS: i64 = 200;
/// How many slots the page of a part lets one choose from; others are found by their machine's name.
pub const SLOTS_TO_CHOOSE: usize = 60;

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

    /// Those of one machine; none if it is not watched.
    pub(super) async fn of_device(store: &Store, device: DeviceId) -> Result<Self> {
        let rows = store.devices(Some(device)).await?;
        Ok(Self::of(&rows, store.outlooks(Wanted::Device(device)).await?))
    }

    /// Those of the machine that has a slot; none if it is not watched.
    pub(super) async fn around(store: &Store, slot: SlotId) -> Result<Self> {
        match store.supply_of(slot).await? {
            Some((device, _)) => Self::of_device(store, device).await,
            None => Ok(Self::none()),
        }
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

/// What takes each part.
#[derive(Debug, Clone, Default)]
pub(super) struct Takers(BTreeMap<PartId, Taker>);

/// What takes one part.
#[derive(Debug, Clone, Default)]
struct Taker {
    needs: Vec<Need>,
    machines: TakenBy,
    /// The slots, the one that ends first in front.
    slots: Vec<SlotChoice>,
}

impl Takers {
    /// As the supplies of the print room stand.
    pub(super) fn of(stocks: &[Stock], supplies: &[Supply<'_>]) -> Self {
        Self(stocks.iter().map(|stock| (stock.id, taker(stock, stocks, supplies))).collect())
    }

    async fn load(store: &Store, stocks: &[Stock]) -> Result<Self> {
        let supplies = Supplies::load(store).await?;
        Ok(Self::of(stocks, &supplies.all()))
    }

    /// Of a part that came into the catalogue after this was put together, nothing is known yet.
    fn of_part(&self, part: PartId) -> Cow<'_, Taker> {
        self.0.get(&part).map_or_else(Cow::default, Cow::Borrowed)
    }
}

fn taker(stock: &Stock, all: &[Stock], supplies: &[Supply<'_>]) -> Taker {
    let mut slots: Vec<SlotChoice> = fitting(stock, supplies).map(choice).collect();
    let mut machines: Vec<&str> = fitting(stock, supplies).map(|supply| supply.device_name).collect();
    machines.dedup();
    let machines = TakenBy::of(&machines);
    // Who needs one first is likely the one it is taken for.
    slots.sort_by(|a, b| (a.ends, &a.device_name, a.slot.index).cmp(&(b.ends, &b.device_name, b.slot.index)));
    Taker { needs: needs_of(stock, all, supplies), machines, slots }
}

/// What is asked of the page of a part.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PartAsked {
    /// Only slots with all of these words in their machine's name or their own.
    pub find: String,
    /// A slot that is among those that can be chosen in any case.
    pub chosen: Option<SlotId>,
}

/// The shelf, part by part.
///
/// # Errors
/// If the store cannot be reached.
pub async fn shelf(store: &Store, present: &Present, practice: &Practice) -> Result<ShelfView> {
    let stocks = store.stocks(None).await?;
    let takers = Takers::load(store, &stocks).await?;
    Ok(shelf_of(&stocks, &takers, present, practice))
}

/// The same with what a picture of the print room says of machines.
///
/// # Errors
/// If the store cannot be reached.
pub async fn shelf_page(
    store: &Store,
    picture: &Picture,
    present: &Present,
    practice: &Practice,
) -> Result<ShelfView> {
    Ok(shelf_of(&store.stocks(None).await?, picture.takers(), present, practice))
}

fn shelf_of(stocks: &[Stock], takers: &Takers, present: &Present, practice: &Practice) -> ShelfView {
    let line = |stock| part_line(stock, &takers.of_part(stock.id), present, practice);
    ShelfView { today: present.today(), parts: stocks.iter().map(line).collect() }
}

/// One part with every slot that it fits; `None` if none has that number.
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
    let takers = Takers::load(store, &stocks).await?;
    let taker = takers.of_part(stock.id);
    let slots = Leaf::whole(taker.slots.clone());
    part_of(store, stock, &taker, slots, (present, practice)).await.map(Some)
}

/// The page of one part, with what a picture of the print room says of machines; `None` if none has that number.
///
/// # Errors
/// If the store cannot be reached.
pub async fn part_page(
    store: &Store,
    (number, asked): (&str, &PartAsked),
    picture: &Picture,
    present: &Present,
    practice: &Practice,
) -> Result<Option<PartView>> {
    let Some(stock) = store.stocks(Some(number)).await?.pop() else { return Ok(None) };
    let taker = picture.takers().of_part(stock.id);
    let words = Words::of(&asked.find);
    let wanted = |choice: &&SlotChoice| {
        words.is_empty()
            || words.are_in(&format!("{} {}", choice.device_name, choice.slot.label()).to_lowercase())
    };
    let found: Vec<&SlotChoice> = taker.slots.iter().filter(wanted).collect();
    let mut slots = Leaf::of(found, 1, SLOTS_TO_CHOOSE, taker.slots.len()).map(SlotChoice::clone);
    let is_chosen = |choice: &&SlotChoice| Some(choice.slot.id) == asked.chosen;
    if !slots.lines.iter().any(|choice| is_chosen(&choice)) {
        slots.lines.extend(taker.slots.iter().find(is_chosen).cloned());
    }
    part_of(store, &stock, &taker, slots, (present, practice)).await.map(Some)
}

async fn part_of(
    store: &Store,
    stock: &Stock,
    taker: &Taker,
    slots: Leaf<SlotChoice>,
    (present, practice): (&Present, &Practice),
) -> Result<PartView> {
    let movements = store.movements(stock.id, MOVEMENTS).await?;
    Ok(PartView {
        today: present.today(),
        line: part_line(stock, taker, present, practice),
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
    })
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

fn part_line(stock: &Stock, taker: &Taker, present: &Present, practice: &Practice) -> PartLine {
    let first = use_first(&taker.needs).map(|need| need.device_name.clone());
    let lots = standings(stock, &taker.needs, present.today(), practice.expiry_ahead_days)
        .into_iter()
        .map(|(lot, standing)| LotLine {
            lot: lot.clone(),
            good_until: stock.good_until(lot),
            standing,
            use_first_in: first.clone(),
        })
        .collect();
    PartLine { part: stock.part.clone(), units: stock.units(), lots, machines: taker.machines.clone() }
}
