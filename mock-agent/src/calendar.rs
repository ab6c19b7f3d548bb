//! Days of the room's time zone, cut into slots of a quarter of an hour.
//!
//! Slot `k` starts `k` quarters of an hour after the midnight at which the history starts. A day has 96
//! slots, or 92 or 100 when clocks change.

use jiff::civil::{Date, Time, Weekday};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

/// Seconds in a slot.
pub(crate) const SLOT_SECONDS: i64 = 900;

/// Turns days and local times into slots.
#[derive(Debug, Clone)]
pub(crate) struct Calendar {
    zone: TimeZone,
    opened: Timestamp,
    first: Date,
    closed: Vec<(i8, i8)>,
}

/// One day: its date and the slots that belong to it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Day {
    pub(crate) date: Date,
    pub(crate) start: u32,
    pub(crate) end: u32,
    pub(crate) closed: bool,
}

impl Day {
    pub(crate) fn weekday(&self) -> Weekday {
        self.date.weekday()
    }
}

impl Calendar {
    pub(crate) fn new(zone: &str, opened: Timestamp, closed: &[String]) -> Self {
        // The scenario's check has refused unknown zones; UTC keeps a hand-made scenario from failing.
        let zone = TimeZone::get(zone).unwrap_or(TimeZone::UTC);
        let first = opened.to_zoned(zone.clone()).date();
        let closed = closed.iter().filter_map(|text| crate::check::month_day(text)).collect();
        Self { zone, opened, first, closed }
    }

    pub(crate) fn opened(&self) -> Timestamp {
        self.opened
    }

    /// The date of day `number`, counted from the day the history starts.
    pub(crate) fn date(&self, number: u32) -> Date {
        self.first.saturating_add(i64::from(number.min(1_000_000)).days())
    }

    /// The slot in which `time` falls on `date`; 0 before the history starts.
    pub(crate) fn slot(&self, date: Date, time: Time) -> u32 {
        let at = self.zone.to_ambiguous_timestamp(date.to_datetime(time)).compatible();
        at.map_or(0, |at| self.slot_of(at))
    }

    /// The slot that holds an instant; 0 before the history starts.
    pub(crate) fn slot_of(&self, at: Timestamp) -> u32 {
        let seconds = at.as_second().saturating_sub(self.opened.as_second());
        u32::try_from(seconds.div_euclid(SLOT_SECONDS).max(0)).unwrap_or(u32::MAX)
    }

    /// The instant at which a slot starts.
    pub(crate) fn instant(&self, slot: u32) -> Timestamp {
        let seconds = self.opened.as_second().saturating_add(i64::from(slot) * SLOT_SECONDS);
        Timestamp::from_second(seconds).unwrap_or(Timestamp::MAX)
    }

    /// The local time at which a slot starts.
    pub(crate) fn local_time(&self, slot: u32) -> Time {
        self.zone.to_datetime(self.instant(slot)).time()
    }

    pub(crate) fn day(&self, number: u32) -> Day {
        let date = self.date(number);
        let next = self.date(number + 1);
        let start = if number == 0 { 0 } else { self.slot(date, Time::midnight()) };
        let closed = self.closed.contains(&(date.month(), date.day()));
        Day { date, start, end: self.slot(next, Time::midnight()).max(start + 1), closed }
    }
}
