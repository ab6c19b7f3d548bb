//! What a forecast costs: `cargo bench --bench horizon`.
//!
//! A year of made-up use is paced and forecast again and again; how right the forecasts are is measured by
//! `tests/outside/truth/horizons.py`. The peer is the plain parametric forecast in the same run: an exponentially
//! weighted mean and variance, and a gamma for each of the days ahead up to the one that is nine in ten.

use std::hint::black_box;
use std::time::Instant;

use jiff::civil::Date;
use statrs::function::gamma::checked_gamma_lr;
use ullage::domain::calendar::Calendar;
use ullage::domain::horizon::{Ahead, FURTHEST_DAYS, Past, end_days, pace};

const SUPPLIES: usize = 16_000;
const HISTORY_DAYS: usize = 365;
const FIRST: Date = Date::constant(2026, 1, 5);
const TODAY: Date = Date::constant(2027, 1, 5);

/// Jobs on two weekdays in three and head care every day, different for each supply.
fn life(supply: usize) -> Vec<f64> {
    let mut state = supply as u64 * 2 + 1;
    let mut chance = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / f64::from(1_u32 << 31)
    };
    let size = 5.0 + 15.0 * chance();
    (0..HISTORY_DAYS).map(|day| if day % 7 < 5 && chance() < 0.66 { size * chance() } else { 0.9 }).collect()
}

/// The peer: what the forecast was measured against before it was written.
fn peer(daily: &[f64], remaining: f64) -> [f64; 3] {
    const KEEPS: f64 = 0.985;
    let mut mean = daily[..28].iter().sum::<f64>() / 28.0;
    let mut variance = mean * mean;
    for used in daily {
        mean = KEEPS * mean + (1.0 - KEEPS) * used;
        variance = KEEPS * variance + (1.0 - KEEPS) * (used - mean) * (used - mean);
    }
    let chance = |day: usize| {
        let (mean, variance) = (mean * day as f64, variance * day as f64);
        1.0 - checked_gamma_lr(mean * mean / variance, remaining * mean / variance)
            .expect("a shape above zero")
    };
    let mut found = [FURTHEST_DAYS as f64; 3];
    let mut wanted = 0;
    for day in 1..=FURTHEST_DAYS {
        let chance = chance(day);
        while wanted < 3 && chance >= [0.1, 0.5, 0.9][wanted] {
            found[wanted] = day as f64;
            wanted += 1;
        }
        if wanted == 3 {
            break;
        }
    }
    found
}

fn main() {
    let lives: Vec<Vec<f64>> = (0..64).map(life).collect();
    let closed =
        ["2026-12-24..2027-01-02", "2027-08-02..2027-08-15"].map(|days| days.parse().expect("a range"));
    let calendar = Calendar::new(closed).expect("open on some weekday");
    for (name, calendar) in [("always open", Calendar::default()), ("two shut-downs", calendar)] {
        let ahead = Ahead::new(TODAY, 0.5, &calendar);
        let began = Instant::now();
        for supply in 0..SUPPLIES {
            let daily = &lives[supply % lives.len()];
            let past =
                Past { daily, first: FIRST, calendar: &calendar, capacity: Some(775.0), borrowed: None };
            let pace = pace(black_box(&past)).expect("a year is enough");
            black_box(end_days(&pace, 50.0 + (supply % 700) as f64, 7.75, &ahead));
        }
        let took = began.elapsed();
        let began = Instant::now();
        for supply in 0..SUPPLIES {
            black_box(peer(black_box(&lives[supply % lives.len()]), 50.0 + (supply % 700) as f64));
        }
        let peer_took = began.elapsed();
        let each = |took: std::time::Duration| took.as_secs_f64() * 1e6 / SUPPLIES as f64;
        println!(
            "{name}: {SUPPLIES} supplies in {:.3} s, {:.1} µs each; peer {:.1} µs each, ratio {:.2}",
            took.as_secs_f64(),
            each(took),
            each(peer_took),
            took.as_secs_f64() / peer_took.as_secs_f64()
        );
    }
}
