//! How the days of a week weigh.

use super::is_shut;
use crate::domain::calendar::Calendar;

/// Half-life of the memory, days.
const HALF_LIFE_DAYS: f64 = 120.0;
/// Pseudo-days that pull a weekday's weight towards the prior below.
const PRIOR_DAYS: f64 = 14.0;
/// How a week's days weigh before anything is known, Monday first (common practice, no source).
const PRIOR_WEEK: [f64; 7] = [1.0, 1.0, 1.0, 1.0, 1.0, 0.25, 0.15];

/// Exponentially weighted weights of the weekdays, Monday first, drawn towards the prior; their mean is 1.
///
/// Shut days say nothing about a week, and a weekday on which nobody works is expected to weigh little.
pub(super) fn profile(daily: &[f64], first_weekday: usize, shut: &[bool], calendar: &Calendar) -> [f64; 7] {
    let decay = 0.5_f64.powf(1.0 / HALF_LIFE_DAYS);
    let (mut used, mut weights) = ([0.0; 7], [0.0; 7]);
    let mut weight = 1.0;
    for (n, used_today) in daily.iter().enumerate().rev() {
        if !is_shut(shut, n) {
            let weekday = (first_weekday + n) % 7;
            used[weekday] += weight * used_today;
            weights[weekday] += weight;
        }
        weight *= decay;
    }
    let mean = (used.iter().sum::<f64>() / weights.iter().sum::<f64>().max(1e-9)).max(1e-9);
    let mut expected = PRIOR_WEEK;
    for (weekday, expected) in expected.iter_mut().enumerate() {
        if calendar.is_closed_weekday(weekday) {
            *expected = expected.min(PRIOR_WEEK[6]);
        }
    }
    let expected_mean = expected.iter().sum::<f64>() / 7.0;
    let prior = PRIOR_DAYS / 7.0 * 2.0;
    let mut profile = [0.0; 7];
    for weekday in 0..7 {
        let pull = prior * expected[weekday] / expected_mean;
        profile[weekday] = (used[weekday] / mean + pull) / (weights[weekday] + prior);
    }
    let profile_mean = profile.iter().sum::<f64>() / 7.0;
    profile.map(|weight| weight / profile_mean)
}
