//! Sums over the machines of a report.

use std::collections::BTreeMap;

use super::money::Costs;
use super::report::{DeviceMonth, MonthReport, SupplyMonth, thousandths};
use super::stock::StockFlow;
use crate::domain::part::Currency;
use crate::domain::reading::Role;
use crate::domain::units::Measure;

/// A sum over devices of one supply.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyTotal {
    /// What a person calls the supply.
    pub label: String,
    /// Used up or filled up.
    pub role: Role,
    /// What the amounts are counted in.
    pub measure: Measure,
    /// Used in the month.
    pub used: f64,
    /// The part of it that is spread over gaps.
    pub spread: f64,
    /// What may have gone unseen, at most.
    pub unseen: f64,
    /// Units swapped in the month.
    pub swaps: u32,
    /// What was still in the units taken out.
    pub left_in_swapped: f64,
    /// What was used is worth.
    pub cost: Costs,
    /// What was left is worth.
    pub left_cost: Costs,
}

/// A sum over some devices of all their ink.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupTotal {
    /// The cost centre or site; none for the machines that have none.
    pub name: Option<String>,
    /// How many machines.
    pub machines: u32,
    /// Millilitres of ink used.
    pub ink_ml: f64,
    /// Whether some of its machines count ink in another unit, which is not in `ink_ml`.
    pub partial: bool,
    /// Units swapped, receptacles among them.
    pub swaps: u32,
    /// What was used is worth.
    pub cost: Costs,
    /// What was left in units taken out is worth.
    pub left_cost: Costs,
    /// What was issued from the shelf is worth.
    pub taken: Costs,
}

/// What all machines of a report come to, worked out once.
#[derive(Debug, Clone, PartialEq)]
pub struct Figures {
    /// All of them together.
    pub all: GroupTotal,
    /// Supply by supply: see [`MonthReport::totals`].
    pub totals: Vec<SupplyTotal>,
    /// Each cost centre.
    pub cost_centres: Vec<GroupTotal>,
    /// Each site.
    pub sites: Vec<GroupTotal>,
    /// The share of their time for which there are answers.
    pub coverage: Option<f64>,
    /// How many receptacles were replaced.
    pub receptacles_replaced: u32,
    /// How many print heads were replaced; none where none is registered.
    pub heads_replaced: Option<u32>,
    /// Whether a supply is counted in percent.
    pub has_percent: bool,
    /// Whether something may have gone unseen.
    pub has_unseen: bool,
    /// Whether something is spread over gaps.
    pub has_spread: bool,
    /// How many spans without answers there are.
    pub silences: usize,
}

impl GroupTotal {
    fn of<'a>(name: Option<String>, devices: impl Iterator<Item = &'a DeviceMonth>) -> Self {
        let mut total = Self {
            name,
            machines: 0,
            ink_ml: 0.0,
            partial: false,
            swaps: 0,
            cost: Costs::default(),
            left_cost: Costs::default(),
            taken: Costs::default(),
        };
        for device in devices {
            total.machines += 1;
            total.ink_ml = thousandths(total.ink_ml + device.ink_ml());
            total.partial |= device.has_other_measures();
            total.taken.add_all(&device.taken);
            for supply in &device.supplies {
                total.swaps += supply.swaps;
                supply.cost.into_iter().for_each(|cost| total.cost.add(cost));
                supply.left_cost.into_iter().for_each(|cost| total.left_cost.add(cost));
            }
        }
        total
    }
}

impl DeviceMonth {
    /// The sums of one machine.
    #[must_use]
    pub fn total(&self) -> GroupTotal {
        GroupTotal::of(Some(self.name.clone()), std::iter::once(self))
    }
}

impl MonthReport {
    /// Totals over all devices, per label and measure, consumed supplies first. Supplies counted in percent
    /// are left out: hundredths of units of unlike size do not add up.
    #[must_use]
    pub fn totals(&self) -> Vec<SupplyTotal> {
        let mut totals: Vec<SupplyTotal> = Vec::new();
        let supplies = self.devices.iter().flat_map(|device| &device.supplies);
        for supply in supplies.filter(|supply| supply.measure != Measure::Percent) {
            let same = |t: &SupplyTotal| {
                t.label == supply.label && t.measure == supply.measure && t.role == supply.role
            };
            let at = totals.iter().position(same).unwrap_or_else(|| {
                totals.push(SupplyTotal::nothing_of(supply));
                totals.len() - 1
            });
            if let Some(total) = totals.get_mut(at) {
                total.add(supply);
            }
        }
        totals.sort_by(|a, b| {
            (a.role == Role::Filled, &a.label, a.measure.word()).cmp(&(
                b.role == Role::Filled,
                &b.label,
                b.measure.word(),
            ))
        });
        totals
    }

    /// Sums per cost centre, by name; machines that are charged to nobody come last.
    #[must_use]
    pub fn cost_centres(&self) -> Vec<GroupTotal> {
        self.groups(|device| device.cost_centre.clone())
    }

    /// Sums per site, by name.
    #[must_use]
    pub fn sites(&self) -> Vec<GroupTotal> {
        self.groups(|device| Some(device.site.clone()))
    }

    /// The sums of all machines.
    #[must_use]
    pub fn all(&self) -> GroupTotal {
        GroupTotal::of(None, self.devices.iter())
    }

    fn groups(&self, key: impl Fn(&DeviceMonth) -> Option<String>) -> Vec<GroupTotal> {
        let mut groups: BTreeMap<(bool, Option<String>), Vec<&DeviceMonth>> = BTreeMap::new();
        for device in &self.devices {
            let name = key(device);
            groups.entry((name.is_none(), name)).or_default().push(device);
        }
        groups.into_iter().map(|((_, name), devices)| GroupTotal::of(name, devices.into_iter())).collect()
    }

    /// What all machines come to.
    #[must_use]
    pub fn figures(&self) -> Figures {
        let supplies = || self.devices.iter().flat_map(|device| &device.supplies);
        let heads: Vec<u32> = self.devices.iter().filter_map(|device| device.heads_replaced).collect();
        Figures {
            all: self.all(),
            totals: self.totals(),
            cost_centres: self.cost_centres(),
            sites: self.sites(),
            coverage: self.coverage(),
            receptacles_replaced: self.devices.iter().map(DeviceMonth::receptacles_replaced).sum(),
            heads_replaced: (!heads.is_empty()).then(|| heads.iter().sum()),
            has_percent: supplies().any(|supply| supply.measure == Measure::Percent),
            has_unseen: supplies().any(|supply| supply.unseen > 0.0),
            has_spread: supplies().any(|supply| supply.spread > 0.0),
            silences: self.devices.iter().map(|device| device.gaps.len()).sum(),
        }
    }

    /// The worth of the shelf and of what moved, by currency.
    #[must_use]
    pub fn stock_value(&self) -> Vec<(Currency, StockFlow)> {
        let mut sums: Vec<(Currency, StockFlow)> = Vec::new();
        for part in &self.parts {
            let (Some(price), Some(value)) = (part.price, &part.value) else { continue };
            match sums.iter_mut().find(|(currency, _)| *currency == price.currency) {
                Some((_, sum)) => sum.add(value),
                None => sums.push((price.currency, *value)),
            }
        }
        sums.sort_by_key(|(currency, _)| *currency);
        sums
    }

    /// The share of all machines' time for which there are answers; none without a machine.
    #[must_use]
    pub fn coverage(&self) -> Option<f64> {
        let sum: f64 = self.devices.iter().map(|device| device.coverage).sum();
        (!self.devices.is_empty()).then(|| sum / self.devices.len() as f64)
    }
}

impl SupplyTotal {
    fn nothing_of(supply: &SupplyMonth) -> Self {
        Self {
            label: supply.label.clone(),
            role: supply.role,
            measure: supply.measure,
            used: 0.0,
            spread: 0.0,
            unseen: 0.0,
            swaps: 0,
            left_in_swapped: 0.0,
            cost: Costs::default(),
            left_cost: Costs::default(),
        }
    }

    fn add(&mut self, supply: &SupplyMonth) {
        self.used = thousandths(self.used + supply.used);
        self.spread = thousandths(self.spread + supply.spread);
        self.unseen = thousandths(self.unseen + supply.unseen);
        self.swaps += supply.swaps;
        self.left_in_swapped = thousandths(self.left_in_swapped + supply.left_in_swapped);
        supply.cost.into_iter().for_each(|cost| self.cost.add(cost));
        supply.left_cost.into_iter().for_each(|cost| self.left_cost.add(cost));
    }
}
