//! Use per day to the spread of days on which a supply runs out, or a receptacle fills up.
//!
//! Use is a gamma process whose mean follows a profile of the week, the working calendar and a slowly drifting
//! rate, followed by `rate`; for some days the pace of the last ones goes on (`surge`). The run-out day is the first passage of that process. The form is the
//! parametric lead-time demand of Syntetos, Babai and Gardner (2015); the constants were set by measurement on
//! simulated series.

mod rate;
mod surge;
mod week;

use jiff::civil::Date;
use statrs::function::gamma::checked_gamma_lr;

use super::calendar::Calendar;

/// The furthest day that is looked at.
pub const FURTHEST_DAYS: usize = 900;
/// Fewer finished days of use than this give no date, unless there is a rate to borrow.
pub const LEAST_DAYS: usize = 10;
/// With fewer finished days than this, what other supplies use is worth more than what is known of this one.
pub const BORROWS_BELOW_DAYS: i32 = 28;
/// The use on a shut day as a share of a usual one: heads are cared for, and nothing else.
pub const SHUT_SHARE: f64 = 0.2;

/// Variance of the rate's relative drift per day, ahead of today.
const DRIFT: f64 = 7e-5;
/// The days after which drift stops adding up as fast.
const DRIFT_SATURATION_DAYS: f64 = 200.0;
/// A rate below this is no use at all, in the supply's measure per day.
const LEAST_RATE: f64 = 1e-3;

/// What a series of daily use says about the days to come.
#[derive(Debug, Clone, PartialEq)]
pub struct Pace {
    /// Mean use per day, in the series' measure.
    pub rate: f64,
    /// Variance of use per day, at the scale of a week.
    pub variance: f64,
    /// Relative variance of what is known of the rate.
    pub doubt: f64,
    /// How each day of the week weighs, Monday first; their mean is 1.
    pub week: [f64; 7],
    /// By what share the first day ahead uses more than usual, or less; it fades within days.
    pub surge: f64,
}

/// A rate that other supplies lend to one that is little known itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Borrowed {
    /// The middle of their rates, in this supply's measure per day; above zero.
    pub rate: f64,
    /// Standard deviation of their rates' logarithms; above zero.
    pub spread: f64,
    /// How many they are.
    pub lenders: usize,
}

/// What rates differ by among supplies of a kind before any is known: the standard deviation of their
/// logarithms. Common practice, no source.
const USUAL_SPREAD: f64 = 0.65;
/// The usual spread counts as much as this many lenders.
const USUAL_WEIGHT: f64 = 2.0;

impl Borrowed {
    /// The middle and spread of other supplies' rates, in this supply's measure per day, by empirical Bayes:
    /// few lenders are drawn to the usual spread. `None` from fewer than two.
    #[must_use]
    pub fn of(rates: &[f64]) -> Option<Self> {
        let logs: Vec<f64> = rates.iter().filter(|rate| **rate > 0.0).map(|rate| rate.ln()).collect();
        if logs.len() < 2 {
            return None;
        }
        let lenders = logs.len() as f64;
        let middle = logs.iter().sum::<f64>() / lenders;
        let squares: f64 = logs.iter().map(|log| (log - middle).powi(2)).sum();
        let usual = USUAL_SPREAD * USUAL_SPREAD;
        let variance =
            (squares + USUAL_WEIGHT * usual) / (lenders - 1.0 + USUAL_WEIGHT) * (1.0 + 1.0 / lenders);
        Some(Self { rate: middle.exp(), spread: variance.sqrt(), lenders: logs.len() })
    }
}

/// What is known of a supply's use.
#[derive(Debug, Clone, Copy)]
pub struct Past<'a> {
    /// Use on each finished day, oldest first.
    pub daily: &'a [f64],
    /// The first of these days.
    pub first: Date,
    /// When the print room worked.
    pub calendar: &'a Calendar,
    /// What a unit holds, in the measure of the use; the size of jobs is judged by it.
    pub capacity: Option<f64>,
    /// What other supplies lend, if anything.
    pub borrowed: Option<Borrowed>,
}

impl Past<'_> {
    /// What other supplies lend, where that is worth more than what is known of this one.
    #[must_use]
    pub fn borrows(&self) -> Option<Borrowed> {
        self.borrowed.filter(|_| self.daily.len() < BORROWS_BELOW_DAYS as usize)
    }
}

/// The pace of a supply's use; `None` where fewer than [`LEAST_DAYS`] days are known and nothing is borrowed.
#[must_use]
pub fn pace(past: &Past<'_>) -> Option<Pace> {
    let borrowed = past.borrows();
    if past.daily.len() < LEAST_DAYS && borrowed.is_none() {
        return None;
    }
    let shut = shut_days(past.first, past.daily.len(), past.calendar);
    let first_weekday = weekday(past.first);
    let week = week::profile(past.daily, first_weekday, &shut, past.calendar);
    let expected: Vec<f64> = (0..past.daily.len())
        .map(|day| week[(first_weekday + day) % 7] * if is_shut(&shut, day) { SHUT_SHARE } else { 1.0 })
        .collect();
    let rate::Followed { rate, variance, doubt } =
        rate::follow(past.daily, &expected, past.capacity, borrowed.as_ref());
    let surge = surge::surge(past.daily, &expected, past.capacity, (rate, variance));
    Some(Pace { rate, variance, doubt, week, surge })
}

fn weekday(day: Date) -> usize {
    usize::from(day.weekday().to_monday_zero_offset().unsigned_abs())
}

/// Which of `count` days from `first` are shut; empty where none is known to be.
fn shut_days(first: Date, count: usize, calendar: &Calendar) -> Vec<bool> {
    if calendar.is_always_open() {
        return Vec::new();
    }
    let days = std::iter::successors(Some(first), |day| day.tomorrow().ok());
    days.take(count).map(|day| calendar.is_shut(day)).collect()
}

fn is_shut(shut: &[bool], day: usize) -> bool {
    shut.get(day).copied().unwrap_or(false)
}

/// The days that lie ahead, the same for every supply of a site.
#[derive(Debug, Clone)]
pub struct Ahead {
    weekday: usize,
    share_of_today: f64,
    shut: Vec<bool>,
}

impl Ahead {
    /// The days from `today` on; `share_of_today` is the part of today's use that still lies ahead.
    #[must_use]
    pub fn new(today: Date, share_of_today: f64, calendar: &Calendar) -> Self {
        let shut = shut_days(today, FURTHEST_DAYS, calendar);
        Self { weekday: weekday(today), share_of_today, shut }
    }

    /// How many of the next so many days are shut.
    #[must_use]
    pub fn shut_within(&self, days: usize) -> usize {
        self.shut.iter().take(days).filter(|shut| **shut).count()
    }
}

/// What the days ahead weigh together, added up as far as somebody asked; each day weighs something.
struct Weights<'a> {
    pace: &'a Pace,
    ahead: &'a Ahead,
    surge: f64,
    up_to: Vec<f64>,
}

impl<'a> Weights<'a> {
    fn new(pace: &'a Pace, ahead: &'a Ahead) -> Self {
        Self { pace, ahead, surge: pace.surge, up_to: Vec::with_capacity(256) }
    }

    /// Up to the end of the `day`th day, today being the first.
    fn by(&mut self, day: usize) -> f64 {
        while self.up_to.len() < day {
            let (day, ahead) = (self.up_to.len(), self.ahead);
            let open = if is_shut(&ahead.shut, day) { SHUT_SHARE } else { 1.0 };
            let lies_ahead = if day == 0 { ahead.share_of_today } else { 1.0 };
            let weight = self.pace.week[(ahead.weekday + day) % 7] * open * lies_ahead * (1.0 + self.surge);
            self.surge = surge::fade(self.surge);
            self.up_to.push(self.up_to.last().unwrap_or(&0.0) + weight);
        }
        day.checked_sub(1).map_or(0.0, |last| self.up_to[last])
    }
}

/// When a supply with `remaining` left ends, at one chance in ten, even odds and nine in ten: days from the
/// midnight that began today, capped at [`FURTHEST_DAYS`].
///
/// `step` is the smallest difference the device can express.
#[must_use]
pub fn end_days(pace: &Pace, remaining: f64, step: f64, ahead: &Ahead) -> [f64; 3] {
    ends(Passage { pace, remaining, step, drift: DRIFT, weights: Weights::new(pace, ahead) })
}

/// How likely a supply with `remaining` left has ended by the end of each of the next days, today first.
#[must_use]
pub fn chances_ended(pace: &Pace, remaining: f64, step: f64, ahead: &Ahead, days: usize) -> Vec<f64> {
    let mut passage = Passage { pace, remaining, step, drift: DRIFT, weights: Weights::new(pace, ahead) };
    // What has ended stays so; the gamma that is fitted to each day by itself does not know that quite.
    let mut most = 0.0_f64;
    let by = |day| {
        most = most.max(passage.ended_by(day));
        most
    };
    (1..=days.min(FURTHEST_DAYS)).map(by).collect()
}

/// Mean and variance of use over days that weigh `weight` together, with a relative variance `doubt` of the rate: the one
/// spread that both the day of an end and the number of swaps to come rest on.
#[must_use]
pub fn spread_over(rate: f64, variance: f64, doubt: f64, weight: f64) -> (f64, f64) {
    let mean = rate * weight;
    (mean, variance * weight + doubt * mean * mean)
}

/// Use on its way through what remains.
struct Passage<'a> {
    pace: &'a Pace,
    remaining: f64,
    step: f64,
    drift: f64,
    weights: Weights<'a>,
}

impl Passage<'_> {
    /// The chance that use by the end of the `day`th day reaches what remains.
    fn ended_by(&mut self, day: usize) -> f64 {
        if day == 0 {
            return 0.0;
        }
        let Pace { rate, variance, doubt, .. } = self.pace;
        let weight = self.weights.by(day);
        let drift_days = day as f64 / (1.0 + day as f64 / DRIFT_SATURATION_DAYS);
        let (mean, spread) = spread_over(*rate, *variance, doubt + self.drift * drift_days / 3.0, weight);
        let variance = (spread + self.step * self.step / 6.0).max(1e-9);
        let shape = (mean * mean / variance).max(1e-6);
        let scale = variance / mean.max(1e-9);
        checked_gamma_lr(shape, (self.remaining / scale).max(1e-12)).map_or(0.0, |below| 1.0 - below)
    }
}

/// A day, and the chance that the supply has ended by then.
#[derive(Clone, Copy)]
struct Reached {
    day: usize,
    chance: f64,
}

/// The days at one chance in ten, even odds and nine in ten, each searched for from the one before it.
fn ends(mut passage: Passage<'_>) -> [f64; 3] {
    // A first guess from the mean keeps the search short.
    let (rate, remaining) = (passage.pace.rate, passage.remaining);
    let reaches = |day: &usize| rate * passage.weights.by(*day) >= remaining;
    let guess = (1..=FURTHEST_DAYS).find(reaches).unwrap_or(FURTHEST_DAYS);
    let mut by = |day: usize| Reached { day, chance: passage.ended_by(day) };
    let mut below = by(0);
    let mut beyond = by(guess);
    let mut upper = beyond;
    [0.1, 0.5, 0.9].map(|chance| {
        if upper.chance < chance {
            below = upper;
        }
        while beyond.chance < chance {
            if beyond.day == FURTHEST_DAYS {
                return FURTHEST_DAYS as f64;
            }
            below = beyond;
            beyond = by((beyond.day + beyond.day / 2 + 1).min(FURTHEST_DAYS));
        }
        upper = beyond;
        while upper.day - below.day > 1 {
            let middle = by(between(below, upper, chance));
            if middle.chance < chance { below = middle } else { upper = middle }
        }
        below.day as f64 + (chance - below.chance) / (upper.chance - below.chance).max(1e-12)
    })
}

/// A day between two others at which to look for a chance: where a straight line has it, but never so near to either
/// that the search could go on for long.
fn between(below: Reached, upper: Reached, chance: f64) -> usize {
    let days = upper.day - below.day;
    let share = (chance - below.chance) / (upper.chance - below.chance).max(1e-12);
    let margin = (days / 8).max(1);
    below.day + ((days as f64 * share).round() as usize).clamp(margin, days - margin)
}

#[cfg(test)]
mod tests;
