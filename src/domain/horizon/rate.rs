//! The rate of use, followed through the past.
//!
//! Use over a span is gamma-distributed with a mean of rate times weight and one scale, the *lump*: the size of
//! the jobs it comes in. Neither is known, so a small table holds how likely each pair of them is. Each block of
//! days weighs the table by how well the pair explains the use in it; between blocks the rate drifts a little,
//! and seldom jumps to anywhere: a new customer, or one that is gone. (A discrete Bayesian filter; West and
//! Harrison, Bayesian Forecasting and Dynamic Models, 1997, treat dynamic models with such interventions.)

use statrs::function::gamma::ln_gamma;

use super::{Borrowed, LEAST_RATE};

/// Rates in the table, evenly spaced by their logarithms around the mean of the past.
const RATES: usize = 11;
/// The logarithm of the largest rate over the mean.
const REACH: f64 = 1.25;
/// Lumps in the table, as shares of what a unit holds, and how likely each is before anything is known.
const LUMPS: [(f64, f64); 4] = [(0.004, 0.031), (0.0169, 0.356), (0.0711, 0.518), (0.3, 0.095)];
/// A unit of unknown size is taken to last this long, in days.
const USUAL_LIFE_DAYS: f64 = 108.0;
/// Variance of the rate's relative drift per day.
const DRIFT: f64 = 2.6e-4;
/// The chance of a jump per day.
const JUMP: f64 = 2e-4;
/// Blocks are not quite independent: a campaign runs over their edges. Each counts for this much.
const CREDIT: f64 = 0.7;
/// The latest days are taken by the week, and earlier ones by four weeks, up to a year.
const BLOCKS: [(usize, usize); 2] = [(7, 12), (28, 10)];
/// Standard deviation of the rate's logarithm around the mean of its own past.
const OWN_SPREAD: f64 = 0.6;
/// A borrowed rate moves the middle of the table as much as this many days.
const BORROWED_DAYS: f64 = 5.0;

/// What the past says about the rate.
pub(super) struct Followed {
    /// Mean use per day of weight 1.
    pub(super) rate: f64,
    /// Variance of use per day of weight 1.
    pub(super) variance: f64,
    /// Relative variance of the rate.
    pub(super) doubt: f64,
}

/// How likely each pair of lump and rate is.
type Table = [[f64; RATES]; LUMPS.len()];

/// Follows the rate through daily use, oldest first, with the weight that was expected of each day.
pub(super) fn follow(
    daily: &[f64],
    expected: &[f64],
    capacity: Option<f64>,
    borrowed: Option<&Borrowed>,
) -> Followed {
    let (used, weight): (f64, f64) = (daily.iter().sum(), expected.iter().sum());
    let (middle, prior) = prior(used, weight, borrowed);
    let size = capacity.filter(|size| *size > 0.0).unwrap_or(middle * USUAL_LIFE_DAYS);
    let rates: [f64; RATES] = std::array::from_fn(|n| middle * level(n).exp());
    let mut table: Table = LUMPS.map(|(_, chance)| prior.map(|prior| prior * chance));
    let mut likelihood = Likelihood::new(rates, LUMPS.map(|(share, _)| share * size));
    for (from, to) in blocks(daily.len()) {
        drift(&mut table, &prior, (to - from) as f64);
        let used: f64 = daily[from..to].iter().sum();
        let weight: f64 = expected[from..to].iter().sum();
        likelihood.weigh(&mut table, used.max(middle * 7e-3), weight);
    }
    summary(&table, &likelihood)
}

fn level(n: usize) -> f64 {
    REACH * (2.0 * n as f64 / (RATES - 1) as f64 - 1.0)
}

/// The middle of the rates in the table, and how likely each is before the past is looked at.
fn prior(used: f64, weight: f64, borrowed: Option<&Borrowed>) -> (f64, [f64; RATES]) {
    let (middle, centre, spread) = match borrowed {
        Some(lent) => {
            let middle = ((used + BORROWED_DAYS * lent.rate) / (weight + BORROWED_DAYS)).max(LEAST_RATE);
            (middle, (lent.rate / middle).ln(), lent.spread)
        }
        None => ((used / weight.max(1e-9)).max(LEAST_RATE), 0.0, OWN_SPREAD),
    };
    let bell: [f64; RATES] = std::array::from_fn(|n| (-0.5 * ((level(n) - centre) / spread).powi(2)).exp());
    let sum: f64 = bell.iter().sum();
    (middle, bell.map(|chance| chance / sum))
}

/// The days from one to another of each block, oldest first; they end with the last day.
fn blocks(days: usize) -> Vec<(usize, usize)> {
    let mut blocks = Vec::with_capacity(32);
    let mut to = days;
    for (length, count) in BLOCKS {
        for _ in 0..count {
            if to == 0 {
                break;
            }
            let from = to.saturating_sub(length);
            blocks.push((from, to));
            to = from;
        }
    }
    blocks.reverse();
    blocks
}

/// Lets so many days pass.
fn drift(table: &mut Table, prior: &[f64; RATES], days: f64) {
    let spacing = level(1) - level(0);
    let step = DRIFT * days / (2.0 * spacing * spacing);
    let jump = JUMP * days;
    for row in table {
        // What would drift past either end stays there.
        let mut before = [0.0; RATES + 2];
        before[1..=RATES].copy_from_slice(row);
        (before[0], before[RATES + 1]) = (row[0], row[RATES - 1]);
        let jumped = jump * row.iter().sum::<f64>();
        for n in 0..RATES {
            let drifted = before[n + 1] * (1.0 - 2.0 * step) + step * (before[n] + before[n + 2]);
            row[n] = (1.0 - jump) * drifted + jumped * prior[n];
        }
    }
}

/// How well rates and lumps explain the use in a block.
struct Likelihood {
    rates: [f64; RATES],
    lumps: [f64; LUMPS.len()],
    /// The weight that the shapes below are for.
    weight: f64,
    shapes: [Shapes; LUMPS.len()],
}

/// The gamma distribution's shape for a lump and each rate, and the logarithm of the gamma function there.
#[derive(Clone, Copy)]
struct Shapes {
    shape: [f64; RATES],
    ln_gamma: [f64; RATES],
}

impl Likelihood {
    fn new(rates: [f64; RATES], lumps: [f64; LUMPS.len()]) -> Self {
        Self {
            rates,
            lumps,
            weight: 0.0,
            shapes: [Shapes { shape: [0.0; RATES], ln_gamma: [0.0; RATES] }; LUMPS.len()],
        }
    }

    /// Whole weeks weigh the same, so the shapes seldom change.
    fn set_weight(&mut self, weight: f64) {
        if (weight - self.weight).abs() < 1e-9 {
            return;
        }
        self.weight = weight;
        for (row, lump) in self.shapes.iter_mut().zip(self.lumps) {
            row.shape = self.rates.map(|rate| (rate * weight / lump).max(1e-3));
            row.ln_gamma = row.shape.map(ln_gamma);
        }
    }

    /// Weighs the table by the use in a block of days. Sums and maxima are taken for each rate first: the compiler
    /// lays those side by side, too.
    fn weigh(&mut self, table: &mut Table, used: f64, weight: f64) {
        self.set_weight(weight);
        let mut logs = [[0.0; RATES]; LUMPS.len()];
        let mut most = [f64::NEG_INFINITY; RATES];
        for ((row, lump), shapes) in logs.iter_mut().zip(self.lumps).zip(&self.shapes) {
            let (ratio, log_ratio) = (used / lump, (used / lump).ln());
            for n in 0..RATES {
                row[n] = CREDIT * (shapes.shape[n] * log_ratio - ratio - shapes.ln_gamma[n]);
                most[n] = if row[n] > most[n] { row[n] } else { most[n] };
            }
        }
        let most = most.into_iter().fold(f64::NEG_INFINITY, f64::max);
        let mut likely = logs;
        for log in likely.as_flattened_mut() {
            *log = exp_up_to_zero(*log - most);
        }
        let mut sums = [0.0; RATES];
        for (row, likely) in table.iter_mut().zip(&likely) {
            for n in 0..RATES {
                row[n] *= likely[n];
                sums[n] += row[n];
            }
        }
        let share = 1.0 / sums.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        for chance in table.as_flattened_mut() {
            *chance *= share;
        }
    }
}

/// The exponential of a number that is not above zero, to within 1e-7 of itself: sums and products alone, which the
/// compiler lays side by side for a row of the table. The exact one would cost most of the whole forecast.
fn exp_up_to_zero(x: f64) -> f64 {
    /// Added to a number, it leaves no room for anything behind the point, and the whole part in the lowest bits.
    const ROUNDS: f64 = 3.0 * (1_u64 << 51) as f64;
    /// Taylor's, from the last one on.
    const TERMS: [f64; 7] = [1.0 / 5_040.0, 1.0 / 720.0, 1.0 / 120.0, 1.0 / 24.0, 1.0 / 6.0, 0.5, 1.0];
    // Below this nothing is left that counts; the exponent below stays in its range.
    let x = x.max(-600.0);
    let rounded = x * std::f64::consts::LOG2_E + ROUNDS;
    let rest = x - (rounded - ROUNDS) * std::f64::consts::LN_2;
    let series = TERMS.iter().fold(0.0, |sum, term| sum * rest + term) * rest + 1.0;
    series * f64::from_bits(rounded.to_bits().wrapping_add(1_023) << 52)
}

fn summary(table: &Table, likelihood: &Likelihood) -> Followed {
    let (mut sum, mut mean, mut square, mut variance) = (0.0, 0.0, 0.0, 0.0);
    for (row, lump) in table.iter().zip(likelihood.lumps) {
        for (chance, rate) in row.iter().zip(likelihood.rates) {
            sum += chance;
            mean += chance * rate;
            square += chance * rate * rate;
            variance += chance * rate * lump;
        }
    }
    let (rate, sum) = ((mean / sum.max(f64::MIN_POSITIVE)).max(LEAST_RATE), sum.max(f64::MIN_POSITIVE));
    Followed { rate, variance: variance / sum, doubt: (square / sum / (rate * rate) - 1.0).max(0.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exponential_is_that_of_the_standard_library() {
        for n in 0..6_000 {
            let x = -0.1 * f64::from(n);
            let (ours, theirs) = (exp_up_to_zero(x), x.exp());
            assert!((ours / theirs - 1.0).abs() < 1e-7, "{x}: {ours} {theirs}");
        }
        assert!(exp_up_to_zero(f64::NEG_INFINITY) < 1e-200);
    }
}
