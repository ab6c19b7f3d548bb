//! For how long an alert can be put off.

use jiff::civil::time;
use jiff::{SignedDuration, Timestamp};

use super::recipient::Hours;

/// When somebody wants to hear of an alert again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Snooze {
    /// In four hours.
    FourHours,
    /// On the next working day after today, at eight in the morning.
    NextWorkingDay,
    /// A week later.
    Week,
    /// Four weeks later.
    FourWeeks,
}

impl Snooze {
    /// Every choice, the shortest first.
    pub const ALL: [Self; 4] = [Self::FourHours, Self::NextWorkingDay, Self::Week, Self::FourWeeks];

    /// The word by which it is sent.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::FourHours => "four-hours",
            Self::NextWorkingDay => "next-working-day",
            Self::Week => "week",
            Self::FourWeeks => "four-weeks",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|snooze| snooze.word() == word)
    }

    /// The moment that it means now.
    #[must_use]
    pub fn until(self, now: Timestamp, hours: &Hours<'_>) -> Timestamp {
        let later = |hours: i64| now.checked_add(SignedDuration::from_hours(hours)).unwrap_or(Timestamp::MAX);
        match self {
            Self::FourHours => later(4),
            Self::Week => later(7 * 24),
            Self::FourWeeks => later(28 * 24),
            Self::NextWorkingDay => {
                let today = hours.zone.to_datetime(now).date();
                let day = today.tomorrow().map(|day| hours.calendar.working_day_from(day));
                let morning = day.and_then(|day| hours.zone.to_timestamp(day.to_datetime(time(8, 0, 0, 0))));
                morning.unwrap_or_else(|_| later(24))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;
    use crate::domain::calendar::{Calendar, Closed};

    #[test]
    fn the_next_working_day_is_a_morning_on_the_other_side_of_a_weekend() {
        let calendar = Calendar::new(["sat", "sun"].map(|day| day.parse::<Closed>().unwrap())).unwrap();
        let zone = TimeZone::get("Europe/Lisbon").unwrap();
        let hours = Hours { zone: &zone, calendar: &calendar };
        let until = |snooze: Snooze, now: &str| snooze.until(now.parse().unwrap(), &hours).to_string();
        assert_eq!(until(Snooze::NextWorkingDay, "2026-11-27T15:00:00Z"), "2026-11-30T08:00:00Z");
        assert_eq!(until(Snooze::NextWorkingDay, "2026-06-09T22:59:00Z"), "2026-06-10T07:00:00Z");
        assert_eq!(until(Snooze::FourHours, "2026-11-27T22:00:00Z"), "2026-11-28T02:00:00Z");
        for snooze in Snooze::ALL {
            assert_eq!(Snooze::from_word(snooze.word()), Some(snooze));
        }
    }
}
