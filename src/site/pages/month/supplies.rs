//! What was used: colour by colour, and machine by machine.

use crate::domain::month::{DeviceMonth, SupplyMonth, SupplyTotal};
use crate::domain::reading::Role;
use crate::domain::units::Measure;
use crate::site::chart::Share;
use crate::site::ink::Ink;
use crate::site::{format, words};

pub(crate) struct TotalRow {
    pub(crate) ink: Ink,
    pub(crate) label: String,
    pub(crate) filled: bool,
    pub(crate) used: String,
    /// Of the largest total in the same unit.
    pub(crate) share: Share,
    pub(crate) cost: String,
    pub(crate) swaps: String,
    pub(crate) left: String,
    pub(crate) left_cost: String,
}

pub(crate) struct SupplyRow {
    pub(crate) ink: Ink,
    pub(crate) label: String,
    pub(crate) used: String,
    pub(crate) spread: String,
    pub(crate) unseen: String,
    pub(crate) cost: String,
    pub(crate) swaps: String,
    pub(crate) left: String,
    pub(crate) left_cost: String,
}

pub(crate) struct DeviceBlock {
    pub(crate) name: String,
    pub(crate) href: String,
    pub(crate) about: String,
    pub(crate) supplies: Vec<SupplyRow>,
}

pub(crate) fn totals(totals: &[SupplyTotal]) -> Vec<TotalRow> {
    let largest = |measure| {
        totals.iter().filter(|total| total.measure == measure).map(|total| total.used).fold(0.0, f64::max)
    };
    totals
        .iter()
        .map(|total| TotalRow {
            ink: Ink::of_label(total.role, &total.label),
            label: total.label.clone(),
            filled: total.role == Role::Filled,
            used: format::amount(total.used, total.measure),
            share: Share::of(total.used, largest(total.measure)),
            cost: format::costs(&total.cost),
            swaps: times(total.swaps),
            left: left(total.left_in_swapped, total.swaps, total.measure, total.role),
            left_cost: format::costs(&total.left_cost),
        })
        .collect()
}

pub(crate) fn blocks(machines: &[DeviceMonth]) -> Vec<DeviceBlock> {
    machines.iter().map(device).collect()
}

fn device(device: &DeviceMonth) -> DeviceBlock {
    let mut about = vec![format!("figures for {} of the time", format::percent(device.coverage))];
    if let Some(availability) = device.availability {
        about.push(format!("answered {} of the time it was asked", format::percent(availability)));
    }
    if let Some(output) = &device.output {
        let count = format::count(u64::try_from(output.count).unwrap_or(0));
        about.push(format!("put out {count} {}", words::counted(&output.unit)));
    }
    if let (Some(each), Some(output)) = (device.ink_per_output(), &device.output) {
        about.push(format!("{each:.2}\u{a0}ml of ink for each of these {}", words::counted(&output.unit)));
    }
    if let Some(cost_centre) = &device.cost_centre {
        about.push(format!("charged to {cost_centre}"));
    }
    DeviceBlock {
        name: device.name.clone(),
        href: format!("/machines/{}", device.device),
        about: format::capital(&about.join("; ")),
        supplies: device.supplies.iter().map(supply).collect(),
    }
}

fn supply(supply: &SupplyMonth) -> SupplyRow {
    let some =
        |value: f64| if value > 0.0 { format::amount(value, supply.measure) } else { "–".to_owned() };
    let worth = |price: Option<_>| price.map_or_else(|| "–".to_owned(), format::money);
    SupplyRow {
        ink: Ink::of_label(supply.role, &supply.label),
        label: supply.label.clone(),
        used: format::amount(supply.used, supply.measure),
        spread: some(supply.spread),
        unseen: some(supply.unseen),
        cost: worth(supply.cost),
        swaps: times(supply.swaps),
        left: left(supply.left_in_swapped, supply.swaps, supply.measure, supply.role),
        left_cost: worth(supply.left_cost.filter(|_| supply.swaps > 0)),
    }
}

pub(super) fn times(swaps: u32) -> String {
    if swaps == 0 { "–".to_owned() } else { swaps.to_string() }
}

/// What was left in units taken out; for receptacles the room they still had.
fn left(amount: f64, swaps: u32, measure: Measure, role: Role) -> String {
    match (swaps, role) {
        (0, _) => "–".to_owned(),
        (_, Role::Consumed) => format::amount(amount, measure),
        (_, Role::Filled) => format!("room for {}", format::amount(amount, measure)),
    }
}
