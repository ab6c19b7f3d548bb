//! Real dates along an axis: as many labels as fit, on days that mean something.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp, ToSpan};

use super::Share;

/// The longest span that an axis is made for, days: a little over ten years.
const LONGEST_DAYS: i32 = 3700;

/// Whole days from one date to another.
pub(crate) fn days_between(from: Date, to: Date) -> i32 {
    from.until(to).map_or(0, |span| span.get_days())
}

/// `date` moved by whole days; the date itself at the end of the calendar.
pub(crate) fn plus_days(date: Date, days: i32) -> Date {
    date.checked_add(days.days()).unwrap_or(date)
}

/// An axis of days, from the beginning of `from` to the beginning of `to`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct DayAxis {
    from: Date,
    to: Date,
}

impl DayAxis {
    /// At least one day long, and no longer than a chart can show.
    pub(crate) fn new(from: Date, to: Date) -> Self {
        Self { from, to: to.clamp(plus_days(from, 1), plus_days(from, LONGEST_DAYS)) }
    }

    pub(crate) fn from(&self) -> Date {
        self.from
    }

    pub(crate) fn days(&self) -> i32 {
        days_between(self.from, self.to)
    }

    /// Where a day lies; days off the axis lie at its ends.
    pub(crate) fn at(&self, date: Date) -> Share {
        let date = date.clamp(self.from, self.to);
        Share::of(f64::from(days_between(self.from, date)), f64::from(self.days()))
    }

    /// Whether a day lies past the end.
    pub(crate) fn is_beyond(&self, date: Date) -> bool {
        date > self.to
    }

    /// Labels for a plot of about this width.
    pub(crate) fn ticks(&self, room: Room) -> Vec<Tick> {
        ticks(self.from, self.to, room, true, |date| self.at(date))
    }
}

/// An axis of moments, on which midnights lie where the zone has them.
#[derive(Debug, Clone)]
pub(crate) struct TimeAxis {
    from: Timestamp,
    to: Timestamp,
    zone: TimeZone,
}

impl TimeAxis {
    /// From one moment to a later one.
    pub(crate) fn new(from: Timestamp, to: Timestamp, zone: TimeZone) -> Self {
        Self { from, to: to.max(from), zone }
    }

    pub(crate) fn from(&self) -> Timestamp {
        self.from
    }

    pub(crate) fn to(&self) -> Timestamp {
        self.to
    }

    /// Where a moment lies; moments off the axis lie at its ends.
    pub(crate) fn at(&self, at: Timestamp) -> Share {
        let seconds = |later: Timestamp| later.duration_since(self.from).as_secs_f64();
        Share::of(seconds(at.clamp(self.from, self.to)), seconds(self.to))
    }

    /// Labels at midnights, for a plot of about this width.
    pub(crate) fn ticks(&self, room: Room) -> Vec<Tick> {
        let day = |at: Timestamp| at.to_zoned(self.zone.clone()).date();
        let midnight = |date: Date| date.to_zoned(self.zone.clone()).map(|zoned| zoned.timestamp());
        let first = day(self.from);
        let first = match midnight(first) {
            Ok(at) if at >= self.from => first,
            _ => plus_days(first, 1),
        };
        if midnight(first).is_ok_and(|at| at > self.to) {
            return Vec::new();
        }
        ticks(first, day(self.to), room, false, |date| midnight(date).map_or(Share::END, |at| self.at(at)))
    }
}

/// How much space labels have, by estimate: the server does not know the reader's fonts or window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Room {
    /// The narrowest that the plot gets in this layout, CSS pixels.
    pub(crate) plot_px: f64,
    /// How far a label may stand out to the left and right, CSS pixels.
    pub(crate) overhang_px: f64,
}

impl Room {
    /// A common character of a label, CSS pixels, in 12 px type; words, with their narrow letters, are narrower.
    const CHARACTER_PX: f64 = 6.4;
    /// Between two labels, CSS pixels.
    const GAP_PX: f64 = 7.0;

    /// The width of a text, CSS pixels.
    pub(crate) fn text_px(text: &str) -> f64 {
        text.chars().count() as f64 * Self::CHARACTER_PX
    }

    /// Left and right edge of a label centred at `at`, CSS pixels.
    fn extent(self, at: Share, width_px: f64) -> (f64, f64) {
        let middle = at.value() * self.plot_px;
        (middle - width_px / 2.0, middle + width_px / 2.0)
    }
}

/// A label on an axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tick {
    /// Where.
    pub(crate) at: Share,
    /// The day, month or year: "25 Nov".
    pub(crate) label: String,
    /// A second line: "today", a weekday, or the year where a new one begins.
    pub(crate) note: String,
}

impl Tick {
    /// The wider of its two lines, CSS pixels.
    pub(crate) fn width_px(&self) -> f64 {
        Room::text_px(&self.label).max(Room::text_px(&self.note))
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    Days(i32),
    /// On Mondays.
    Weeks(i32),
    /// On the first of months whose number fits.
    Months(i8),
    /// On New Year's Days.
    Years(i16),
}

const STEPS: [Step; 11] = [
    Step::Days(1),
    Step::Days(2),
    Step::Weeks(1),
    Step::Weeks(2),
    Step::Months(1),
    Step::Months(2),
    Step::Months(3),
    Step::Months(6),
    Step::Years(1),
    Step::Years(2),
    Step::Years(5),
];

impl Step {
    fn days(self) -> i32 {
        match self {
            Self::Days(n) => n,
            Self::Weeks(n) => 7 * n,
            Self::Months(n) => 30 * i32::from(n),
            Self::Years(n) => 365 * i32::from(n),
        }
    }

    /// The first day on or after `from` that this step marks.
    fn first(self, from: Date) -> Date {
        let on_or_after = |first: Date, next: Span| {
            if first >= from { first } else { first.checked_add(next).unwrap_or(first) }
        };
        match self {
            Self::Days(_) => from,
            Self::Weeks(_) => plus_days(from, (7 - i32::from(from.weekday().to_monday_zero_offset())) % 7),
            Self::Months(n) => {
                let month = (from.month() - 1) / n * n + 1;
                on_or_after(Date::new(from.year(), month, 1).unwrap_or(from), i32::from(n).months())
            }
            Self::Years(n) => {
                let year = from.year() - from.year().rem_euclid(n);
                on_or_after(Date::new(year, 1, 1).unwrap_or(from), i32::from(n).years())
            }
        }
    }

    fn next(self, date: Date) -> Option<Date> {
        let span = match self {
            Self::Days(n) => n.days(),
            Self::Weeks(n) => (7 * n).days(),
            Self::Months(n) => i32::from(n).months(),
            Self::Years(n) => i32::from(n).years(),
        };
        date.checked_add(span).ok()
    }

    /// Label and note of a day; `new_year` where it is the first of its year on the axis.
    fn text(self, date: Date, new_year: bool) -> (String, String) {
        let year = if new_year { date.year().to_string() } else { String::new() };
        match self {
            Self::Days(_) => (date.strftime("%-d %b").to_string(), date.strftime("%a").to_string()),
            Self::Weeks(1) if !new_year => (date.strftime("%-d %b").to_string(), "Mon".to_owned()),
            Self::Weeks(_) => (date.strftime("%-d %b").to_string(), year),
            Self::Months(_) => (date.strftime("%b").to_string(), year),
            Self::Years(_) => (date.year().to_string(), String::new()),
        }
    }
}

/// The finest step whose labels fit side by side.
fn ticks(
    from: Date,
    to: Date,
    room: Room,
    starts_today: bool,
    position: impl Fn(Date) -> Share,
) -> Vec<Tick> {
    let days = days_between(from, to);
    let start = starts_today.then(|| Tick {
        at: position(from),
        label: from.strftime("%-d %b").to_string(),
        note: "today".to_owned(),
    });
    for step in STEPS {
        // No label is narrower than twenty pixels: what cannot fit is not even laid out.
        if f64::from(days / step.days()) > room.plot_px / 20.0 {
            continue;
        }
        let marks = marks(step, from, to, start.as_ref(), room, &position);
        let marked = start.iter().cloned().chain(marks).collect::<Vec<_>>();
        if fits(&marked, room) {
            return marked;
        }
    }
    start.into_iter().collect()
}

/// The labels of one step, without those that would stand out too far or run into the first one.
fn marks(
    step: Step,
    from: Date,
    to: Date,
    start: Option<&Tick>,
    room: Room,
    position: &impl Fn(Date) -> Share,
) -> Vec<Tick> {
    let mut year = from.year();
    let mut marks = Vec::new();
    let mut next = Some(step.first(from));
    while let Some(date) = next.filter(|date| *date <= to) {
        next = step.next(date).filter(|later| *later > date);
        let (label, note) = step.text(date, date.year() != year);
        let tick = Tick { at: position(date), label, note };
        let (left, right) = room.extent(tick.at, tick.width_px());
        let inside = left >= -room.overhang_px && right <= room.plot_px + room.overhang_px;
        let free = start.is_none_or(|start| room.extent(start.at, start.width_px()).1 + Room::GAP_PX <= left);
        if inside && free {
            year = date.year();
            marks.push(tick);
        }
    }
    marks
}

fn fits(ticks: &[Tick], room: Room) -> bool {
    ticks.windows(2).all(|pair| {
        room.extent(pair[0].at, pair[0].width_px()).1 + Room::GAP_PX
            <= room.extent(pair[1].at, pair[1].width_px()).0
    })
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;

    const WIDE: Room = Room { plot_px: 740.0, overhang_px: 20.0 };
    const NARROW: Room = Room { plot_px: 280.0, overhang_px: 20.0 };

    fn labels(days: i32, room: Room) -> Vec<String> {
        let from = date(2026, 11, 25);
        let ticks = DayAxis::new(from, plus_days(from, days)).ticks(room);
        ticks.iter().map(|tick| format!("{} {}", tick.label, tick.note).trim().to_owned()).collect()
    }

    #[test]
    fn labels_are_days_then_mondays_then_months_then_years() {
        assert_eq!(labels(1, NARROW), ["25 Nov today", "26 Nov Thu"]);
        assert_eq!(labels(3, WIDE), ["25 Nov today", "26 Nov Thu", "27 Nov Fri", "28 Nov Sat"]);
        assert_eq!(
            labels(35, NARROW),
            ["25 Nov today", "7 Dec Mon", "14 Dec Mon", "21 Dec Mon", "28 Dec Mon"]
        );
        assert_eq!(
            labels(42, WIDE),
            [
                "25 Nov today",
                "30 Nov Mon",
                "7 Dec Mon",
                "14 Dec Mon",
                "21 Dec Mon",
                "28 Dec Mon",
                "4 Jan 2027"
            ]
        );
        assert_eq!(labels(300, NARROW), ["25 Nov today", "Mar 2027", "May", "Jul", "Sep"]);
        assert_eq!(labels(1096, NARROW), ["25 Nov today", "Jul 2027", "Jan 2028", "Jul", "Jan 2029", "Jul"]);
    }

    /// The clocks of Lisbon change on 29 March and 25 October 2026, at 01:00 UTC.
    #[test]
    fn midnights_lie_where_the_zone_has_them() {
        let lisbon = TimeZone::get("Europe/Lisbon").unwrap();
        for (from, to, hours) in [
            ("2026-03-28T00:00:00Z", "2026-03-30T23:00:00Z", [0.0, 24.0, 47.0, 71.0]),
            ("2026-10-23T23:00:00Z", "2026-10-27T00:00:00Z", [0.0, 24.0, 49.0, 73.0]),
        ] {
            let axis = TimeAxis::new(from.parse().unwrap(), to.parse().unwrap(), lisbon.clone());
            let length = axis.to().duration_since(axis.from()).as_secs_f64() / 3600.0;
            let at: Vec<f64> = axis.ticks(WIDE).iter().map(|tick| tick.at.value() * length).collect();
            assert_eq!(at.len(), hours.len(), "{at:?}");
            assert!(at.iter().zip(hours).all(|(at, hours)| (at - hours).abs() < 1e-6), "{at:?}");
        }
    }

    #[test]
    fn an_axis_of_no_length_does_not_divide_by_it() {
        let axis = TimeAxis::new(Timestamp::UNIX_EPOCH, Timestamp::UNIX_EPOCH, TimeZone::UTC);
        assert_eq!(axis.at(Timestamp::MAX), Share::of(0.0, 1.0));
        assert!(axis.ticks(WIDE).len() <= 1);
        assert_eq!(DayAxis::new(Date::MAX, Date::MAX).at(Date::MIN), Share::of(0.0, 1.0));
    }

    fn check(ticks: &[Tick], room: Room) {
        for tick in ticks {
            let (left, right) = room.extent(tick.at, tick.width_px());
            assert!(left >= -room.overhang_px - 4.0 && right <= room.plot_px + room.overhang_px, "{ticks:?}");
        }
        for pair in ticks.windows(2) {
            assert!(pair[0].at < pair[1].at, "{ticks:?}");
            let (_, right) = room.extent(pair[0].at, pair[0].width_px());
            let (left, _) = room.extent(pair[1].at, pair[1].width_px());
            assert!(right < left, "{ticks:?}");
        }
    }

    proptest! {
        #[test]
        fn labels_never_overlap(day in 0..1500i32, days in 1..1100i32, width in 240.0..1200.0f64) {
            let room = Room { plot_px: width, overhang_px: 20.0 };
            let from = plus_days(date(2026, 1, 1), day);
            let ticks = DayAxis::new(from, plus_days(from, days)).ticks(room);
            check(&ticks, room);
            prop_assert!(days < 2 || ticks.len() >= 2, "{days} days: {ticks:?}");
        }

        #[test]
        fn labels_of_moments_never_overlap(start in 0..100_000_000i64, hours in 25..26_400i64) {
            let from = Timestamp::from_second(1_760_000_000 + start).unwrap();
            let to = Timestamp::from_second(1_760_000_000 + start + hours * 3600).unwrap();
            let zone = TimeZone::get("Europe/Lisbon").unwrap();
            check(&TimeAxis::new(from, to, zone).ticks(NARROW), NARROW);
        }
    }
}
