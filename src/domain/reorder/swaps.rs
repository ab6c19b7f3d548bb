//! How many fresh units the slots of a part will need within so many days.
//!
//! Swaps are counted, and not the amount used: a slot that holds `left` of units that hold `holds` needs `k` or
//! more fresh ones within `h` days when its use over `h` days reaches `left + (k - 1) * holds`. Use over `h` days
//! is taken as gamma-distributed, with the mean and variance of the slot's pace; the counts of slots that use
//! independently of each other are convolved.

use statrs::function::gamma::checked_gamma_lr;

use crate::domain::horizon::{Pace, spread_over};

/// Variance of a rate's relative drift per day. It goes on adding up, and over a lead time and a review it is more than
/// what a horizon takes for one unit.
const DRIFT: f64 = 3e-4;
/// A chance below this is none.
const NEGLIGIBLE: f64 = 1e-12;
/// No slot opens more units than this in any span that is looked at.
const MOST_SWAPS: usize = 60;

/// How a slot uses what it holds, in its own measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Usage {
    /// Mean use per day.
    pub per_day: f64,
    /// Variance of use per day, at the scale of a week.
    pub variance: f64,
    /// Relative variance of what is known of the mean.
    pub doubt: f64,
}

impl From<&Pace> for Usage {
    fn from(pace: &Pace) -> Self {
        Self { per_day: pace.rate, variance: pace.variance, doubt: pace.doubt }
    }
}

impl Usage {
    /// The gamma distribution of use over so many days, as (shape, scale); `None` where nothing is used. It is that of
    /// the horizon, on days that all weigh the same, with a drift that goes on adding up: what is bought lasts for longer
    /// than what is in a machine.
    fn over(&self, days: f64) -> Option<(f64, f64)> {
        let Self { per_day, variance, doubt } = *self;
        let (mean, spread) = spread_over(per_day, variance, doubt + DRIFT * days / 3.0, days);
        (mean > 0.0 && spread > 0.0).then(|| (mean * mean / spread, spread / mean))
    }
}

/// A slot with what is in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SlotDemand {
    /// What is left in it, or the room left in a receptacle.
    pub left: f64,
    /// What a fresh unit holds, in the same measure; above zero.
    pub holds: f64,
    /// How it uses that.
    pub usage: Usage,
}

impl SlotDemand {
    /// The chances that it needs at least 1, 2, … fresh units within so many days, until there is none.
    fn at_least(&self, days: f64) -> impl Iterator<Item = f64> {
        let over = self.usage.over(days);
        (0..MOST_SWAPS)
            .map(move |k| {
                let amount = self.left + self.holds * k as f64;
                match over {
                    _ if amount <= 0.0 => 1.0,
                    Some((shape, scale)) => tail(shape, amount / scale),
                    None => 0.0,
                }
            })
            .take_while(|chance| *chance > NEGLIGIBLE)
    }

    /// How many it needs within so many days on average.
    #[must_use]
    pub fn mean(&self, days: f64) -> f64 {
        self.at_least(days).sum()
    }
}

/// The chance that a gamma variable of scale 1 is `x` or more. Far out on either side the exact figure is not
/// worth its cost: beyond eight standard deviations it is none.
fn tail(shape: f64, x: f64) -> f64 {
    let far = 8.0 * shape.sqrt();
    if x > shape + far.max(40.0) {
        return 0.0;
    }
    if x < shape - far {
        return 1.0;
    }
    checked_gamma_lr(shape, x).map_or(0.0, |below| 1.0 - below)
}

/// The chances of needing `least`, `least + 1`, … units.
#[derive(Debug, Clone, PartialEq)]
pub struct Counts {
    least: usize,
    chances: Vec<f64>,
}

impl Counts {
    /// What slots need together within so many days.
    #[must_use]
    pub fn pooled(slots: &[SlotDemand], days: f64) -> Self {
        let mut counts = Self { least: 0, chances: vec![1.0] };
        let mut one = Vec::new();
        for slot in slots {
            one.clear();
            let mut before = 1.0;
            for chance in slot.at_least(days) {
                one.push(before - chance);
                before = chance;
            }
            one.push(before);
            counts.add(&one);
        }
        counts
    }

    /// Adds what one more slot needs: the convolution of both.
    fn add(&mut self, one: &[f64]) {
        // Most slots of a large room need none in a short while, or one for sure.
        let certain = one.iter().position(|chance| *chance > 1.0 - NEGLIGIBLE);
        if let Some(certain) = certain {
            self.least += certain;
            return;
        }
        let mut sum = vec![0.0; self.chances.len() + one.len() - 1];
        for (i, a) in self.chances.iter().enumerate() {
            for (j, b) in one.iter().enumerate() {
                sum[i + j] += a * b;
            }
        }
        let first = sum.iter().position(|chance| *chance > NEGLIGIBLE).unwrap_or(0);
        let last = sum.iter().rposition(|chance| *chance > NEGLIGIBLE).unwrap_or(0);
        self.least += first;
        self.chances = sum[first..=last.max(first)].to_vec();
    }

    /// The even mixture of several: what is needed by one of several days, each as likely.
    #[must_use]
    pub fn mixed(all: &[Self]) -> Self {
        let least = all.iter().map(|counts| counts.least).min().unwrap_or(0);
        let end = all.iter().map(|counts| counts.least + counts.chances.len()).max().unwrap_or(0);
        let mut chances = vec![0.0; end.saturating_sub(least).max(1)];
        for counts in all {
            for (n, chance) in (counts.least - least..).zip(&counts.chances) {
                chances[n] += chance / all.len() as f64;
            }
        }
        if all.is_empty() {
            chances[0] = 1.0;
        }
        Self { least, chances }
    }

    /// The chance that no more than `n` are needed.
    #[must_use]
    pub fn at_most(&self, n: u32) -> f64 {
        let n = n as usize;
        if n < self.least {
            return 0.0;
        }
        self.chances.iter().take(n - self.least + 1).sum::<f64>().min(1.0)
    }

    /// The chance that `n` or more are needed.
    #[must_use]
    pub fn at_least(&self, n: u32) -> f64 {
        n.checked_sub(1).map_or(1.0, |fewer| 1.0 - self.at_most(fewer))
    }

    /// The chance that exactly `n` are needed.
    #[must_use]
    pub fn exactly(&self, n: u32) -> f64 {
        let at = (n as usize).checked_sub(self.least);
        at.and_then(|at| self.chances.get(at)).copied().unwrap_or(0.0)
    }

    /// The smallest number that is enough with a chance of `service` or better.
    #[must_use]
    pub fn enough(&self, service: f64) -> u32 {
        let mut below = 0.0;
        for (n, chance) in (self.least..).zip(&self.chances) {
            below += chance;
            if below >= service - NEGLIGIBLE {
                return u32::try_from(n).unwrap_or(u32::MAX);
            }
        }
        u32::try_from(self.least + self.chances.len() - 1).unwrap_or(u32::MAX)
    }

    /// How many are needed on average.
    #[must_use]
    pub fn mean(&self) -> f64 {
        (self.least..).zip(&self.chances).map(|(n, chance)| n as f64 * chance).sum()
    }
}
