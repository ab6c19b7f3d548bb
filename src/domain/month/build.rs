//! Records of a month to its report. Pure: the same records give the same report.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};

use super::Month;
use super::money::{Costs, share_of_price};
use super::presence::{PollRun, Presence};
use super::report::{
    Adjustment, AlertMonth, Compared, DeviceMonth, Forecasts, MonthReport, Output, PartMonth, PartNeed,
    SupplyMonth, thousandths,
};
use super::stock::StockFlow;
use crate::domain::alert::Rule;
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::outlook::{Outlook, Present, Slot};
use crate::domain::part::{Part, Price};
use crate::domain::shelf::{Need, Stock};
use crate::domain::units::Measure;

/// A device that was watched in the month.
#[derive(Debug, Clone)]
pub struct DeviceRecord {
    /// Its identity.
    pub id: DeviceId,
    /// Its name.
    pub name: String,
    /// The site it stands at.
    pub site: String,
    /// What kind of machine it says it is.
    pub model: Option<String>,
    /// Whom its ink is charged to.
    pub cost_centre: Option<String>,
    /// Seconds between polls.
    pub poll_every_s: u32,
    /// When it first answered, or was added.
    pub since: Timestamp,
    /// When it ceased to be watched.
    pub until: Option<Timestamp>,
}

/// What the ledger and the installs say of a slot in the month, unrounded.
#[derive(Debug, Clone)]
pub struct SlotSums {
    /// The slot.
    pub slot: Slot,
    /// What the amounts are counted in.
    pub measure: Measure,
    /// Used, or filled.
    pub used: f64,
    /// Of it, spread over gaps.
    pub spread: f64,
    /// Unseen around swaps, at most.
    pub unseen: f64,
    /// Units swapped.
    pub swaps: u32,
    /// Left in the units taken out.
    pub left: f64,
    /// The part that was last issued to it before the month was over.
    pub issued: Option<String>,
}

/// What moved of units of one part that are worth the same.
#[derive(Debug, Clone)]
pub struct LotFlow {
    /// The part's number.
    pub part: String,
    /// What was left in each, where they are part-used.
    pub left_over: Option<f64>,
    /// Units.
    pub units: StockFlow,
}

/// Units that went to a machine.
#[derive(Debug, Clone)]
pub struct TakenRecord {
    /// The machine.
    pub device: DeviceId,
    /// The part's number.
    pub part: String,
    /// What was left in each, where they are part-used.
    pub left_over: Option<f64>,
    /// How many.
    pub units: i64,
}

/// An alert that touches the month.
#[derive(Debug, Clone)]
pub struct AlertSpan {
    /// Which rule.
    pub rule: Rule,
    /// When it opened.
    pub opened_at: Timestamp,
    /// When somebody saw it.
    pub seen_at: Option<Timestamp>,
    /// When it cleared.
    pub cleared_at: Option<Timestamp>,
}

/// All that a report is made from.
#[derive(Debug, Clone, Default)]
pub struct Records {
    /// The devices that were watched, by name.
    pub devices: Vec<DeviceRecord>,
    /// Their slots, in the devices' own order.
    pub slots: Vec<SlotSums>,
    /// Their polls that touch the month, earliest first.
    pub polls: BTreeMap<DeviceId, Vec<PollRun>>,
    /// What they put out.
    pub outputs: BTreeMap<DeviceId, Output>,
    /// The catalogue with what lies on the shelf now.
    pub stocks: Vec<Stock>,
    /// What moved.
    pub flows: Vec<LotFlow>,
    /// What was issued to machines.
    pub taken: Vec<TakenRecord>,
    /// Alerts.
    pub alerts: Vec<AlertSpan>,
    /// Heads replaced, for the devices whose heads are registered.
    pub heads: BTreeMap<DeviceId, u32>,
    /// What is said of the supplies now, with the devices' models; none where that is not about the month after.
    pub outlooks: Option<Vec<Outlook>>,
    /// What changed since in closed months; without its worth.
    pub adjustments: Vec<Adjustment>,
    /// The months to hold it against; without their worth.
    pub compared: Vec<Compared>,
    /// How right the forecasts were.
    pub forecasts: Option<Forecasts>,
}

impl Records {
    /// The part of each slot for which it is known.
    #[must_use]
    pub fn slot_parts(&self) -> BTreeMap<SlotId, &Stock> {
        Catalogue::new(self).slots
    }
}

/// The report of a month as of now.
#[must_use]
pub fn build(month: Month, records: Records, present: &Present) -> MonthReport {
    let (begins, ends) = month.edges(&present.zone);
    let as_of = ends.min(present.now);
    let catalogue = Catalogue::new(&records);
    let mut slots: BTreeMap<DeviceId, Vec<&SlotSums>> = BTreeMap::new();
    for sums in &records.slots {
        slots.entry(sums.slot.device).or_default().push(sums);
    }
    let devices: Vec<DeviceMonth> = records
        .devices
        .iter()
        .filter_map(|device| {
            let slots = slots.get(&device.id)?;
            Some(device_month(device, slots, &records, &catalogue, (begins, as_of)))
        })
        .collect();
    let needs = records
        .outlooks
        .as_deref()
        .map(|outlooks| needs(outlooks, &catalogue, month.after().last_day(), present.today()));
    let adjustments = records.adjustments.iter().map(|change| catalogue.worth_of(change)).collect();
    MonthReport {
        month,
        zone: present.zone.iana_name().unwrap_or("local time").to_owned(),
        begins,
        ends,
        as_of,
        complete: ends <= present.now,
        parts: parts(&records, &devices),
        alerts: alerts(&records.alerts, begins, as_of),
        adjustments,
        compared: records.compared.clone(),
        forecasts: records.forecasts.unwrap_or(Forecasts::NotKept),
        needs,
        devices,
    }
}

/// Which part goes into which slot, and what parts are worth.
struct Catalogue<'a> {
    stocks: &'a [Stock],
    parts: BTreeMap<&'a str, &'a Stock>,
    slots: BTreeMap<SlotId, &'a Stock>,
}

impl<'a> Catalogue<'a> {
    fn new(records: &'a Records) -> Self {
        let parts: BTreeMap<&str, &Stock> =
            records.stocks.iter().map(|stock| (stock.part.number.as_str(), stock)).collect();
        let models: BTreeMap<DeviceId, Option<&str>> =
            records.devices.iter().map(|device| (device.id, device.model.as_deref())).collect();
        let mut this = Self { stocks: &records.stocks, parts, slots: BTreeMap::new() };
        for sums in &records.slots {
            let model = models.get(&sums.slot.device).copied().flatten();
            let found = this.part_of(&sums.slot, model, sums.issued.as_deref());
            this.slots.extend(found.map(|stock| (sums.slot.id, stock)));
        }
        this
    }

    /// The part last issued to a slot, else the only one that fits.
    fn part_of(&self, slot: &Slot, model: Option<&str>, issued: Option<&str>) -> Option<&'a Stock> {
        if let Some(stock) = issued.and_then(|number| self.parts.get(number)) {
            return Some(stock);
        }
        let mut fitting = self.stocks.iter().filter(|stock| stock.part.fits(slot, model));
        fitting.next().filter(|_| fitting.next().is_none())
    }

    /// What an amount in a slot is worth.
    fn worth(&self, slot: SlotId, amount: f64, measure: Measure) -> Option<Price> {
        let part = &self.slots.get(&slot)?.part;
        share_of_price(part.price?, (amount, measure), part.capacity)
    }

    fn worth_of(&self, change: &Adjustment) -> Adjustment {
        Adjustment { cost: self.worth(change.slot, change.used, change.measure), ..change.clone() }
    }
}

/// What one unit is worth: its part's price, or the share of it that is left in a part-used one.
fn unit_worth(part: &Part, left_over: Option<f64>) -> Option<Price> {
    let price = part.price?;
    match left_over {
        None => Some(price),
        Some(left) => {
            let (_, measure) = part.capacity?;
            share_of_price(price, (left, measure), part.capacity)
        }
    }
}

fn device_month(
    device: &DeviceRecord,
    slots: &[&SlotSums],
    records: &Records,
    catalogue: &Catalogue<'_>,
    (begins, as_of): (Timestamp, Timestamp),
) -> DeviceMonth {
    let (from, until) = (begins.max(device.since), as_of.min(device.until.unwrap_or(Timestamp::MAX)));
    let patience = SignedDuration::from_secs(2 * i64::from(device.poll_every_s));
    let runs = records.polls.get(&device.id).map_or(&[][..], Vec::as_slice);
    let presence = if from < until { Presence::of(runs, from, until, patience) } else { Presence::default() };
    let taken = records.taken.iter().filter(|taken| taken.device == device.id).filter_map(|taken| {
        let part = &catalogue.parts.get(taken.part.as_str())?.part;
        let each = unit_worth(part, taken.left_over)?;
        Some(Price { minor: each.minor.saturating_mul(taken.units), ..each })
    });
    DeviceMonth {
        device: device.id,
        name: device.name.clone(),
        site: device.site.clone(),
        model: device.model.clone(),
        cost_centre: device.cost_centre.clone(),
        output: records.outputs.get(&device.id).cloned(),
        coverage: presence.coverage,
        availability: presence.availability,
        gaps: presence.gaps,
        supplies: slots.iter().map(|sums| supply_month(sums, catalogue)).collect(),
        heads_replaced: records.heads.get(&device.id).copied(),
        taken: taken.collect::<Costs>(),
    }
}

fn supply_month(sums: &SlotSums, catalogue: &Catalogue<'_>) -> SupplyMonth {
    let (used, left) = (thousandths(sums.used), thousandths(sums.left));
    let slot = &sums.slot;
    SupplyMonth {
        slot: slot.id,
        label: slot.label(),
        role: slot.role,
        measure: sums.measure,
        used,
        spread: thousandths(sums.spread),
        unseen: thousandths(sums.unseen),
        swaps: sums.swaps,
        left_in_swapped: left,
        part: catalogue.slots.get(&slot.id).map(|stock| stock.part.number.clone()),
        cost: catalogue.worth(slot.id, used, sums.measure),
        left_cost: catalogue.worth(slot.id, left, sums.measure).filter(|_| sums.swaps > 0),
    }
}

fn parts(records: &Records, devices: &[DeviceMonth]) -> Vec<PartMonth> {
    let mut swaps: BTreeMap<&str, u32> = BTreeMap::new();
    for supply in devices.iter().flat_map(|device| &device.supplies) {
        if let Some(number) = &supply.part {
            *swaps.entry(number).or_default() += supply.swaps;
        }
    }
    let part = |stock: &Stock| {
        let (mut units, mut value) = (StockFlow::default(), stock.part.price.map(|_| StockFlow::default()));
        for flow in records.flows.iter().filter(|flow| flow.part == stock.part.number) {
            units.add(&flow.units);
            let each = unit_worth(&stock.part, flow.left_over);
            value = value.zip(each).map(|(mut value, each)| {
                value.add(&flow.units.times(each.minor));
                value
            });
        }
        let swaps = swaps.get(stock.part.number.as_str()).copied().unwrap_or(0);
        (!units.is_nothing() || swaps > 0).then(|| PartMonth {
            number: stock.part.number.clone(),
            label: stock.part.label(),
            price: stock.part.price,
            units,
            value,
            swaps,
        })
    };
    records.stocks.iter().filter_map(part).collect()
}

/// What each rule did from `begins` up to `as_of`. What cleared later is open at the end.
fn alerts(spans: &[AlertSpan], begins: Timestamp, as_of: Timestamp) -> Vec<AlertMonth> {
    let minutes = |span: &AlertSpan, to: Timestamp| {
        u64::try_from(to.duration_since(span.opened_at).as_mins()).unwrap_or(0)
    };
    let mut rules: BTreeMap<Rule, (AlertMonth, Vec<u64>, Vec<u64>)> = BTreeMap::new();
    for span in spans.iter().filter(|span| span.opened_at < as_of) {
        let before_end = |at: Option<Timestamp>| at.filter(|at| *at < as_of);
        let (seen_at, cleared_at) = (before_end(span.seen_at), before_end(span.cleared_at));
        if cleared_at.is_some_and(|at| at < begins) {
            continue;
        }
        let (month, cleared, seen) =
            rules.entry(span.rule).or_insert_with(|| (quiet(span.rule), Vec::new(), Vec::new()));
        if span.opened_at >= begins {
            month.opened += 1;
            seen.extend(seen_at.map(|at| minutes(span, at)));
        }
        match cleared_at {
            Some(at) => cleared.push(minutes(span, at)),
            None => month.open_at_end += 1,
        }
    }
    let count = |times: &[u64]| u32::try_from(times.len()).unwrap_or(u32::MAX);
    let finish = |(mut month, mut cleared, mut seen): (AlertMonth, Vec<u64>, Vec<u64>)| {
        (month.cleared, month.seen) = (count(&cleared), count(&seen));
        (month.median_minutes, month.median_seen_minutes) = (median(&mut cleared), median(&mut seen));
        month.slowest_minutes = cleared.last().copied();
        month
    };
    rules.into_values().map(finish).collect()
}

/// The time that half took no longer than; the times are sorted by it.
fn median(times: &mut [u64]) -> Option<u64> {
    times.sort_unstable();
    times.get(times.len().saturating_sub(1) / 2).copied()
}

fn quiet(rule: Rule) -> AlertMonth {
    AlertMonth {
        rule,
        opened: 0,
        cleared: 0,
        open_at_end: 0,
        median_minutes: None,
        slowest_minutes: None,
        seen: 0,
        median_seen_minutes: None,
    }
}

/// Units that machines need up to and on a day, part by part; what no part is known for by its label.
fn needs(outlooks: &[Outlook], catalogue: &Catalogue<'_>, until: Date, today: Date) -> Vec<PartNeed> {
    let mut units: BTreeMap<(Option<&str>, String), f64> = BTreeMap::new();
    for outlook in outlooks {
        let stock = catalogue.slots.get(&outlook.slot.id);
        let label = stock.map_or_else(|| outlook.slot.label().to_lowercase(), |stock| stock.part.label());
        let needed = Need::of(outlook, "", 1).units_by(until);
        *units.entry((stock.map(|stock| stock.part.number.as_str()), label)).or_default() += needed;
    }
    let need = |((number, label), units): ((Option<&str>, String), f64)| {
        let stock = number.and_then(|number| catalogue.parts.get(number));
        let good = stock.map_or(0, |stock| {
            stock.lots.iter().filter(|lot| stock.is_good_on(lot, today)).map(|lot| lot.units).sum()
        });
        let mut need = PartNeed {
            part: number.map(str::to_owned),
            label,
            units: units.round() as u32,
            on_shelf: good,
            cost: None,
        };
        let short = i64::from(need.short());
        need.cost = stock
            .and_then(|stock| stock.part.price)
            .map(|price| Price { minor: price.minor.saturating_mul(short), ..price });
        need
    };
    let mut needs: Vec<PartNeed> = units.into_iter().filter(|(_, units)| *units > 0.0).map(need).collect();
    // Parts by number, then what has none.
    needs.sort_by(|a, b| (a.part.is_none(), &a.part, &a.label).cmp(&(b.part.is_none(), &b.part, &b.label)));
    needs
}
