//! What the report of a month says. Every format is made from this, and a closed month is kept as it.
//!
//! Amounts are in thousandths of their measure, so that the sum of the rows is the total in every format.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::Month;
use super::money::Costs;
use super::stock::StockFlow;
use crate::domain::alert::Rule;
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::part::Price;
use crate::domain::reading::Role;
use crate::domain::rightness::Rightness;
use crate::domain::units::Measure;

/// An amount as it stands in a report: whole thousandths, far finer than any device counts.
#[must_use]
pub fn thousandths(amount: f64) -> f64 {
    let rounded = (amount * 1000.0).round() / 1000.0;
    if rounded == 0.0 { 0.0 } else { rounded }
}

/// A share as it stands in a report: whole millionths.
pub(super) fn share(share: f64) -> f64 {
    (share * 1e6).round() / 1e6
}

/// What one supply did in a month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SupplyMonth {
    /// Which slot.
    pub slot: SlotId,
    /// What a person calls it.
    pub label: String,
    /// Used up or filled up.
    pub role: Role,
    /// What the amounts are counted in.
    pub measure: Measure,
    /// Used (or filled) in the month; of it, see `spread`.
    pub used: f64,
    /// The part of `used` that fell into gaps and is spread over their days.
    pub spread: f64,
    /// What may have gone around swaps that nobody saw, at most; not in `used`.
    pub unseen: f64,
    /// Units swapped in the month.
    pub swaps: u32,
    /// What was still in the units taken out (for receptacles: the room they still had).
    pub left_in_swapped: f64,
    /// The part that goes into it: the one last issued to it, else the only one that fits; none where that is
    /// not known.
    pub part: Option<String>,
    /// What `used` is worth at the price of the part.
    pub cost: Option<Price>,
    /// What `left_in_swapped` is worth.
    pub left_cost: Option<Price>,
}

impl SupplyMonth {
    /// The part of `used` that was seen going.
    #[must_use]
    pub fn measured(&self) -> f64 {
        thousandths(self.used - self.spread)
    }
}

/// What a machine put out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Output {
    /// How far its life count moved.
    pub count: i64,
    /// The standard's word for the unit of the count: `meters`, `impressions`.
    pub unit: String,
}

/// Why there are no answers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Silence {
    /// The machine was asked and did not answer; with what the polls met.
    Unanswered(String),
    /// Nobody asked: the service did not run.
    NotAsked,
}

/// A span without answers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// Its beginning.
    pub from: Timestamp,
    /// Its end.
    pub to: Timestamp,
    /// Why.
    pub why: Silence,
}

/// What one device did in a month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeviceMonth {
    /// Which device.
    pub device: DeviceId,
    /// Its name.
    pub name: String,
    /// The site it stands at.
    pub site: String,
    /// What kind of machine it says it is.
    pub model: Option<String>,
    /// Whom its ink is charged to.
    pub cost_centre: Option<String>,
    /// What it put out, where it counts.
    pub output: Option<Output>,
    /// The share of the month, from the device's first answer on, for which there are answers.
    pub coverage: f64,
    /// The share for which it answered of the time in which it was asked.
    pub availability: Option<f64>,
    /// The spans without answers.
    pub gaps: Vec<Gap>,
    /// Its supplies, in the device's own order.
    pub supplies: Vec<SupplyMonth>,
    /// Print heads replaced; none where its heads are not registered.
    pub heads_replaced: Option<u32>,
    /// What the units are worth that it was issued from the shelf.
    pub taken: Costs,
}

impl DeviceMonth {
    /// Receptacles replaced.
    #[must_use]
    pub fn receptacles_replaced(&self) -> u32 {
        self.supplies.iter().filter(|supply| supply.role == Role::Filled).map(|supply| supply.swaps).sum()
    }

    /// Millilitres of ink used.
    #[must_use]
    pub fn ink_ml(&self) -> f64 {
        thousandths(self.inks().map(|supply| supply.used).sum())
    }

    /// Millilitres of ink for each unit of output, where it has both.
    #[must_use]
    pub fn ink_per_output(&self) -> Option<f64> {
        let output = self.output.as_ref().filter(|output| output.count > 0)?;
        let ml = self.ink_ml();
        (ml > 0.0).then(|| thousandths(ml / output.count as f64))
    }

    /// Whether some of its ink is counted in another unit, so that millilitres do not say all.
    #[must_use]
    pub fn has_other_measures(&self) -> bool {
        let consumed = |supply: &&SupplyMonth| supply.role == Role::Consumed;
        self.supplies.iter().filter(consumed).any(|supply| supply.measure != Measure::Millilitres)
    }

    fn inks(&self) -> impl Iterator<Item = &SupplyMonth> {
        let ink = |s: &&SupplyMonth| s.role == Role::Consumed && s.measure == Measure::Millilitres;
        self.supplies.iter().filter(ink)
    }
}

/// What a part did in a month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PartMonth {
    /// Its number.
    pub number: String,
    /// What a person calls it.
    pub label: String,
    /// What one unit costs.
    pub price: Option<Price>,
    /// Units on the shelf, and what moved.
    pub units: StockFlow,
    /// The same at the part's price, in minor units; a part-used unit is worth what is left in it.
    pub value: Option<StockFlow>,
    /// Units swapped in the machines' slots that take it.
    pub swaps: u32,
}

/// What a rule of ours did in a month.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AlertMonth {
    /// Which rule.
    pub rule: Rule,
    /// Alerts opened in the month.
    pub opened: u32,
    /// Alerts cleared in the month.
    pub cleared: u32,
    /// Alerts open at its end.
    pub open_at_end: u32,
    /// Minutes from opening to clearing of those cleared in the month: half took no longer.
    pub median_minutes: Option<u64>,
    /// The longest of them.
    pub slowest_minutes: Option<u64>,
    /// Of those opened in the month, so many somebody saw by its end.
    pub seen: u32,
    /// Minutes from opening until somebody saw it: half took no longer.
    pub median_seen_minutes: Option<u64>,
}

/// How much a supply's figures of an earlier, closed month have changed since.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Adjustment {
    /// The closed month that it is about.
    pub about: Month,
    /// Which slot.
    pub slot: SlotId,
    /// Its device's name.
    pub device: String,
    /// What a person calls the supply.
    pub label: String,
    /// What the amounts are counted in.
    pub measure: Measure,
    /// Used: now, less what was frozen and what was adjusted before.
    pub used: f64,
    /// Likewise what is spread over gaps.
    pub spread: f64,
    /// Likewise what may have gone unseen.
    pub unseen: f64,
    /// Likewise units swapped.
    pub swaps: i64,
    /// Likewise what was left in units taken out.
    pub left_in_swapped: f64,
    /// What `used` is worth at the part's price now.
    pub cost: Option<Price>,
}

/// Which month a report is held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Beside {
    /// The month before.
    MonthBefore,
    /// The same month a year before.
    YearBefore,
}

/// Another month's sums.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// Why it is held beside this one.
    pub beside: Beside,
    /// Which month.
    pub month: Month,
    /// Whether machines were watched from its first day on.
    pub whole: bool,
    /// Millilitres of ink used.
    pub ink_ml: f64,
    /// Units swapped.
    pub swaps: u32,
    /// What the ink used is worth.
    pub cost: Costs,
}

/// How right the forecasts were whose time was up in the month.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Forecasts {
    /// None is kept whose late day lay in it.
    NotKept,
    /// Of the first forecast of every week of every supply, those whose late day lay in the month:
    Kept {
        /// So many supplies ended between the early and the late day.
        within: u32,
        /// So many before the early day.
        before: u32,
        /// So many after the late day.
        after: u32,
        /// By how many days the middle day missed the end on average, either way, in whole tenths; of those that
        /// have ended.
        #[serde(default)]
        days_off: Option<f64>,
    },
}

impl From<Rightness> for Forecasts {
    fn from(right: Rightness) -> Self {
        let Rightness { within, before, after, mean_days_off } = right;
        if within + before + after == 0 {
            return Self::NotKept;
        }
        Self::Kept { within, before, after, days_off: mean_days_off.map(|days| (days * 10.0).round() / 10.0) }
    }
}

/// What the next month will need of a part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PartNeed {
    /// The part's number; none where the catalogue has none for it.
    pub part: Option<String>,
    /// What a person calls it.
    pub label: String,
    /// Units that machines are expected to need to the end of the next month, at even odds.
    pub units: u32,
    /// Units on the shelf that are still good.
    pub on_shelf: u32,
    /// What the units are worth that the shelf lacks.
    pub cost: Option<Price>,
}

impl PartNeed {
    /// Units that the shelf lacks.
    #[must_use]
    pub fn short(&self) -> u32 {
        self.units.saturating_sub(self.on_shelf)
    }
}

/// The month's supply report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MonthReport {
    /// Which month.
    pub month: Month,
    /// The zone in which its days begin and end.
    pub zone: String,
    /// Its first moment.
    pub begins: Timestamp,
    /// The first moment after it.
    pub ends: Timestamp,
    /// Up to when the figures go: its end, or the present while it is running.
    pub as_of: Timestamp,
    /// False while the month is still running.
    pub complete: bool,
    /// The devices, by name.
    pub devices: Vec<DeviceMonth>,
    /// The parts that lay on the shelf or moved, by number.
    pub parts: Vec<PartMonth>,
    /// The rules that had an alert, each once.
    pub alerts: Vec<AlertMonth>,
    /// What has changed since in months that were closed, and was not told before.
    pub adjustments: Vec<Adjustment>,
    /// The months it is held against, where there is anything in them.
    pub compared: Vec<Compared>,
    /// How right the forecasts were.
    pub forecasts: Forecasts,
    /// What the next month will need; none where the forecasts of then are not kept.
    pub needs: Option<Vec<PartNeed>>,
}
