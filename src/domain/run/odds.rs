//! What a run takes against what is left, as chances.
//!
//! What a run takes of a supply is lognormal: it is a product (area, coverage, how a picture is filled), never
//! below zero, and skewed. What is left is anywhere in the bin that the device's reading stands for, each place as
//! likely. The chance that the one does not reach the other is the mean of the lognormal's distribution function
//! over that bin, which has a closed form.
//!
//! What several runs take together is a sum of lognormals, which has none. It is taken as the lognormal of the
//! same mean and variance (Fenton 1960; the citation is from memory): for one run that is exact. A gamma of the
//! same two moments was measured against it; `tests/outside/test_run.py` says by how much either is off.

use statrs::function::erf::erfc;

/// A relative spread below this is none.
const NO_SPREAD: f64 = 1e-9;
/// A bin narrower than this share of what is left is a point.
const NO_WIDTH: f64 = 1e-7;
/// No reach is looked for beyond this, in the unit of the area.
const FURTHEST: f64 = 1e9;
/// Halvings of the span in which a reach lies: it is then known to a ten-billionth.
const HALVINGS: usize = 64;

/// What something takes of a supply, in the supply's measure: lognormal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Need {
    /// The mean; not below zero.
    pub mean: f64,
    /// The standard deviation over the mean.
    pub cv: f64,
}

impl Need {
    /// Nothing.
    pub const NONE: Self = Self { mean: 0.0, cv: 0.0 };

    /// From a mean and a variance.
    #[must_use]
    pub fn new(mean: f64, variance: f64) -> Self {
        if mean <= 0.0 {
            return Self::NONE;
        }
        Self { mean, cv: variance.max(0.0).sqrt() / mean }
    }

    /// The mean and the standard deviation of the logarithm.
    fn log(&self) -> (f64, f64) {
        let variance = (self.cv * self.cv).ln_1p();
        (self.mean.ln() - variance / 2.0, variance.sqrt())
    }

    /// The amount that is not exceeded with this chance, between 0 and 1.
    #[must_use]
    pub fn quantile(&self, chance: f64) -> f64 {
        if self.mean <= 0.0 {
            return 0.0;
        }
        let (middle, spread) = self.log();
        (middle - spread * std::f64::consts::SQRT_2 * statrs::function::erf::erfc_inv(2.0 * chance)).exp()
    }

    /// The chance that it takes no more than an amount.
    #[must_use]
    pub fn within(&self, amount: f64) -> f64 {
        if self.mean <= 0.0 {
            return if amount >= 0.0 { 1.0 } else { 0.0 };
        }
        if self.cv < NO_SPREAD {
            return if amount >= self.mean { 1.0 } else { 0.0 };
        }
        if amount <= 0.0 {
            return 0.0;
        }
        let (middle, spread) = self.log();
        below((amount.ln() - middle) / spread)
    }

    /// The integral of [`Self::within`] from nothing to an amount: the amount times the chance, less what is taken
    /// on average where it stays below.
    fn within_up_to(&self, amount: f64) -> f64 {
        if amount <= 0.0 {
            return 0.0;
        }
        if self.mean <= 0.0 {
            return amount;
        }
        if self.cv < NO_SPREAD {
            return (amount - self.mean).max(0.0);
        }
        let (middle, spread) = self.log();
        let at = (amount.ln() - middle) / spread;
        amount * below(at) - self.mean * below(at - spread)
    }
}

/// The standard normal distribution function.
fn below(x: f64) -> f64 {
    0.5 * erfc(-x / std::f64::consts::SQRT_2)
}

/// How a device turns what is left into the step that it tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rounding {
    /// It tells exactly what is left.
    Exact,
    /// It rounds down.
    Floor,
    /// It rounds to the nearest step.
    Nearest,
    /// It rounds up.
    Ceil,
    /// Nobody knows, as of most devices.
    Unknown,
}

impl Rounding {
    /// Every one.
    pub const ALL: [Self; 5] = [Self::Exact, Self::Floor, Self::Nearest, Self::Ceil, Self::Unknown];

    /// The word by which it is exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Exact => "exact",
            Self::Floor => "floor",
            Self::Nearest => "nearest",
            Self::Ceil => "ceil",
            Self::Unknown => "unknown",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|rounding| rounding.word() == word)
    }
}

/// What is left in a container, or the room left in a receptacle: anywhere between two amounts, each place as
/// likely.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Left {
    low: f64,
    high: f64,
}

impl Left {
    /// Exactly so much.
    #[must_use]
    pub fn exactly(amount: f64) -> Self {
        Self { low: amount, high: amount }
    }

    /// Somewhere between nothing and what it holds.
    #[must_use]
    pub fn some_of(capacity: f64) -> Self {
        Self { low: 0.0, high: capacity }
    }

    /// What a reading stands for. A device that says that nothing is left is believed; and nothing holds more than
    /// its capacity. The part of a bin below nothing counts as nothing.
    #[must_use]
    pub fn told(reading: f64, step: f64, rounding: Rounding, capacity: Option<f64>) -> Self {
        if reading <= 0.0 {
            return Self::exactly(0.0);
        }
        let (down, up) = match rounding {
            Rounding::Exact => (0.0, 0.0),
            Rounding::Floor => (0.0, step),
            Rounding::Nearest => (step / 2.0, step / 2.0),
            Rounding::Ceil => (step, 0.0),
            Rounding::Unknown => (step, step),
        };
        let high = reading + up;
        Self { low: reading - down, high: capacity.map_or(high, |all| high.min(all.max(reading))) }
    }

    /// The least that may be left.
    #[must_use]
    pub fn low(&self) -> f64 {
        self.low.max(0.0)
    }

    /// The most that may be left.
    #[must_use]
    pub fn high(&self) -> f64 {
        self.high
    }

    /// The middle of what may be left.
    #[must_use]
    pub fn middle(&self) -> f64 {
        f64::midpoint(self.low, self.high).max(0.0)
    }

    /// The chance that what is left covers a need.
    #[must_use]
    pub fn covers(&self, need: &Need) -> f64 {
        let width = self.high - self.low;
        if width <= NO_WIDTH * self.high {
            return need.within(self.high);
        }
        ((need.within_up_to(self.high) - need.within_up_to(self.low)) / width).clamp(0.0, 1.0)
    }
}

/// What one run takes of a supply for each square metre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PerArea {
    /// The mean, in the supply's measure.
    pub mean: f64,
    /// How pictures differ: the standard deviation over the mean. Each run is a picture of its own.
    pub cv: f64,
    /// The relative doubt about the mean, which all runs share that rest on the same past.
    pub doubt: f64,
}

/// What a queue of runs takes of one supply.
#[derive(Debug, Clone, PartialEq)]
pub struct Queue {
    /// The area of each run in square metres, in their order, and what it takes for each.
    pub runs: Vec<(f64, PerArea)>,
    /// What head care takes besides, once.
    pub care: Need,
}

impl Queue {
    /// The area of all runs, square metres.
    #[must_use]
    pub fn area(&self) -> f64 {
        self.runs.iter().map(|(area, _)| area).sum()
    }

    /// What all of it takes.
    #[must_use]
    pub fn need(&self) -> Need {
        self.need_after(self.area())
    }

    /// What it has taken after so many square metres; past its end the last run goes on.
    #[must_use]
    pub fn need_after(&self, area: f64) -> Need {
        let (mut before, mut mean) = (0.0, self.care.mean);
        // Pictures differ independently of each other; a mean that was learned wrongly is wrong for all of them.
        let (mut apart, mut shared) = ((self.care.mean * self.care.cv).powi(2), 0.0);
        for (n, (of_run, takes)) in self.runs.iter().enumerate() {
            let ahead: f64 = area - before;
            let of_it = if n + 1 == self.runs.len() { ahead } else { ahead.min(*of_run) };
            if of_it <= 0.0 {
                break;
            }
            let amount = of_it * takes.mean;
            mean += amount;
            apart += (amount * takes.cv).powi(2);
            shared += amount * takes.doubt;
            before += of_run;
        }
        Need::new(mean, apart + shared * shared)
    }

    /// The area after which what is left is used up with this chance, square metres; `None` where that is further
    /// than anybody prints.
    #[must_use]
    pub fn reach(&self, left: &Left, chance: f64) -> Option<f64> {
        let lasts = |area: f64| left.covers(&self.need_after(area)) > 1.0 - chance;
        if !lasts(0.0) {
            return Some(0.0);
        }
        let (mut near, mut far) = (0.0, self.area().max(1e-3));
        while lasts(far) {
            (near, far) = (far, far * 2.0);
            if far > FURTHEST {
                return None;
            }
        }
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(near, far);
            if lasts(middle) {
                near = middle;
            } else {
                far = middle;
            }
        }
        Some(f64::midpoint(near, far))
    }
}

/// A chance of several things at once, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// If each went its own way.
    pub low: f64,
    /// If all moved together.
    pub high: f64,
}

impl Band {
    /// The chance that every one of several supplies lasts. The colours of one picture move together: a dark, full
    /// one takes more of all of them. So their joint chance is no less than the product (as if each went its own
    /// way), and never more than the least of them (as if one decided all).
    #[must_use]
    pub fn all_of(chances: impl IntoIterator<Item = f64>) -> Self {
        let all = |band: Self, chance: f64| Self { low: band.low * chance, high: band.high.min(chance) };
        chances.into_iter().fold(Self { low: 1.0, high: 1.0 }, all)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const JOB: Need = Need { mean: 9.0 * 9.2, cv: 0.15 };

    /// 9 m² at 9.2 ml for each, spread .15, from a reading of 93 ml in steps of 7.75 ml: worked out beforehand with
    /// scipy on a grid of 400 places in the bin.
    #[test]
    fn the_bin_of_a_reading_decides_much() {
        let chance = |rounding| Left::told(93.0, 7.75, rounding, Some(775.0)).covers(&JOB);
        for (rounding, expected) in [
            (Rounding::Floor, 0.86692),
            (Rounding::Nearest, 0.79969),
            (Rounding::Ceil, 0.71160),
            (Rounding::Unknown, 0.78926),
        ] {
            assert!((chance(rounding) - expected).abs() < 1e-5, "{rounding:?}: {}", chance(rounding));
        }
        assert!((chance(Rounding::Exact) - Left::exactly(93.0).covers(&JOB)).abs() < 1e-12);
    }

    #[test]
    fn without_spread_it_is_arithmetic() {
        let sure = Need { mean: 80.0, cv: 0.0 };
        assert_eq!(Left::exactly(80.0).covers(&sure), 1.0);
        assert_eq!(Left::exactly(79.9).covers(&sure), 0.0);
        assert!((Left::told(80.0, 8.0, Rounding::Unknown, None).covers(&sure) - 0.5).abs() < 1e-12);
        assert_eq!(Left::told(0.0, 8.0, Rounding::Unknown, None).covers(&sure), 0.0);
        // Full is full: nothing holds more than its capacity.
        assert_eq!(Left::told(775.0, 7.75, Rounding::Unknown, Some(775.0)).high(), 775.0);
        assert!((JOB.within(JOB.quantile(0.9)) - 0.9).abs() < 1e-9);
    }

    /// Two runs of 10 m²: 2 ml for each square metre of the first, 1 ml of the second; 25 ml are left.
    #[test]
    fn a_queue_is_walked_run_by_run() {
        let takes = |mean| PerArea { mean, cv: 0.0, doubt: 0.0 };
        let queue = Queue { runs: vec![(10.0, takes(2.0)), (10.0, takes(1.0))], care: Need::NONE };
        assert_eq!(queue.need().mean, 30.0);
        assert_eq!(queue.need_after(15.0).mean, 25.0);
        assert!((queue.reach(&Left::exactly(25.0), 0.5).unwrap() - 15.0).abs() < 1e-6);
        // Past its end the last run goes on.
        assert!((queue.reach(&Left::exactly(35.0), 0.5).unwrap() - 25.0).abs() < 1e-6);
        let nothing = Queue { runs: vec![(10.0, takes(0.0))], ..queue };
        assert_eq!(nothing.reach(&Left::exactly(35.0), 0.5), None);
    }

    /// Two runs of mean 10 and 20, spread .5 and .25: each varies by 5, and together by the root of 50. A shared doubt
    /// of a tenth adds 3 to that, squared: 59.
    #[test]
    fn pictures_differ_apart_and_doubt_is_shared() {
        let run = |mean, cv| (10.0, PerArea { mean, cv, doubt: 0.1 });
        let queue = Queue { runs: vec![run(1.0, 0.5), run(2.0, 0.25)], care: Need::NONE };
        let need = queue.need();
        assert!((need.mean - 30.0).abs() < 1e-12 && ((need.mean * need.cv).powi(2) - 59.0).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn more_ink_or_less_work_never_hurts(
            mean in 0.1f64..500.0, cv in 0.0f64..2.0, reading in 0.0f64..775.0, step in 0.0f64..20.0,
        ) {
            let need = Need { mean, cv };
            let left = |more: f64| Left::told(reading + more, step, Rounding::Unknown, None);
            let chance = left(0.0).covers(&need);
            prop_assert!((0.0..=1.0).contains(&chance));
            prop_assert!(left(10.0).covers(&need) >= chance - 1e-9);
            let less = Need { mean: mean * 0.9, cv };
            prop_assert!(left(0.0).covers(&less) >= chance - 1e-9);
        }

        #[test]
        fn a_band_lies_between_the_product_and_the_least(chances in prop::collection::vec(0.0f64..=1.0, 1..12)) {
            let band = Band::all_of(chances.iter().copied());
            prop_assert!(band.low <= band.high + 1e-12);
            let least = chances.iter().copied().fold(1.0, f64::min);
            prop_assert!((band.high - least).abs() < 1e-12);
        }
    }
}
