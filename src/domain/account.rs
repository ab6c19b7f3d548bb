//! A slot's past as a person reads it: what came of each reading and why, and what was used by month.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::calendar::Calendar;
use super::install::Arrival;
use super::ledger::{DayUse, Days};
use super::month::Month;
use super::polarity::Watch;
use super::reading::{Amount, Oddity, Polarity, Reading};
use super::sign::Sign;
use super::stream::Event;
use super::units::Measure;

/// What came of a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// It is believed: so much was left, or so much room.
    Believed(f64, Measure),
    /// It is believed, and another unit came with it.
    NewUnit(Arrival, f64, Measure),
    /// It is the last of its day, and of an old day only that is kept: so much was left, or so much room.
    LastOfDay(f64, Measure),
    /// It is so far from what was believed before that it has to last first.
    Waits,
    /// It was far from what was believed before, and did not last.
    LeftOut,
    /// The device gave no figure.
    NoFigure(Amount),
    /// The figures contradict each other; they are kept as they came.
    Odd(Oddity),
}

/// A reading's verdict, and whether it is asked about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Account {
    /// What came of it.
    pub verdict: Verdict,
    /// It was a fall that a person is to explain.
    pub asked: bool,
}

/// What came of each of a slot's readings, which are earliest first. `watch` has seen nothing yet, `signs` are what
/// was seen besides, and the slot last said what it says at `seen_until`.
#[must_use]
pub fn account(
    mut watch: Watch,
    readings: &[Reading],
    signs: &[(Timestamp, Sign)],
    seen_until: Timestamp,
    zone: &TimeZone,
) -> Vec<Account> {
    let mut told = Told::default();
    watch.follow(readings, signs, zone, &mut |event| told.take(event));
    watch.seen(seen_until, zone, &mut |event| told.take(event));
    let last_believed = told.believed.last_key_value().map(|(at, _)| *at);
    let waits = |at: Timestamp| watch.is_waiting() && last_believed.is_none_or(|last| at > last);
    let (polarity, _) = watch.polarity();
    let verdict = |reading: &Reading| match (told.believed.get(&reading.at), told.began.get(&reading.at)) {
        (_, Some((arrival, start, measure))) => Verdict::NewUnit(*arrival, *start, *measure),
        (Some((remaining, measure)), None) => Verdict::Believed(*remaining, *measure),
        (None, None) => match (reading.level.oddity, reading.level.counted_as(polarity).remaining) {
            (Some(oddity), _) => Verdict::Odd(oddity),
            (None, Amount::Measured(_)) if waits(reading.at) => Verdict::Waits,
            (None, Amount::Measured(_)) => Verdict::LeftOut,
            (None, no_figure) => Verdict::NoFigure(no_figure),
        },
    };
    let account = |reading| Account { verdict: verdict(reading), asked: told.asked.contains(&reading.at) };
    readings.iter().map(account).collect()
}

/// What there is to say of old readings of which one a day is kept.
#[must_use]
pub fn account_of_days(readings: &[Reading], polarity: Polarity) -> Vec<Account> {
    let verdict = |reading: &Reading| {
        let level = reading.level.counted_as(polarity);
        match (level.oddity, level.remaining) {
            (Some(oddity), _) => Verdict::Odd(oddity),
            (None, Amount::Measured(left)) => Verdict::LastOfDay(left, level.measure),
            (None, no_figure) => Verdict::NoFigure(no_figure),
        }
    };
    readings.iter().map(|reading| Account { verdict: verdict(reading), asked: false }).collect()
}

/// What was told on the way.
#[derive(Default)]
struct Told {
    measure: Option<Measure>,
    believed: BTreeMap<Timestamp, (f64, Measure)>,
    began: BTreeMap<Timestamp, (Arrival, f64, Measure)>,
    asked: BTreeSet<Timestamp>,
}

impl Told {
    fn take(&mut self, event: Event) {
        match event {
            Event::Believed { at, remaining, .. } => {
                self.believed.insert(at, (remaining, self.measure.unwrap_or(Measure::Percent)));
            }
            Event::Began(unit) => {
                self.measure = Some(unit.measure);
                self.began.insert(unit.from, (unit.arrival, unit.start, unit.measure));
            }
            Event::Asked(question) => {
                self.asked.insert(question.at);
            }
            Event::Reversed => *self = Self::default(),
            Event::Ended(..) => {}
        }
    }
}

/// What was used in a month.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonthUse {
    /// Which month.
    pub month: Month,
    /// What was used, with how much of it was spread over silences, and what may have gone besides.
    pub used: DayUse,
    /// Days of it that were watched and on which the print room worked.
    pub working_days: u32,
}

impl MonthUse {
    /// Use per working day; `None` where there was none.
    #[must_use]
    pub fn per_working_day(&self) -> Option<f64> {
        (self.working_days > 0).then(|| self.used.used / f64::from(self.working_days))
    }
}

/// Use by month, the latest first, from the ledger's first day up to `until`.
#[must_use]
pub fn months(days: &Days, until: Date, calendar: &Calendar) -> Vec<MonthUse> {
    let mut months: BTreeMap<Month, MonthUse> = BTreeMap::new();
    let Some((&first, _)) = days.first_key_value() else { return Vec::new() };
    let watched = std::iter::successors(Some(first), |day| day.tomorrow().ok());
    for day in watched.take_while(|day| *day <= until) {
        let month = Month::of(day);
        let none = MonthUse { month, used: DayUse::default(), working_days: 0 };
        let of_month = months.entry(month).or_insert(none);
        if let Some(used) = days.get(&day) {
            of_month.used.add(*used);
        }
        of_month.working_days += u32::from(!calendar.is_closed(day));
    }
    months.into_values().rev().collect()
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;
    use crate::domain::reading::{Level, Role};
    use crate::domain::standard::SupplyUnit;
    use crate::domain::stream::Known;

    fn at(n: i64) -> Timestamp {
        Timestamp::from_second(1_764_000_000 + n * 900).unwrap()
    }

    fn readings(levels: &[i32]) -> Vec<Reading> {
        let reading = |(n, level): (i64, &i32)| Reading {
            at: at(n),
            previous_at: (n > 0).then(|| at(n - 1)),
            level: Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, *level),
        };
        (0..).zip(levels).map(reading).collect()
    }

    fn verdicts(levels: &[i32], seen: i64) -> Vec<Verdict> {
        let watch = Watch::new(Role::Consumed, None, Known::default());
        let told = account(watch, &readings(levels), &[], at(seen), &TimeZone::UTC);
        told.into_iter().map(|account| account.verdict).collect()
    }

    #[test]
    fn every_reading_is_believed_or_says_why_not() {
        let ml = Measure::Millilitres;
        let told = verdicts(&[3000, 2990, -2, 9000, 100, 2980, 7750, 7740, 7730, 7720, 5000], 10);
        assert_eq!(told[0], Verdict::NewUnit(Arrival::Found, 300.0, ml));
        assert_eq!(told[1], Verdict::Believed(299.0, ml));
        assert_eq!(told[2], Verdict::NoFigure(Amount::Unknown));
        assert_eq!(told[3], Verdict::Odd(Oddity::LevelAboveCapacity));
        assert_eq!(told[4], Verdict::LeftOut);
        assert_eq!(told[5], Verdict::Believed(298.0, ml));
        assert!(matches!(told[6], Verdict::NewUnit(Arrival::Risen, ..)), "{:?}", told[6]);
        assert_eq!(told[10], Verdict::Waits);
    }

    proptest! {
        #[test]
        fn months_sum_up_to_the_ledger(uses in proptest::collection::vec(0.0..20.0f64, 1..200)) {
            let first = date(2026, 1, 15);
            let days: Days = std::iter::successors(Some(first), |day| day.tomorrow().ok())
                .zip(&uses)
                .map(|(day, used)| (day, DayUse { used: *used, ..DayUse::default() }))
                .collect();
            let (last, _) = days.last_key_value().unwrap();
            let months = months(&days, *last, &Calendar::default());
            let sum: f64 = months.iter().map(|month| month.used.used).sum();
            prop_assert!((sum - uses.iter().sum::<f64>()).abs() < 1e-6);
            prop_assert_eq!(months.iter().map(|month| month.working_days).sum::<u32>() as usize, uses.len());
            prop_assert!(months.windows(2).all(|two| two[0].month > two[1].month));
        }
    }
}
