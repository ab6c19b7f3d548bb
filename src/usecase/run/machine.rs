//! One machine as a run meets it.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::notes::{self, Ground};
use super::{FreshUnit, MachineRun};
use crate::domain::cover::{Cover, covers};
use crate::domain::flow::Scale;
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::outlook::{Outlook, Present, Slot};
use crate::domain::part::{Part, PartKind};
use crate::domain::plumbing::{Map, Plumbing, is_ink};
use crate::domain::reading::{Amount, Role};
use crate::domain::rules::Practice;
use crate::domain::run::before::Before;
use crate::domain::run::black::Black;
use crate::domain::run::check::{Check, HeadAt, Inside, Tank};
use crate::domain::run::learn::{Rate, Source, USUAL_ML};
use crate::domain::run::odds::{Left, Rounding};
use crate::domain::run::past::{MediaWidth, Printed, Stretch, beside, counted, logged};
use crate::domain::run::plan::RunPlan;
use crate::domain::shelf::{Stock, Supply};
use crate::domain::sizes::full_ml;
use crate::domain::units::{Measure, metres_each};
use crate::store::devices::DeviceRow;
use crate::store::heads::HeadRow;
use crate::store::outlooks::OutlookRow;
use crate::store::runs::{Counted, PrintedRow};

/// What is known of the past of several machines.
pub(super) struct Past {
    pub(super) counts: BTreeMap<DeviceId, Vec<Counted>>,
    pub(super) used: BTreeMap<SlotId, BTreeMap<Date, f64>>,
    pub(super) widths: BTreeMap<DeviceId, MediaWidth>,
    pub(super) printed: Vec<PrintedRow>,
    pub(super) heads: Vec<HeadRow>,
    pub(super) plumbing: BTreeMap<String, Option<Plumbing>>,
}

impl Past {
    /// What a machine printed before today, and where that is known from.
    fn areas(&self, device: DeviceId, today: Date) -> Option<(Source, Vec<Stretch>)> {
        let width = self.widths.get(&device).map(|width| width.metres());
        let counts = self.counts.get(&device).into_iter().flatten();
        let by_count = counts.filter_map(|of| {
            let areas = counted(&of.days, metres_each(of.unit?)?, width?, today);
            // A count that never moves counts something else.
            areas.iter().any(|of| of.area > 0.0).then_some((Source::Counted, areas))
        });
        // A machine with several markers counts the same media in each.
        let by_count = by_count.max_by_key(|(_, areas)| areas.len());
        by_count.or_else(|| {
            let of_device = self.printed.iter().filter(|row| row.device == device);
            let runs: Vec<Printed> = of_device.map(|row| row.run.clone()).collect();
            let areas = logged(&runs, today);
            (!areas.is_empty()).then_some((Source::Logged, areas))
        })
    }
}

/// Whether a machine with these supplies prints with ink.
pub(super) fn prints(supplies: &[OutlookRow]) -> bool {
    supplies.iter().any(|row| is_ink(&row.outlook.slot))
}

/// Checks a queue at one machine.
pub(super) fn check(
    device: &DeviceRow,
    supplies: Vec<OutlookRow>,
    past: &Past,
    stocks: &[Stock],
    plan: &RunPlan,
    present: &Present,
    practice: &Practice,
) -> MachineRun {
    let areas = past.areas(device.id, present.today());
    let width = past.widths.get(&device.id).copied();
    let wanted = |row: &OutlookRow| {
        let slot = &row.outlook.slot;
        is_ink(slot) || PartKind::of_slot(slot) == PartKind::Receptacle
    };
    let outlooks: Vec<Outlook> = supplies.into_iter().filter(wanted).map(|row| row.outlook).collect();
    let machine = Machine { model: device.model.as_deref(), outlooks: &outlooks, stocks };
    let scaled: Vec<Scaled> = outlooks.iter().map(|outlook| machine.scaled(outlook)).collect();
    let tanks = tanks(&outlooks, &scaled, past, areas.as_ref());
    let map = Map::of(
        device.model.as_ref().and_then(|model| past.plumbing.get(model).cloned().flatten()),
        outlooks.iter().map(|outlook| &outlook.slot),
    );
    let heads = heads(device.id, &outlooks, &map, &past.heads);
    let check = Check::new(tanks, &heads, plan, practice.service_level);
    let before = Before::new(&check, practice.service_level);
    let fresh = machine.fresh(&before, &device.name, present.today());
    let ground = Ground {
        device,
        width,
        printed: areas.is_some(),
        scaled: scaled.iter().filter_map(|of| of.taken.clone()).collect(),
        heads: !heads.is_empty(),
    };
    let notes = notes::of(&check, plan, &ground, present);
    let media = width.map(MediaWidth::metres);
    let too_narrow = plan.widest().zip(media).is_some_and(|(wants, has)| wants > has);
    MachineRun {
        device: device.id,
        name: device.name.clone(),
        model: device.model.clone(),
        media,
        too_narrow,
        check,
        before,
        fresh,
        notes,
    }
}

/// How a supply's figures become what a run is reckoned in.
struct Scaled {
    measure: Measure,
    each: f64,
    /// What a whole unit is taken to hold, where the device does not tell it.
    taken: Option<String>,
    fresh: Option<f64>,
}

struct Machine<'a> {
    model: Option<&'a str>,
    outlooks: &'a [Outlook],
    stocks: &'a [Stock],
}

impl Machine<'_> {
    fn scaled(&self, outlook: &Outlook) -> Scaled {
        let (slot, level) = (&outlook.slot, &outlook.level);
        let capacity = level.capacity.known();
        let full = full_ml(slot, self.model, self.stocks, None);
        let told = level.measure == Measure::Millilitres;
        let parts: Vec<&Part> = self.stocks.iter().map(|stock| &stock.part).collect();
        let each = match slot.role {
            _ if told => Some(1.0),
            Role::Consumed => {
                Scale::of(slot, self.model, level.measure, &parts).ml_each(level.measure, capacity)
            }
            // What a receptacle holds is not assumed.
            Role::Filled => full.zip(capacity).map(|(full, all)| full / all),
        };
        let Some(each) = each else {
            return Scaled { measure: level.measure, each: 1.0, taken: None, fresh: capacity };
        };
        let whole = capacity.map(|all| all * each);
        let taken = (!told).then_some(whole).flatten();
        let taken =
            taken.map(|ml| format!("A whole {} is taken to hold {ml:.0} ml", slot.label().to_lowercase()));
        Scaled { measure: Measure::Millilitres, each, taken, fresh: full.or(whole) }
    }

    /// What goes in for each swap. Only what the swaps of this queue need is shared out among them.
    fn fresh(&self, before: &Before, name: &str, today: Date) -> Vec<FreshUnit> {
        let swapped: Vec<&Outlook> = before.swaps.iter().map(|swap| &self.outlooks[swap.tank]).collect();
        let supplies: Vec<Supply<'_>> =
            swapped.iter().map(|outlook| Supply { outlook, device_name: name, model: self.model }).collect();
        let covered = covers(&supplies, self.stocks, &[], today);
        let unit = |slot: &Slot| FreshUnit {
            label: slot.label(),
            unit: match covered.get(&slot.id) {
                Some(Cover::Unit(unit)) => Ok((unit.part.clone(), unit.pointed_at())),
                Some(Cover::NoneThere { part } | Cover::NeededElsewhere { part, .. }) => {
                    Err(format!("no good {part} is on the shelf"))
                }
                Some(Cover::OnOrder(unit)) => Err(format!("{} is on order only", unit.part)),
                Some(Cover::NoPart) | None => Err("no part in the catalogue fits it".to_owned()),
            },
        };
        swapped.into_iter().map(|outlook| unit(&outlook.slot)).collect()
    }
}

fn inside(outlook: &Outlook, scaled: &Scaled) -> Inside {
    let level = &outlook.level;
    let capacity = level.capacity.known().map(|all| all * scaled.each);
    let receptacle = outlook.slot.role == Role::Filled;
    match (level.remaining, capacity) {
        (Amount::Measured(left), _) => {
            let (left, step) = (left * scaled.each, level.step * scaled.each);
            Inside::Told(Left::told(left, step, Rounding::Unknown, capacity))
        }
        (Amount::SomeLeft, Some(capacity)) => Inside::SomeLeft(Left::some_of(capacity)),
        (Amount::SomeLeft, None) if receptacle => {
            Inside::Untold("the device says only that there is some room left, and not what it holds".into())
        }
        (Amount::SomeLeft, None) => {
            Inside::Untold("the device says only that some is left, and not what it holds when full".into())
        }
        (Amount::Unlimited, _) => Inside::Unlimited,
        (Amount::Unknown, _) => Inside::Untold("the device does not tell its level".into()),
    }
}

fn tanks(
    outlooks: &[Outlook],
    scaled: &[Scaled],
    past: &Past,
    areas: Option<&(Source, Vec<Stretch>)>,
) -> Vec<Tank> {
    let labels: Vec<String> = outlooks.iter().map(|outlook| outlook.slot.label()).collect();
    let inks = outlooks.iter().filter(|outlook| outlook.slot.role == Role::Consumed).count();
    // Of two blacks one rests.
    let blacks = |black| labels.iter().any(|label| Black::of(label) == Some(black));
    let in_use = inks - usize::from(blacks(Black::Photo) && blacks(Black::Matte));
    let none = BTreeMap::new();
    let learned = |outlook: &Outlook, of: &Scaled| {
        let (source, areas) = areas?;
        let used = past.used.get(&outlook.slot.id).unwrap_or(&none);
        Rate::learned(&beside(areas, used, of.each), outlook.level.step * of.each, *source)
    };
    let ink_rates = outlooks.iter().zip(scaled).filter(|(outlook, _)| outlook.slot.role == Role::Consumed);
    let ink_ml: Vec<f64> = ink_rates
        .filter(|(_, of)| of.measure == Measure::Millilitres)
        .filter_map(|(outlook, of)| Some(learned(outlook, of)?.mean))
        .collect();
    let ink_ml = if ink_ml.is_empty() { USUAL_ML } else { ink_ml.iter().sum() };
    let usual = |outlook: &Outlook, of: &Scaled| {
        if let Some(rate) = learned(outlook, of) {
            return Ok(rate);
        }
        match (outlook.slot.role, of.measure) {
            (Role::Consumed, Measure::Millilitres) => Ok(Rate::assumed_ink(in_use)),
            (Role::Filled, Measure::Millilitres) => Ok(Rate::assumed_waste(ink_ml)),
            _ => {
                Err("what goes for each square metre is not known yet, and cannot be assumed in its unit"
                    .into())
            }
        }
    };
    let tank = |((outlook, of), label): ((&Outlook, &Scaled), &String)| Tank {
        label: label.clone(),
        role: outlook.slot.role,
        measure: of.measure,
        inside: inside(outlook, of),
        usual: usual(outlook, of),
        fresh: of.fresh,
    };
    outlooks.iter().zip(scaled).zip(&labels).map(tank).collect()
}

fn heads(device: DeviceId, outlooks: &[Outlook], map: &Map, rows: &[HeadRow]) -> Vec<HeadAt> {
    let Some(plumbing) = map.plumbing() else { return Vec::new() };
    let of_device = rows.iter().filter(|row| row.head.device == device);
    let at = |row: &HeadRow| {
        let position = row.head.position;
        let share = |(at, outlook): (usize, &Outlook)| {
            let share = plumbing.share(position, &outlook.slot);
            (is_ink(&outlook.slot) && share > 0.0).then_some((at, share))
        };
        Some(HeadAt {
            position,
            ml: row.outlook.as_ref()?.ml?,
            limit_ml: row.head.limit_ml,
            shares: outlooks.iter().enumerate().filter_map(share).collect(),
        })
    };
    of_device.filter_map(at).collect()
}
