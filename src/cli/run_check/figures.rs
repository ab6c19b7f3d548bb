//! A check by the figures of a file, without a store.

use std::collections::BTreeMap;
use std::path::Path;

use anyhow::{Context, bail, ensure};
use serde::Deserialize;
use serde_json::Value;

use super::json;
use crate::domain::part::same_words;
use crate::domain::plumbing::Position;
use crate::domain::reading::Role;
use crate::domain::rules::Practice;
use crate::domain::run::before::Before;
use crate::domain::run::check::{Check, HeadAt, Inside, Tank};
use crate::domain::run::learn::{Basis, Rate, Source, Spell};
use crate::domain::run::odds::{Left, Rounding};
use crate::domain::run::plan::{Metres, RunPlan};
use crate::domain::units::Measure;

/// No amount of a supply is larger.
const MOST: f64 = 1e9;

/// The figures of one machine and what it is to print.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Figures {
    /// A line a run, as on the command line.
    runs: Vec<String>,
    /// The width of the media in metres, for runs that do not say theirs.
    media_width_m: Option<f64>,
    /// The chance that is asked for.
    service: Option<f64>,
    supplies: Vec<SupplyFigures>,
    #[serde(default)]
    heads: Vec<HeadFigures>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SupplyFigures {
    label: String,
    /// A receptacle, of which `left` is the room.
    #[serde(default)]
    receptacle: bool,
    /// An amount in millilitres, or `some_left`, `unknown` or `unlimited`.
    left: LeftFigure,
    #[serde(default)]
    step: f64,
    /// `exact`, `floor`, `nearest`, `ceil` or `unknown`.
    rounding: Option<String>,
    capacity: Option<f64>,
    /// What a fresh unit holds; as the capacity if it is left out.
    fresh: Option<f64>,
    ml_per_m2: Option<f64>,
    #[serde(default)]
    cv: f64,
    #[serde(default)]
    doubt: f64,
    /// Days with what was printed and what went, from which the rate is learned if none is given.
    #[serde(default)]
    past: Vec<PastFigures>,
}

#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum LeftFigure {
    Amount(f64),
    Word(String),
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PastFigures {
    days: u32,
    area_m2: f64,
    used_ml: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct HeadFigures {
    position: i32,
    ml: f64,
    limit_ml: f64,
    /// The supplies that run through it, by their labels, with their shares.
    shares: BTreeMap<String, f64>,
}

/// What is said of the figures of a file.
pub(super) fn by_figures(file: &Path, practice: &Practice) -> anyhow::Result<Value> {
    let name = file.display();
    let text =
        std::fs::read_to_string(file).with_context(|| format!("{name} cannot be read; check its name"))?;
    let figures: Figures =
        serde_json::from_str(&text).with_context(|| format!("{name} does not hold the figures of a run"))?;
    let plan = figures.runs.iter().map(|run| run.parse()).collect::<Result<_, _>>();
    let plan = plan.and_then(RunPlan::new).with_context(|| format!("{name} holds no runs"))?;
    let tanks = figures
        .supplies
        .iter()
        .map(|of| tank(of, figures.supplies.len()).with_context(|| format!("{name}, supply '{}'", of.label)));
    let tanks: Vec<Tank> = tanks.collect::<anyhow::Result<_>>()?;
    let heads = figures
        .heads
        .iter()
        .map(|of| head(of, &tanks).with_context(|| format!("{name}, head {}", of.position)));
    let heads: Vec<HeadAt> = heads.collect::<anyhow::Result<_>>()?;
    let media = match figures.media_width_m {
        None => None,
        Some(width) => {
            Some(Metres::width(width).with_context(|| format!("{name}: media are up to 20 m wide"))?)
        }
    };
    let enough = figures.service.unwrap_or(practice.service_level);
    ensure!((0.0..1.0).contains(&enough), "{name}: the service is a chance from 0 to below 1");
    let check = Check::new(tanks, &heads, &plan, enough);
    let before = Before::new(&check, enough);
    Ok(json::check(&check, &before, &plan, media))
}

fn tank(of: &SupplyFigures, inks: usize) -> anyhow::Result<Tank> {
    let amounts = [Some(of.step), of.capacity, of.fresh, of.ml_per_m2, Some(of.cv), Some(of.doubt)];
    let sound = amounts.into_iter().flatten().all(|n| (0.0..MOST).contains(&n));
    let past = of.past.iter().all(|day| [day.area_m2, day.used_ml].iter().all(|n| (0.0..MOST).contains(n)));
    ensure!(sound && past, "figures are not below zero, and below a thousand million");
    let rounding = of.rounding.as_deref().unwrap_or("unknown");
    let rounding = Rounding::from_word(rounding).with_context(|| {
        format!("'{rounding}' is no rounding: write exact, floor, nearest, ceil or unknown")
    })?;
    let inside = match &of.left {
        LeftFigure::Amount(left) if (0.0..MOST).contains(left) => {
            Inside::Told(Left::told(*left, of.step, rounding, of.capacity))
        }
        LeftFigure::Word(word) if word == "unlimited" => Inside::Unlimited,
        LeftFigure::Word(word) if word == "unknown" => Inside::Untold("its level is not told".to_owned()),
        LeftFigure::Word(word) if word == "some_left" => match of.capacity {
            Some(capacity) => Inside::SomeLeft(Left::some_of(capacity)),
            None => Inside::Untold("some is left of it, and what it holds is not told".to_owned()),
        },
        _ => bail!("what is left is an amount, some_left, unknown or unlimited"),
    };
    let spells: Vec<Spell> =
        of.past.iter().map(|day| Spell { days: day.days, area: day.area_m2, used: day.used_ml }).collect();
    let usual = match of.ml_per_m2 {
        Some(mean) => Rate { mean, cv: of.cv, doubt: of.doubt, basis: Basis::Given },
        None => Rate::learned(&spells, of.step, Source::Counted).unwrap_or_else(|| Rate::assumed_ink(inks)),
    };
    Ok(Tank {
        label: of.label.clone(),
        role: if of.receptacle { Role::Filled } else { Role::Consumed },
        measure: Measure::Millilitres,
        inside,
        usual: Ok(usual),
        fresh: of.fresh.or(of.capacity),
    })
}

fn head(of: &HeadFigures, tanks: &[Tank]) -> anyhow::Result<HeadAt> {
    let position = Position::new(of.position).context("a head's place is 1 to 64")?;
    ensure!([of.ml, of.limit_ml].iter().all(|n| (0.0..MOST).contains(n)), "figures are not below zero");
    let share = |(label, share): (&String, &f64)| {
        let at = tanks.iter().position(|tank| same_words(&tank.label, label));
        ensure!((0.0..=1.0).contains(share), "the share of {label} is 0 to 1");
        Ok((at.with_context(|| format!("there is no supply '{label}'"))?, *share))
    };
    let shares = of.shares.iter().map(share).collect::<anyhow::Result<_>>()?;
    Ok(HeadAt { position, ml: of.ml, limit_ml: of.limit_ml, shares })
}
