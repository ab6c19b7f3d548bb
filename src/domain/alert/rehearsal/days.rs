//! The figures that rules went by day by day: forecasts, days to order by, heads' warranties, dates on the shelf.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use super::{Figure, Span};
use crate::domain::alert::facts::{days_between, days_late, first_date, use_off, warranty_day, working_days};
use crate::domain::calendar::Calendar;
use crate::domain::head::{Head, HeadOutlook};
use crate::domain::ids::LotId;
use crate::domain::outlook::Present;
use crate::domain::rightness::KeptForecast;

/// How many days of ink through a head its forecast looks back over.
pub const HEAD_MEMORY_DAYS: i32 = 400;

/// The day by which the next unit for a slot was to be ordered, as it was said from a moment on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OrderDay {
    /// The day.
    pub due: Date,
    /// From when to when that was said.
    pub said: Span,
}

/// Units that came to a lot (above zero), or went from it.
#[derive(Debug, Clone, PartialEq)]
pub struct Piled {
    /// When.
    pub at: Timestamp,
    /// Which lot.
    pub lot: LotId,
    /// When it was made.
    pub made_on: Date,
    /// How many.
    pub quantity: i64,
}

/// A head in a place, for as long as it was there.
#[derive(Debug, Clone, PartialEq)]
pub struct HeadTurn {
    /// The head.
    pub head: Head,
    /// What had gone through it by its end, or by now, in millilitres; none where no map says which ink runs through it.
    pub ml: Option<f64>,
}

/// The first moment of a day.
fn morning(day: Date, zone: &TimeZone) -> Option<Timestamp> {
    Some(day.to_zoned(zone.clone()).ok()?.timestamp())
}

/// The days that a span touches, each with its first moment.
fn mornings((from, to): (Timestamp, Timestamp), zone: &TimeZone) -> impl Iterator<Item = (Timestamp, Date)> {
    let day = |at: Timestamp| zone.to_datetime(at).date();
    let days = std::iter::successors(Some(day(from)), |day| day.tomorrow().ok());
    days.take_while(move |day| *day <= zone.to_datetime(to).date())
        .filter_map(|day| Some((morning(day, zone)?, day)))
}

/// The moments of a span at which a figure that goes by days may change: its mornings, and those that are given.
fn turns(
    span: (Timestamp, Timestamp),
    zone: &TimeZone,
    given: impl IntoIterator<Item = Timestamp>,
) -> BTreeSet<Timestamp> {
    let (from, to) = span;
    let given = given.into_iter().filter(|at| from <= *at && *at <= to);
    let mornings = mornings(span, zone).map(|(at, _)| at).filter(|at| *at > from);
    given.chain(mornings).chain([from]).collect()
}

/// Whether a span was going on at a moment.
fn stood((from, to): Span, at: Timestamp) -> bool {
    from <= at && to.is_none_or(|to| at < to)
}

/// The figures of the rule about ends that are near, from the forecasts that were kept of a slot: of each day the
/// first, so that what a later poll of the day said is told of the next. Of days longer ago than some weeks only the
/// first of each week is kept.
#[must_use]
pub fn forecast_figures(
    kept: &[KeptForecast],
    calendar: &Calendar,
    zone: &TimeZone,
) -> Vec<(Timestamp, f64)> {
    kept.iter()
        .filter_map(|kept| {
            Some((morning(kept.day, zone)?, working_days(calendar, kept.day, kept.horizon.middle)))
        })
        .collect()
}

/// The figures of the rule about use that is far from its forecast, from the forecasts that were kept of a slot with
/// the pace that they went by and what was known then to have gone of late.
#[must_use]
pub fn off_figures(kept: &[KeptForecast], zone: &TimeZone) -> Vec<(Timestamp, f64)> {
    kept.iter()
        .filter_map(|kept| {
            Some((morning(kept.day, zone)?, use_off(kept.recent_use?, kept.daily_use, kept.capacity)?))
        })
        .collect()
}

/// The figures of the rule about orders, from the days by which one was to be made, as they were said since `span`
/// begins. Where none was said, there is no such day.
#[must_use]
pub fn order_figures(
    said: &[OrderDay],
    span: (Timestamp, Timestamp),
    zone: &TimeZone,
) -> Vec<(Timestamp, f64)> {
    let changes = said.iter().flat_map(|order| [Some(order.said.0), order.said.1]).flatten();
    let figure = |at: Timestamp| {
        let today = zone.to_datetime(at).date();
        let standing = said.iter().find(|order| stood(order.said, at));
        standing.map_or(f64::INFINITY, |order| days_between(today, order.due))
    };
    turns(span, zone, changes).into_iter().map(|at| (at, figure(at))).collect()
}

/// The figures of the rule about swaps that are late, from when to when a device asked for one, and from when to when
/// it was said that the supply would end, so many working days ahead.
#[must_use]
pub fn late_figures(
    asked: &[Span],
    (foretold, ahead): (&[Span], f64),
    span: (Timestamp, Timestamp),
    calendar: &Calendar,
    zone: &TimeZone,
) -> Vec<(Timestamp, f64)> {
    let day = |at: Timestamp| zone.to_datetime(at).date();
    let since = |spans: &[Span], at| spans.iter().find(|span| stood(**span, at)).map(|(from, _)| day(*from));
    let changes = asked.iter().chain(foretold).flat_map(|(from, to)| [Some(*from), *to]).flatten();
    let figure = |at| {
        let foretold = since(foretold, at).map(|day| (day, ahead));
        days_late(since(asked, at), foretold, day(at), calendar)
    };
    turns(span, zone, changes).into_iter().map(|at| (at, figure(at))).collect()
}

/// The figures of the rule about dates on the shelf, from what came to the lots of a part and went from them, earliest
/// first. Where none has a date, none is near.
#[must_use]
pub fn stock_figures(
    shelf_life_months: Option<u32>,
    moved: &[Piled],
    span: (Timestamp, Timestamp),
    zone: &TimeZone,
) -> Vec<(Timestamp, f64)> {
    let mut lots: BTreeMap<LotId, (Date, i64)> = BTreeMap::new();
    let mut moved_later = moved.iter().peekable();
    let mut figures = Vec::new();
    for at in turns(span, zone, moved.iter().map(|piled| piled.at)) {
        while let Some(piled) = moved_later.next_if(|piled| piled.at <= at) {
            lots.entry(piled.lot).or_insert((piled.made_on, 0)).1 += piled.quantity;
        }
        let there = lots.values().map(|(made_on, units)| (*made_on, u32::try_from(*units).unwrap_or(0)));
        let first = first_date(shelf_life_months, there);
        let today = zone.to_datetime(at).date();
        figures.push((at, first.map_or(f64::INFINITY, |(day, _)| days_between(today, day))));
    }
    figures
}

/// The figures of the rule about warranties at one place of a device, from the heads that were in it and the ink through
/// the place per day: what would have been said on each morning. Where no head is, no warranty ends.
#[must_use]
pub fn warranty_figures(
    turns: &[HeadTurn],
    daily: &BTreeMap<Date, f64>,
    span: (Timestamp, Timestamp),
    zone: &TimeZone,
) -> Vec<Figure> {
    let mut figures = Vec::new();
    let mut known: BTreeMap<Date, f64> = BTreeMap::new();
    let mut later = daily.iter().peekable();
    for (now, today) in mornings(span, zone) {
        while let Some((day, ml)) = later.next_if(|(day, _)| **day < today) {
            known.insert(*day, *ml);
        }
        let oldest = today.checked_sub(HEAD_MEMORY_DAYS.days()).unwrap_or(Date::MIN);
        while known.first_key_value().is_some_and(|(day, _)| *day < oldest) {
            known.pop_first();
        }
        let inside = |head: &Head| head.in_on <= today && head.out_on.is_none_or(|out| today < out);
        let Some(turn) = turns.iter().find(|turn| inside(&turn.head)) else {
            figures.push((now, Some(f64::INFINITY)));
            continue;
        };
        let present = Present { now, zone: zone.clone() };
        let outlook = match turn.ml {
            None => HeadOutlook::unknown(""),
            Some(ml) => {
                let until = turn.head.out_on.unwrap_or(Date::MAX);
                let since: f64 = daily.range(today..until).map(|(_, ml)| ml).sum();
                HeadOutlook::new(&turn.head, (ml - since).max(0.0), &known, now, &present)
            }
        };
        let ends = warranty_day(&turn.head, &outlook, today);
        figures.push((now, ends.map(|day| days_between(today, day))));
    }
    figures
}
