//! The advice of a whole print room, part by part.

use std::collections::{BTreeMap, BTreeSet};

use jiff::ToSpan;
use jiff::civil::Date;

use super::{Demand, Held, Memo, Proposal, SlotDemand, Terms, Usage, lead};
use crate::domain::cover::Cover;
use crate::domain::ids::{DeviceId, PartId, SlotId};
use crate::domain::order::Coming;
use crate::domain::part::{LeadTime, Part};
use crate::domain::reading::Role;
use crate::domain::rules::Practice;
use crate::domain::shelf::{Stock, Supply};

/// What is delivered is taken to have been made so many days ago: common practice, no source.
const AGE_ON_DELIVERY_DAYS: f64 = 180.0;

/// What can be bought, what there is of it, and how it is used.
#[derive(Debug, Clone, Copy)]
pub struct Goods<'a> {
    /// The catalogue with what is on the shelf.
    pub stocks: &'a [Stock],
    /// What is on order.
    pub coming: &'a [Coming],
    /// How slots use what they hold, where that is known.
    pub usage: &'a BTreeMap<SlotId, Usage>,
    /// How many days each delivery of a part took.
    pub took_days: &'a BTreeMap<PartId, Vec<f64>>,
}

/// A supply with the day by which its successor is to be ordered, as its own forecast has it.
#[derive(Debug, Clone, Copy)]
pub struct Wanting<'a> {
    /// The supply.
    pub supply: Supply<'a>,
    /// The day.
    pub order_by: Option<Date>,
}

/// What to order of a part.
#[derive(Debug, Clone, PartialEq)]
pub struct PartAdvice {
    /// Which part.
    pub id: PartId,
    /// The catalogue entry.
    pub part: Part,
    /// How much and by when.
    pub proposal: Proposal,
    /// The day by which to order.
    pub order_by: Date,
    /// How long it takes to arrive.
    pub lead: LeadTime,
    /// From how many deliveries that was learned.
    pub deliveries: usize,
    /// Units on the shelf, past their date or not.
    pub on_shelf: u32,
    /// The machines that need one first, by name; the first in front.
    pub machines: Vec<String>,
    /// The device and slot that need one first.
    pub first: Option<(DeviceId, SlotId)>,
    /// How many slots take it.
    pub slots: usize,
    /// How many of those are receptacles past their order point.
    pub past_order_point: usize,
    /// Between which days a machine stands without one if nothing is ordered: at one chance in ten, and at even
    /// odds.
    pub without: Option<(Date, Date)>,
}

/// The advice of a print room.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Advised {
    /// What to order, earliest first.
    pub parts: Vec<PartAdvice>,
    /// The slots whose need is counted with that of their part.
    pub counted: BTreeSet<SlotId>,
}

/// How long a part takes to arrive, by what is known of it.
#[must_use]
pub fn lead_of(part: &Part, took_days: &[f64], practice: &Practice) -> LeadTime {
    let usual = LeadTime { mean_days: f64::from(practice.lead_days), spread_days: None };
    lead::learned(part.lead.unwrap_or(usual), took_days)
}

/// How long the part that is bought for each slot takes to arrive; a slot without one is left out.
#[must_use]
pub fn leads(supplies: &[Supply<'_>], goods: &Goods<'_>, practice: &Practice) -> BTreeMap<SlotId, LeadTime> {
    let lead = |supply: &Supply<'_>| {
        let stock = &goods.stocks[bought_for(supply, goods)?];
        let took = goods.took_days.get(&stock.id).map_or(&[][..], Vec::as_slice);
        Some((supply.outlook.slot.id, lead_of(&stock.part, took, practice)))
    };
    supplies.iter().filter_map(lead).collect()
}

/// What to order for a print room. `covers` says which unit on the shelf is for which slot; `memo` is what was proposed
/// before.
#[must_use]
pub fn advise(
    wanting: &[Wanting<'_>],
    goods: &Goods<'_>,
    covers: &BTreeMap<SlotId, Cover>,
    today: Date,
    practice: &Practice,
    memo: &mut Memo,
) -> Advised {
    let mut of_part: Vec<Vec<&Wanting<'_>>> = vec![Vec::new(); goods.stocks.len()];
    for wants in wanting {
        if let Some(at) = bought_for(&wants.supply, goods) {
            of_part[at].push(wants);
        }
    }
    let mut advised = Advised::default();
    for (stock, wanting) in goods.stocks.iter().zip(of_part) {
        let took = goods.took_days.get(&stock.id).map_or(&[][..], Vec::as_slice);
        let lead = lead_of(&stock.part, took, practice);
        let mut demand = Demand::default();
        for wants in &wanting {
            let slot = wants.supply.outlook.slot.id;
            if ask(&mut demand, wants, stock, goods, covers, today) {
                advised.counted.insert(slot);
            }
        }
        advised.parts.extend(advice(
            stock,
            &wanting,
            &demand,
            (lead, took.len()),
            goods,
            (today, practice),
            memo,
        ));
    }
    memo.retain(|part| goods.stocks.iter().any(|stock| stock.id == part));
    advised.parts.sort_by(|a, b| (a.order_by, &a.part.number).cmp(&(b.order_by, &b.part.number)));
    advised
}

/// The part that is bought for a supply, where several fit: the one that is on order or on the shelf already,
/// then the cheapest for what it holds.
fn bought_for(supply: &Supply<'_>, goods: &Goods<'_>) -> Option<usize> {
    let fitting = goods
        .stocks
        .iter()
        .enumerate()
        .filter(|(_, stock)| stock.part.fits(&supply.outlook.slot, supply.model));
    let mut fitting: Vec<(usize, &Stock)> = fitting.collect();
    if let [(only, _)] = fitting[..] {
        return Some(only);
    }
    let dearness = |stock: &Stock| {
        let price = stock.part.price.map_or(f64::INFINITY, |price| price.minor as f64);
        price / stock.part.capacity.map_or(1.0, |(amount, _)| amount)
    };
    fitting.sort_by(|(_, a), (_, b)| {
        let there = |stock: &Stock| (on_order(stock.id, goods), stock.units());
        there(b)
            .cmp(&there(a))
            .then_with(|| dearness(a).total_cmp(&dearness(b)))
            .then_with(|| a.part.number.cmp(&b.part.number))
    });
    fitting.first().map(|(at, _)| *at)
}

fn on_order(part: PartId, goods: &Goods<'_>) -> u32 {
    goods.coming.iter().filter(|coming| coming.part == part).map(|coming| coming.units).sum()
}

/// Adds what a slot asks for to its part's demand; says whether anything of it could be counted.
fn ask(
    demand: &mut Demand,
    wants: &Wanting<'_>,
    stock: &Stock,
    goods: &Goods<'_>,
    covers: &BTreeMap<SlotId, Cover>,
    today: Date,
) -> bool {
    let outlook = wants.supply.outlook;
    let level = &outlook.level;
    let elsewhere = match covers.get(&outlook.slot.id) {
        Some(Cover::Unit(unit)) => unit.part != stock.part.number,
        Some(Cover::OnOrder(unit)) => unit.part != stock.part.number,
        _ => false,
    };
    let fixed = match (outlook.slot.role, wants.order_by) {
        (Role::Filled, Some(day)) if !elsewhere => Some(days_ahead(today, day)),
        _ => None,
    };
    demand.fixed.extend(fixed);
    let of_part =
        stock.part.capacity.filter(|(_, measure)| *measure == level.measure).map(|(amount, _)| amount);
    let holds = of_part.or(level.capacity.known()).filter(|holds| *holds > 0.0);
    let usage = goods.usage.get(&outlook.slot.id);
    let counted = usage.zip(holds).zip(level.remaining.measured());
    if let Some(((usage, holds), left)) = counted {
        // A unit of another part that is there for it comes first.
        let left = if elsewhere { left + holds } else { left };
        demand.slots.push(SlotDemand { left, holds, usage: *usage });
    }
    counted.is_some() || fixed.is_some()
}

fn days_ahead(today: Date, day: Date) -> u32 {
    today.until(day).map_or(0, |span| u32::try_from(span.get_days()).unwrap_or(0))
}

fn advice(
    stock: &Stock,
    wanting: &[&Wanting<'_>],
    demand: &Demand,
    (lead, deliveries): (LeadTime, usize),
    goods: &Goods<'_>,
    (today, practice): (Date, &Practice),
    memo: &mut Memo,
) -> Option<PartAdvice> {
    let part = &stock.part;
    let held = Held { lots: lots(stock, today), on_order: on_order(stock.id, goods) };
    let terms = Terms {
        lead,
        review_days: practice.review_days,
        service: practice.service_level,
        pack_size: part.pack_size,
        minimum_order: part.minimum_order,
        good_days: part
            .shelf_life_months
            .map(|months| (f64::from(months) * 30.4 - AGE_ON_DELIVERY_DAYS).max(0.0) + lead.mean_days),
        look_ahead_days: practice.look_ahead_days,
    };
    let proposal = memo.propose(stock.id, demand, held, &terms)?;
    let mut in_turn: Vec<&Supply<'_>> = wanting.iter().map(|wants| &wants.supply).collect();
    let ends =
        |supply: &Supply<'_>| supply.outlook.forecast.horizon().map_or(Date::MAX, |horizon| horizon.early);
    in_turn.sort_by_key(|supply| (ends(supply), supply.outlook.slot.id));
    let mut machines: Vec<String> = Vec::new();
    for supply in &in_turn {
        if !machines.iter().any(|name| name == supply.device_name) {
            machines.push(supply.device_name.to_owned());
        }
    }
    let day = |days: u32| today.checked_add(i64::from(days).days()).unwrap_or(Date::MAX);
    Some(PartAdvice {
        id: stock.id,
        part: part.clone(),
        // Somebody has to be there to order it.
        order_by: practice.calendar.working_day_up_to(day(proposal.order_in)).max(today),
        lead,
        deliveries,
        on_shelf: stock.units(),
        first: in_turn.first().map(|supply| (supply.outlook.slot.device, supply.outlook.slot.id)),
        machines,
        slots: wanting.len(),
        past_order_point: demand.fixed.iter().filter(|day| **day == 0).count(),
        without: proposal.without.map(|(early, middle)| (day(early), day(middle))),
        proposal,
    })
}

/// Whole units with the days that they are still good for.
fn lots(stock: &Stock, today: Date) -> Vec<(u32, Option<f64>)> {
    let whole = stock.lots.iter().filter(|lot| lot.left_over.is_none() && stock.is_good_on(lot, today));
    whole
        .map(|lot| (lot.units, stock.good_until(lot).map(|until| f64::from(days_ahead(today, until)))))
        .collect()
}
