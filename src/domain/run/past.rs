//! What a machine printed in its past: from its life count, or from runs that people wrote down.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::learn::Spell;
use super::plan::{Media, Metres, SquareMetres};

/// The first and the last life count seen on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CountDay {
    /// The day.
    pub day: Date,
    /// The first count.
    pub first: i64,
    /// The last count.
    pub last: i64,
}

/// How wide a machine's media are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MediaWidth {
    /// A person says so.
    Written(Metres),
    /// The device tells it of what is loaded now: the widest, where there are several.
    Told(Metres),
}

impl MediaWidth {
    /// The width.
    #[must_use]
    pub fn metres(self) -> Metres {
        match self {
            Self::Written(width) | Self::Told(width) => width,
        }
    }
}

/// A run as somebody wrote it down.
#[derive(Debug, Clone, PartialEq)]
pub struct Printed {
    /// On which day.
    pub day: Date,
    /// How much.
    pub area: SquareMetres,
    /// On what.
    pub media: Media,
    /// What it was; may be empty.
    pub what: String,
}

/// The area printed over some days, which end with `last`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// The last of the days.
    pub last: Date,
    /// How many.
    pub days: u32,
    /// Square metres.
    pub area: f64,
}

/// What a life count says was printed before `until`, from one day on which it was seen to the next; `metres` are in
/// one of the count, and the media are taken to have been `width` wide all the time. A count that went backwards was
/// set anew or ran over: then only what the day itself gained counts.
///
/// The first day on which a count was seen began before it was, so nothing is said of it.
#[must_use]
pub fn counted(counts: &[CountDay], metres: f64, width: Metres, until: Date) -> Vec<Stretch> {
    let pairs = counts.windows(2).filter(|pair| pair[1].day < until);
    let stretch = |pair: &[CountDay]| {
        let [before, this] = pair else { return None };
        let days =
            u32::try_from(before.day.until(this.day).ok()?.get_days()).ok().filter(|days| *days > 0)?;
        let gained = this.last - before.last;
        let gained = if gained < 0 { (this.last - this.first).max(0) } else { gained };
        Some(Stretch { last: this.day, days, area: gained as f64 * metres * width.value() })
    };
    pairs.filter_map(stretch).collect()
}

/// What people wrote down, day by day from the first of them up to the day before `until`. Days on which nothing was
/// written down printed nothing: whoever keeps such a log keeps all of it.
#[must_use]
pub fn logged(runs: &[Printed], until: Date) -> Vec<Stretch> {
    let mut by_day: BTreeMap<Date, f64> = BTreeMap::new();
    for run in runs {
        *by_day.entry(run.day).or_insert(0.0) += run.area.value();
    }
    let Some((&first, _)) = by_day.first_key_value() else { return Vec::new() };
    let days = std::iter::successors(Some(first), |day| day.tomorrow().ok());
    days.take_while(|day| *day < until)
        .map(|day| Stretch { last: day, days: 1, area: by_day.get(&day).copied().unwrap_or(0.0) })
        .collect()
}

/// Areas beside what went from a supply on the same days; `ml_each` makes its figures millilitres.
#[must_use]
pub fn beside(areas: &[Stretch], used: &BTreeMap<Date, f64>, ml_each: f64) -> Vec<Spell> {
    let spell = |stretch: &Stretch| {
        let begins = stretch.last.checked_sub(jiff::Span::new().days(i64::from(stretch.days) - 1));
        let used: f64 = used.range(begins.unwrap_or(stretch.last)..=stretch.last).map(|(_, used)| used).sum();
        Spell { days: stretch.days, area: stretch.area, used: used * ml_each }
    };
    areas.iter().map(spell).collect()
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    fn day(n: i8) -> Date {
        date(2026, 11, n)
    }

    /// A count in feet: 100 feet are 30.48 m, at a width of 0.5 m 15.24 m².
    #[test]
    fn a_count_in_feet_times_a_width_is_an_area() {
        let count = |n, first, last| CountDay { day: day(n), first, last };
        // From 2 Nov to 5 Nov the machine was silent; on 6 Nov its count was set anew.
        let counts =
            [count(1, 0, 50), count(2, 60, 150), count(5, 300, 350), count(6, 0, 20), count(7, 20, 90)];
        let areas = counted(&counts, 0.3048, Metres::new(0.5).unwrap(), day(7));
        let told: Vec<(Date, u32)> = areas.iter().map(|of| (of.last, of.days)).collect();
        assert_eq!(told, [(day(2), 1), (day(5), 3), (day(6), 1)]);
        for (of, expected) in areas.iter().zip([15.24, 30.48, 3.048]) {
            assert!((of.area - expected).abs() < 1e-9, "{of:?}");
        }
        let used = (1..=7).map(|n| (day(n), f64::from(n))).collect();
        let spells = beside(&areas, &used, 7.75);
        // 2 Nov; 3 to 5 Nov: 3 + 4 + 5; 6 Nov.
        let amounts: Vec<f64> = spells.iter().map(|of| of.used / 7.75).collect();
        assert_eq!(amounts, [2.0, 12.0, 6.0]);
    }

    #[test]
    fn days_without_an_entry_in_the_log_printed_nothing() {
        let run = |n, area| Printed {
            day: day(n),
            area: SquareMetres::new(area).unwrap(),
            media: Media::Matte,
            what: String::new(),
        };
        let areas = logged(&[run(4, 2.0), run(2, 5.0), run(4, 1.0), run(6, 9.0)], day(6));
        let told: Vec<f64> = areas.iter().map(|of| of.area).collect();
        assert_eq!(told, [5.0, 0.0, 3.0, 0.0]);
        assert!(logged(&[], day(6)).is_empty());
    }
}
