//! What is said of one supply: what is left, and when it runs out.

pub mod fan;

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp, ToSpan};

use super::calendar::Calendar;
use super::horizon::{Ahead, Borrowed, FURTHEST_DAYS, LEAST_DAYS, Past, end_days, pace};
use super::ids::{DeviceId, SlotId, SupplyIndex};
use super::reading::{Amount, Capacity, Level, Role};
use super::reorder::Usage;
use super::standard::SupplyKind;
use super::stream::View;

/// A device that has said "unknown" for longer than this is believed over its last figure.
const UNKNOWN_IS_BELIEVED: SignedDuration = SignedDuration::from_hours(6);

/// The place a supply sits in, with what a person calls it.
#[derive(Debug, Clone, PartialEq)]
pub struct Slot {
    /// Its identity here.
    pub id: SlotId,
    /// The device it belongs to.
    pub device: DeviceId,
    /// Its row in the device's own table.
    pub index: SupplyIndex,
    /// Used up or filled up.
    pub role: Role,
    /// The standard's kind.
    pub kind: SupplyKind,
    /// The colorant's name as the device gives it.
    pub colorant: Option<String>,
    /// The device's own description.
    pub description: String,
}

impl Slot {
    /// What a person calls the supply: the colorant if there is one, else the description, else the kind.
    #[must_use]
    pub fn label(&self) -> String {
        let name = match (&self.colorant, self.description.as_str()) {
            (Some(colorant), _) if self.role == Role::Consumed && !colorant.is_empty() => colorant.clone(),
            (_, "") => self.kind.to_string().replace('_', " "),
            (_, description) => description.to_owned(),
        };
        let mut letters = name.chars();
        match letters.next() {
            Some(first) => first.to_uppercase().chain(letters).collect(),
            None => name,
        }
    }
}

/// When a supply runs out, or fills up: one chance in ten before `early`, even odds by `middle`, nine in
/// ten by `late`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Horizon {
    /// P10.
    pub early: Date,
    /// P50.
    pub middle: Date,
    /// P90.
    pub late: Date,
}

/// A horizon, or the reason why there is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Forecast {
    /// The spread of days.
    Known(Horizon),
    /// Why no date can be given honestly yet, as a sentence without its full stop.
    NotYet(String),
}

impl Forecast {
    /// The spread, where there is one.
    #[must_use]
    pub fn horizon(&self) -> Option<Horizon> {
        match self {
            Self::Known(horizon) => Some(*horizon),
            Self::NotYet(_) => None,
        }
    }
}

/// What is said of one supply as of a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Outlook {
    /// Which supply.
    pub slot: Slot,
    /// When the device last confirmed the level.
    pub as_of: Timestamp,
    /// The level that is believed: swaps followed, passing flickers left out.
    pub level: Level,
    /// Use per day over the forecast's memory, in the level's measure.
    pub daily_use: Option<f64>,
    /// When it runs out or fills up.
    pub forecast: Forecast,
}

/// The present of a site: the moment, and the zone in which its days begin and end.
#[derive(Debug, Clone)]
pub struct Present {
    /// Now.
    pub now: Timestamp,
    /// The site's zone.
    pub zone: TimeZone,
}

impl Present {
    /// Today in the site's zone.
    #[must_use]
    pub fn today(&self) -> Date {
        self.date(self.now)
    }

    /// The day in the site's zone on which a moment falls.
    #[must_use]
    pub fn date(&self, at: Timestamp) -> Date {
        self.zone.to_datetime(at).date()
    }

    /// How many quarters of today are over, by its real length: what is said of supplies is the same throughout one,
    /// so that it is worked out again no more often.
    #[must_use]
    pub fn quarters_over(&self) -> u8 {
        // From 0 to 3: a share of less than nothing and of all of it are cut off.
        (4.0 - 4.0 * self.left_of_today()).clamp(0.0, 3.0) as u8
    }

    /// The part of today that still lies ahead, as of the beginning of the quarter of the day that it is.
    fn share_of_today(&self) -> f64 {
        1.0 - f64::from(self.quarters_over()) / 4.0
    }

    /// The part of today that still lies ahead, between 0 and 1.
    fn left_of_today(&self) -> f64 {
        let midnight = |day: Date| self.zone.to_timestamp(day.at(0, 0, 0, 0)).ok();
        let today = self.today();
        match (midnight(today), today.tomorrow().ok().and_then(midnight)) {
            (Some(begins), Some(ends)) => {
                let whole = ends.duration_since(begins).as_secs_f64();
                (ends.duration_since(self.now).as_secs_f64() / whole).clamp(0.0, 1.0)
            }
            _ => 1.0,
        }
    }
}

/// The level that is believed of a slot: that of its current install, unless the device has since said that
/// it cannot tell. `latest` is its last reading and when that began.
#[must_use]
pub fn believed_level(current: Option<&View>, latest: (Level, Timestamp), seen_until: Timestamp) -> Level {
    let (level, since) = latest;
    let Some(view) = current else { return level };
    let unknown_for = seen_until.duration_since(since);
    match level.remaining {
        Amount::SomeLeft | Amount::Unlimited => level,
        Amount::Unknown if unknown_for > UNKNOWN_IS_BELIEVED => level,
        Amount::Unknown | Amount::Measured(_) => Level {
            measure: view.install.measure,
            capacity: view.install.capacity.map_or(Capacity::Unknown, Capacity::Known),
            remaining: Amount::Measured(view.level),
            step: view.install.step,
            oddity: None,
        },
    }
}

/// Use per day from the ledger's days, oldest first, from its first day up to the day before `until`; days
/// without an entry used nothing. With it, the first day.
#[must_use]
pub fn daily_series(days: &BTreeMap<Date, f64>, until: Date) -> Option<(Date, Vec<f64>)> {
    let (&first, _) = days.first_key_value()?;
    let mut series = Vec::new();
    let mut day = first;
    while day < until {
        series.push(days.get(&day).copied().unwrap_or(0.0));
        day = day.tomorrow().ok()?;
    }
    Some((first, series))
}

/// Amounts this near to each other are the same: a figure of 70 % that comes by way of a division is 70 %.
const GRAIN: f64 = 1e-6;

/// What the past of a supply says about its future.
#[derive(Debug, Clone, PartialEq)]
pub struct Prospect {
    /// Mean use per day, where the history is long enough.
    pub daily_use: Option<f64>,
    /// When it runs out or fills up.
    pub forecast: Forecast,
    /// For a receptacle: the day on which it reaches its order point at even odds; today once it has.
    pub order_point: Option<Date>,
    /// How it uses what it holds, where the history is long enough: what is ordered for many rests on it.
    pub usage: Option<Usage>,
    /// Why.
    pub grounds: Grounds,
}

/// Why a forecast says what it says.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Grounds {
    /// Finished days of its own history that were looked at.
    pub history_days: usize,
    /// Use on a day of that history on average, in the level's measure; `None` without a history.
    pub mean: Option<f64>,
    /// The same of the last four weeks, where there are more days than these.
    pub lately: Option<f64>,
    /// What is reckoned with for an average day ahead; `None` where no date is given.
    pub rate: Option<f64>,
    /// How each day of the week weighs, Monday first; their mean is 1.
    pub week: Option<[f64; 7]>,
    /// What other supplies lent.
    pub borrowed: Option<Borrowed>,
    /// Days on which nobody works between now and the late date.
    pub shut_ahead: usize,
}

/// The days that a trend is told over.
const LATELY_DAYS: usize = 28;

impl Grounds {
    fn of(past: &Past<'_>) -> Self {
        let mean = |days: &[f64]| (!days.is_empty()).then(|| days.iter().sum::<f64>() / days.len() as f64);
        let lately = past.daily.len().checked_sub(LATELY_DAYS).filter(|earlier| *earlier > 0);
        Self {
            history_days: past.daily.len(),
            mean: mean(past.daily),
            lately: lately.and_then(|earlier| mean(&past.daily[earlier..])),
            rate: None,
            week: None,
            borrowed: past.borrows(),
            shut_ahead: 0,
        }
    }
}

/// What a forecast goes by besides the supply itself.
#[derive(Debug, Clone, Copy)]
pub struct Terms<'a> {
    /// The fill at which a receptacle's successor is ordered.
    pub order_fill: f64,
    /// When the print room works.
    pub calendar: &'a Calendar,
    /// What other supplies lend to one that is little known.
    pub borrowed: Option<Borrowed>,
}

/// Forecasts a supply at `level` from its daily use. `seen_until` is the device's last answer: later days tell
/// nothing about use.
#[must_use]
pub fn prospect(
    role: Role,
    level: &Level,
    days: &BTreeMap<Date, f64>,
    seen_until: Timestamp,
    present: &Present,
    terms: &Terms<'_>,
) -> Prospect {
    let room = match (role, level.capacity, level.remaining) {
        (Role::Filled, Capacity::Known(capacity), Amount::Measured(remaining)) => {
            Some(remaining - (1.0 - terms.order_fill) * capacity)
        }
        _ => None,
    };
    // What is past its order point needs no history to say so.
    let past_point = room.filter(|room| *room <= GRAIN).map(|_| present.today());
    let until = present.date(seen_until).min(present.today());
    let (first, series) = daily_series(days, until).unwrap_or((until, Vec::new()));
    let past = Past {
        daily: &series,
        first,
        calendar: terms.calendar,
        capacity: level.capacity.known(),
        borrowed: terms.borrowed,
    };
    let mut grounds = Grounds::of(&past);
    let not_yet = |reason: &str, grounds: Grounds| Prospect {
        daily_use: None,
        forecast: Forecast::NotYet(reason.to_owned()),
        order_point: past_point,
        grounds,
        usage: None,
    };
    let Some(pace) = pace(&past) else {
        return not_yet(&too_short(series.len()), grounds);
    };
    let remaining = match level.remaining {
        Amount::Measured(remaining) => remaining,
        Amount::SomeLeft => return not_yet("the device says only that some is left", grounds),
        Amount::Unknown => return not_yet("the device does not say how much is left", grounds),
        Amount::Unlimited => return not_yet("the device sets it no limit", grounds),
    };
    let ahead = Ahead::new(present.today(), present.share_of_today(), terms.calendar);
    let order_point = past_point.or_else(|| {
        let room = end_days(&pace, room?, level.step, &ahead);
        horizon(room, present).map(|horizon| horizon.middle)
    });
    let ends = end_days(&pace, remaining, level.step, &ahead);
    grounds.rate = Some(pace.rate);
    grounds.week = Some(pace.week);
    grounds.shut_ahead = ahead.shut_within(ends[2].ceil() as usize);
    let forecast = match horizon(ends, present) {
        Some(horizon) => Forecast::Known(horizon),
        None => Forecast::NotYet("it is used so little that no end is in sight".to_owned()),
    };
    Prospect { daily_use: Some(pace.rate), forecast, order_point, grounds, usage: Some(Usage::from(&pace)) }
}

/// Why a history of so many days gives no date.
pub(super) fn too_short(days: usize) -> String {
    format!("{days} of the {LEAST_DAYS} days of history it needs are in")
}

/// Days from the midnight that began today as dates; `None` if even odds lie past the furthest day.
fn horizon(days: [f64; 3], present: &Present) -> Option<Horizon> {
    if days[1] >= FURTHEST_DAYS as f64 {
        return None;
    }
    let date = |days: f64| present.today().checked_add((days.floor() as i64).days()).ok();
    Some(Horizon { early: date(days[0])?, middle: date(days[1])?, late: date(days[2])? })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::standard::SupplyUnit;

    fn present(now: &str) -> Present {
        Present { now: now.parse().unwrap(), zone: TimeZone::get("Europe/Lisbon").unwrap() }
    }

    fn terms(calendar: &Calendar) -> Terms<'_> {
        Terms { order_fill: 0.7, calendar, borrowed: None }
    }

    fn steady(ml: f64, until: Date, count: i64) -> BTreeMap<Date, f64> {
        (1..=count).map(|back| (until.checked_sub(back.days()).unwrap(), ml)).collect()
    }

    #[test]
    fn a_day_has_four_quarters_though_an_hour_of_it_is_missing() {
        // The clocks went forward at 01:00 that day: its twenty-three hours are quartered at 06:45, 12:30 and 18:15.
        let day = |time: &str| present(&format!("2026-03-29T{time}:00Z")).quarters_over();
        let times = ["00:00", "05:44", "05:45", "11:29", "11:30", "17:14", "17:15", "22:59"];
        assert_eq!(times.map(day), [0, 0, 1, 1, 2, 2, 3, 3]);
        assert_eq!(present("2026-03-02T13:00:00Z").share_of_today(), 0.5);
    }

    #[test]
    fn a_steady_use_of_ten_a_day_ends_three_hundred_in_about_a_month() {
        let present = present("2026-03-02T00:00:00Z");
        let days = steady(10.0, present.today(), 90);
        let level = Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, 3000);
        let prospect =
            prospect(Role::Consumed, &level, &days, present.now, &present, &terms(&Calendar::default()));
        let horizon = prospect.forecast.horizon().unwrap();
        assert!((prospect.daily_use.unwrap() - 10.0).abs() < 0.5);
        let middle = horizon.middle.since(present.today()).unwrap().get_days()
            + 31 * horizon.middle.since(present.today()).unwrap().get_months();
        assert!((28..=33).contains(&middle), "{horizon:?}");
        assert!(horizon.early < horizon.middle && horizon.middle < horizon.late);
    }

    #[test]
    fn a_receptacle_past_its_order_point_is_ordered_today() {
        let present = present("2026-03-02T12:00:00Z");
        let days = steady(5.0, present.today(), 40);
        let at = |level| Level::from_raw(SupplyUnit::TenthsOfMilliliters, 15000, level);
        let order_point = |level| {
            prospect(Role::Filled, &at(level), &days, present.now, &present, &terms(&Calendar::default()))
                .order_point
                .unwrap()
        };
        assert_eq!(order_point(4200), present.today());
        assert_eq!(order_point(4500), present.today());
        assert!(order_point(5500) > present.today());
    }

    #[test]
    fn without_history_there_is_a_reason_and_no_date() {
        let present = present("2026-03-02T12:00:00Z");
        let level = Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, 3000);
        let days = steady(5.0, present.today(), 4);
        let prospect =
            prospect(Role::Consumed, &level, &days, present.now, &present, &terms(&Calendar::default()));
        let Forecast::NotYet(reason) = prospect.forecast else { panic!("a date out of nothing") };
        assert_eq!(reason, "4 of the 10 days of history it needs are in");
        let ordered = |role, level| {
            let level = Level::from_raw(SupplyUnit::TenthsOfMilliliters, 15000, level);
            super::prospect(role, &level, &days, present.now, &present, &terms(&Calendar::default()))
                .order_point
        };
        assert_eq!(ordered(Role::Filled, 4500), Some(present.today()), "that it is past needs no history");
        assert_eq!(ordered(Role::Filled, 4600), None);
        assert_eq!(ordered(Role::Consumed, 100), None);
    }
}
