//! What a machine takes for a square metre, from its own past.
//!
//! The standard has no counter of area. What a machine's life count gained in feet or metres, times the width of its
//! media, is one; jobs that people wrote down are another. Set against the ledger of a supply over the same days,
//! either gives what went for each square metre all in all, head care included.

/// Fewer square metres than this say nothing about a mean.
const LEAST_AREA: f64 = 5.0;
/// Fewer stretches than this say nothing about how sure a mean is.
const LEAST_STRETCHES: usize = 3;
/// Fewer spells in which anything was printed say nothing: a log that was begun and left is none.
const LEAST_PRINTED: usize = 5;
/// A stretch lasts at least so many days: levels that come in coarse steps tell little of a single day.
const STRETCH_DAYS: u32 = 7;
/// How single pictures differ in what they take of a colour, as a standard deviation over the mean. Days of several
/// jobs differ by less, so this is the least that is reckoned with: an assumption from memory, no source.
pub const PICTURE_CV: f64 = 0.3;
/// No spread is believed to be larger than this.
const MOST_CV: f64 = 2.0;
/// What all inks together take for a square metre where nothing is known, in millilitres, and how far off that may
/// be: an assumption of the trade from memory, with a wide spread, no source.
pub const USUAL_ML: f64 = 10.0;
/// The relative doubt about [`USUAL_ML`].
const USUAL_DOUBT: f64 = 0.5;
/// What cleaning puts into the receptacle for each millilitre printed, where nothing is known: an assumption of the
/// trade from memory, with a wide spread, no source.
pub const WASTE_SHARE: f64 = 0.1;
/// The relative doubt about [`WASTE_SHARE`].
const WASTE_DOUBT: f64 = 1.0;

/// Days over which it is known both what was printed and what went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spell {
    /// How many days.
    pub days: u32,
    /// Square metres that were printed.
    pub area: f64,
    /// What went from the supply, in its measure.
    pub used: f64,
}

/// Where the area of a machine's past comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Its life count, times the width of its media.
    Counted,
    /// Jobs that people wrote down.
    Logged,
}

/// What a supply's rate rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Basis {
    /// The machine's own past.
    Past {
        /// Where its area comes from.
        source: Source,
        /// How many days of it.
        days: u32,
        /// How many square metres.
        area: f64,
    },
    /// Somebody gave it.
    Given,
    /// What is assumed in the trade.
    Assumed,
}

/// What a supply gives for each square metre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// The mean, in the supply's measure.
    pub mean: f64,
    /// How single pictures differ: the standard deviation over the mean.
    pub cv: f64,
    /// The relative doubt about the mean.
    pub doubt: f64,
    /// What it rests on.
    pub basis: Basis,
}

impl Rate {
    /// From a supply's past, as far as that is enough; its levels come in steps of `step`.
    ///
    /// The mean is all that went over all that was printed, so that steps between days cancel. How sure it is comes
    /// from how stretches of a week differ from it, and from the step at both ends. How pictures differ comes from
    /// how single days do, but is never taken to be less than [`PICTURE_CV`].
    #[must_use]
    pub fn learned(spells: &[Spell], step: f64, source: Source) -> Option<Self> {
        let area: f64 = spells.iter().map(|spell| spell.area).sum();
        let used: f64 = spells.iter().map(|spell| spell.used).sum();
        let stretches = stretches(spells);
        let printed = spells.iter().filter(|spell| spell.area > 0.0).count();
        if area < LEAST_AREA || stretches.len() < LEAST_STRETCHES || printed < LEAST_PRINTED {
            return None;
        }
        // What never moved by a step may have moved by half of one.
        let used = used.max(step / 2.0);
        let mean = used / area;
        let off = |of: &[Spell]| of.iter().map(|of| (of.used - mean * of.area).powi(2)).sum::<f64>();
        let count = stretches.len() as f64;
        // Each end of the past lies anywhere in its step.
        let ends = step * step / 6.0;
        let variance = off(&stretches) * count / (count - 1.0) + ends;
        let single: Vec<Spell> =
            spells.iter().copied().filter(|spell| spell.days == 1 && spell.area > 0.0).collect();
        let expected: f64 = single.iter().map(|spell| (mean * spell.area).powi(2)).sum();
        let by_days = if expected > 0.0 {
            (off(&single) - ends * single.len() as f64).max(0.0) / expected
        } else {
            0.0
        };
        Some(Self {
            mean,
            cv: by_days.sqrt().clamp(PICTURE_CV, MOST_CV),
            doubt: (variance.sqrt() / used).min(MOST_CV),
            basis: Basis::Past { source, days: spells.iter().map(|spell| spell.days).sum(), area },
        })
    }

    /// What is assumed of one of so many inks that are used, in millilitres.
    #[must_use]
    pub fn assumed_ink(inks: usize) -> Self {
        let mean = USUAL_ML / inks.max(1) as f64;
        Self { mean, cv: PICTURE_CV, doubt: USUAL_DOUBT, basis: Basis::Assumed }
    }

    /// What is assumed to go into a receptacle while all inks together take so many millilitres for a square metre.
    #[must_use]
    pub fn assumed_waste(ink_ml: f64) -> Self {
        Self { mean: WASTE_SHARE * ink_ml, cv: PICTURE_CV, doubt: WASTE_DOUBT, basis: Basis::Assumed }
    }

    /// What two supplies of which each medium takes one have given together: of two blacks, the one that a medium
    /// takes gives what both of them did.
    #[must_use]
    pub fn joined(self, other: Self) -> Self {
        let mean = self.mean + other.mean;
        if mean <= 0.0 {
            return self;
        }
        let doubt = (self.mean * self.doubt).hypot(other.mean * other.doubt) / mean;
        // Which of them was used when is not known, so the larger one's spread is not made less.
        let larger = if self.mean >= other.mean { self } else { other };
        Self { mean, cv: larger.cv, doubt, basis: larger.basis }
    }
}

/// Spells put together until each lasts a week. What is left over at the end joins the last.
fn stretches(spells: &[Spell]) -> Vec<Spell> {
    let mut whole: Vec<Spell> = Vec::new();
    let mut open = Spell { days: 0, area: 0.0, used: 0.0 };
    let join =
        |a: Spell, b: &Spell| Spell { days: a.days + b.days, area: a.area + b.area, used: a.used + b.used };
    for spell in spells {
        open = join(open, spell);
        if open.days >= STRETCH_DAYS {
            whole.push(open);
            open = Spell { days: 0, area: 0.0, used: 0.0 };
        }
    }
    if open.days > 0
        && let Some(last) = whole.last_mut()
    {
        *last = join(*last, &open);
    }
    whole
}

#[cfg(test)]
mod tests {
    use super::*;

    fn days(of: &[(f64, f64)]) -> Vec<Spell> {
        of.iter().map(|(area, used)| Spell { days: 1, area: *area, used: *used }).collect()
    }

    /// 42 days of 10 m² and 8 ml each: 420 m² took 336 ml, so 0.8 ml for each.
    #[test]
    fn a_steady_past_gives_its_mean_and_little_doubt() {
        let rate = Rate::learned(&days(&[(10.0, 8.0); 42]), 0.1, Source::Counted).unwrap();
        assert!((rate.mean - 0.8).abs() < 1e-12 && rate.doubt < 1e-3, "{rate:?}");
        assert_eq!(rate.cv, PICTURE_CV);
        assert_eq!(rate.basis, Basis::Past { source: Source::Counted, days: 42, area: 420.0 });
    }

    /// Weeks of 84 and 28 ml for 70 m² in turn: the mean is 0.8, and each of the six is off by 28 ml, so the sum of
    /// 336 ml is off by the root of six times 28² times 6/5, which is 75 ml.
    #[test]
    fn a_past_that_swings_is_doubted() {
        let week = |ml: f64| vec![(10.0, ml / 7.0); 7];
        let past: Vec<_> = [84.0, 28.0, 84.0, 28.0, 84.0, 28.0].into_iter().flat_map(week).collect();
        let rate = Rate::learned(&days(&past), 0.0, Source::Counted).unwrap();
        assert!((rate.doubt - 75.127 / 336.0).abs() < 1e-4, "{rate:?}");
        assert!((rate.cv - 0.5).abs() < 1e-9, "{rate:?}");
    }

    #[test]
    fn too_little_teaches_nothing() {
        assert_eq!(Rate::learned(&days(&[(10.0, 8.0); 20]), 0.1, Source::Counted), None);
        assert_eq!(Rate::learned(&days(&[(0.1, 0.1); 42]), 0.1, Source::Counted), None);
        assert_eq!(Rate::learned(&[], 0.1, Source::Logged), None);
        // One run in a log that nobody went on with.
        let left = [vec![(38.0, 0.0)], vec![(0.0, 0.0); 84]].concat();
        assert_eq!(Rate::learned(&days(&left), 0.1, Source::Logged), None);
        // A colour that never moved may have moved by half a step.
        let idle = Rate::learned(&days(&[(10.0, 0.0); 40]), 8.0, Source::Counted).unwrap();
        assert!((idle.mean - 0.01).abs() < 1e-12 && idle.doubt > 0.5, "{idle:?}");
    }

    #[test]
    fn two_blacks_are_one() {
        let rate = |mean| Rate { mean, cv: 0.3, doubt: 0.1, basis: Basis::Assumed };
        let both = rate(0.6).joined(rate(0.2));
        assert!((both.mean - 0.8).abs() < 1e-12 && both.doubt < 0.1);
        assert!((Rate::assumed_ink(8).mean - 1.25).abs() < 1e-12);
    }
}
