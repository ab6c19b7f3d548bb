//! The last days beside the usual pace: work comes in campaigns of some days, and who is in the middle of one will
//! use more tomorrow as well. The weeks of the rate are too coarse to see it.

/// What a day back counts beside the day after it.
const FADES: f64 = 0.8;
/// So many days are looked back over; those before count for less than a hundredth.
const LOOKED_BACK: usize = 21;
/// The part of what is seen that goes on, where it is seen clearly.
const GOES_ON: f64 = 0.9;
/// The variance of campaigns that what the size of jobs does to the last days is held against.
const CAMPAIGNS: f64 = 0.8;
/// One day's use counts up to this share of what a unit holds: a large job is no campaign.
const MOST_A_DAY: f64 = 0.15;
/// Between these the surge stays.
const BOUNDS: (f64, f64) = (-0.7, 3.0);

/// By what share more than usual goes on the day that comes, from `daily` use and the weight `expected` of each day,
/// oldest first, at a mean of `rate` and a `variance` a day of weight 1.
pub(super) fn surge(
    daily: &[f64],
    expected: &[f64],
    capacity: Option<f64>,
    (rate, variance): (f64, f64),
) -> f64 {
    let most = capacity.map_or(f64::INFINITY, |capacity| MOST_A_DAY * capacity);
    let (mut counts, mut more, mut usual, mut noise) = (1.0, 0.0, 0.0, 0.0);
    for (used, weight) in daily.iter().zip(expected).rev().take(LOOKED_BACK) {
        more += counts * (used.min(most) - rate * weight);
        usual += counts * rate * weight;
        noise += counts * counts * variance * weight;
        counts *= FADES;
    }
    if usual <= 0.0 {
        return 0.0;
    }
    let clearly = CAMPAIGNS / (CAMPAIGNS + noise / (usual * usual));
    (GOES_ON * clearly * more / usual).clamp(BOUNDS.0, BOUNDS.1)
}

/// The surge of a day from that of the day before.
pub(super) fn fade(surge: f64) -> f64 {
    surge * FADES
}
