//! What to order of a part, by when, and how much.
//!
//! The need for a part is pooled over every slot that takes it. An order is due on the last day on which what
//! is on the shelf and on order still lasts, with the chance that the service level asks for, until an order of
//! that day arrives. It then brings the shelf up to what is needed, with that chance, over the lead time and the
//! days until orders are looked at again: an order point with an order-up-to level (Snyder and Shen, Fundamentals
//! of Supply Chain Theory, 2nd edition, chapters 4 and 5), on counts of swaps in the place of a normal
//! distribution. What would likely not be used before its date is not ordered, except where a pack or a supplier's
//! least order brings it.

pub mod lead;
mod memo;
pub mod room;
mod swaps;
mod words;

#[cfg(test)]
mod tests;

pub use self::memo::Memo;
pub use self::swaps::{Counts, SlotDemand, Usage};
use super::part::LeadTime;
use super::shelf::left_at_date;

/// A unit is ordered only if it is used before its date with this chance: common practice, no source.
const USED_IN_TIME: f64 = 0.8;
/// The day of an order is the first on which a forecast, made anew every day, says that waiting is too late: the
/// gloomiest of many forecasts. So that no more than the tolerated share is late in the end, half of it is asked of each
/// of them; measured on simulated series (`benches/fleet`).
const OF_TOLERATED: f64 = 0.5;
/// The furthest day on which running out is dated.
const FURTHEST_DAYS: u32 = 900;

/// What the slots of a part ask for.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Demand {
    /// The slots whose use can be counted.
    pub slots: Vec<SlotDemand>,
    /// Days from today by which a successor has to be ordered whatever the forecast says, one for each slot of
    /// which that is known: a receptacle at its order point is due today (0).
    pub fixed: Vec<u32>,
}

/// What there is of a part.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Held {
    /// Whole units on the shelf, with the days that they are still good for; `None` where they do not spoil.
    pub lots: Vec<(u32, Option<f64>)>,
    /// Units on order.
    pub on_order: u32,
}

/// By what an order is made up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Terms {
    /// How long a delivery takes.
    pub lead: LeadTime,
    /// Days from one order to the next.
    pub review_days: u32,
    /// The chance with which no machine stands without, from 0 to below 1.
    pub service: f64,
    /// Units in a pack; at least 1.
    pub pack_size: u32,
    /// Units that the supplier delivers at least.
    pub minimum_order: u32,
    /// Days that a delivered unit is good for; none where it does not spoil.
    pub good_days: Option<f64>,
    /// Orders that are due further ahead than this are not told yet, days.
    pub look_ahead_days: u32,
}

/// An order that is to be made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Proposal {
    /// How many units; a whole number of packs.
    pub units: u32,
    /// Days from today by which to order: 0 is today.
    pub order_in: u32,
    /// The level that the order brings the shelf up to.
    pub up_to: u32,
    /// Units on the shelf that will be used in time.
    pub usable: u32,
    /// Units on order.
    pub on_order: u32,
    /// Units of the order that will likely not be used before their date: a pack or least order brings them.
    pub too_many: u32,
    /// Days from today on which a machine stands without one if nothing is ordered: one chance in ten before
    /// the first, even odds by the second.
    pub without: Option<(u32, u32)>,
}

/// What is needed from now until an order that is made in `days` has arrived, and for `more` days after.
#[must_use]
pub fn needed(slots: &[SlotDemand], likely_days: &[f64], more: u32) -> Counts {
    let pooled = |lead: &f64| Counts::pooled(slots, lead + f64::from(more));
    match likely_days {
        [only] => pooled(only),
        several => Counts::mixed(&several.iter().map(pooled).collect::<Vec<_>>()),
    }
}

/// The smallest stock that is enough with the chance `service` from now until an order of today has arrived, and
/// for the days of one review more.
#[must_use]
pub fn order_up_to(slots: &[SlotDemand], lead: LeadTime, review_days: u32, service: f64) -> u32 {
    needed(slots, &lead::likely_days(lead), review_days).enough(service)
}

/// What to order, if anything is due within the days that are looked ahead.
#[must_use]
pub fn propose(demand: &Demand, held: &Held, terms: &Terms) -> Option<Proposal> {
    let leads = lead::likely_days(terms.lead);
    let on_order = held.on_order;
    let have = |until: f64| usable(&held.lots, &demand.slots, until).saturating_add(on_order);
    let all = held.lots.iter().map(|(units, _)| *units).sum::<u32>().saturating_add(on_order);
    let asked = 1.0 - (1.0 - terms.service) * OF_TOLERATED;
    let lasts = |days: u32| {
        let counts = needed(&demand.slots, &leads, days);
        // What spoils soon counts less the further one looks; where it would not be enough anyway, that is moot.
        counts.at_most(all) >= asked && counts.at_most(have(terms.lead.mean_days + f64::from(days))) >= asked
    };
    let by_forecast = last_day(terms.look_ahead_days, lasts);
    let by_rule = nth(&demand.fixed, have(terms.lead.mean_days)).filter(|day| *day <= terms.look_ahead_days);
    let order_in = [by_forecast, by_rule].into_iter().flatten().min()?;

    let again = order_in.saturating_add(terms.review_days);
    let fixed = demand.fixed.iter().filter(|day| **day <= again).count();
    let up_to = needed(&demand.slots, &leads, again)
        .enough(terms.service)
        .max(u32::try_from(fixed).unwrap_or(u32::MAX));
    let usable = usable(&held.lots, &demand.slots, terms.lead.mean_days + f64::from(again));
    let position = usable.saturating_add(on_order);
    let wanted = up_to.saturating_sub(position).max(1);
    let most = most_used(demand, position, terms.good_days, packed(wanted, terms));
    let needed = wanted.min(most.max(1));
    let units = packed(needed, terms);
    Some(Proposal {
        units,
        order_in,
        up_to,
        usable,
        on_order,
        too_many: units.saturating_sub(most.max(needed)),
        without: without(&demand.slots, position),
    })
}

/// The last day on which something still holds that once lost is lost for good; `None` if it holds throughout,
/// and today if it does not hold even today.
fn last_day(furthest: u32, holds: impl Fn(u32) -> bool) -> Option<u32> {
    if holds(furthest) {
        return None;
    }
    let (mut good, mut bad) = (0, furthest);
    if !holds(0) {
        return Some(0);
    }
    while bad - good > 1 {
        let middle = good.midpoint(bad);
        if holds(middle) { good = middle } else { bad = middle }
    }
    Some(good)
}

/// The day of the slot that comes after as many others as there are units.
fn nth(days: &[u32], units: u32) -> Option<u32> {
    let mut sorted = days.to_vec();
    sorted.sort_unstable();
    sorted.get(units as usize).copied()
}

/// How many of the units on the shelf count for what is needed until a day: those that are good until then, and
/// of the others as many as will have been used before their date.
fn usable(lots: &[(u32, Option<f64>)], slots: &[SlotDemand], until: f64) -> u32 {
    let mut in_turn: Vec<(f64, f64)> =
        lots.iter().map(|(units, good)| (f64::from(*units), good.unwrap_or(f64::INFINITY))).collect();
    in_turn.sort_by(|a, b| a.1.total_cmp(&b.1));
    let soon: Vec<(f64, f64)> = in_turn.iter().copied().filter(|(_, good)| *good < until).collect();
    let good: f64 = in_turn.iter().filter(|(_, good)| *good >= until).map(|(units, _)| units).sum();
    let needed_by = |days: f64, _| slots.iter().map(|slot| slot.mean(days.max(0.0))).sum();
    let left = left_at_date(&soon, needed_by);
    let used: f64 = soon.iter().zip(left).map(|((units, _), left)| units - left).sum();
    // Half a unit that is used in time is none.
    (good + (used + 1e-9).floor()) as u32
}

/// How many more units will likely be used before their date, after those that are there; no further than
/// `asked`.
fn most_used(demand: &Demand, position: u32, good_days: Option<f64>, asked: u32) -> u32 {
    let Some(days) = good_days else { return asked };
    // What is used soon is used before its date: that is known long before the far end of it is looked at.
    let mut soon = 30.0;
    while soon < days {
        if Counts::pooled(&demand.slots, soon).at_least(position.saturating_add(asked)) >= USED_IN_TIME {
            return asked;
        }
        soon *= 2.0;
    }
    let counts = Counts::pooled(&demand.slots, days);
    // The chance of using the n-th falls with n, so that the largest is where it falls below.
    let used = counts.enough(1.0 - USED_IN_TIME);
    // What has to be ordered whatever the forecast says will be used.
    let fixed = u32::try_from(demand.fixed.len()).unwrap_or(u32::MAX);
    used.max(fixed).saturating_sub(position).min(asked)
}

/// As many units as are wanted, in whole packs and no fewer than the supplier delivers.
fn packed(wanted: u32, terms: &Terms) -> u32 {
    let pack = terms.pack_size.max(1);
    wanted.max(terms.minimum_order).div_ceil(pack).saturating_mul(pack)
}

/// When more are needed than there are: one chance in ten, and even odds.
fn without(slots: &[SlotDemand], position: u32) -> Option<(u32, u32)> {
    let short = |days: u32| Counts::pooled(slots, f64::from(days)).at_least(position.saturating_add(1));
    let day = |chance: f64| {
        if short(0) >= chance {
            return Some(0);
        }
        // Days far ahead cost much, and are rarely needed: the step doubles until it is too far.
        let mut reach = 1;
        while reach < FURTHEST_DAYS && short(reach) < chance {
            reach = (reach * 2).min(FURTHEST_DAYS);
        }
        Some(last_day(reach, |days| short(days) < chance)? + 1)
    };
    day(0.1).zip(day(0.5))
}
