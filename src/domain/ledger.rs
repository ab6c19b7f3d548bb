//! Believed levels to what was used, per day: measured, spread over a gap, or unseen around a swap.
//!
//! Within one install the believed levels are fitted by the non-increasing sequence nearest to them in
//! squares (pool adjacent violators; Barlow et al., *Statistical Inference under Order Restrictions*, 1972),
//! so that jitter is not counted as use. The drops of the fit telescope: their sum is its first level less
//! its last, exactly, and the error is bounded by the steps at the two ends. The fit is made as readings
//! come: levels that are too far above the present one to be pooled with it are settled for good.

use std::collections::{BTreeMap, VecDeque};

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

/// Use that falls into a longer silence than this is marked as spread.
const GAP: SignedDuration = SignedDuration::from_hours(3);
/// A silence that is long enough to tell what goes when nobody works ...
const LONG_GAP: SignedDuration = SignedDuration::from_hours(36);
/// ... if the level fell in it by more than this share of the least rise that tells.
const IDLE_SHARE_OF_REACH: f64 = 0.05;
/// How fast idle use is learned, where it is less and where it is more than was thought.
const IDLE_GAIN: (f64, f64) = (0.2, 0.1);
/// A level that has stood for no longer than this was on its way down.
const RUNNING: SignedDuration = SignedDuration::from_mins(20);
/// No job runs on for longer than this.
pub(super) const RAN_ON: SignedDuration = SignedDuration::from_hours(12);
/// A poll's weight in the fit is counted in quarters of an hour that the level held.
const POLL_SECONDS: f64 = 900.0;
/// No more levels than this wait to be settled.
const OPEN_BLOCKS: usize = 64;
/// How the days of a week weigh when use is spread over a gap, Monday first: weekends are quiet (common
/// practice, no source).
const WEEKDAY_WEIGHTS: [f64; 7] = [1.0, 1.0, 1.0, 1.0, 1.0, 0.8, 0.1];

/// How the hours of a day weigh then, from midnight on: work begins in the morning, and what was begun in the
/// afternoon runs on into the evening (common practice, no source).
const HOUR_WEIGHTS: [f64; 24] = [
    0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.02, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.3,
    0.1, 0.05, 0.02, 0.02, 0.01,
];

/// What went in one day, in the slot's measure.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct DayUse {
    /// All that is counted as used.
    pub used: f64,
    /// The part of `used` that fell into a gap and is spread over its days.
    pub spread: f64,
    /// What may have gone besides, at most, around a swap that nobody saw. Not in `used`.
    pub unseen: f64,
}

impl DayUse {
    /// An estimate of what went unseen: `used`, and `unseen` besides at most.
    #[must_use]
    pub(super) fn estimate(used: f64, unseen: f64) -> Self {
        Self { used, spread: used, unseen }
    }

    /// Adds another share of the same day.
    pub fn add(&mut self, other: Self) {
        self.used += other.used;
        self.spread += other.spread;
        self.unseen += other.unseen;
    }
}

/// Use by day.
pub type Days = BTreeMap<Date, DayUse>;

/// A run of polls that saw the same amount.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// The first of them.
    pub from: Timestamp,
    /// The last of them.
    pub until: Timestamp,
    /// What was left, or the room left.
    pub amount: f64,
}

/// A stretch over which the fitted level stays the same.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Block {
    level: f64,
    weight: f64,
    from: Timestamp,
    until: Timestamp,
}

/// The fit of one install's levels, as far as it has come.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Fit {
    /// The fitted level at its first reading, once that is settled.
    start: Option<f64>,
    /// The last level that is settled, and when it was last seen.
    settled: Option<(f64, Timestamp)>,
    /// How fast the level fell just then, per second; 0 where it stood still.
    flow: f64,
    /// What has gone in the job that is running, and in the largest one so far.
    job: f64,
    largest_job: f64,
    /// The slot's own idle use per second, as long silences tell it: care, and little else.
    idle: Option<f64>,
    /// The reach that was last given.
    reach: f64,
    /// The levels after it, falling.
    open: VecDeque<Block>,
}

impl Fit {
    /// Takes in the next run. Levels more than `reach` above the present one are settled, and what went on
    /// the way to them is booked.
    pub fn push(&mut self, run: Run, reach: f64, days: &mut Days, zone: &TimeZone) {
        self.reach = reach;
        let held = run.until.duration_since(run.from).as_secs_f64().max(0.0);
        let mut block =
            Block { level: run.amount, weight: 1.0 + held / POLL_SECONDS, from: run.from, until: run.until };
        while let Some(last) = self.open.pop_back_if(|last| last.level <= block.level) {
            let weight = last.weight + block.weight;
            block = Block {
                level: (last.level * last.weight + block.level * block.weight) / weight,
                weight,
                from: last.from,
                until: block.until,
            };
        }
        if let Some((settled, _)) = self.settled {
            block.level = block.level.min(settled);
        }
        self.open.push_back(block);
        while let Some(first) = self.open.front()
            && self.open.len() > 1
            && (self.open.len() > OPEN_BLOCKS || first.level > block.level + reach)
        {
            self.settle_first(days, zone);
        }
    }

    fn settle_first(&mut self, days: &mut Days, zone: &TimeZone) {
        let Some(first) = self.open.pop_front() else { return };
        let held = first.until.duration_since(first.from);
        match self.settled {
            Some((level, until)) => {
                let drop = level - first.level;
                let seconds = first.from.duration_since(until).as_secs_f64().max(1.0);
                let idle = if seconds >= LONG_GAP.as_secs_f64() { self.idle.unwrap_or(0.0) } else { 0.0 };
                book_drop(days, (until, first.from), drop, (self.flow, idle), zone);
                self.learn_idle(drop, seconds);
                let falls = drop > 0.5 * self.reach;
                self.job = if falls { self.job + drop } else { 0.0 };
                self.largest_job = self.largest_job.max(self.job);
                self.flow = if falls && held <= RUNNING { drop / seconds } else { 0.0 };
                if held > RUNNING {
                    self.job = 0.0;
                }
            }
            None => self.start = Some(first.level),
        }
        self.settled = Some((first.level, first.until));
    }

    /// Long silences tell what goes while nobody works: lesser use is learned fast, more use slowly.
    fn learn_idle(&mut self, drop: f64, seconds: f64) {
        if seconds < LONG_GAP.as_secs_f64() || drop < IDLE_SHARE_OF_REACH * self.reach {
            return;
        }
        let rate = drop / seconds;
        let idle = self.idle.unwrap_or(0.5 * rate);
        let gain = if rate < idle { IDLE_GAIN.0 } else { IDLE_GAIN.1 };
        self.idle = Some(idle + gain * (rate - idle));
    }

    /// What was learned of the slot rather than of the unit.
    #[must_use]
    pub(super) fn heir(&self) -> Self {
        Self { idle: self.idle, ..Self::default() }
    }

    /// Settles all of it.
    pub fn finish(&mut self, days: &mut Days, zone: &TimeZone) {
        while !self.open.is_empty() {
            self.settle_first(days, zone);
        }
    }

    /// The fitted level at the first reading.
    #[must_use]
    pub fn start(&self) -> Option<f64> {
        self.start.or_else(|| self.open.front().map(|block| block.level))
    }

    /// The present level, and when it was last seen.
    #[must_use]
    pub fn last(&self) -> Option<(f64, Timestamp)> {
        self.open.back().map(|block| (block.level, block.until)).or(self.settled)
    }

    /// The level that a rise is told by: the present one, or the one before it while the present one may still
    /// be a flicker.
    #[must_use]
    pub fn reference(&self, lasting: SignedDuration) -> Option<f64> {
        let last = self.open.back()?;
        if last.until.duration_since(last.from) >= lasting {
            return Some(last.level);
        }
        let before = self.open.len().checked_sub(2).and_then(|n| self.open.get(n)).map(|block| block.level);
        Some(before.or(self.settled.map(|(level, _)| level)).unwrap_or(last.level))
    }

    /// What has gone in the largest job that has been settled.
    #[must_use]
    pub fn largest_job(&self) -> f64 {
        self.largest_job
    }

    /// How fast the level fell at its last reading, per second; 0 where it stood still.
    #[must_use]
    pub fn last_flow(&self) -> f64 {
        let Some(last) = self.open.back() else { return self.flow };
        let before = self.open.len().checked_sub(2).and_then(|n| self.open.get(n));
        let Some((level, until)) = before.map(|block| (block.level, block.until)).or(self.settled) else {
            return 0.0;
        };
        let drop = level - last.level;
        let running = last.until.duration_since(last.from) <= RUNNING && drop > 0.5 * self.reach;
        let seconds = last.from.duration_since(until).as_secs_f64().max(1.0);
        if running { drop / seconds } else { 0.0 }
    }

    /// Since when the level has been no higher than `bound`.
    #[must_use]
    pub fn below_since(&self, bound: f64) -> Option<Timestamp> {
        self.open.iter().find(|block| block.level <= bound).map(|block| block.from)
    }

    /// Up to when what is booked is final.
    #[must_use]
    pub fn settled_until(&self) -> Option<Timestamp> {
        self.settled.map(|(_, until)| until)
    }
}

/// Books a fall of the level. In a gap, a job that was running when it began ran on at its `flow`, and what
/// goes when nobody works went evenly; what is more than that is spread over the hours of work.
fn book_drop(
    days: &mut Days,
    span: (Timestamp, Timestamp),
    drop: f64,
    (flow, idle): (f64, f64),
    zone: &TimeZone,
) {
    if drop <= 0.0 {
        return;
    }
    if span.1.duration_since(span.0) <= GAP {
        return book(days, span, DayUse { used: drop, spread: 0.0, unseen: 0.0 }, zone);
    }
    let ran_on = if flow > 0.0 { drop.min(flow * RAN_ON.as_secs_f64()) } else { 0.0 };
    let until = SignedDuration::try_from_secs_f64(ran_on / flow.max(f64::MIN_POSITIVE)).unwrap_or(RAN_ON);
    let end = span.0.checked_add(until).unwrap_or(span.1).min(span.1);
    book(days, (span.0, end), DayUse::estimate(ran_on, 0.0), zone);
    let left = drop - ran_on;
    let idled = left.min(idle * span.1.duration_since(span.0).as_secs_f64());
    book_evenly(days, span, DayUse::estimate(idled, 0.0), zone);
    book(days, span, DayUse::estimate(left - idled, 0.0), zone);
}

/// Gives amounts to the days that `span` touches, by the time they share, the hour and the weekday.
pub fn book(days: &mut Days, span: (Timestamp, Timestamp), amounts: DayUse, zone: &TimeZone) {
    share_out(days, span, amounts, zone, |day| shared_work(day, span.0, span.1, zone) * weekday_weight(day));
}

/// Gives amounts to the days that `span` touches, by the time they share alone.
fn book_evenly(days: &mut Days, span: (Timestamp, Timestamp), amounts: DayUse, zone: &TimeZone) {
    share_out(days, span, amounts, zone, |day| {
        shared_span(day, span.0, span.1, zone).map_or(0.0, |(from, to)| to - from)
    });
}

fn share_out(
    days: &mut Days,
    span: (Timestamp, Timestamp),
    amounts: DayUse,
    zone: &TimeZone,
    weigh: impl Fn(Date) -> f64,
) {
    if amounts == DayUse::default() {
        return;
    }
    let (first, last) = (day_of(span.0.min(span.1), zone), day_of(span.1, zone));
    if first == last {
        return days.entry(last).or_default().add(amounts);
    }
    let mut weights = Vec::new();
    let mut day = first;
    while day <= last {
        weights.push((day, weigh(day)));
        match day.tomorrow() {
            Ok(next) => day = next,
            Err(_) => break,
        }
    }
    let whole: f64 = weights.iter().map(|(_, weight)| weight).sum();
    if whole <= 0.0 {
        return days.entry(last).or_default().add(amounts);
    }
    for (day, weight) in weights.into_iter().filter(|(_, weight)| *weight > 0.0) {
        let share = weight / whole;
        days.entry(day).or_default().add(DayUse {
            used: amounts.used * share,
            spread: amounts.spread * share,
            unseen: amounts.unseen * share,
        });
    }
}

/// The civil day of a moment.
#[must_use]
pub fn day_of(at: Timestamp, zone: &TimeZone) -> Date {
    zone.to_datetime(at).date()
}

fn weekday_weight(day: Date) -> f64 {
    WEEKDAY_WEIGHTS[day.weekday().to_monday_zero_offset().unsigned_abs() as usize % 7]
}

/// The part of a civil day that lies within a span, in seconds since its midnight.
fn shared_span(day: Date, from: Timestamp, to: Timestamp, zone: &TimeZone) -> Option<(f64, f64)> {
    let midnight = |day: Date| zone.to_timestamp(day.at(0, 0, 0, 0)).ok();
    let begins = midnight(day)?;
    let ends = day.tomorrow().ok().and_then(midnight).unwrap_or(to);
    let since_midnight = |at: Timestamp| at.duration_since(begins).as_secs_f64();
    let shared = (since_midnight(from.max(begins)), since_midnight(to.min(ends)));
    (shared.0 < shared.1).then_some(shared)
}

/// The seconds of a civil day that lie within a span, each weighed by its hour. A day of a clock change has
/// 23 or 25 hours; its hours are counted from midnight.
fn shared_work(day: Date, from: Timestamp, to: Timestamp, zone: &TimeZone) -> f64 {
    shared_span(day, from, to, zone).map_or(0.0, |(from, to)| work_until(to) - work_until(from))
}

/// The weighed seconds of a day up to `seconds` after its midnight.
fn work_until(seconds: f64) -> f64 {
    let hour = |n: usize| HOUR_WEIGHTS.get(n).copied().unwrap_or(HOUR_WEIGHTS[0]);
    let whole = (seconds / 3600.0).clamp(0.0, 48.0) as usize;
    let part = (seconds - 3600.0 * whole as f64).max(0.0);
    (0..whole).map(hour).sum::<f64>() * 3600.0 + hour(whole) * part
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn run(from: i64, until: i64, amount: f64) -> Run {
        let stamp = |second| Timestamp::from_second(second).unwrap();
        Run { from: stamp(from), until: stamp(until), amount }
    }

    fn fitted(runs: &[Run], reach: f64, zone: &TimeZone) -> (f64, Days) {
        let (mut fit, mut days) = (Fit::default(), Days::new());
        for run in runs {
            fit.push(*run, reach, &mut days, zone);
        }
        let drop = fit.start().unwrap() - fit.last().unwrap().0;
        fit.finish(&mut days, zone);
        (drop, days)
    }

    fn sum(days: &Days) -> f64 {
        days.values().map(|day| day.used).sum()
    }

    proptest! {
        #[test]
        fn days_add_up_to_the_drop(
            levels in proptest::collection::vec((0.0..775.0f64, 1i64..400_000), 1..80),
            reach in 0.0..800.0f64,
        ) {
            let mut at = 1_700_000_000;
            let mut runs = Vec::new();
            for (level, wait) in levels {
                runs.push(run(at + wait, at + wait, level));
                at += wait;
            }
            let (drop, days) = fitted(&runs, reach, &TimeZone::get("Europe/Lisbon").unwrap());
            prop_assert!((sum(&days) - drop).abs() < 1e-6);
            prop_assert!(days.values().all(|day| day.used >= 0.0 && day.spread <= day.used + 1e-9));
        }
    }

    #[test]
    fn use_over_a_silent_week_is_spread_and_says_so() {
        let monday = 1_763_942_400; // 2025-11-24T00:00:00Z
        let runs = [run(monday, monday, 700.0), run(monday + 7 * 86_400, monday + 7 * 86_400, 640.0)];
        let (_, days) = fitted(&runs, 8.0, &TimeZone::UTC);
        assert!((sum(&days) - 60.0).abs() < 1e-9);
        let on = |day| days[&Date::constant(2025, 11, day)];
        assert!((on(24).used / on(29).used - WEEKDAY_WEIGHTS[0] / WEEKDAY_WEIGHTS[5]).abs() < 1e-9);
        assert!(days.values().all(|day| (day.used - day.spread).abs() < 1e-12));
    }

    #[test]
    fn jitter_is_not_use() {
        let levels = [500.0, 500.4, 499.8, 500.2, 500.0, 499.9, 500.1];
        let runs: Vec<Run> = levels.iter().zip(1..).map(|(level, n)| run(900 * n, 900 * n, *level)).collect();
        let (_, days) = fitted(&runs, 8.0, &TimeZone::UTC);
        assert!(sum(&days) < 0.3, "{}", sum(&days));
    }

    /// The clocks of Lisbon went back on 26 October 2025: that day had 25 hours (IANA time zone database).
    #[test]
    fn a_day_of_25_hours_takes_25_hours_of_use() {
        let zone = TimeZone::get("Europe/Lisbon").unwrap();
        let all =
            (Timestamp::from_second(1_760_000_000).unwrap(), Timestamp::from_second(1_770_000_000).unwrap());
        let work = |day| shared_work(day, all.0, all.1, &zone);
        let usual = work(Date::constant(2025, 10, 25));
        assert!((work(Date::constant(2025, 10, 26)) - usual - 3600.0 * HOUR_WEIGHTS[0]).abs() < 1e-6);
        let spring = shared_work(Date::constant(2026, 3, 29), all.0, Timestamp::MAX, &zone);
        assert!((usual - spring - 3600.0 * HOUR_WEIGHTS[23]).abs() < 1e-6);
    }
}
