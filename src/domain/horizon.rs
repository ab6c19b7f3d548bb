//! Use per day to the spread of days on which a supply runs out, or a receptacle fills up.
//!
//! Use is taken as a gamma-distributed sum whose mean follows a weekday profile and a slowly drifting rate.
//! How fast old days are forgotten is set by the series' own lumpiness: a bursty machine needs a longer
//! memory to tell a trend from a run of jobs. The run-out day is the first passage of that sum through what
//! remains. The form is the parametric lead-time demand of Syntetos, Babai and Gardner (2015) with a
//! local-level rate; its constants were set by measurement on simulated series.

use statrs::function::gamma::checked_gamma_lr;

/// The furthest day that is looked at.
pub const FURTHEST_DAYS: usize = 900;
/// Fewer finished days of use than this give no date.
pub const LEAST_DAYS: usize = 10;

/// Variance of the rate's relative drift per day.
const DRIFT: f64 = 3e-4;
/// The days after which drift stops adding up as fast.
const DRIFT_SATURATION_DAYS: f64 = 200.0;
/// Half-life of the memory for the weekday profile and the variance, days.
const HALF_LIFE_DAYS: f64 = 120.0;
/// Variance is taken over blocks of this many days, so that it sees bursts and not weekdays.
const BLOCK_DAYS: usize = 7;
/// The gain of the rate is kept between these.
const GAIN: (f64, f64) = (1.0 / 300.0, 1.0 / 21.0);
/// Model variance is widened by this factor.
const WIDENING: f64 = 1.2;
/// Pseudo-days that pull a weekday's weight towards the prior below.
const PRIOR_DAYS: f64 = 14.0;
/// How a week's days weigh before anything is known, Monday first (common practice, no source).
const PRIOR_WEEK: [f64; 7] = [1.0, 1.0, 1.0, 1.0, 1.0, 0.25, 0.15];
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
}

/// The pace of a series of daily use, oldest first, whose first day falls on `first_weekday` (Monday 0).
///
/// `None` for a series shorter than [`LEAST_DAYS`].
#[must_use]
pub fn pace(daily: &[f64], first_weekday: usize) -> Option<Pace> {
    if daily.len() < LEAST_DAYS {
        return None;
    }
    let week = weekday_profile(daily, first_weekday);
    let expected: Vec<f64> = (0..daily.len()).map(|n| week[(first_weekday + n) % 7]).collect();
    let mut gain = 1.0 / 45.0;
    let (mut variance, mut lumpiness) = (0.0, 0.0);
    for _ in 0..2 {
        let rate = discounted_rate(daily, &expected, gain);
        variance = block_variance(daily, &expected, rate);
        lumpiness = variance / (rate * rate);
        gain = (DRIFT / lumpiness).sqrt().clamp(GAIN.0, GAIN.1);
    }
    let rate = discounted_rate(daily, &expected, gain);
    let (mut sum, mut sum_of_squares, mut age_sum) = (0.0, 0.0, 0.0);
    for age in 0..daily.len() {
        let weight = (1.0 - gain).powi(i32::try_from(age).unwrap_or(i32::MAX));
        sum += weight;
        sum_of_squares += weight * weight;
        age_sum += weight * age as f64;
    }
    let effective_days = sum * sum / sum_of_squares;
    let lag = age_sum / sum;
    Some(Pace { rate, variance, doubt: lumpiness / effective_days + DRIFT * lag / 2.0, week })
}

/// Exponentially forgetting mean of use, with the weekday profile divided out.
fn discounted_rate(daily: &[f64], expected: &[f64], gain: f64) -> f64 {
    let (mut used, mut weight_sum) = (0.0, 0.0);
    let mut weight = 1.0;
    for (used_today, expected_today) in daily.iter().zip(expected).rev() {
        used += weight * used_today;
        weight_sum += weight * expected_today;
        weight *= 1.0 - gain;
    }
    (used / weight_sum.max(1e-9)).max(LEAST_RATE)
}

/// Exponentially weighted weekday weights, drawn towards the prior; their mean is 1.
fn weekday_profile(daily: &[f64], first_weekday: usize) -> [f64; 7] {
    let decay = 0.5_f64.powf(1.0 / HALF_LIFE_DAYS);
    let (mut used, mut weights) = ([0.0; 7], [0.0; 7]);
    let mut weight = 1.0;
    for (n, used_today) in daily.iter().enumerate().rev() {
        let weekday = (first_weekday + n) % 7;
        used[weekday] += weight * used_today;
        weights[weekday] += weight;
        weight *= decay;
    }
    let mean = (used.iter().sum::<f64>() / weights.iter().sum::<f64>()).max(1e-9);
    let prior_mean = PRIOR_WEEK.iter().sum::<f64>() / 7.0;
    let prior = PRIOR_DAYS / 7.0 * 2.0;
    let mut profile = [0.0; 7];
    for weekday in 0..7 {
        let pull = prior * PRIOR_WEEK[weekday] / prior_mean;
        profile[weekday] = (used[weekday] / mean + pull) / (weights[weekday] + prior);
    }
    let profile_mean = profile.iter().sum::<f64>() / 7.0;
    profile.map(|weight| weight / profile_mean)
}

/// Variance per day around the expected use, over overlapping blocks of a week, exponentially weighted.
fn block_variance(daily: &[f64], expected: &[f64], rate: f64) -> f64 {
    let excess: Vec<f64> =
        daily.iter().zip(expected).map(|(used, expected)| used - rate * expected).collect();
    let decay = 0.5_f64.powf(1.0 / HALF_LIFE_DAYS);
    let (mut squares, mut weights, mut weight) = (0.0, 0.0, 1.0);
    for block in excess.windows(BLOCK_DAYS).rev() {
        let sum: f64 = block.iter().sum();
        squares += weight * sum * sum;
        weights += weight;
        weight *= decay;
    }
    let blocks = (weights / BLOCK_DAYS as f64).max(1.0);
    (squares / weights / BLOCK_DAYS as f64 * (1.0 + 1.0 / blocks)).max(1e-6)
}

/// When a supply with `remaining` left ends, at one chance in ten, even odds and nine in ten: days from the
/// midnight that began today, capped at [`FURTHEST_DAYS`].
///
/// `step` is the smallest difference the device can express, `weekday` today's (Monday 0), and
/// `share_of_today` the part of today's use that still lies ahead.
#[must_use]
pub fn end_days(pace: &Pace, remaining: f64, step: f64, weekday: usize, share_of_today: f64) -> [f64; 3] {
    let mut ahead = Vec::with_capacity(FURTHEST_DAYS);
    let mut weight = 0.0;
    for day in 0..FURTHEST_DAYS {
        weight += pace.week[(weekday + day) % 7] * if day == 0 { share_of_today } else { 1.0 };
        ahead.push(weight);
    }
    let ended_by =
        |day: usize| if day == 0 { 0.0 } else { chance_ended(pace, remaining, step, day, ahead[day - 1]) };
    [0.1, 0.5, 0.9].map(|chance| {
        let (mut below, mut reached) = (0, FURTHEST_DAYS);
        if ended_by(FURTHEST_DAYS) < chance {
            return FURTHEST_DAYS as f64;
        }
        while reached - below > 1 {
            let middle = below.midpoint(reached);
            if ended_by(middle) < chance { below = middle } else { reached = middle }
        }
        let (before, after) = (ended_by(below), ended_by(reached));
        below as f64 + (chance - before) / (after - before).max(1e-12)
    })
}

/// The chance that use by the end of day `day`, whose weekday weights add up to `weight`, reaches `remaining`.
fn chance_ended(pace: &Pace, remaining: f64, step: f64, day: usize, weight: f64) -> f64 {
    let mean = pace.rate * weight;
    let drift_days = day as f64 / (1.0 + day as f64 / DRIFT_SATURATION_DAYS);
    let spread = pace.variance * weight + (pace.doubt + DRIFT * drift_days / 3.0) * mean * mean;
    let variance = (WIDENING * spread + step * step / 6.0).max(1e-9);
    let shape = (mean * mean / variance).max(1e-6);
    let scale = variance / mean.max(1e-9);
    checked_gamma_lr(shape, (remaining / scale).max(1e-12)).map_or(0.0, |below| 1.0 - below)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[derive(serde::Deserialize)]
    struct Reference {
        cases: Vec<Case>,
    }

    #[derive(serde::Deserialize)]
    struct Case {
        origin_day: usize,
        first_weekday: usize,
        daily_ml: Vec<f64>,
        remaining_ml: f64,
        step_ml: f64,
        rate: f64,
        var_per_day: f64,
        p0: f64,
        profile: [f64; 7],
        p10: f64,
        p50: f64,
        p90: f64,
    }

    /// The same method written independently in Python on numpy 2.4.6 and scipy 1.17.1 (`gammainc`); its
    /// inputs and outputs are kept as a fixture.
    #[test]
    fn agrees_with_the_reference_in_numpy_and_scipy() {
        let text = include_str!("../../tests/fixtures/horizon_reference.json");
        let reference: Reference = serde_json::from_str(text).unwrap();
        let near = |ours: f64, theirs: f64| (ours - theirs).abs() <= 1e-6 * theirs.abs().max(1.0);
        for case in &reference.cases {
            let pace = pace(&case.daily_ml, case.first_weekday).unwrap();
            assert!(near(pace.rate, case.rate), "rate {} {}", pace.rate, case.rate);
            assert!(near(pace.variance, case.var_per_day), "variance {} {}", pace.variance, case.var_per_day);
            assert!(near(pace.doubt, case.p0), "doubt {} {}", pace.doubt, case.p0);
            assert!(pace.week.iter().zip(&case.profile).all(|(ours, theirs)| near(*ours, *theirs)));
            let weekday = (case.first_weekday + case.daily_ml.len()) % 7;
            let days = end_days(&pace, case.remaining_ml, case.step_ml, weekday, 1.0);
            for (ours, theirs) in days.iter().zip([case.p10, case.p50, case.p90]) {
                assert!(near(*ours, theirs), "day {}: {ours} {theirs}", case.origin_day);
            }
        }
        assert!(reference.cases.len() >= 10);
    }

    #[test]
    fn a_short_history_gives_no_pace() {
        assert_eq!(pace(&[5.0; LEAST_DAYS - 1], 0), None);
    }

    #[test]
    fn a_supply_that_is_not_used_ends_on_no_day() {
        let pace = pace(&[0.0; 60], 0).unwrap();
        assert_eq!(end_days(&pace, 500.0, 0.1, 0, 1.0), [FURTHEST_DAYS as f64; 3]);
    }

    proptest! {
        #[test]
        fn early_comes_before_middle_before_late(
            daily in proptest::collection::vec(0.0..60.0f64, 10..120),
            remaining in 0.0..1000.0f64,
            weekday in 0..7usize,
            share in 0.0..1.0f64,
        ) {
            let pace = pace(&daily, 2).unwrap();
            let [early, middle, late] = end_days(&pace, remaining, 0.1, weekday, share);
            prop_assert!(0.0 <= early && early <= middle && middle <= late && late <= FURTHEST_DAYS as f64);
        }
    }
}
