//! What orders by the advice come to, beside simple rules, on simulated machines; and how fast the advice is.
//!
//! `cargo bench --bench fleet`, or `ULLAGE_SERIES=DIR cargo bench --bench fleet` to have spares judged on simulated series
//! with known truth besides (`series.csv` and `truth_daily.csv`, as `tests/outside/truth` reads them). Nothing is tuned to
//! a seed.
//!
//! The fleet: twelve invented machines with five colours, of which one is seldom used, share a shelf for three years
//! after four months of history; use comes in bursts, lead times vary, units pass their date. The same seeded days are
//! lived through under each rule. `one for one` orders a unit for every unit that is opened, from a shelf that starts
//! with so many of each; `at 20 %` orders one whenever a machine falls below a fifth.
//!
//! Spares: each supply by itself keeps one spare at most, looked after once a day (`spares`).

#[path = "fleet/spares.rs"]
mod spares;

use std::time::Instant;

use jiff::civil::Date;
use ullage::domain::calendar::Calendar;
use ullage::domain::horizon::{Past, pace};
use ullage::domain::ids::PartId;
use ullage::domain::part::LeadTime;
use ullage::domain::reorder::{Demand, Held, Memo, SlotDemand, Terms, Usage, propose};

/// The weekday of a day of the simulation is its number past whole weeks; the first is a Monday.
const MONDAY: Date = Date::constant(2026, 1, 5);
const MACHINES: usize = 12;
const COLOURS: usize = 5;
const HISTORY_DAYS: usize = 120;
const DAYS: usize = 1095;
const HOLDS: f64 = 775.0;
const GOOD_DAYS: usize = 730;
const PRICE: f64 = 189.0;
const LEAD: LeadTime = LeadTime { mean_days: 7.0, spread_days: Some(2.5) };

/// Numbers that are the same every time (SplitMix64, Steele, Lea and Flood 2014).
struct Chance(u64);

impl Chance {
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.even()).ln()).sqrt() * (std::f64::consts::TAU * self.even()).cos()
    }
}

/// Use of every slot on every day.
fn lives(chance: &mut Chance) -> Vec<Vec<f64>> {
    let slot = |chance: &mut Chance, seldom: bool| {
        let rate = 3.0 * (chance.even() * 2.3).exp() * if seldom { 0.03 } else { 1.0 };
        let care = if seldom { 0.05 } else { 0.5 };
        let (mut level, mut burst) = (1.0, false);
        let day = |n: usize| {
            level *= (0.008 * chance.normal()).exp();
            burst = if burst { chance.even() > 0.25 } else { chance.even() < 0.05 };
            let week = if n % 7 >= 5 { 0.1 } else { 1.35 };
            let jobs = if chance.even() < 0.7 { (0.8 * chance.normal()).exp() } else { 0.0 };
            care + rate * level * week * jobs * if burst { 2.5 } else { 0.8 }
        };
        (0..HISTORY_DAYS + DAYS).map(day).collect()
    };
    (0..MACHINES * COLOURS).map(|at| slot(chance, at % COLOURS == COLOURS - 1)).collect()
}

#[derive(Clone, Copy)]
enum Rule {
    Advice,
    OneForOne(u32),
    AtAFifth,
}

#[derive(Default)]
struct Came {
    swaps: u32,
    waited: u32,
    machine_days: u32,
    shelf_days: u64,
    expired: u32,
    ordered: u32,
    orders: u32,
}

/// Lives through the days of one colour under a rule.
fn live(rule: Rule, lives: &[&Vec<f64>], seed: u64) -> Came {
    let mut chance = Chance(seed);
    let mut left: Vec<f64> = lives.iter().map(|_| 200.0 + 500.0 * chance.even()).collect();
    let mut waits = vec![false; lives.len()];
    let mut told = vec![false; lives.len()];
    // The days on which units pass their date, oldest first, and the days on which units arrive.
    let start = if let Rule::OneForOne(units) = rule { units } else { 1 };
    let mut shelf: Vec<usize> = vec![HISTORY_DAYS + GOOD_DAYS; start as usize];
    let mut coming: Vec<usize> = Vec::new();
    let mut usage: Vec<Option<Usage>> = vec![None; lives.len()];
    let mut came = Came::default();
    for day in HISTORY_DAYS..HISTORY_DAYS + DAYS {
        shelf.extend(coming.extract_if(.., |arrives| *arrives <= day).map(|arrives| arrives + GOOD_DAYS));
        shelf.sort_unstable();
        let before = shelf.len();
        shelf.retain(|until| *until >= day);
        came.expired += (before - shelf.len()) as u32;
        let mut order = 0;
        for (slot, life) in lives.iter().enumerate() {
            if waits[slot] && !shelf.is_empty() {
                shelf.remove(0);
                (left[slot], waits[slot], told[slot]) = (HOLDS, false, false);
                order += u32::from(matches!(rule, Rule::OneForOne(_)));
            }
            if !waits[slot] {
                left[slot] -= life[day];
            }
            if left[slot] <= 0.0 && !waits[slot] {
                came.swaps += 1;
                if shelf.is_empty() {
                    (waits[slot], left[slot]) = (true, 0.0);
                    came.waited += 1;
                } else {
                    shelf.remove(0);
                    (left[slot], told[slot]) = (HOLDS, false);
                    order += u32::from(matches!(rule, Rule::OneForOne(_)));
                }
            }
            if matches!(rule, Rule::AtAFifth) && left[slot] < HOLDS / 5.0 && !told[slot] {
                told[slot] = true;
                order += 1;
            }
            came.machine_days += u32::from(waits[slot]);
        }
        if matches!(rule, Rule::Advice) {
            order = advised(&mut usage, lives, &left, (day, shelf.as_slice(), coming.len()));
        }
        if order > 0 {
            came.orders += 1;
            came.ordered += order;
            let takes = (LEAD.mean_days + 2.5 * chance.normal()).max(1.0).round() as usize;
            coming.extend(std::iter::repeat_n(day + takes, order as usize));
        }
        came.shelf_days += shelf.len() as u64;
    }
    came
}

/// What is ordered today by the advice.
fn advised(
    usage: &mut [Option<Usage>],
    lives: &[&Vec<f64>],
    left: &[f64],
    (day, shelf, coming): (usize, &[usize], usize),
) -> u32 {
    for (usage, life) in usage.iter_mut().zip(lives) {
        if usage.is_none() || day % 7 == 0 {
            let past = Past {
                daily: &life[day.saturating_sub(400)..=day],
                first: MONDAY,
                calendar: &Calendar::default(),
                capacity: Some(HOLDS),
                borrowed: None,
            };
            *usage = pace(&past).as_ref().map(Usage::from);
        }
    }
    let slot = |(usage, left): (&Option<Usage>, &f64)| {
        usage.map(|usage| SlotDemand { left: *left, holds: HOLDS, usage })
    };
    let demand = Demand { slots: usage.iter().zip(left).filter_map(slot).collect(), fixed: Vec::new() };
    let lots = shelf.iter().map(|until| (1, Some((until - day) as f64))).collect();
    let held = Held { lots, on_order: coming as u32 };
    propose(&demand, &held, &terms(0)).map_or(0, |order| order.units)
}

fn terms(look_ahead_days: u32) -> Terms {
    Terms {
        lead: LEAD,
        review_days: 7,
        service: 0.95,
        pack_size: 1,
        minimum_order: 1,
        good_days: Some(GOOD_DAYS as f64),
        look_ahead_days,
    }
}

fn main() {
    let lives = lives(&mut Chance(20_261_125));
    println!("{MACHINES} machines, {COLOURS} colours (one of them seldom used), {DAYS} days");
    println!(
        "rule               swaps  waited  machine days without  on the shelf  expired  orders  ordered, cost"
    );
    for (name, rule) in [
        ("the advice, 95 %", Rule::Advice),
        ("one for one, 1", Rule::OneForOne(1)),
        ("one for one, 2", Rule::OneForOne(2)),
        ("one for one, 3", Rule::OneForOne(3)),
        ("one for one, 4", Rule::OneForOne(4)),
        ("at 20 %", Rule::AtAFifth),
    ] {
        let mut all = Came::default();
        for colour in 0..COLOURS {
            let slots: Vec<&Vec<f64>> = lives.iter().skip(colour).step_by(COLOURS).collect();
            let came = live(rule, &slots, 7 + colour as u64);
            all.swaps += came.swaps;
            all.waited += came.waited;
            all.machine_days += came.machine_days;
            all.shelf_days += came.shelf_days;
            all.expired += came.expired;
            all.ordered += came.ordered;
            all.orders += came.orders;
        }
        println!(
            "{name:<18} {:>5} {:>5.1} % {:>21} {:>13.1} {:>8} {:>7} {:>7}, {:.0}",
            all.swaps,
            100.0 * f64::from(all.waited) / f64::from(all.swaps.max(1)),
            all.machine_days,
            all.shelf_days as f64 / DAYS as f64,
            all.expired,
            all.orders,
            all.ordered,
            f64::from(all.ordered) * PRICE,
        );
    }
    println!("\nspares of the fleet's colours that are much used");
    let busy = (0..lives.len()).filter(|at| at % COLOURS != COLOURS - 1);
    spares::compare(&busy.map(|at| spares::Life::new(lives[at].clone(), HOLDS, MONDAY)).collect::<Vec<_>>());
    if let Some(dir) = std::env::var_os("ULLAGE_SERIES") {
        println!("\nspares of the series in {}", dir.display());
        match spares::read(dir.as_ref()) {
            Ok(series) => spares::compare(&series),
            Err(fault) => println!("they cannot be read: {fault}"),
        }
    }
    speed();
}

/// How long it takes to advise a thousand machines with sixteen supplies each, and one of their parts anew.
fn speed() {
    let mut chance = Chance(1);
    let mut part = || -> Demand {
        let slot = |chance: &mut Chance| {
            let per_day = 3.0 * (chance.even() * 2.3).exp();
            let usage = Usage { per_day, variance: 12.0 * per_day, doubt: 0.02 };
            SlotDemand { left: HOLDS * chance.even(), holds: HOLDS, usage }
        };
        Demand { slots: (0..1000).map(|_| slot(&mut chance)).collect(), fixed: Vec::new() }
    };
    let mut parts: Vec<Demand> = (0..16).map(|_| part()).collect();
    let held = Held { lots: vec![(150, Some(400.0))], on_order: 60 };
    let mut memo = Memo::default();
    let mut look = |parts: &[Demand]| {
        let begun = Instant::now();
        let due = (0..)
            .zip(parts)
            .filter(|(id, demand)| memo.propose(PartId(*id), demand, held.clone(), &terms(14)).is_some());
        (due.count(), begun.elapsed().as_secs_f64() * 1e3)
    };
    let (due, all) = look(&parts);
    parts[3].slots[500].left *= 0.99;
    let ((_, one), (_, none)) = (look(&parts), look(&parts));
    println!(
        "\n16,000 supplies in 16 parts, {due} of them due: {all:.1} ms for all, {one:.1} ms after a new reading, {none:.2} ms where nothing is new"
    );
}
