//! What a printer uses, slot by slot: jobs, daily head care and Monday's cleaning.
//!
//! The demand of a day depends on nothing but the scenario's seed, the printer's name, the day and the
//! campaign that the day belongs to. It can therefore be drawn twice: once to find the levels to start
//! from, and once to play it.

use jiff::civil::Weekday;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, LogNormal, Poisson};

use crate::calendar::{Calendar, Day};
use crate::scenario::{DarkPlan, OffHours, PrinterPlan};

/// Mixes numbers into one that looks random (the finaliser of splitmix64, Steele, Lea and Flood 2014).
pub(crate) fn mix(parts: &[u64]) -> u64 {
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    for part in parts {
        state = (state ^ part).wrapping_add(0x9e37_79b9_7f4a_7c15);
        state = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        state = (state ^ (state >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        state ^= state >> 31;
    }
    state
}

/// A number from 0 up to but not including 1, from mixed parts.
pub(crate) fn unit(parts: &[u64]) -> f64 {
    (mix(parts) >> 11) as f64 / (1_u64 << 53) as f64
}

/// A seed of a printer's own, so that adding a machine to a room leaves the others as they were.
pub(crate) fn printer_seed(seed: u64, name: &str) -> u64 {
    let bytes: Vec<u64> = name.bytes().map(u64::from).collect();
    mix(&[seed, mix(&bytes)])
}

/// What happens in one slot of a day.
#[derive(Debug, Clone, Default)]
pub(crate) struct SlotUse {
    /// Square metres printed.
    pub(crate) area_m2: f64,
    /// Millilitres per ink that jobs take, before the ink's own factor.
    pub(crate) jobs_ml: Vec<f64>,
    /// Millilitres per ink that head care takes, before the printer's own factor.
    pub(crate) care_ml: Vec<f64>,
}

/// One day's demand; `slots` is sparse, ordered by slot.
#[derive(Debug, Clone)]
pub(crate) struct DayUse {
    pub(crate) day: Day,
    pub(crate) slots: Vec<(u32, SlotUse)>,
    /// First slot of the working hours and the slot after their last.
    hours: (u32, u32),
    /// Whether anybody is expected in the room on this day.
    manned: bool,
}

impl DayUse {
    pub(crate) fn at(&self, slot: u32) -> Option<&SlotUse> {
        let place = self.slots.binary_search_by_key(&slot, |(slot, _)| *slot).ok()?;
        self.slots.get(place).map(|(_, what)| what)
    }

    /// Whether it is daytime and nothing is printing.
    pub(crate) fn idle(&self, slot: u32) -> bool {
        let (open, close) = self.hours;
        (open..close).contains(&slot) && self.at(slot).is_none_or(|what| what.area_m2 == 0.0)
    }

    /// Whether somebody is there to swap a supply and nothing is printing.
    pub(crate) fn hands_free(&self, slot: u32) -> bool {
        self.manned && self.idle(slot)
    }
}

/// When a printer is dark, in slots.
#[derive(Debug, Clone)]
pub(crate) struct Darkness {
    spans: Vec<(u32, u32, bool)>,
    off: Option<OffHours>,
}

impl Darkness {
    pub(crate) fn new(plan: &PrinterPlan, calendar: &Calendar, phase_day: u32) -> Self {
        let slot = |days: f64| {
            let whole = days.floor();
            let number = f64::from(phase_day) + whole;
            if number < 0.0 {
                return 0;
            }
            let day = calendar.day(number.min(1e6) as u32);
            day.start + ((days - whole) * f64::from(day.end - day.start)) as u32
        };
        let span = |dark: &DarkPlan| (slot(dark.from), dark.until.map_or(u32::MAX, slot), dark.still_working);
        let mut spans: Vec<_> = plan.dark.iter().map(span).filter(|(from, until, _)| from < until).collect();
        spans.sort_unstable();
        Self { spans, off: plan.off_hours }
    }

    fn off_at(&self, calendar: &Calendar, slot: u32) -> bool {
        let Some(off) = self.off else { return false };
        let at = calendar.local_time(slot);
        if off.from < off.until { off.from <= at && at < off.until } else { at >= off.from || at < off.until }
    }

    /// Whether the printer answers nobody in this slot.
    pub(crate) fn dark(&self, calendar: &Calendar, slot: u32) -> bool {
        self.spans.iter().any(|(from, until, _)| (*from..*until).contains(&slot))
            || self.off_at(calendar, slot)
    }

    /// Whether the printer has no power in this slot.
    pub(crate) fn off(&self, calendar: &Calendar, slot: u32) -> bool {
        let cut = |(from, until, working): &(u32, u32, bool)| !working && (*from..*until).contains(&slot);
        self.spans.iter().any(cut) || self.off_at(calendar, slot)
    }
}

/// Draws the days of one printer, in order.
#[derive(Debug, Clone)]
pub(crate) struct Demand {
    seed: u64,
    busy: bool,
    next: u32,
}

impl Demand {
    pub(crate) fn new(seed: u64) -> Self {
        Self { seed, busy: false, next: 0 }
    }

    /// The next day's demand.
    pub(crate) fn next_day(
        &mut self,
        plan: &PrinterPlan,
        calendar: &Calendar,
        darkness: &Darkness,
    ) -> DayUse {
        let number = self.next;
        self.next += 1;
        let day = calendar.day(number);
        let mut rng = StdRng::seed_from_u64(mix(&[self.seed, u64::from(number)]));
        let turn = if self.busy { plan.work.busy_days } else { plan.work.calm_days };
        if rng.random::<f64>() < 1.0 / turn {
            self.busy = !self.busy;
        }
        let share = plan.work.week[day.weekday().to_monday_zero_offset() as usize];
        let share = if day.closed { 0.0 } else { share };
        let hours = (calendar.slot(day.date, plan.work.from), calendar.slot(day.date, plan.work.until));
        let mut slots: Vec<SlotUse> = vec![SlotUse::default(); (day.end - day.start) as usize];
        let rate = plan.work.jobs_per_day * share * if self.busy { plan.work.busy_factor } else { 1.0 };
        jobs(plan, rate, (hours.0 - day.start, hours.1 - day.start), &mut rng, &mut slots);
        care(plan, calendar, &day, &mut rng, &mut slots);
        let slots = (day.start..)
            .zip(slots)
            .filter(|(slot, what)| {
                (!what.jobs_ml.is_empty() || !what.care_ml.is_empty()) && !darkness.off(calendar, *slot)
            })
            .collect();
        // With less than half of a normal day's work the room counts as unmanned: nobody swaps anything.
        DayUse { day, slots, hours, manned: share >= 0.5 }
    }
}

/// Lays a day's jobs into slots; a job takes as many slots as its area needs at the printer's speed.
fn jobs(plan: &PrinterPlan, rate: f64, hours: (u32, u32), rng: &mut StdRng, slots: &mut [SlotUse]) {
    let (Ok(count), Ok(size), Ok(cover)) = (
        Poisson::new(rate),
        LogNormal::new(plan.work.area_m2.ln(), plan.work.area_spread),
        LogNormal::new(-0.5 * plan.work.coverage_spread.powi(2), plan.work.coverage_spread),
    ) else {
        // A rate of zero is no Poisson distribution: nothing is printed.
        return;
    };
    let per_slot = plan.work.m2_per_hour / 4.0;
    let jobs = count.sample(rng) as u32;
    for _ in 0..jobs {
        let area = size.sample(rng).clamp(0.05, 80.0);
        let start = rng.random_range(hours.0..hours.1.max(hours.0 + 1)) as usize;
        let ml: Vec<f64> = plan.inks.iter().map(|ink| area * ink.ml_per_m2 * cover.sample(rng)).collect();
        let pieces = (area / per_slot).ceil().clamp(1.0, 40.0) as usize;
        for slot in slots.iter_mut().skip(start).take(pieces) {
            slot.area_m2 += area / pieces as f64;
            slot.jobs_ml.resize(plan.inks.len(), 0.0);
            for (sum, ml) in slot.jobs_ml.iter_mut().zip(&ml) {
                *sum += ml / pieces as f64;
            }
        }
    }
}

/// Adds the daily care, and on Mondays the cleaning half an hour after it.
fn care(plan: &PrinterPlan, calendar: &Calendar, day: &Day, rng: &mut StdRng, slots: &mut [SlotUse]) {
    let at = (calendar.slot(day.date, plan.care.at).saturating_sub(day.start)) as usize;
    let mut give = |place: usize, [low, high]: [f64; 2], rng: &mut StdRng| {
        if let Some(slot) = slots.get_mut(place) {
            slot.care_ml.resize(plan.inks.len(), 0.0);
            for sum in &mut slot.care_ml {
                *sum += low + (high - low) * rng.random::<f64>();
            }
        }
    };
    give(at, plan.care.daily_ml, rng);
    if day.weekday() == Weekday::Monday {
        give(at + 2, plan.care.monday_ml, rng);
    }
}
