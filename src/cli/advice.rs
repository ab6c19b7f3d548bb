//! `ullage advice`: what to order, by when, and why.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context;
use serde::Deserialize;
use serde_json::{Value, json};

use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::outlook::Present;
use crate::domain::part::LeadTime;
use crate::domain::reorder::{Demand, Held, Proposal, SlotDemand, Terms, Usage, lead, needed, propose};
use crate::domain::rules::Practice;
use crate::domain::task::Task;
use crate::store::reach::WhenInUse;
use crate::usecase::advice::{Kept, advice};
use crate::usecase::view::AdviceLine;

/// Options of `ullage advice`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Print one JSON object
    #[arg(long)]
    json: bool,
    /// Work an order out from the figures in a file (JSON) instead of the store, and print JSON
    #[arg(long, value_name = "FILE")]
    figures: Option<PathBuf>,
}

/// Says what to order.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(args: Args, config: Config) -> anyhow::Result<ExitCode> {
    if let Some(file) = &args.figures {
        println!("{}", by_figures(&read(file)?, &config.rules.practice));
        return Ok(ExitCode::SUCCESS);
    }
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone.clone() };
    let found = advice(&open.store, &present, &config.rules.practice, &Kept::default())
        .await
        .map_err(anyhow::Error::from);
    let (lines, others) = open.close_after(found).await?;
    if args.json {
        let all: Vec<Value> = lines.iter().map(line_json).collect();
        let others: Vec<Value> = others.iter().map(task_json).collect();
        println!("{}", json!({ "advice": all, "without_part": others }));
    } else {
        tell(&lines, &others);
    }
    Ok(ExitCode::SUCCESS)
}

fn tell(lines: &[AdviceLine], others: &[Task]) {
    if lines.is_empty() && others.is_empty() {
        println!("Nothing is to be ordered, as far as the forecasts reach.");
    }
    for line in lines {
        println!("{}  {}", line.advice.order_by, line.advice.headline());
        println!("            {}", line.why);
        if let Some(otherwise) = &line.otherwise {
            println!("            {otherwise}");
        }
        if let Some((order, units)) = line.drafted {
            println!("            {units} on order {order}, which is a draft");
        }
    }
    for task in others {
        println!("{}  {}\n            {}", task.due, task.what, task.why);
    }
}

fn line_json(line: &AdviceLine) -> Value {
    let advice = &line.advice;
    let Proposal { units, up_to, usable, on_order, too_many, .. } = advice.proposal;
    json!({
        "part": advice.part.number,
        "label": advice.part.label(),
        "units": units,
        "order_by": advice.order_by,
        "up_to": up_to,
        "on_shelf": advice.on_shelf,
        "usable": usable,
        "on_order": on_order,
        "too_many": too_many,
        "lead_days": advice.lead.mean_days,
        "lead_spread_days": lead::spread_days(advice.lead),
        "deliveries": advice.deliveries,
        "supplier": advice.part.supplier,
        "price_minor": advice.part.price.map(|price| price.minor),
        "currency": advice.part.price.as_ref().map(|price| price.currency.code()),
        "machines": advice.machines,
        "slots": advice.slots,
        "without_early": advice.without.map(|(early, _)| early),
        "without_middle": advice.without.map(|(_, middle)| middle),
        "why": line.why,
        "otherwise": line.otherwise,
        "draft_order": line.drafted.map(|(order, _)| order.0),
        "draft_units": line.drafted.map(|(_, units)| units),
    })
}

fn task_json(task: &Task) -> Value {
    json!({ "order_by": task.due, "what": task.what, "why": task.why })
}

/// The figures of one part, as a file has them. What is left out is as the settings have it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Figures {
    /// What is left in each slot, what a fresh unit holds, and how it is used.
    #[serde(default)]
    slots: Vec<SlotFigures>,
    /// Days by which successors have to be ordered whatever the forecast says.
    #[serde(default)]
    fixed: Vec<u32>,
    #[serde(default)]
    lots: Vec<LotFigures>,
    #[serde(default)]
    on_order: u32,
    lead_days: Option<f64>,
    lead_spread_days: Option<f64>,
    /// Days that deliveries took, from which the lead time is learned.
    #[serde(default)]
    took_days: Vec<f64>,
    review_days: Option<u32>,
    service: Option<f64>,
    #[serde(default)]
    pack_size: u32,
    #[serde(default)]
    minimum_order: u32,
    good_days: Option<f64>,
    look_ahead_days: Option<u32>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SlotFigures {
    left: f64,
    holds: f64,
    per_day: f64,
    variance: f64,
    #[serde(default)]
    doubt: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct LotFigures {
    units: u32,
    good_days: Option<f64>,
}

fn read(file: &Path) -> anyhow::Result<Figures> {
    let name = file.display();
    let text =
        std::fs::read_to_string(file).with_context(|| format!("{name} cannot be read; check its name"))?;
    let figures: Figures =
        serde_json::from_str(&text).with_context(|| format!("{name} does not hold the figures of a part"))?;
    for (at, slot) in (1..).zip(&figures.slots) {
        let sound =
            [slot.left, slot.per_day, slot.variance, slot.doubt].iter().all(|n| (0.0..1e12).contains(n));
        anyhow::ensure!(
            sound && slot.holds > 0.0 && slot.holds < 1e12,
            "{name}, slot {at}: figures are not below zero, and a unit holds more than nothing"
        );
    }
    let days = figures.took_days.iter().chain(&figures.lead_days).chain(&figures.lead_spread_days);
    anyhow::ensure!(
        days.clone().all(|n| (0.0..=3650.0).contains(n)),
        "{name}: lead times are 0 to 3650 days"
    );
    let service = figures.service.is_none_or(|service| (0.0..1.0).contains(&service));
    anyhow::ensure!(service, "{name}: the service is a chance from 0 to below 1");
    Ok(figures)
}

/// What is needed, and what to order, by the figures of a file.
fn by_figures(figures: &Figures, practice: &Practice) -> Value {
    let slot = |slot: &SlotFigures| SlotDemand {
        left: slot.left,
        holds: slot.holds,
        usage: Usage { per_day: slot.per_day, variance: slot.variance, doubt: slot.doubt },
    };
    let demand = Demand { slots: figures.slots.iter().map(slot).collect(), fixed: figures.fixed.clone() };
    let lots = figures.lots.iter().map(|lot| (lot.units, lot.good_days)).collect();
    let prior = LeadTime {
        mean_days: figures.lead_days.unwrap_or(f64::from(practice.lead_days)),
        spread_days: figures.lead_spread_days,
    };
    let terms = Terms {
        lead: lead::learned(prior, &figures.took_days),
        review_days: figures.review_days.unwrap_or(practice.review_days),
        service: figures.service.unwrap_or(practice.service_level),
        pack_size: figures.pack_size.max(1),
        minimum_order: figures.minimum_order.max(1),
        good_days: figures.good_days,
        look_ahead_days: figures.look_ahead_days.unwrap_or(practice.look_ahead_days),
    };
    let likely = lead::likely_days(terms.lead);
    let counts = needed(&demand.slots, &likely, terms.review_days);
    let most = counts.enough(1.0 - 1e-9);
    let order = propose(&demand, &Held { lots, on_order: figures.on_order }, &terms);
    json!({
        "lead_days": terms.lead.mean_days,
        "lead_spread_days": lead::spread_days(terms.lead),
        "likely_days": likely,
        "chances": (0..=most).map(|n| counts.exactly(n)).collect::<Vec<f64>>(),
        "mean": counts.mean(),
        "up_to": counts.enough(terms.service),
        "order": order.map(|order| json!({
            "units": order.units,
            "order_in_days": order.order_in,
            "up_to": order.up_to,
            "usable": order.usable,
            "on_order": order.on_order,
            "too_many": order.too_many,
            "without_early_days": order.without.map(|(early, _)| early),
            "without_middle_days": order.without.map(|(_, middle)| middle),
        })),
    })
}
