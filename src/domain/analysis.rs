//! A slot's readings, one after the other, to all that follows from them: installs, ledger, horizons.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp, ToSpan};

use super::calendar::Calendar;
use super::horizon::{Ahead, FURTHEST_DAYS, Past, end_days, pace};
use super::install::{Install, Question};
use super::ledger::{Days, day_of};
use super::outlook::{daily_series, too_short};
use super::polarity::{Ground, Watch};
use super::reading::{Amount, Level, Polarity, Reading, Role};
use super::standard::SupplyUnit;
use super::stream::{Event, Sizes};
use super::units::Measure;

/// A forecast looks back over no more days than this.
const MEMORY_DAYS: usize = 400;
/// A day counts as over when the last reading is no older than this at its end.
const TO_THE_END: SignedDuration = SignedDuration::from_hours(3);
/// A device that has said "unknown" for longer than this is believed over its last figure.
const UNKNOWN_IS_BELIEVED: SignedDuration = SignedDuration::from_hours(6);

/// What is known of a slot from outside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Facts {
    /// Used up or filled up.
    pub role: Role,
    /// What the device counts in.
    pub unit: SupplyUnit,
    /// What its units hold.
    pub sizes: Sizes,
}

impl Default for Facts {
    fn default() -> Self {
        Self { role: Role::Consumed, unit: SupplyUnit::Unknown, sizes: Sizes::default() }
    }
}

/// A forecast as of a moment, by what was known then.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// The moment.
    pub as_of: Timestamp,
    /// What was left, or the room left, in the ledger's measure.
    pub remaining: Option<f64>,
    /// One chance in ten, even odds and nine in ten; or why there is none, without a full stop.
    pub ends: Result<[Timestamp; 3], String>,
}

/// All that follows from a slot's readings.
#[derive(Debug, Clone, PartialEq)]
pub struct Findings {
    /// Which way the device counts, and why that is believed.
    pub polarity: (Polarity, Ground),
    /// What the amounts are counted in; `None` without a level.
    pub measure: Option<Measure>,
    /// The units that were in, earliest first.
    pub installs: Vec<Install>,
    /// Falls that a person should explain.
    pub questions: Vec<Question>,
    /// What was used.
    pub days: Days,
    /// The forecasts, earliest first.
    pub forecasts: Vec<Forecast>,
}

/// A reading is not later than the one before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("it is not later than the slot's row before it")]
pub struct NotLater;

/// Follows one slot through a file of readings.
#[derive(Debug, Clone)]
pub struct Analysis {
    unit: SupplyUnit,
    watch: Watch,
    raw: Option<(i32, i32)>,
    calendar: Calendar,
    every: Option<SignedDuration>,
    next: Option<Timestamp>,
    found: Found,
}

/// What has been told so far.
#[derive(Debug, Clone, Default)]
struct Found {
    installs: Vec<Install>,
    questions: Vec<Question>,
    days: Days,
    forecasts: Vec<Forecast>,
}

impl Found {
    fn take(&mut self, event: Event) {
        match event {
            Event::Ended(install, days) => {
                self.installs.push(install);
                for (day, used) in days {
                    self.days.entry(day).or_default().add(used);
                }
            }
            Event::Asked(question) => self.questions.push(question),
            Event::Reversed => {
                self.installs.clear();
                self.questions.clear();
                self.days.clear();
            }
            Event::Believed { .. } | Event::Began(_) => {}
        }
    }
}

impl Analysis {
    /// Begins with a slot. A forecast is made at its end and, if given, `every` so often, counted from the
    /// midnight that began its first day; `calendar` says when nobody works.
    #[must_use]
    pub fn new(facts: Facts, every: Option<SignedDuration>, calendar: Calendar) -> Self {
        Self {
            unit: facts.unit,
            watch: Watch::new(facts.role, None, facts.sizes.into()),
            raw: None,
            calendar,
            every: every.filter(|every| every.is_positive()),
            next: None,
            found: Found::default(),
        }
    }

    /// Takes in a reading: capacity and level as the device gave them.
    ///
    /// # Errors
    /// If it is not later than the one before; then it is left out.
    pub fn push(&mut self, at: Timestamp, max_capacity: i32, level: i32) -> Result<(), NotLater> {
        if self.watch.seen_at().is_some_and(|seen_at| at <= seen_at) {
            return Err(NotLater);
        }
        if let Some(every) = self.every {
            self.forecasts_before(at, every);
        }
        let mut tell = |event| self.found.take(event);
        if self.raw == Some((max_capacity, level)) {
            self.watch.seen(at, &TimeZone::UTC, &mut tell);
        } else {
            self.raw = Some((max_capacity, level));
            let level = Level::from_raw(self.unit, max_capacity, level);
            self.watch.push(&Reading { at, previous_at: None, level }, &TimeZone::UTC, &mut tell);
        }
        Ok(())
    }

    fn forecasts_before(&mut self, at: Timestamp, every: SignedDuration) {
        let mut next = self.next.or_else(|| midnight(at).checked_add(every).ok());
        while let Some(as_of) = next
            && at > as_of
        {
            let forecast = self.forecast(as_of);
            self.found.forecasts.push(forecast);
            next = as_of.checked_add(every).ok();
        }
        self.next = next;
    }

    /// Ends with the slot.
    #[must_use]
    pub fn finish(mut self) -> Findings {
        if let Some(seen_at) = self.watch.seen_at() {
            let forecast = self.forecast(seen_at);
            self.found.forecasts.push(forecast);
        }
        let mut measure = self.found.installs.last().map(|install| install.measure);
        if let Some(view) = self.watch.view(&TimeZone::UTC) {
            measure = Some(view.install.measure);
            self.found.take(Event::Ended(view.install, view.days));
        }
        let Found { installs, questions, days, forecasts } = self.found;
        Findings { polarity: self.watch.polarity(), measure, installs, questions, days, forecasts }
    }

    /// When the slot ends, by what is known as of `as_of`.
    fn forecast(&self, as_of: Timestamp) -> Forecast {
        let none = |reason: &str| Forecast { as_of, remaining: None, ends: Err(reason.to_owned()) };
        let (Some(view), Some((latest, since))) = (self.watch.view(&TimeZone::UTC), self.watch.latest())
        else {
            return none("no level has been read");
        };
        match latest.remaining {
            Amount::SomeLeft => return none("the device says only that some is left"),
            Amount::Unlimited => return none("the device sets it no limit"),
            Amount::Unknown if as_of.duration_since(since) > UNKNOWN_IS_BELIEVED => {
                return none("the device does not say how much is left");
            }
            Amount::Unknown | Amount::Measured(_) => {}
        }
        let remaining = view.install.end;
        let today = day_of(as_of, &TimeZone::UTC);
        let seen_at = self.watch.seen_at().unwrap_or(as_of);
        let until =
            if as_of.duration_since(seen_at) <= TO_THE_END { today } else { day_of(seen_at, &TimeZone::UTC) };
        let mut used: std::collections::BTreeMap<_, f64> = self
            .found
            .days
            .iter()
            .rev()
            .take(MEMORY_DAYS)
            .map(|(day, day_use)| (*day, day_use.used))
            .collect();
        for (day, day_use) in &view.days {
            *used.entry(*day).or_default() += day_use.used;
        }
        let (first, series) = daily_series(&used, until).unwrap_or((until, Vec::new()));
        let skipped = series.len().saturating_sub(MEMORY_DAYS);
        let past = Past {
            daily: &series[skipped..],
            first: first.saturating_add((skipped as i64).days()),
            calendar: &self.calendar,
            capacity: view.install.capacity,
            borrowed: None,
        };
        let Some(pace) = pace(&past) else {
            return Forecast { as_of, remaining: Some(remaining), ends: Err(too_short(series.len())) };
        };
        let begins = midnight(as_of);
        let passed = as_of.duration_since(begins).as_secs_f64() / 86_400.0;
        let ahead = Ahead::new(today, 1.0 - passed, &self.calendar);
        let ends = end_days(&pace, remaining, view.install.step, &ahead);
        let moment = |days: f64| {
            let days = SignedDuration::try_from_secs_f64(days * 86_400.0).ok()?;
            Some(begins.checked_add(days).ok()?.max(as_of))
        };
        let ends = match (moment(ends[0]), moment(ends[1]), moment(ends[2])) {
            (Some(early), Some(middle), Some(late)) if ends[1] < FURTHEST_DAYS as f64 => {
                Ok([early, middle, late])
            }
            _ => Err("it is used so little that no end is in sight".to_owned()),
        };
        Forecast { as_of, remaining: Some(remaining), ends }
    }
}

fn midnight(at: Timestamp) -> Timestamp {
    let second = at.as_second();
    Timestamp::from_second(second - second.rem_euclid(86_400)).unwrap_or(at)
}
