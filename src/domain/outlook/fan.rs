//! The course that a level likely takes from now on.
//!
//! The forecast is asked of every part of what is left, and not of all of it only: when a part is used up at one
//! chance in ten, at even odds and at nine in ten. The answers are three curves that end where the horizon has
//! its dates.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan};

use super::{Present, Terms, daily_series};
use crate::domain::horizon::{Ahead, FURTHEST_DAYS, Past, end_days, pace};
use crate::domain::reading::Level;

/// Into so many parts is divided what is left.
const PARTS: u32 = 24;

/// Three courses from the present level down to nothing: when what is left, or the room left, has come down to
/// each amount. Moments only move on, amounts only fall, and a course that ends too far ahead breaks off.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Fan {
    /// One chance in ten that it has come down so far by then.
    pub early: Vec<(Timestamp, f64)>,
    /// Even odds.
    pub middle: Vec<(Timestamp, f64)>,
    /// Nine in ten.
    pub late: Vec<(Timestamp, f64)>,
}

/// Spreads out the forecast of a supply at `level`: see [`super::prospect`]. `None` where there is no date either.
#[must_use]
pub fn fan(
    level: &Level,
    days: &BTreeMap<Date, f64>,
    seen_until: Timestamp,
    present: &Present,
    terms: &Terms<'_>,
) -> Option<Fan> {
    let remaining = level.remaining.measured()?;
    let until = present.date(seen_until).min(present.today());
    let (first, series) = daily_series(days, until).unwrap_or((until, Vec::new()));
    let past = Past {
        daily: &series,
        first,
        calendar: terms.calendar,
        capacity: level.capacity.known(),
        borrowed: terms.borrowed,
    };
    let pace = pace(&past)?;
    let ahead = Ahead::new(present.today(), present.share_of_today(), terms.calendar);
    let start = (present.now, remaining);
    let mut courses = [vec![start], vec![start], vec![start]];
    for part in 1..=PARTS {
        let used = remaining * f64::from(part) / f64::from(PARTS);
        let ends = end_days(&pace, used, level.step, &ahead);
        for (course, days) in courses.iter_mut().zip(ends) {
            let Some((last, _)) = course.last().copied() else { continue };
            if days < FURTHEST_DAYS as f64
                && let Some(at) = moment(days, present)
            {
                course.push((at.max(last), remaining - used));
            }
        }
    }
    let [early, middle, late] = courses;
    (middle.len() > PARTS as usize).then_some(Fan { early, middle, late })
}

/// The moment so many days after the midnight that began today.
fn moment(days: f64, present: &Present) -> Option<Timestamp> {
    let midnight = |day: Date| present.zone.to_timestamp(day.at(0, 0, 0, 0)).ok();
    let day = present.today().checked_add((days.floor() as i64).days()).ok()?;
    let (begins, ends) = (midnight(day)?, midnight(day.tomorrow().ok()?)?);
    let seconds = days.fract() * ends.duration_since(begins).as_secs_f64();
    begins.checked_add(SignedDuration::try_from_secs_f64(seconds).ok()?).ok()
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;
    use proptest::prelude::*;

    use super::*;
    use crate::domain::calendar::Calendar;
    use crate::domain::outlook::prospect;
    use crate::domain::reading::Role;
    use crate::domain::standard::SupplyUnit;

    proptest! {
        #[test]
        fn courses_only_fall_keep_their_order_and_end_on_the_horizons_days(
            uses in proptest::collection::vec(0.0..30.0f64, 10..200),
            left in 50..7750i32,
            hour in 0..24i64,
        ) {
            let now = Timestamp::from_second(1_764_028_800 + hour * 3600).unwrap();
            let present = Present { now, zone: TimeZone::get("Europe/Lisbon").unwrap() };
            let days: BTreeMap<Date, f64> = (1..).zip(&uses)
                .map(|(back, used)| (present.today().checked_sub(i64::from(back).days()).unwrap(), *used))
                .collect();
            let level = Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, left);
            let calendar = Calendar::default();
            let terms = Terms { order_fill: 0.7, calendar: &calendar, borrowed: None };
            let said = prospect(Role::Consumed, &level, &days, now, &present, &terms);
            let fan = fan(&level, &days, now, &present, &terms);
            prop_assert_eq!(fan.is_some(), said.forecast.horizon().is_some());
            if let (Some(fan), Some(horizon)) = (fan, said.forecast.horizon()) {
                for course in [&fan.early, &fan.middle, &fan.late] {
                    prop_assert!(course.windows(2).all(|two| two[0].0 <= two[1].0 && two[0].1 > two[1].1));
                }
                for ((early, middle), late) in fan.early.iter().zip(&fan.middle).zip(&fan.late) {
                    prop_assert!(early.0 <= middle.0 && middle.0 <= late.0);
                }
                let end = |course: &[(Timestamp, f64)]| present.date(course.last().unwrap().0);
                prop_assert_eq!(end(&fan.middle), horizon.middle.max(present.today()));
                prop_assert_eq!(end(&fan.early), horizon.early.max(present.today()));
            }
        }
    }
}
