//! One spare for each supply: when it is ordered, whether it comes in time, and how long it lies there.
//!
//! Once a day, as long as no spare is there or on order, a rule says whether to order one. It is late if the supply ends
//! before it comes. The advice is asked for a service of 95 %. Beside it stand two rules that a print room would keep, a
//! fixed level and fixed days of what was used in the last thirty, each tuned in hindsight on these very series: of all
//! levels, and of all days, the least that is not late more often than the advice was.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::ToSpan;
use jiff::civil::Date;
use statrs::distribution::{ContinuousCDF, Gamma};
use ullage::domain::calendar::Calendar;
use ullage::domain::horizon::{Pace, Past, pace};
use ullage::domain::reorder::{Demand, Held, SlotDemand, Terms, Usage, propose};

use crate::{Chance, HISTORY_DAYS, LEAD};

/// A supply's days: what is used on each.
pub(crate) struct Life {
    daily: Vec<f64>,
    holds: f64,
    /// What is known of its use on the morning of each day.
    paces: Vec<Option<Pace>>,
}

impl Life {
    /// The first day of it is `first`.
    pub(crate) fn new(daily: Vec<f64>, holds: f64, first: Date) -> Self {
        let calendar = Calendar::default();
        let on = |day: usize| {
            let from = day.saturating_sub(400);
            let first = first.checked_add(i64::try_from(from).ok()?.days()).ok()?;
            let daily = &daily[from..day];
            pace(&Past { daily, first, calendar: &calendar, capacity: Some(holds), borrowed: None })
        };
        let paces = (0..daily.len()).map(|day| if day < HISTORY_DAYS { None } else { on(day) }).collect();
        Self { daily, holds, paces }
    }

    fn mean_of_thirty(&self, day: usize) -> f64 {
        self.daily[day - 30..day].iter().sum::<f64>() / 30.0
    }
}

/// When a spare is ordered.
#[derive(Clone, Copy)]
enum Rule {
    /// The advice, at so much service.
    Advice(f64),
    /// At this share of what a unit holds.
    Level(f64),
    /// When what is left lasts for so many days of the last thirty.
    Days(f64),
}

impl Rule {
    fn orders(self, life: &Life, day: usize, left: f64) -> bool {
        match self {
            Self::Level(share) => left <= share * life.holds,
            Self::Days(days) => left <= days * life.mean_of_thirty(day),
            Self::Advice(service) => {
                let Some(pace) = &life.paces[day] else { return true };
                let slot = SlotDemand { left, holds: life.holds, usage: Usage::from(pace) };
                let demand = Demand { slots: vec![slot], fixed: Vec::new() };
                // Tomorrow is looked at: today is the last day on which an order would still be in time.
                let terms =
                    Terms { service, look_ahead_days: 1, review_days: 0, good_days: None, ..crate::terms(1) };
                propose(&demand, &Held::default(), &terms).is_some_and(|order| order.order_in == 0)
            }
        }
    }
}

#[derive(Default)]
struct Came {
    swaps: u32,
    late: u32,
    sat_days: f64,
}

impl Came {
    fn late_share(&self) -> f64 {
        f64::from(self.late) / f64::from(self.swaps.max(1))
    }

    /// Days for which a spare lies there, for each swap.
    fn sat(&self) -> f64 {
        self.sat_days / f64::from(self.swaps.max(1))
    }
}

fn live(rule: Rule, lives: &[Life]) -> Came {
    let mut came = Came::default();
    let Ok(lead) = Gamma::new((LEAD.mean_days / 2.5).powi(2), LEAD.mean_days / 2.5_f64.powi(2)) else {
        return came;
    };
    for (seed, life) in (1_u64..).zip(lives) {
        // The same lead times whatever the rule: that of the n-th spare of a supply hangs on both.
        let mut chance = Chance(seed * 7919);
        let mut left = life.holds * (0.3 + 0.7 * chance.even());
        let mut comes: Option<f64> = None;
        for day in HISTORY_DAYS..life.daily.len() {
            if comes.is_none() && rule.orders(life, day, left) {
                comes = Some(day as f64 + lead.inverse_cdf(chance.even()));
            }
            let used = life.daily[day];
            if left > used {
                left -= used;
                continue;
            }
            let ends = day as f64 + left / used.max(1e-9);
            // A supply that ends within the first days has had no time to be looked after.
            let Some(arrives) = comes.take() else { continue };
            came.swaps += 1;
            came.late += u32::from(arrives > ends);
            came.sat_days += (ends - arrives).max(0.0);
            left = life.holds - (used - left);
        }
    }
    came
}

/// Of a rule's settings, from the one that orders latest on: the first that is not late more often than `late`.
fn tuned(
    settings: impl Iterator<Item = f64>,
    rule: fn(f64) -> Rule,
    lives: &[Life],
    late: f64,
) -> (f64, Came) {
    let mut last = (0.0, Came::default());
    for setting in settings {
        last = (setting, live(rule(setting), lives));
        if last.1.late_share() <= late {
            break;
        }
    }
    last
}

/// Tells how the rules do on some supplies.
pub(crate) fn compare(lives: &[Life]) {
    println!("rule                          swaps   late  a spare lies there, days");
    let tell = |name: &str, came: &Came| {
        println!("{name:<29} {:>5} {:>4.1} % {:>9.1}", came.swaps, 100.0 * came.late_share(), came.sat());
    };
    for service in [0.90, 0.95, 0.98] {
        tell(&format!("the advice, {:.0} %", 100.0 * service), &live(Rule::Advice(service), lives));
    }
    let late = live(Rule::Advice(0.95), lives).late_share();
    let (level, came) = tuned((2..200).map(|n| f64::from(n) * 0.005), Rule::Level, lives, late);
    tell(&format!("at {:.1} %, tuned", 100.0 * level), &came);
    let (days, came) = tuned((8..400).map(|n| f64::from(n) * 0.5), Rule::Days, lives, late);
    tell(&format!("{days:.1} days of thirty, tuned"), &came);
    tell("at 20 %", &live(Rule::Level(0.2), lives));
}

/// Simulated series with known truth: the supplies in a directory's `series.csv`, with what `truth_daily.csv` says.
pub(crate) fn read(dir: &Path) -> Result<Vec<Life>, Box<dyn std::error::Error>> {
    let mut daily: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    let mut rows = csv::Reader::from_path(dir.join("truth_daily.csv"))?;
    let head = rows.headers()?.clone();
    let column = |head: &csv::StringRecord, name: &str| {
        head.iter().position(|known| known == name).ok_or(format!("no column {name}"))
    };
    let (series, ml) = (column(&head, "series")?, column(&head, "ml")?);
    for row in rows.records() {
        let row = row?;
        daily.entry(row[series].to_owned()).or_default().push(row[ml].parse()?);
    }
    let mut lives = Vec::new();
    let mut rows = csv::Reader::from_path(dir.join("series.csv"))?;
    let head = rows.headers()?.clone();
    let (series, holds, start) =
        (column(&head, "series")?, column(&head, "cap_ml")?, column(&head, "start_ts")?);
    for row in rows.records() {
        let row = row?;
        let first =
            jiff::Timestamp::from_second(row[start].parse()?)?.to_zoned(jiff::tz::TimeZone::UTC).date();
        let daily = daily.remove(&row[series]).unwrap_or_default();
        lives.push(Life::new(daily, row[holds].parse()?, first));
    }
    Ok(lives)
}
