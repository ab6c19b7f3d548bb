//! What a machine's units were, what a person is asked about them, and what was answered.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use crate::domain::advice::ask::{Asked, ask_tasks};
use crate::domain::fitted::{Issue, Origin, origins};
use crate::domain::ids::{DeviceId, LotId, MovementId, PartId, SlotId};
use crate::domain::install::{Answered, Install, Question};
use crate::domain::outlook::Present;
use crate::domain::part::Price;
use crate::domain::reading::Role;
use crate::domain::shelf::{Lot, Stock};
use crate::domain::task::Task;
use crate::store::slots::SlotRow;
use crate::store::{Result, Store, Work};

/// Where a unit came from is asked for so long after it went in.
const ASKED_FOR: SignedDuration = SignedDuration::from_hours(45 * 24);

/// The units of a machine.
#[derive(Debug, Clone)]
pub struct UnitsView {
    /// The machine.
    pub device: DeviceId,
    /// Its name.
    pub name: String,
    /// Its model.
    pub model: Option<String>,
    /// Its slots, in the device's own order.
    pub slots: Vec<SlotUnits>,
}

impl UnitsView {
    /// How many things a person is asked.
    #[must_use]
    pub fn open(&self) -> usize {
        let lots = |slot: &SlotUnits| slot.units.iter().filter(|unit| !unit.likely_lots.is_empty()).count();
        self.slots.iter().map(|slot| slot.questions.len() + lots(slot)).sum()
    }
}

/// The units of a slot.
#[derive(Debug, Clone)]
pub struct SlotUnits {
    /// The slot, and what is known of it.
    pub row: SlotRow,
    /// The parts that fit, and what each holds.
    pub fits: Vec<(PartId, String)>,
    /// The units that were in it, latest first.
    pub units: Vec<UnitLine>,
    /// What is asked, latest first.
    pub questions: Vec<Question>,
    /// What was answered, latest first.
    pub answers: Vec<Answered>,
}

/// One unit.
#[derive(Debug, Clone)]
pub struct UnitLine {
    /// The unit.
    pub install: Install,
    /// Where it came from.
    pub origin: Origin,
    /// The lot and movement that it came from, where that is known.
    pub issue: Option<Issue>,
    /// What the rest was worth with which it came out, where its part's price is known.
    pub lost: Option<Price>,
    /// The lots that it may have come from, the likely one first; empty where that is not asked.
    pub likely_lots: Vec<(LotId, String, Lot)>,
}

/// What all of a device's slots went through, or of all that are watched.
struct Past {
    slots: Vec<SlotRow>,
    installs: BTreeMap<SlotId, Vec<Install>>,
    issues: BTreeMap<SlotId, Vec<Issue>>,
    told: BTreeMap<SlotId, BTreeMap<Timestamp, Option<MovementId>>>,
    questions: BTreeMap<SlotId, Vec<Question>>,
}

impl Past {
    async fn load(work: &mut Work, device: Option<DeviceId>, since: Option<Timestamp>) -> Result<Self> {
        let earlier = since.and_then(|since| since.checked_sub(ASKED_FOR).ok());
        Ok(Self {
            slots: Store::slots_in(work, device).await?,
            installs: Store::installs_in(work, device, since).await?,
            issues: Store::issues_in(work, device, earlier).await?,
            told: Store::fitted_in(work, device).await?,
            questions: Store::questions_in(work, device).await?,
        })
    }

    /// The units of a slot, earliest first, each with where it came from.
    fn units(&mut self, slot: SlotId) -> Vec<(Install, Origin)> {
        let installs = self.installs.remove(&slot).unwrap_or_default();
        let units: Vec<_> = installs.iter().map(|install| (install.from, install.arrival)).collect();
        let issues = self.issues.get(&slot).map(Vec::as_slice).unwrap_or_default();
        let issues: Vec<_> = issues.iter().map(|issue| (issue.movement, issue.at)).collect();
        let told = self.told.remove(&slot).unwrap_or_default();
        installs.into_iter().zip(origins(&units, &issues, &told)).collect()
    }
}

/// The units of one machine; `None` if there is none of that number.
///
/// # Errors
/// If the store cannot be reached.
pub async fn units(store: &Store, device: DeviceId, present: &Present) -> Result<Option<UnitsView>> {
    let Some(row) = store.devices(Some(device)).await?.pop() else { return Ok(None) };
    let stocks = store.stocks(None).await?;
    let mut work = store.begin().await?;
    let mut past = Past::load(&mut work, Some(device), None).await?;
    let mut answers = Store::answers_in(&mut work, device).await?;
    let slots = std::mem::take(&mut past.slots);
    let slots = slots
        .into_iter()
        .map(|row| {
            let slot = row.slot.id;
            let fits = fitting(&stocks, &row);
            let mut units: Vec<UnitLine> = past
                .units(slot)
                .into_iter()
                .map(|(install, origin)| {
                    let issues = past.issues.get(&slot).map(Vec::as_slice).unwrap_or_default();
                    unit_line(install, origin, issues, (&row, &fits), present)
                })
                .collect();
            units.reverse();
            let mut questions = past.questions.remove(&slot).unwrap_or_default();
            questions.reverse();
            SlotUnits {
                fits: fits.iter().map(|stock| (stock.id, stock.part.number.clone())).collect(),
                units,
                questions,
                answers: answers.remove(&slot).unwrap_or_default(),
                row,
            }
        })
        .collect();
    Ok(Some(UnitsView { device, name: row.name, model: row.model, slots }))
}

fn fitting<'a>(stocks: &'a [Stock], row: &SlotRow) -> Vec<&'a Stock> {
    let model = row.model.as_deref();
    stocks.iter().filter(|stock| stock.part.fits(&row.slot, model)).collect()
}

fn unit_line(
    install: Install,
    origin: Origin,
    issues: &[Issue],
    (row, fits): (&SlotRow, &[&Stock]),
    present: &Present,
) -> UnitLine {
    let movement = match origin {
        Origin::Told(movement) => movement,
        Origin::Issued(movement) => Some(movement),
        Origin::Found | Origin::Unknown => None,
    };
    let issue = issues.iter().find(|issue| Some(issue.movement) == movement).cloned();
    let part = match (&issue, row.chosen, fits) {
        (Some(issue), ..) => fits.iter().find(|stock| stock.id == issue.part),
        (None, Some(chosen), _) => fits.iter().find(|stock| stock.id == chosen),
        (None, None, [only]) => Some(only),
        _ => None,
    };
    let price = part.and_then(|stock| stock.part.price).filter(|_| row.slot.role == Role::Consumed);
    let lost = install.to.and(price).and_then(|price| worth(price, &install));
    let likely_lots = match origin {
        Origin::Unknown if asks(&install, present) => likely_lots(fits, present),
        _ => Vec::new(),
    };
    UnitLine { install, origin, issue, lost, likely_lots }
}

/// Whether it is so lately that a person can tell where the unit came from.
fn asks(install: &Install, present: &Present) -> bool {
    present.now.duration_since(install.from) <= ASKED_FOR
}

/// What is left in a unit is worth that share of its price.
fn worth(price: Price, install: &Install) -> Option<Price> {
    let share = (install.end / install.capacity?).clamp(0.0, 1.0);
    let minor = (price.minor as f64 * share).round() as i64;
    Some(Price { minor, currency: price.currency })
}

/// The lots that a unit may have come from: what is still good first, oldest first.
fn likely_lots(fits: &[&Stock], present: &Present) -> Vec<(LotId, String, Lot)> {
    let mut lots: Vec<_> = fits
        .iter()
        .flat_map(|stock| stock.oldest_first().into_iter().map(move |lot| (*stock, lot)))
        .map(|(stock, lot)| (!stock.is_good_on(lot, present.today()), lot.made_on, stock, lot))
        .collect();
    lots.sort_by_key(|(past, made_on, _, lot)| (*past, *made_on, lot.id));
    lots.into_iter().map(|(.., stock, lot)| (lot.id, stock.part.number.clone(), lot.clone())).collect()
}

/// The tasks that ask something: of all machines that are watched.
///
/// # Errors
/// If the store cannot be reached.
pub async fn tasks(store: &Store, stocks: &[Stock], present: &Present) -> Result<Vec<Task>> {
    let mut work = store.begin().await?;
    let since = present.now.checked_sub(ASKED_FOR).ok();
    let mut past = Past::load(&mut work, None, since).await?;
    let slots = std::mem::take(&mut past.slots);
    let mut asked: BTreeMap<DeviceId, Asked> = BTreeMap::new();
    for row in &slots {
        let questions = past.questions.remove(&row.slot.id).unwrap_or_default();
        let fits = fitting(stocks, row);
        let stocked = fits.iter().any(|stock| stock.units() > 0);
        let units = past.units(row.slot.id);
        let unknown = units
            .iter()
            .filter(|(install, origin)| stocked && *origin == Origin::Unknown && asks(install, present))
            .count();
        if questions.is_empty() && unknown == 0 {
            continue;
        }
        let of_device = asked.entry(row.slot.device).or_insert_with(|| Asked::new(&row.device_name));
        of_device.falls.extend(questions.into_iter().map(|question| (row.slot.clone(), question)));
        of_device.units.extend(std::iter::repeat_n(row.slot.clone(), unknown));
    }
    Ok(ask_tasks(&asked, present))
}

/// The slots of a name: of one device if it is given, by number in the device.
///
/// # Errors
/// If the store cannot be reached.
pub async fn slots(store: &Store, device: Option<DeviceId>) -> Result<Vec<SlotRow>> {
    let mut work = store.begin().await?;
    Store::slots_in(&mut work, device).await
}
