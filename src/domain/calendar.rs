//! The days on which a print room does no work: weekends, holidays, shut-downs.
//!
//! On a closed day no jobs are run, though machines that are left powered still care for their heads; a
//! machine that is silent through it is not missed; and nothing can be ordered on it.

use std::fmt;
use std::str::FromStr;

use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

/// The names of weekdays, Monday first; their first three letters are enough.
const WEEKDAYS: [&str; 7] = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
/// No shut-down is looked through for a working day further than this, in days.
const FURTHEST_DAYS: usize = 800;

/// Days that are closed, as a person writes them: `sat`, `2026-12-25`, or `2026-12-24..2027-01-02`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Closed {
    /// Every week's day.
    Weekday(Weekday),
    /// Every day from the first to the last, both closed.
    Days(Date, Date),
}

/// Words that name no day.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoClosedDay {
    /// Neither a weekday, a date nor two dates.
    #[error(
        "'{0}' names no day: write a weekday like sat, a date like 2026-12-25, or two like 2026-12-24..2027-01-02"
    )]
    NotADay(String),
    /// The second date lies before the first.
    #[error("'{0}' ends before it begins")]
    Backwards(String),
}

impl FromStr for Closed {
    type Err = NoClosedDay;

    fn from_str(text: &str) -> Result<Self, NoClosedDay> {
        let text = text.trim();
        let none = || NoClosedDay::NotADay(text.to_owned());
        let date = |text: &str| text.trim().parse::<Date>().map_err(|_| none());
        if let Some((first, last)) = text.split_once("..") {
            let (first, last) = (date(first)?, date(last)?);
            return if first <= last {
                Ok(Self::Days(first, last))
            } else {
                Err(NoClosedDay::Backwards(text.to_owned()))
            };
        }
        let word = text.to_lowercase();
        if let Some(n) = WEEKDAYS.iter().position(|name| word.len() >= 3 && name.starts_with(&word)) {
            let weekday = i8::try_from(n).ok().and_then(|n| Weekday::from_monday_zero_offset(n).ok());
            return weekday.map(Self::Weekday).ok_or_else(none);
        }
        date(text).map(|day| Self::Days(day, day))
    }
}

impl fmt::Display for Closed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Weekday(weekday) => write!(f, "{}", &WEEKDAYS[monday_zero(*weekday)][..3]),
            Self::Days(first, last) if first == last => write!(f, "{first}"),
            Self::Days(first, last) => write!(f, "{first}..{last}"),
        }
    }
}

/// Every weekday is closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("leaves no weekday to work on: leave one out")]
pub struct NeverOpen;

/// When a print room works. The usual one works every day, and lets the weekdays' own use speak.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Calendar {
    weekdays: [bool; 7],
    /// Apart from each other, earliest first, both ends closed.
    spans: Vec<(Date, Date)>,
}

impl Calendar {
    /// A calendar with these days closed; they may overlap and come in any order.
    ///
    /// # Errors
    /// If every weekday is closed.
    pub fn new(closed: impl IntoIterator<Item = Closed>) -> Result<Self, NeverOpen> {
        let (mut weekdays, mut days) = ([false; 7], Vec::new());
        for closed in closed {
            match closed {
                Closed::Weekday(weekday) => weekdays[monday_zero(weekday)] = true,
                Closed::Days(first, last) => days.push((first, last)),
            }
        }
        if weekdays == [true; 7] {
            return Err(NeverOpen);
        }
        days.sort_unstable();
        let mut spans: Vec<(Date, Date)> = Vec::new();
        for (first, last) in days {
            match spans.last_mut() {
                Some(before) if first <= before.1.saturating_add(jiff::Span::new().days(1)) => {
                    before.1 = before.1.max(last);
                }
                _ => spans.push((first, last)),
            }
        }
        Ok(Self { weekdays, spans })
    }

    /// Whether no day is closed.
    #[must_use]
    pub fn is_always_open(&self) -> bool {
        self.spans.is_empty() && self.weekdays == [false; 7]
    }

    /// Whether no work is done on a day.
    #[must_use]
    pub fn is_closed(&self, day: Date) -> bool {
        self.weekdays[monday_zero(day.weekday())] || self.is_shut(day)
    }

    /// Whether no work is done on a weekday (Monday 0), whatever the date.
    #[must_use]
    pub fn is_closed_weekday(&self, weekday: usize) -> bool {
        self.weekdays.get(weekday).copied().unwrap_or(false)
    }

    /// Whether a day is closed by its date: a holiday or a shut-down, whatever its weekday.
    #[must_use]
    pub fn is_shut(&self, day: Date) -> bool {
        let next = self.spans.partition_point(|(first, _)| *first <= day);
        next > 0 && day <= self.spans[next - 1].1
    }

    /// The last working day that is no later than `day`; `day` itself where none is near.
    #[must_use]
    pub fn working_day_up_to(&self, day: Date) -> Date {
        self.nearest_open(day, |day| day.yesterday().ok())
    }

    /// The first working day that is no earlier than `day`; `day` itself where none is near.
    #[must_use]
    pub fn working_day_from(&self, day: Date) -> Date {
        self.nearest_open(day, |day| day.tomorrow().ok())
    }

    fn nearest_open(&self, day: Date, step: impl Fn(Date) -> Option<Date>) -> Date {
        let days = std::iter::successors(Some(day), |day| step(*day));
        days.take(FURTHEST_DAYS).find(|day| !self.is_closed(*day)).unwrap_or(day)
    }

    /// How much of the time from `from` to `to` fell on working days of the site's zone: silence in the rest
    /// of it says nothing.
    #[must_use]
    pub fn open_time(&self, from: Timestamp, to: Timestamp, zone: &TimeZone) -> SignedDuration {
        let mut open = to.duration_since(from).max(SignedDuration::ZERO);
        if self.is_always_open() {
            return open;
        }
        let midnight = |day: Date| zone.to_timestamp(day.at(0, 0, 0, 0)).ok();
        let last = zone.to_datetime(to).date();
        let days = std::iter::successors(Some(zone.to_datetime(from).date()), |day| day.tomorrow().ok());
        for day in days.take_while(|day| *day <= last).filter(|day| self.is_closed(*day)) {
            if let (Some(begins), Some(ends)) = (midnight(day), day.tomorrow().ok().and_then(midnight)) {
                open -= ends.min(to).duration_since(begins.max(from)).max(SignedDuration::ZERO);
            }
        }
        open
    }
}

fn monday_zero(weekday: Weekday) -> usize {
    usize::from(weekday.to_monday_zero_offset().unsigned_abs())
}

#[cfg(test)]
mod tests {
    use jiff::ToSpan;
    use proptest::prelude::*;

    use super::*;

    fn calendar(closed: &[&str]) -> Calendar {
        Calendar::new(closed.iter().map(|text| text.parse().unwrap())).unwrap()
    }

    fn day(text: &str) -> Date {
        text.parse().unwrap()
    }

    #[test]
    fn weekdays_dates_and_ranges_are_closed() {
        let calendar = calendar(&["sat", "Sunday", "2026-12-24..2027-01-02", "2026-06-10"]);
        let open = |text| !calendar.is_closed(day(text));
        assert!(open("2026-12-23") && open("2027-01-04") && open("2026-06-09") && open("2026-06-11"));
        assert!(!open("2026-12-24") && !open("2027-01-01") && !open("2026-06-10"));
        assert!(!open("2026-11-28") && !open("2026-11-29"), "a weekend");
        assert!(calendar.is_shut(day("2026-12-25")) && !calendar.is_shut(day("2026-11-28")));
    }

    #[test]
    fn days_are_written_as_they_are_read() {
        for text in ["sat", "2026-12-25", "2026-12-24..2027-01-02"] {
            assert_eq!(text.parse::<Closed>().unwrap().to_string(), text);
        }
        for text in ["", "s", "someday", "2026-13-01", "2026-12-24..", "2026-12-24...2026-12-26"] {
            assert!(matches!(text.parse::<Closed>(), Err(NoClosedDay::NotADay(_))), "{text}");
        }
        assert!(matches!("2027-01-02..2026-12-24".parse::<Closed>(), Err(NoClosedDay::Backwards(_))));
    }

    #[test]
    fn a_room_that_never_opens_is_refused() {
        let all = WEEKDAYS.map(|name| name.parse::<Closed>().unwrap());
        assert_eq!(Calendar::new(all), Err(NeverOpen));
    }

    #[test]
    fn the_nearest_working_days_lie_around_a_shut_down() {
        let calendar = calendar(&["sat", "sun", "2026-12-24..2027-01-01"]);
        assert_eq!(calendar.working_day_up_to(day("2026-12-28")), day("2026-12-23"));
        assert_eq!(calendar.working_day_from(day("2026-12-28")), day("2027-01-04"));
        assert_eq!(calendar.working_day_up_to(day("2026-12-22")), day("2026-12-22"));
    }

    #[test]
    fn silence_over_a_closed_day_does_not_count() {
        let zone = TimeZone::get("Europe/Lisbon").unwrap();
        let calendar = calendar(&["sat", "sun"]);
        let open =
            |from: &str, to: &str| calendar.open_time(from.parse().unwrap(), to.parse().unwrap(), &zone);
        // Friday 18:00 to Monday 09:00.
        assert_eq!(open("2026-11-27T18:00Z", "2026-11-30T09:00Z"), SignedDuration::from_hours(6 + 9));
        assert_eq!(open("2026-11-28T10:00Z", "2026-11-29T10:00Z"), SignedDuration::ZERO);
        // The Sunday on which clocks go back has 25 hours, all of them closed.
        assert_eq!(open("2026-10-24T23:00Z", "2026-10-26T01:00Z"), SignedDuration::from_hours(1));
    }

    proptest! {
        #[test]
        fn merged_spans_close_the_same_days(
            spans in proptest::collection::vec((0..60i64, 0..9i64), 0..8),
            ask in 0..80i64,
        ) {
            let begin = day("2026-01-01");
            let at = |n: i64| begin + n.days();
            let closed: Vec<Closed> =
                spans.iter().map(|(first, more)| Closed::Days(at(*first), at(first + more))).collect();
            let calendar = Calendar::new(closed).unwrap();
            let within = spans.iter().any(|(first, more)| (*first..=first + more).contains(&ask));
            prop_assert_eq!(calendar.is_closed(at(ask)), within);
        }
    }
}
