//! How right forecasts were: what was said on a day, held against what was used since.
//!
//! A supply that is swapped before its end would have ended when as much was used as it held: the ledger tells
//! that, whoever swapped what. A forecast is judged once its late day is over, whatever came; to judge as soon as an
//! end is there would count the early ends and leave the late ones out.

use std::collections::BTreeMap;

use jiff::ToSpan;
use jiff::civil::Date;

use super::alert::facts::RECENT_DAYS;
use super::ids::SlotId;
use super::outlook::{Horizon, Outlook, Present};

/// A forecast as it was made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeptForecast {
    /// Which supply's.
    pub slot: SlotId,
    /// The day on which it was made, in the site's zone.
    pub day: Date,
    /// What had to be used from the beginning of that day on until the end, in the slot's measure.
    pub to_use: f64,
    /// What was said.
    pub horizon: Horizon,
    /// Use per day that it went by, in the same measure; none where that was not known, or not kept yet.
    pub daily_use: Option<f64>,
    /// What the unit holds, likewise.
    pub capacity: Option<f64>,
    /// What really went per day over the last [`RECENT_DAYS`] finished days, as it was known then, likewise.
    pub recent_use: Option<f64>,
}

impl KeptForecast {
    /// What is kept of an outlook, if it has a forecast and rests on an answer of today; `used` is the supply's use
    /// per day. Of a machine that is silent nothing new is known, so nothing is kept.
    #[must_use]
    pub fn of(outlook: &Outlook, used: &BTreeMap<Date, f64>, present: &Present) -> Option<Self> {
        let today = present.today();
        let (horizon, left) = (outlook.forecast.horizon()?, outlook.level.remaining.measured()?);
        let to_use = left.max(0.0) + used.get(&today).copied().unwrap_or(0.0);
        let (daily_use, capacity) = (outlook.daily_use, outlook.level.capacity.known());
        let recent_use = Some(recent_use(used, today));
        let kept =
            Self { slot: outlook.slot.id, day: today, to_use, horizon, daily_use, capacity, recent_use };
        (present.date(outlook.as_of) == today).then_some(kept)
    }
}

/// Use per day over the last [`RECENT_DAYS`] days that were over on a day.
fn recent_use(used: &BTreeMap<Date, f64>, today: Date) -> f64 {
    let first = today.checked_sub(i64::from(RECENT_DAYS).days()).unwrap_or(Date::MIN);
    used.range(first..today).map(|(_, used)| used).sum::<f64>() / f64::from(RECENT_DAYS)
}

/// Where the end lay, as seen from the forecast.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Came {
    /// Before the early day: one forecast in ten is allowed that.
    Before,
    /// From the early day to the late one: eight in ten should.
    Within,
    /// After the late day.
    After,
}

/// What came of a forecast.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Verdict {
    /// Where the end lay.
    pub came: Came,
    /// The day on which it came; `None` where it has not come yet, though the late day is over.
    pub ended: Option<Date>,
}

/// Amounts that differ by less are the same.
const GRAIN: f64 = 1e-6;
/// Seconds of a civil day.
const DAY_S: f64 = 86_400.0;

/// Judges a forecast by the supply's use per day, known up to the day before `until`; `None` as long as neither
/// its end has come nor its late day is over.
#[must_use]
pub fn judge(kept: &KeptForecast, used: &BTreeMap<Date, f64>, until: Date) -> Option<Verdict> {
    let mut left = kept.to_use - GRAIN;
    let ended = used.range(kept.day..until.max(kept.day)).find_map(|(day, used)| {
        left -= used;
        (left <= 0.0).then_some(*day)
    });
    let came = match ended {
        Some(day) if day < kept.horizon.early => Came::Before,
        Some(day) if day <= kept.horizon.late => Came::Within,
        Some(_) => Came::After,
        None if until > kept.horizon.late => Came::After,
        None => return None,
    };
    Some(Verdict { came, ended })
}

/// How right many forecasts were.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Rightness {
    /// So many ends came from the early to the late day.
    pub within: u32,
    /// So many before.
    pub before: u32,
    /// So many after.
    pub after: u32,
    /// By how many days the middle missed the end on average, either way, where the end has come.
    pub mean_days_off: Option<f64>,
}

impl Rightness {
    /// Sums verdicts up, each with the middle day of its forecast.
    #[must_use]
    pub fn of(verdicts: impl IntoIterator<Item = (Date, Verdict)>) -> Self {
        let mut all = Self::default();
        let (mut off, mut ends) = (0.0, 0_u32);
        for (middle, verdict) in verdicts {
            match verdict.came {
                Came::Before => all.before += 1,
                Came::Within => all.within += 1,
                Came::After => all.after += 1,
            }
            if let Some(ended) = verdict.ended {
                off += (ended.duration_since(middle).as_secs_f64() / DAY_S).abs();
                ends += 1;
            }
        }
        all.mean_days_off = (ends > 0).then(|| off / f64::from(ends));
        all
    }

    /// How many forecasts were judged.
    #[must_use]
    pub fn judged(&self) -> u32 {
        self.within + self.before + self.after
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(day: i8) -> Date {
        Date::constant(2026, 10, day)
    }

    fn kept(to_use: f64) -> KeptForecast {
        let horizon = Horizon { early: day(10), middle: day(14), late: day(20) };
        let (daily_use, capacity, recent_use) = (None, None, None);
        KeptForecast { slot: SlotId(1), day: day(3), to_use, horizon, daily_use, capacity, recent_use }
    }

    #[test]
    fn what_went_of_late_is_that_of_the_seven_days_that_were_over() {
        let mut used = ten_a_day(day(12));
        used.insert(day(11), 700.0);
        assert_eq!(recent_use(&used, day(11)), 10.0, "today is not over");
        assert_eq!(recent_use(&used, day(12)), 60.0 / 7.0 + 100.0);
        assert_eq!(recent_use(&used, day(4)), 30.0 / 7.0, "of what is not known, nothing");
    }

    /// Ten a day from the first of October on.
    fn ten_a_day(until: Date) -> BTreeMap<Date, f64> {
        day(1)
            .series(jiff::Span::new().days(1))
            .take_while(|day| *day < until)
            .map(|day| (day, 10.0))
            .collect()
    }

    #[test]
    fn a_forecast_is_held_against_what_was_used_since_its_day() {
        let until = day(31);
        let judged = |to_use| judge(&kept(to_use), &ten_a_day(until), until);
        let verdict = |came, ended| Some(Verdict { came, ended });
        assert_eq!(judged(70.0), verdict(Came::Before, Some(day(9))));
        assert_eq!(judged(80.0), verdict(Came::Within, Some(day(10))));
        assert_eq!(judged(180.0), verdict(Came::Within, Some(day(20))));
        assert_eq!(judged(181.0), verdict(Came::After, Some(day(21))));
        assert_eq!(judged(1000.0), verdict(Came::After, None));
    }

    #[test]
    fn it_is_open_until_the_end_has_come_or_the_late_day_is_over() {
        let on = |until| judge(&kept(1000.0), &ten_a_day(until), until);
        assert_eq!(on(day(20)), None);
        assert_eq!(on(day(21)), Some(Verdict { came: Came::After, ended: None }));
        assert_eq!(on(day(1)), None, "nothing is known of a day that has not begun");
    }

    #[test]
    fn many_are_summed_up_and_days_off_count_either_way() {
        let verdict = |came, ended| (day(14), Verdict { came, ended });
        let all = Rightness::of([
            verdict(Came::Before, Some(day(8))),
            verdict(Came::Within, Some(day(16))),
            verdict(Came::After, None),
        ]);
        assert_eq!(all, Rightness { within: 1, before: 1, after: 1, mean_days_off: Some(4.0) });
        assert_eq!(all.judged(), 3);
        assert_eq!(Rightness::of([]).mean_days_off, None);
    }
}
