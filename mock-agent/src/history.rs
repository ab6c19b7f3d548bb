//! Finds, for one printer, the levels and swaps of a history that ends where the scenario says.

use crate::calendar::Calendar;
use crate::demand::{Darkness, Demand, mix, unit};
use crate::scenario::{PrinterPlan, Scenario};
use crate::supply::{Phase, Supply, Used, Wish, phase};

/// A printer's supplies at the start of the history.
#[derive(Debug)]
pub(crate) struct Layout {
    pub(crate) inks: Vec<Supply>,
    pub(crate) waste: Option<Supply>,
    /// Factor on all head care, which made the receptacle's history fit.
    pub(crate) care_factor: f64,
}

/// When and for whom a history is laid out.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Frame<'a> {
    pub(crate) calendar: &'a Calendar,
    pub(crate) darkness: &'a Darkness,
    pub(crate) seed: u64,
    pub(crate) phase_day: u32,
    /// The boundary at which the supplies have to stand where the scenario says.
    pub(crate) phase_slot: u32,
}

impl<'a> Frame<'a> {
    pub(crate) fn new(
        scenario: &Scenario,
        calendar: &'a Calendar,
        darkness: &'a Darkness,
        seed: u64,
        phase_day: u32,
    ) -> Self {
        let phase_slot = calendar.slot(calendar.date(phase_day), scenario.moment);
        Self { calendar, darkness, seed, phase_day, phase_slot }
    }
}

/// Demand of a whole history, summed up boundary by boundary.
struct Sums {
    jobs: Vec<Vec<f64>>,
    care: Vec<Vec<f64>>,
    free: Vec<u32>,
    idle: Vec<u32>,
}

fn sums(plan: &PrinterPlan, frame: &Frame<'_>) -> Sums {
    let inks = plan.inks.len();
    let length = frame.phase_slot as usize + 1;
    let mut jobs = vec![vec![0.0; length]; inks];
    let mut care = vec![vec![0.0; length]; inks];
    let (mut free, mut idle) = (Vec::new(), Vec::new());
    let mut demand = Demand::new(frame.seed);
    let mut slot = 0;
    while slot < frame.phase_slot {
        let today = demand.next_day(plan, frame.calendar, frame.darkness);
        for slot in today.day.start..today.day.end.min(frame.phase_slot) {
            let here = slot as usize;
            let what = today.at(slot);
            for ink in 0..inks {
                let more = |ml: Option<&Vec<f64>>| ml.and_then(|ml| ml.get(ink)).copied().unwrap_or(0.0);
                jobs[ink][here + 1] = jobs[ink][here] + more(what.map(|what| &what.jobs_ml));
                care[ink][here + 1] = care[ink][here] + more(what.map(|what| &what.care_ml));
            }
            if today.idle(slot) && !frame.darkness.off(frame.calendar, slot) {
                idle.push(slot);
                if today.hands_free(slot) {
                    free.push(slot);
                }
            }
        }
        slot = today.day.end;
    }
    Sums { jobs, care, free, idle }
}

/// The boundary at half past ten of a day counted from the phase day, if the history reaches back to it.
fn swap_slot(frame: &Frame<'_>, day: Option<i32>) -> Option<u32> {
    let number = u32::try_from(i64::from(frame.phase_day) + i64::from(day?)).ok()?;
    Some(frame.calendar.slot(frame.calendar.date(number), jiff::civil::time(10, 30, 0, 0)))
}

/// Where a supply stands that the scenario says nothing about.
fn anywhere(seed: u64) -> f64 {
    0.25 + 0.7 * unit(&[seed, 4])
}

/// Lays out the history of one printer.
pub(crate) fn lay_out(plan: &PrinterPlan, frame: &Frame<'_>) -> Layout {
    let sums = sums(plan, frame);
    let nothing = vec![0.0; frame.phase_slot as usize + 1];
    let mut care_factor = 1.0;
    let waste = plan.waste.as_ref().map(|waste| {
        let mut all = nothing.clone();
        for care in &sums.care {
            for (sum, ml) in all.iter_mut().zip(care) {
                *sum += ml;
            }
        }
        let seed = mix(&[frame.seed, 1000]);
        let wish = Wish {
            capacity_ml: waste.capacity_ml,
            starter_ml: None,
            stands_at: waste.stands_at.unwrap_or_else(|| anywhere(seed)),
            swapped_at: swap_slot(frame, waste.swapped_on),
            swap_at: waste.swap_at,
            seed,
        };
        let found = phase(&Used { fixed: &nothing, scaled: &all, free: &sums.free, idle: &sums.idle }, &wish);
        // The factor belongs to the care of the whole printer; the receptacle takes what the inks give.
        care_factor = found.factor;
        Supply::new(Phase { factor: 1.0, ..found }, &wish, seed)
    });
    let inks = plan.inks.iter().enumerate().map(|(place, ink)| {
        let seed = mix(&[frame.seed, 2000, place as u64]);
        let wish = Wish {
            capacity_ml: ink.capacity_ml,
            starter_ml: ink.starter_ml,
            stands_at: ink.stands_at.unwrap_or_else(|| anywhere(seed)),
            swapped_at: swap_slot(frame, ink.swapped_on),
            swap_at: ink.swap_at,
            seed,
        };
        let fixed: Vec<f64> = sums.care[place].iter().map(|ml| ml * care_factor).collect();
        let used = Used { fixed: &fixed, scaled: &sums.jobs[place], free: &sums.free, idle: &sums.idle };
        Supply::new(phase(&used, &wish), &wish, seed)
    });
    Layout { inks: inks.collect(), waste, care_factor }
}
