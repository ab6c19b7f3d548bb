//! Installs to what was used, per day: measured, spread over a gap, or unseen around a swap.
//!
//! Within one install the believed levels are fitted by the non-increasing sequence nearest to them in
//! squares (pool adjacent violators; Barlow et al., *Statistical Inference under Order Restrictions*, 1972),
//! so that jitter is not counted as use. The drops of the fit telescope: their sum is its first level less
//! its last, exactly, and the error is bounded by the steps at the two ends.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::install::{Install, Point};

/// Use that falls into a longer silence than this is marked as spread.
const GAP: SignedDuration = SignedDuration::from_hours(3);
/// A swap in a longer silence than this leaves something unseen.
const SWAP_GAP: SignedDuration = SignedDuration::from_hours(1);
/// A poll's weight in the fit is counted in quarters of an hour that the level held.
const POLL_SECONDS: f64 = 900.0;
/// How the days of a week weigh when use is spread over a gap, Monday first: weekends are quiet (common
/// practice, no source).
const WEEKDAY_WEIGHTS: [f64; 7] = [1.0, 1.0, 1.0, 1.0, 1.0, 0.25, 0.15];

/// What went in one day, in the slot's measure.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DayUse {
    /// All that is counted as used.
    pub used: f64,
    /// The part of `used` that fell into a gap and is spread over its days.
    pub spread: f64,
    /// What may have gone besides, at most, around a swap that nobody saw. Not in `used`.
    pub unseen: f64,
}

/// How the unit before was last seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ending {
    /// The last poll that saw it.
    pub at: Timestamp,
    /// What was left in it then, or the room it still had.
    pub remaining: f64,
}

impl Ending {
    /// How an install ended; `None` while it is still in.
    #[must_use]
    pub fn of(install: &Install) -> Option<Self> {
        let last = install.points.last()?;
        install.to.map(|at| Self { at, remaining: last.remaining })
    }
}

/// What one install gave, day by day.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ledger {
    /// The fitted level at its first point.
    pub start: f64,
    /// The fitted level at its last point.
    pub end: f64,
    /// What went on each day, in the site's zone.
    pub days: BTreeMap<Date, DayUse>,
}

/// The ledger of an install. `before` is how the unit ended that it took the place of.
#[must_use]
pub fn ledger(install: &Install, before: Option<Ending>, zone: &TimeZone) -> Ledger {
    let fit = non_increasing(install);
    let mut ledger = Ledger {
        start: fit.first().copied().unwrap_or_default(),
        end: fit.last().copied().unwrap_or_default(),
        days: BTreeMap::new(),
    };
    for (n, pair) in install.points.windows(2).enumerate() {
        let drop = fit[n] - fit[n + 1];
        if drop > 0.0 {
            let from = pair[1].previous_at.unwrap_or(pair[0].held_until).max(pair[0].at);
            let in_gap = pair[1].at.duration_since(from) > GAP;
            allot(&mut ledger.days, (from, pair[1].at), drop, zone, |day, share| {
                day.used += share;
                day.spread += if in_gap { share } else { 0.0 };
            });
        }
    }
    if let (Some(before), Some(first)) = (before, install.points.first()) {
        around_swap(&mut ledger, before, install, first, zone);
    }
    ledger
}

/// What went between the last reading of the old unit and the first of the new one.
///
/// A new unit first seen a little below its capacity is taken to have gone in full. Where the swap fell into
/// a silence, all of what the old unit still had may have been used or thrown away: a bound, kept apart.
fn around_swap(ledger: &mut Ledger, old: Ending, install: &Install, first: &Point, zone: &TimeZone) {
    let span = (old.at, first.at);
    let missing = install.capacity.map_or(0.0, |capacity| capacity - ledger.start);
    let likely_full = install.capacity.is_some_and(|capacity| missing <= 0.1 * capacity);
    if likely_full && missing > 1.5 * install.step {
        allot(&mut ledger.days, span, missing, zone, |day, share| {
            day.used += share;
            day.spread += share;
        });
    }
    if first.at.duration_since(old.at) > SWAP_GAP {
        let unseen = old.remaining.max(0.0) + if likely_full { 0.0 } else { missing.max(0.0) };
        allot(&mut ledger.days, span, unseen, zone, |day, share| day.unseen += share);
    }
}

/// Gives `amount` to the days that `span` touches, by the time they share and the weekday.
fn allot(
    days: &mut BTreeMap<Date, DayUse>,
    span: (Timestamp, Timestamp),
    amount: f64,
    zone: &TimeZone,
    book: impl Fn(&mut DayUse, f64),
) {
    let (from, to) = (span.0.min(span.1), span.1);
    let (first, last) = (zone.to_datetime(from).date(), zone.to_datetime(to).date());
    if first == last {
        return book(days.entry(last).or_default(), amount);
    }
    let mut weights = Vec::new();
    let mut day = first;
    while day <= last {
        weights.push((day, shared_seconds(day, from, to, zone) * weekday_weight(day)));
        match day.tomorrow() {
            Ok(next) => day = next,
            Err(_) => break,
        }
    }
    let whole: f64 = weights.iter().map(|(_, weight)| weight).sum();
    if whole <= 0.0 {
        return book(days.entry(last).or_default(), amount);
    }
    for (day, weight) in weights.into_iter().filter(|(_, weight)| *weight > 0.0) {
        book(days.entry(day).or_default(), amount * weight / whole);
    }
}

fn weekday_weight(day: Date) -> f64 {
    WEEKDAY_WEIGHTS[day.weekday().to_monday_zero_offset().unsigned_abs() as usize % 7]
}

/// The seconds of a civil day that lie within a span. A day of a clock change has 23 or 25 hours.
fn shared_seconds(day: Date, from: Timestamp, to: Timestamp, zone: &TimeZone) -> f64 {
    let midnight = |day: Date| zone.to_timestamp(day.at(0, 0, 0, 0)).ok();
    let begins = midnight(day).map_or(from, |begins| begins.max(from));
    let ends = day.tomorrow().ok().and_then(midnight).map_or(to, |ends| ends.min(to));
    ends.duration_since(begins).as_secs_f64().max(0.0)
}

/// The non-increasing sequence nearest to an install's levels in squares, each weighed by how long it held.
///
/// The last level of a unit that is still in counts as one poll: how long it will hold is not known, and the
/// ledger must not depend on how often it was worked out meanwhile.
fn non_increasing(install: &Install) -> Vec<f64> {
    struct Block {
        mean: f64,
        weight: f64,
        points: usize,
    }
    let mut blocks: Vec<Block> = Vec::new();
    for (n, point) in install.points.iter().enumerate() {
        let open = install.to.is_none() && n + 1 == install.points.len();
        let held = point.held_until.duration_since(point.at).as_secs_f64().max(0.0);
        let held = if open { 0.0 } else { held };
        let mut block = Block { mean: point.remaining, weight: 1.0 + held / POLL_SECONDS, points: 1 };
        while blocks.last().is_some_and(|last| last.mean < block.mean) {
            let Some(last) = blocks.pop() else { break };
            let weight = last.weight + block.weight;
            block = Block {
                mean: (last.mean * last.weight + block.mean * block.weight) / weight,
                weight,
                points: last.points + block.points,
            };
        }
        blocks.push(block);
    }
    blocks.iter().flat_map(|block| std::iter::repeat_n(block.mean, block.points)).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::domain::install::Arrival;

    fn install(points: Vec<Point>) -> Install {
        Install {
            from: points[0].at,
            to: None,
            capacity: Some(775.0),
            step: 0.1,
            arrival: Arrival::Found,
            points,
        }
    }

    fn point(at: i64, previous: i64, remaining: f64) -> Point {
        let stamp = |second| Timestamp::from_second(second).unwrap();
        Point { at: stamp(at), previous_at: Some(stamp(previous)), held_until: stamp(at), remaining }
    }

    fn sum(ledger: &Ledger) -> f64 {
        ledger.days.values().map(|day| day.used).sum()
    }

    proptest! {
        #[test]
        fn days_add_up_to_the_drop(levels in proptest::collection::vec((0.0..775.0f64, 1i64..400_000), 1..80)) {
            let mut at = 1_700_000_000;
            let mut points = Vec::new();
            for (level, wait) in levels {
                points.push(point(at + wait, at, level));
                at += wait;
            }
            let zone = TimeZone::get("Europe/Lisbon").unwrap();
            let ledger = ledger(&install(points), None, &zone);
            prop_assert!((sum(&ledger) - (ledger.start - ledger.end)).abs() < 1e-6);
            prop_assert!(ledger.days.values().all(|day| day.used >= 0.0 && day.spread <= day.used + 1e-9));
        }
    }

    #[test]
    fn use_over_a_silent_week_is_spread_and_says_so() {
        let monday = 1_763_942_400; // 2025-11-24T00:00:00Z
        let points = vec![point(monday, monday - 900, 700.0), point(monday + 7 * 86_400, monday, 640.0)];
        let ledger = ledger(&install(points), None, &TimeZone::UTC);
        assert!((sum(&ledger) - 60.0).abs() < 1e-9);
        let on = |day| ledger.days[&Date::constant(2025, 11, day)];
        assert!((on(24).used / on(29).used - 4.0).abs() < 1e-9);
        assert!(ledger.days.values().all(|day| (day.used - day.spread).abs() < 1e-12));
    }

    #[test]
    fn jitter_is_not_use() {
        let levels = [500.0, 500.4, 499.8, 500.2, 500.0, 499.9, 500.1];
        let points = levels.iter().enumerate().map(|(n, l)| point(900 * (n as i64 + 1), 900 * n as i64, *l));
        let ledger = ledger(&install(points.collect()), None, &TimeZone::UTC);
        assert!(sum(&ledger) < 0.3, "{}", sum(&ledger));
    }

    /// The clocks of Lisbon went back on 26 October 2025: that day had 25 hours (IANA time zone database).
    #[test]
    fn a_day_of_25_hours_takes_25_hours_of_use() {
        let zone = TimeZone::get("Europe/Lisbon").unwrap();
        let day = Date::constant(2025, 10, 26);
        let all =
            (Timestamp::from_second(1_760_000_000).unwrap(), Timestamp::from_second(1_770_000_000).unwrap());
        assert_eq!(shared_seconds(day, all.0, all.1, &zone), 25.0 * 3600.0);
        assert_eq!(shared_seconds(Date::constant(2026, 3, 29), all.0, Timestamp::MAX, &zone), 23.0 * 3600.0);
    }
}
