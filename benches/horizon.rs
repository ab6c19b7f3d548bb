//! What a forecast costs: `cargo bench --bench horizon`.
//!
//! A year of made-up use is paced and forecast again and again; how right the forecasts are is measured by
//! `tests/outside/truth/horizons.py`.

use std::hint::black_box;
use std::time::Instant;

use jiff::civil::Date;
use ullage::domain::calendar::Calendar;
use ullage::domain::horizon::{Ahead, Past, end_days, pace};

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
        let each = took.as_secs_f64() * 1e6 / SUPPLIES as f64;
        println!("{name}: {SUPPLIES} supplies in {:.3} s, {each:.1} µs each", took.as_secs_f64());
    }
}
