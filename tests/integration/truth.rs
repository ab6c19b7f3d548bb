//! A simulated room's history, brought in as a demo does, and held to what really happened.
//!
//! How far a figure may be from the truth follows from the sensors alone. A reading is wrong by less than one
//! step of rounding, and by the sensor's jitter. Fitting a non-increasing sequence never adds to the largest
//! error (isotonic regression is a contraction in the supremum norm; Barlow et al., *Statistical Inference
//! under Order Restrictions*, 1972), so each end of a unit's span is off by no more than that, and what a unit
//! gave by twice as much. What goes between the last poll of a unit and its swap, within a quarter of an hour,
//! is seen by nobody; it is known here, and kept apart.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::BTreeMap;

use jiff::Timestamp;
use mock_agent::{PrinterPlan, SupplyTruth, Swap, Truth, Unit};
use ullage::domain::month::{Month, MonthReport};
use ullage::domain::reading::Role;
use ullage::domain::units::Measure;
use ullage::store::outlooks::Wanted;
use ullage::usecase::month::month_report;

use crate::support::loft::{Loft, moment};

/// Days of history; they hold all of March 2026, with its change of the clocks.
const DAYS: u32 = 32;
/// The machine that cannot be reached for 66 hours and goes on printing.
const UNREACHED: usize = 2;

/// The largest error of one reading, in the measure that it is told in.
fn error(plan: &PrinterPlan) -> f64 {
    let unit = match plan.sensor.unit {
        Unit::TenthsOfMillilitres => 0.1,
        Unit::HundredthsOfFluidOunces => 0.295_735_295_625,
        Unit::Percent => 1.0,
        Unit::TenthsOfGrams => unreachable!("no machine of this room weighs its ink"),
    };
    unit * f64::from(plan.sensor.step) * (1.0 + plan.sensor.jitter)
}

/// Millilitres of the truth in the measure that the machine tells its levels in.
fn in_measure(plan: &PrinterPlan, supply: &SupplyTruth, ml: f64) -> f64 {
    if plan.sensor.unit == Unit::Percent { 100.0 * ml / supply.capacity_ml } else { ml }
}

/// What really went on the days of March.
fn in_march(truth: &Truth, supply: &SupplyTruth) -> f64 {
    let march = Month::of(jiff::civil::date(2026, 3, 1));
    let day = |n: usize| truth.first_day + jiff::Span::new().days(i64::try_from(n).unwrap());
    let days = supply.daily_ml.iter().enumerate();
    days.filter(|(n, _)| Month::of(day(*n)) == march).map(|(_, ml)| ml).sum()
}

/// One unit that was put in, as the store has it.
#[derive(Debug, sqlx::FromRow)]
struct Unitary {
    name: String,
    supply_index: i32,
    arrival: String,
    from_at: String,
    previous_at: Option<String>,
    capacity: Option<f64>,
    start_left: f64,
    end_left: f64,
    used: f64,
    unseen: f64,
}

async fn units(loft: &Loft) -> Vec<Unitary> {
    sqlx::query_as(
        "select device.name, supply_index, arrival, to_json(from_at)#>>'{}' as from_at,
                to_json(previous_at)#>>'{}' as previous_at, install.capacity, start_left, end_left,
                coalesce(sum(used), 0) as used, coalesce(sum(unseen), 0) as unseen
         from install join slot on slot.id = slot_id join device on device.id = slot.device_id
         join reading on reading.slot_id = slot.id and reading.at = from_at
         left join ledger_day on install_id = install.id
         group by install.id, install.device_id, device.name, supply_index, previous_at
         order by device.name, supply_index, install.from_at",
    )
    .fetch_all(loft.service.store.pool())
    .await
    .unwrap()
}

type Place = (String, i32);

fn by_supply(units: &[Unitary]) -> BTreeMap<Place, Vec<&Unitary>> {
    let mut found: BTreeMap<Place, Vec<&Unitary>> = BTreeMap::new();
    for unit in units {
        found.entry((unit.name.clone(), unit.supply_index)).or_default().push(unit);
    }
    found
}

/// Every supply of the room: its machine's place and plan, what is true, and the units that were found.
fn supplies<'a>(
    loft: &'a Loft,
    truth: &'a Truth,
    found: &'a BTreeMap<Place, Vec<&'a Unitary>>,
) -> Vec<(usize, &'a PrinterPlan, &'a SupplyTruth, &'a [&'a Unitary])> {
    let mut all = Vec::new();
    for (place, (plan, printer)) in loft.scenario.printers.iter().zip(&truth.printers).enumerate() {
        for supply in &printer.supplies {
            let key = (printer.name.clone(), i32::try_from(supply.index).unwrap());
            all.push((place, plan, supply, found[&key].as_slice()));
        }
    }
    assert_eq!(all.len(), 13, "all supplies of the room");
    all
}

/// The swaps of one supply, in the order of time.
fn swaps<'a>(
    truth: &'a Truth,
    place: usize,
    supply: &SupplyTruth,
) -> impl Iterator<Item = &'a Swap> + use<'a> {
    let wanted = (place, supply.index);
    truth.swaps.iter().filter(move |swap| (swap.printer, swap.supply) == wanted)
}

/// What went between the last poll of each unit and its swap. A job takes at most so much of a cartridge in a
/// quarter of an hour.
fn missed(truth: &Truth, plan: &PrinterPlan, supply: &SupplyTruth, place: usize, units: &[&Unitary]) -> f64 {
    let mut sum = 0.0;
    let silent = |at: Timestamp| {
        let mut spans = truth.printers[place].dark.iter();
        spans.any(|span| span.from <= at && span.until.is_none_or(|until| at <= until))
    };
    let watched = units.iter().zip(swaps(truth, place, supply)).filter(|(_, swap)| !silent(swap.at));
    for (unit, swap) in watched {
        let missed = unit.end_left - in_measure(plan, supply, swap.old_ml);
        let most = 0.05 * unit.capacity.unwrap();
        let within = -error(plan) <= missed && missed <= most + error(plan);
        assert!(within, "{} {}: {missed}, {swap:?}", plan.name, supply.description);
        sum += missed.max(0.0);
    }
    sum
}

#[tokio::test(flavor = "multi_thread")]
async fn a_history_is_held_to_its_truth() {
    let loft = Loft::brought_in(moment("2026-04-01T10:00"), DAYS).await;
    let truth = loft.demo.lock().truth().clone();
    assert_eq!(truth.as_of, moment("2026-04-01T10:00"));
    assert!(truth.swaps.len() >= 10, "{} swaps are too few to say anything", truth.swaps.len());
    let units = units(&loft).await;
    let found = by_supply(&units);
    swaps_are_found(&truth, &loft, &found);
    what_was_used_is_what_really_went(&loft, &truth, &found);
    a_unit_gave_the_sum_of_its_days(&loft, &units);
    let present = loft.service.present();
    let report = month_report(&loft.service.store, "2026-03".parse().unwrap(), &present).await.unwrap();
    the_month_is_true(&loft, &truth, &found, &report);
    the_month_is_the_sum_of_its_ledger(&loft, &report).await;
    receptacles_are_as_full_as_they_are(&loft, &truth).await;
}

/// Each swap is found, no other is, and each lies in the silence between two polls that it was found in.
fn swaps_are_found(truth: &Truth, loft: &Loft, found: &BTreeMap<Place, Vec<&Unitary>>) {
    for (place, _, supply, units) in supplies(loft, truth, found) {
        let name = format!("{} {}", truth.printers[place].name, supply.description);
        let swaps: Vec<Timestamp> = truth
            .swaps
            .iter()
            .filter(|swap| (swap.printer, swap.supply) == (place, supply.index))
            .map(|swap| swap.at)
            .collect();
        assert_eq!(units[0].arrival, "found", "{name}");
        assert_eq!(units.len() - 1, swaps.len(), "swaps of {name}: {swaps:?}, found {units:?}");
        for (unit, swap) in units[1..].iter().zip(swaps) {
            let seen: Timestamp = unit.from_at.parse().unwrap();
            let before: Timestamp = unit.previous_at.as_ref().unwrap().parse().unwrap();
            assert!(before < swap && swap <= seen, "{name}: {before} < {swap} <= {seen}");
            assert!(unit.arrival == "risen" || unit.arrival == "resized", "{name}: {}", unit.arrival);
        }
    }
}

fn what_was_used_is_what_really_went(loft: &Loft, truth: &Truth, found: &BTreeMap<Place, Vec<&Unitary>>) {
    for (place, plan, supply, units) in supplies(loft, truth, found) {
        let name = format!("{} {}", plan.name, supply.description);
        let really = in_measure(plan, supply, supply.daily_ml.iter().sum());
        let used: f64 = units.iter().map(|unit| unit.used).sum();
        let unseen: f64 = units.iter().map(|unit| unit.unseen).sum();
        let bound = 2.0 * error(plan) * units.len() as f64;
        let most = used + unseen + missed(truth, plan, supply, place, units) + bound;
        assert!(used - bound <= really && really <= most, "{name}: {used} is not {really}");
        assert!(place == UNREACHED || unseen == 0.0, "{name} was watched all the time: {unseen}");
        assert!(really > 4.0 * bound, "{name}: {really} is too little to be told from {bound}");
    }
}

/// What a unit gave is the fall of its own level, and at most what a new one lacked when it was first seen.
/// A level is what the fit says at the beginning, and what the machine said at the end: the same, but for jitter.
fn a_unit_gave_the_sum_of_its_days(loft: &Loft, units: &[Unitary]) {
    for unit in units {
        let plan = loft.scenario.printers.iter().find(|plan| plan.name == unit.name).unwrap();
        let bound = if plan.sensor.jitter > 0.0 { error(plan) } else { 1e-6 };
        let fell = unit.start_left - unit.end_left;
        let lacked = unit.capacity.unwrap() - unit.start_left;
        let whole = (fell - unit.used).abs() <= bound;
        let made_up = (fell + lacked - unit.used).abs() <= bound && unit.arrival != "found";
        assert!(whole || made_up, "{unit:?}: fell {fell}");
    }
}

fn the_month_is_true(
    loft: &Loft,
    truth: &Truth,
    found: &BTreeMap<Place, Vec<&Unitary>>,
    report: &MonthReport,
) {
    assert!(report.complete);
    let march = (moment("2026-03-01T00:00"), moment("2026-04-01T00:00"));
    for (place, plan, supply, units) in supplies(loft, truth, found) {
        let device = report.devices.iter().find(|device| device.name == plan.name).unwrap();
        let told = &device.supplies[supply.index as usize - 1];
        let name = format!("{} {}", plan.name, told.label);
        let swaps: Vec<f64> = swaps(truth, place, supply)
            .filter(|swap| march.0 <= swap.at && swap.at < march.1)
            .map(|swap| in_measure(plan, supply, swap.old_ml))
            .collect();
        let really = in_measure(plan, supply, in_march(truth, supply));
        let bound = 2.0 * error(plan) * units.len() as f64;
        let missed = missed(truth, plan, supply, place, units);
        let most = told.used + told.unseen + missed + bound;
        assert!(told.used - bound <= really && really <= most, "{name}: {told:?} is not {really}");
        assert_eq!(told.swaps as usize, swaps.len(), "{name}");
        let left: f64 = swaps.iter().sum();
        if place != UNREACHED {
            let bound = error(plan) * swaps.len() as f64 + 1e-9;
            let above = told.left_in_swapped - left;
            assert!(-bound <= above && above <= missed + bound, "{name}: {told:?}, {left} was left");
        }
        assert_eq!(told.spread > 0.0, place == UNREACHED, "{name}: {told:?}");
        // March of 2026 has 743 hours in Lisbon; 66 of them were silent, and a poll more or less.
        let answered = if place == UNREACHED { 1.0 - 66.0 / 743.0 } else { 1.0 };
        assert!((device.coverage - answered).abs() < 0.002, "{}: {}", plan.name, device.coverage);
    }
}

async fn the_month_is_the_sum_of_its_ledger(loft: &Loft, report: &MonthReport) {
    let sums: Vec<(i64, f64, f64, f64)> = sqlx::query_as(
        "select slot_id, sum(used), sum(spread), sum(unseen) from ledger_day
         where day between '2026-03-01' and '2026-03-31' group by slot_id",
    )
    .fetch_all(loft.service.store.pool())
    .await
    .unwrap();
    let told: Vec<_> = report.devices.iter().flat_map(|device| &device.supplies).collect();
    assert_eq!((told.len(), sums.len()), (13, 13));
    for (slot, used, spread, unseen) in &sums {
        let supply = told.iter().find(|supply| supply.slot.0 == *slot).unwrap();
        for (ours, theirs) in [(supply.used, used), (supply.spread, spread), (supply.unseen, unseen)] {
            // A report is in thousandths.
            assert!((ours - theirs).abs() < 0.000_501, "{}: {ours} is not {theirs}", supply.label);
        }
    }
    // Hundredths of units of unlike size do not add up; millilitres do.
    let in_ml = |slot: i64| told.iter().any(|s| s.slot.0 == slot && s.measure == Measure::Millilitres);
    let all: f64 = sums.iter().filter(|(slot, ..)| in_ml(*slot)).map(|(_, used, ..)| used).sum();
    let totals: f64 = report.totals().iter().map(|total| total.used).sum();
    assert!(
        (all - totals).abs() < 0.000_501 * sums.len() as f64,
        "{totals} in the report, {all} in the ledger"
    );
}

async fn receptacles_are_as_full_as_they_are(loft: &Loft, truth: &Truth) {
    let rows = loft.service.store.outlooks(Wanted::All).await.unwrap();
    let receptacles: Vec<_> = rows.iter().filter(|row| row.outlook.slot.role == Role::Filled).collect();
    assert_eq!(receptacles.len(), 4);
    for row in receptacles {
        let place = truth.printers.iter().position(|printer| printer.name == row.device_name).unwrap();
        let (plan, supply) = (&loft.scenario.printers[place], truth.printers[place].supplies.last().unwrap());
        let error = error(plan) / in_measure(plan, supply, supply.capacity_ml);
        let filled = 1.0 - supply.level_ml / supply.capacity_ml;
        let told = row.outlook.level.fraction().unwrap().complement().value();
        // A capacity in whole units is off by half a unit itself.
        assert!((told - filled).abs() <= 1.5 * error, "{}: {told} is not {filled}", plan.name);
    }
}
