//! One supply: how it empties and is swapped, and how its history is laid out so that it stands, on the
//! phase day, where the scenario says.
//!
//! A level here is always what is left: ink in a cartridge, room in a receptacle.

use crate::demand::unit;

/// A supply in a printer.
#[derive(Debug, Clone)]
pub(crate) struct Supply {
    pub(crate) capacity_ml: f64,
    pub(crate) level_ml: f64,
    /// What a new unit holds.
    full_ml: f64,
    /// Factor on the demand that made the history fit.
    pub(crate) factor: f64,
    /// Boundaries of swaps still to come in the history, latest first.
    planned: Vec<u32>,
    swap_at: [f64; 2],
    seed: u64,
    installs: u64,
}

/// A swap that has just happened.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Swapped {
    pub(crate) old_ml: f64,
    pub(crate) old_capacity_ml: f64,
    pub(crate) new_ml: f64,
}

impl Supply {
    pub(crate) fn new(phase: Phase, wish: &Wish, seed: u64) -> Self {
        Self {
            capacity_ml: phase.first_capacity_ml,
            level_ml: phase.first_level_ml,
            full_ml: wish.capacity_ml,
            factor: phase.factor,
            planned: phase.swaps,
            swap_at: wish.swap_at,
            seed,
            installs: 0,
        }
    }

    pub(crate) fn fraction(&self) -> f64 {
        self.level_ml / self.capacity_ml
    }

    /// Takes what is wanted, or what is there; returns what was taken.
    pub(crate) fn take(&mut self, ml: f64) -> f64 {
        let taken = ml.min(self.level_ml).max(0.0);
        self.level_ml -= taken;
        taken
    }

    /// Whether the history wants a swap at this boundary.
    pub(crate) fn planned_at(&mut self, boundary: u32) -> bool {
        let due = self.planned.last() == Some(&boundary);
        if due {
            self.planned.pop();
        }
        due
    }

    /// Whether people would swap it now.
    pub(crate) fn due(&self) -> bool {
        let [low, high] = self.swap_at;
        self.fraction() <= low + (high - low) * unit(&[self.seed, self.installs])
    }

    /// Puts a new unit in.
    pub(crate) fn swap(&mut self) -> Swapped {
        let swapped =
            Swapped { old_ml: self.level_ml, old_capacity_ml: self.capacity_ml, new_ml: self.full_ml };
        self.capacity_ml = self.full_ml;
        self.level_ml = self.full_ml;
        self.installs += 1;
        swapped
    }
}

/// What the scenario wants of a supply's history.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wish {
    pub(crate) capacity_ml: f64,
    pub(crate) starter_ml: Option<f64>,
    /// Fraction left at the last boundary of the history.
    pub(crate) stands_at: f64,
    /// The last swap happens at the idle boundary nearest to this one, whatever level that leads to.
    pub(crate) swapped_at: Option<u32>,
    pub(crate) swap_at: [f64; 2],
    pub(crate) seed: u64,
}

/// How a history begins and where it swaps.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Phase {
    pub(crate) first_level_ml: f64,
    pub(crate) first_capacity_ml: f64,
    /// Boundaries of the swaps, latest first.
    pub(crate) swaps: Vec<u32>,
    pub(crate) factor: f64,
}

/// Demand of one supply, summed up to each boundary of the history (`[0]` is 0).
pub(crate) struct Used<'a> {
    /// The part that stays as it is.
    pub(crate) fixed: &'a [f64],
    /// The part that a factor near 1 may stretch.
    pub(crate) scaled: &'a [f64],
    /// Boundaries at which people would swap, rising.
    pub(crate) free: &'a [u32],
    /// Boundaries at which a swap is possible, if need be on a day off.
    pub(crate) idle: &'a [u32],
}

impl Used<'_> {
    fn between(&self, from: u32, until: u32, factor: f64) -> f64 {
        let part = |sums: &[f64]| {
            let at = |slot: u32| sums.get(slot as usize).copied().unwrap_or(0.0);
            at(until) - at(from)
        };
        part(self.fixed) + factor * part(self.scaled)
    }

    fn last(&self) -> u32 {
        self.fixed.len().saturating_sub(1) as u32
    }

    /// The free boundary before `until` since which the use is nearest to `ml`, and never above `most`.
    fn nearest(&self, until: u32, ml: f64, most: f64, factor: f64) -> Option<u32> {
        let error = |from: u32| (self.between(from, until, factor) - ml).abs();
        let fits = |from: &u32| *from > 0 && *from < until && self.between(*from, until, factor) <= most;
        self.free.iter().copied().filter(fits).min_by(|a, b| error(*a).total_cmp(&error(*b)))
    }
}

/// Lays out a supply's history backwards from where it has to stand at its last boundary.
///
/// The last swap goes to the free boundary that comes nearest; what is missing then is made up by a factor
/// on the demand, which stays near 1 because a job between two free boundaries is small against a
/// cartridge.
pub(crate) fn phase(used: &Used<'_>, wish: &Wish) -> Phase {
    let end = used.last();
    let mut plan =
        Phase { first_level_ml: 0.0, first_capacity_ml: wish.capacity_ml, swaps: Vec::new(), factor: 1.0 };
    let level = wish.stands_at * wish.capacity_ml;
    let last = match wish.swapped_at {
        Some(at) => used
            .idle
            .iter()
            .copied()
            .filter(|slot| *slot > 0 && *slot <= end && used.between(*slot, end, 1.0) < wish.capacity_ml)
            .min_by_key(|slot| slot.abs_diff(at)),
        None if level + used.between(0, end, 1.0) <= wish.capacity_ml => None,
        None => {
            let need = wish.capacity_ml - level;
            let last = used.nearest(end, need, f64::INFINITY, 1.0);
            if let Some(from) = last {
                let scaled = used.between(from, end, 1.0) - used.between(from, end, 0.0);
                let factor = (need - used.between(from, end, 0.0)) / scaled;
                // Outside of this range the demand is no longer what the scenario asked for.
                plan.factor = if factor.is_finite() { factor.clamp(0.7, 1.4) } else { 1.0 };
            }
            last
        }
    };
    let Some(last) = last else {
        plan.first_level_ml = (level + used.between(0, end, 1.0)).min(wish.capacity_ml);
        return plan;
    };
    plan.swaps.push(last);
    earlier(used, wish, last, plan)
}

/// Fills the time before the last swap with earlier units, each used up to the scenario's swap level.
fn earlier(used: &Used<'_>, wish: &Wish, last: u32, mut plan: Phase) -> Phase {
    let [low, high] = wish.swap_at;
    let mut until = last;
    let mut round = 0;
    loop {
        round += 1;
        let share = low + (high - low) * unit(&[wish.seed, 1, round]);
        let gone = used.between(0, until, plan.factor);
        // A starter comes first if it can have held that much.
        if let Some(starter) = wish.starter_ml.filter(|starter| share * starter + gone <= *starter) {
            plan.first_capacity_ml = starter;
            plan.first_level_ml = share * starter + gone;
            break;
        }
        let rest = share * wish.capacity_ml;
        if rest + gone <= wish.capacity_ml {
            plan.first_level_ml = rest + gone;
            break;
        }
        let Some(from) = used.nearest(until, wish.capacity_ml - rest, wish.capacity_ml * 0.998, plan.factor)
        else {
            plan.first_level_ml = wish.capacity_ml;
            break;
        };
        plan.swaps.push(from);
        until = from;
    }
    // `planned_at` takes the earliest swap from the end.
    plan
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wish() -> Wish {
        Wish {
            capacity_ml: 100.0,
            starter_ml: None,
            stands_at: 0.5,
            swapped_at: None,
            swap_at: [0.02, 0.04],
            seed: 1,
        }
    }

    /// Three millilitres a slot for 100 slots, every fifth slot free for a swap.
    fn lay(wish: &Wish) -> (Phase, Vec<f64>) {
        let scaled: Vec<f64> = (0..=100).map(|slot| 3.0 * f64::from(slot)).collect();
        let fixed = vec![0.0; 101];
        let free: Vec<u32> = (0..100).step_by(5).collect();
        (phase(&Used { fixed: &fixed, scaled: &scaled, free: &free, idle: &free }, wish), scaled)
    }

    fn play(plan: &Phase, wish: &Wish, scaled: &[f64]) -> f64 {
        let mut supply = Supply::new(plan.clone(), wish, 1);
        for slot in 1..=100_u32 {
            let wanted = plan.factor * (scaled[slot as usize] - scaled[slot as usize - 1]);
            assert!((supply.take(wanted) - wanted).abs() < 1e-9, "ran dry in slot {slot}");
            if supply.planned_at(slot) {
                assert!(supply.fraction() < 0.3);
                supply.swap();
            }
        }
        supply.level_ml
    }

    #[test]
    fn a_history_with_swaps_ends_where_it_should() {
        for percent in [5, 30, 50, 77, 95] {
            let wish = Wish { stands_at: f64::from(percent) / 100.0, ..wish() };
            let (plan, scaled) = lay(&wish);
            assert!(plan.swaps.len() >= 2 && plan.swaps.is_sorted_by(|a, b| a > b), "{plan:?}");
            let level = play(&plan, &wish, &scaled);
            // A free slot every 15 ml is coarse: the factor may have reached its bound at 95 %.
            assert!((level - f64::from(percent)).abs() < 1.0 || percent == 95, "{percent}: {level} {plan:?}");
        }
    }

    #[test]
    fn a_short_history_needs_no_swap() {
        let wish = Wish { capacity_ml: 1000.0, ..wish() };
        let (plan, scaled) = lay(&wish);
        assert_eq!((plan.swaps.len(), plan.factor), (0, 1.0));
        assert!((play(&plan, &wish, &scaled) - 500.0).abs() < 1e-9);
    }

    #[test]
    fn a_day_given_for_the_last_swap_is_kept() {
        let wish = Wish { swapped_at: Some(81), ..wish() };
        let (plan, _) = lay(&wish);
        assert_eq!(plan.swaps.first(), Some(&80));
    }

    #[test]
    fn a_starter_is_used_only_where_it_can_have_lasted() {
        let fits = Wish { capacity_ml: 1000.0, starter_ml: Some(225.0), swapped_at: Some(50), ..wish() };
        assert_eq!(lay(&fits).0.first_capacity_ml, 225.0);
        let late = Wish { swapped_at: Some(90), ..fits };
        assert_eq!(lay(&late).0.first_capacity_ml, 1000.0);
    }

    #[test]
    fn nothing_is_taken_that_is_not_there() {
        let (plan, _) = lay(&wish());
        let mut supply = Supply::new(plan, &wish(), 1);
        let level = supply.level_ml;
        assert_eq!(supply.take(1e6), level);
        assert_eq!((supply.take(1.0), supply.take(-1.0)), (0.0, 0.0));
        assert!(supply.due());
    }
}
