//! `ullage slots`: what is believed of machines' supplies and why, and what a person can say of them.

use std::process::ExitCode;

use jiff::Timestamp;
use serde_json::json;

use super::shelf::By;
use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::fitted::Origin;
use crate::domain::ids::{DeviceId, LotId};
use crate::domain::install::Answer;
use crate::domain::outlook::Present;
use crate::domain::polarity::PinScope;
use crate::domain::reading::{Polarity, Role};
use crate::store::Store;
use crate::store::reach::WhenInUse;
use crate::usecase::questions::{SlotUnits, UnitsView, units};
use crate::usecase::slots::{CameFrom, Refusal, Telling, tell};

/// What to do about supplies.
#[derive(Debug, clap::Subcommand)]
pub enum SlotsCommand {
    /// Show which way each supply is counted and why, and what its units hold
    List {
        /// Only this machine
        machine: Option<String>,
    },
    /// Show the units that went in and came out, and what is asked about them
    Units {
        /// The machine's name
        machine: String,
        /// Print one JSON object
        #[arg(long)]
        json: bool,
    },
    /// Say whether a receptacle's device counts the room that is left or the fill
    Pin {
        /// The machine's name
        machine: String,
        /// What it counts; drift lets the levels tell again
        #[arg(value_parser = ["remaining", "filled", "drift"])]
        counts: String,
        /// Only this supply, by its number in the machine
        #[arg(long, value_name = "N", conflicts_with = "model")]
        slot: Option<i32>,
        /// Every machine of its model
        #[arg(long)]
        model: bool,
        /// Who says so
        #[command(flatten)]
        by: By,
    },
    /// Say which part goes into a supply, and what its first unit held
    Part {
        /// The machine's name
        machine: String,
        /// The supply's number in the machine
        slot: i32,
        /// The part's number; leave it out to let the catalogue tell
        part: Option<String>,
        /// What the unit held that was in when watching began, in ml: a starter holds less
        #[arg(long, value_name = "ML", value_parser = ml)]
        first: Option<f64>,
        /// Who says so
        #[command(flatten)]
        by: By,
    },
    /// Say whether a fall was a swap or a job
    Answer {
        /// The machine's name
        machine: String,
        /// The supply's number in the machine
        slot: i32,
        /// The question's moment, as `ullage slots units` shows it
        at: Timestamp,
        /// What it was; ask takes an answer back
        #[arg(value_parser = ["swap", "job", "ask"])]
        was: String,
        /// Who says so
        #[command(flatten)]
        by: By,
    },
    /// Say which lot a unit came from: it is booked as issued
    From {
        /// The machine's name
        machine: String,
        /// The supply's number in the machine
        slot: i32,
        /// When the unit went in, as `ullage slots units` shows it
        at: Timestamp,
        /// The lot's number; elsewhere: not from the shelf; ask takes it back
        #[arg(value_name = "LOT|elsewhere|ask", value_parser = origin)]
        origin: CameFrom,
        /// Who says so
        #[command(flatten)]
        by: By,
    },
}

fn ml(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(ml) if ml > 0.0 && ml < 1e6 => Ok(ml),
        _ => Err("write millilitres above zero, such as 225".to_owned()),
    }
}

fn origin(text: &str) -> Result<CameFrom, String> {
    match (text, text.parse::<i64>()) {
        ("elsewhere", _) => Ok(CameFrom::Elsewhere),
        ("ask", _) => Ok(CameFrom::Untold),
        (_, Ok(lot)) if lot > 0 => Ok(CameFrom::Lot(LotId(lot))),
        _ => Err("write the number of a lot, elsewhere, or ask".to_owned()),
    }
}

/// Runs one of the commands; they work beside a running service.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(command: SlotsCommand, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone.clone() };
    let result = act(&open.store, command, &present, &config).await;
    open.close_after(result).await
}

async fn act(
    store: &Store,
    command: SlotsCommand,
    present: &Present,
    config: &Config,
) -> anyhow::Result<ExitCode> {
    let (view, telling, by) = match command {
        SlotsCommand::List { machine } => return list(store, machine.as_deref(), present).await,
        SlotsCommand::Units { machine, json } => {
            let view = machine_units(store, &machine, present).await?;
            if json {
                print_json(&view)?
            } else {
                print_units(&view, present)
            }
            return Ok(ExitCode::SUCCESS);
        }
        SlotsCommand::Pin { machine, counts, slot, model, by } => {
            let view = machine_units(store, &machine, present).await?;
            let scope = match (slot, model, &view.model) {
                (Some(slot), ..) => PinScope::Slot(find(&view, slot)?.row.slot.id),
                (None, false, _) => PinScope::Device(view.device),
                (None, true, Some(model)) => PinScope::Model(model.clone()),
                (None, true, None) => {
                    anyhow::bail!("{machine} has not told its model yet; pin it without --model")
                }
            };
            (view, Telling::Counts { scope, polarity: Polarity::from_word(&counts) }, by)
        }
        SlotsCommand::Part { machine, slot, part, first, by } => {
            let view = machine_units(store, &machine, present).await?;
            let of = find(&view, slot)?;
            let part = match part {
                None => None,
                Some(number) => {
                    let stock = store.stocks(Some(&number)).await?.pop();
                    let Some(stock) = stock else {
                        anyhow::bail!("no part '{number}' is in the catalogue; see: ullage shelf parts list")
                    };
                    Some(stock.id)
                }
            };
            let telling = Telling::Holds { slot: of.row.slot.id, part, first_ml: first };
            (view, telling, by)
        }
        SlotsCommand::Answer { machine, slot, at, was, by } => {
            let view = machine_units(store, &machine, present).await?;
            let slot = find(&view, slot)?.row.slot.id;
            (view, Telling::Fell { slot, at, answer: Answer::from_word(&was) }, by)
        }
        SlotsCommand::From { machine, slot, at, origin, by } => {
            let view = machine_units(store, &machine, present).await?;
            let slot = find(&view, slot)?.row.slot.id;
            (view, Telling::CameFrom { slot, from: at, origin }, by)
        }
    };
    let context = (present, &config.rules);
    match tell(store, view.device, &telling, &by.note(), None, context).await? {
        Ok(_) => {
            println!("Taken down; what follows was worked out again.");
            Ok(ExitCode::SUCCESS)
        }
        Err(refusal) => Err(refused(&refusal, &view.name)),
    }
}

/// A refusal with the command that shows more.
fn refused(refusal: &Refusal, machine: &str) -> anyhow::Error {
    let next = match refusal {
        Refusal::NoSuchQuestion | Refusal::NoSuchUnit | Refusal::NothingSaid => {
            format!("; see the moments with: ullage slots units {machine}")
        }
        Refusal::DoesNotFit | Refusal::NoCapacity(_) => "; see: ullage shelf parts list".to_owned(),
        Refusal::NotBooked(_) => "; see the lots with: ullage shelf list".to_owned(),
        Refusal::NoName => return anyhow::anyhow!("--who must not be empty"),
        _ => String::new(),
    };
    anyhow::anyhow!("{refusal}{next}")
}

async fn machine_units(store: &Store, name: &str, present: &Present) -> anyhow::Result<UnitsView> {
    let devices = store.devices(None).await?;
    let device = devices.iter().find(|device| device.name == name).map(|device| device.id);
    let view = match device {
        Some(device) => units(store, device, present).await?,
        None => None,
    };
    match view {
        Some(view) => Ok(view),
        None => anyhow::bail!("no machine named '{name}' is watched; see: ullage devices list"),
    }
}

/// What there is to say of a machine that was not read yet.
const NO_SUPPLY: &str = "no supply has been read yet; its first poll tells them";

fn find(view: &UnitsView, number: i32) -> anyhow::Result<&SlotUnits> {
    let found = view.slots.iter().find(|slot| slot.row.slot.index.0 == number);
    let numbers = || {
        let of = |slot: &SlotUnits| format!("{} ({})", slot.row.slot.index, slot.row.slot.label());
        view.slots.iter().map(of).collect::<Vec<_>>().join(", ")
    };
    match found {
        Some(slot) => Ok(slot),
        None if view.slots.is_empty() => anyhow::bail!("{}: {NO_SUPPLY}", view.name),
        None => anyhow::bail!("{} has no supply {number}; it has {}", view.name, numbers()),
    }
}

async fn list(store: &Store, machine: Option<&str>, present: &Present) -> anyhow::Result<ExitCode> {
    let wanted: Vec<DeviceId> = match machine {
        Some(name) => vec![machine_units(store, name, present).await?.device],
        None => store.devices(None).await?.into_iter().map(|device| device.id).collect(),
    };
    for device in wanted {
        let Some(view) = units(store, device, present).await? else { continue };
        println!("{}", view.name);
        if view.slots.is_empty() {
            println!("  {NO_SUPPLY}");
        }
        for slot in &view.slots {
            println!("  {:<4} {:<24} {}", slot.row.slot.index, slot.row.slot.label(), believed(slot));
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// What is believed of a slot, and why.
fn believed(slot: &SlotUnits) -> String {
    let row = &slot.row;
    let mut said = Vec::new();
    if row.slot.role == Role::Filled
        && let Some((polarity, ground)) = row.counts
    {
        let by = row.pin.as_ref().map_or_else(String::new, |pin| format!(" by {}", pin.who));
        said.push(format!("counts {}: {}{by}", polarity.word(), ground.reason(polarity)));
    }
    said.push(match (row.full_ml, row.chosen) {
        (Some(ml), Some(_)) => format!("{ml} ml when full, by hand"),
        (Some(ml), None) => format!("{ml} ml when full, by the parts that fit"),
        (None, _) => "how much it holds is not known".to_owned(),
    });
    said.extend(row.first_ml.map(|ml| format!("the first held {ml} ml")));
    match slot.questions.len() {
        0 => {}
        1 => said.push("one question is open".to_owned()),
        several => said.push(format!("{several} questions are open")),
    }
    said.join("; ")
}

fn print_units(view: &UnitsView, present: &Present) {
    let day = |at: Timestamp| present.zone.to_datetime(at).strftime("%Y-%m-%d %H:%M").to_string();
    if view.slots.is_empty() {
        println!("{NO_SUPPLY}");
    }
    for slot in &view.slots {
        println!("{} {}", slot.row.slot.index, slot.row.slot.label());
        for unit in slot.units.iter().rev() {
            let install = &unit.install;
            let to = install.to.map_or_else(|| "in now".to_owned(), |to| format!("to {}", day(to)));
            let symbol = install.measure.symbol();
            let from = match (&unit.issue, unit.origin) {
                (Some(issue), _) => format!("lot {}", issue.lot),
                (None, Origin::Told(None)) => "not from the shelf".to_owned(),
                (None, Origin::Found) => "found there".to_owned(),
                (None, _) => "lot not told".to_owned(),
            };
            let lost = unit.lost.map_or_else(String::new, |price| format!(" ({price})"));
            println!(
                "  {}  {to}: {:.1} to {:.1} {symbol}{lost}, {} {:.0} %, {from}  [{}]",
                day(install.from),
                install.start,
                install.end,
                install.arrival.word(),
                100.0 * install.confidence,
                install.from
            );
        }
        for question in &slot.questions {
            let symbol = question.measure.symbol();
            println!(
                "  asked: from {:.1} to {:.1} {symbol}, a swap or a job?  [{}]",
                question.from, question.to, question.at
            );
        }
        for answered in &slot.answers {
            let question = &answered.question;
            println!("  {} says: a {}  [{}]", answered.who, answered.answer.word(), question.at);
        }
    }
}

fn print_json(view: &UnitsView) -> anyhow::Result<()> {
    let slots: Vec<_> = view
        .slots
        .iter()
        .map(|slot| {
            let units: Vec<_> = slot
                .units
                .iter()
                .rev()
                .map(|unit| {
                    let install = &unit.install;
                    json!({
                        "from": install.from, "to": install.to, "arrival": install.arrival.word(),
                        "confidence": install.confidence, "unit": install.measure.word(),
                        "capacity": install.capacity, "start": install.start, "end": install.end,
                        "lot": unit.issue.as_ref().map(|issue| issue.lot),
                        "movement": unit.issue.as_ref().map(|issue| issue.movement),
                        "left_worth": unit.lost.map(|price| price.to_string()),
                    })
                })
                .collect();
            let questions: Vec<_> = slot
                .questions
                .iter()
                .map(|asked| {
                    json!({
                        "at": asked.at, "since": asked.since, "from": asked.from, "to": asked.to,
                        "unit": asked.measure.word(),
                    })
                })
                .collect();
            let answers: Vec<_> = slot
                .answers
                .iter()
                .map(|said| json!({"at": said.question.at, "was": said.answer.word(), "who": said.who}))
                .collect();
            let row = &slot.row;
            json!({
                "index": row.slot.index, "label": row.slot.label(), "full_ml": row.full_ml,
                "first_ml": row.first_ml, "counts": row.counts.map(|(polarity, _)| polarity.word()),
                "counts_reason": row.counts.map(|(polarity, ground)| ground.reason(polarity)),
                "units": units, "questions": questions, "answers": answers,
            })
        })
        .collect();
    println!("{}", serde_json::to_string(&json!({"machine": view.name, "slots": slots}))?);
    Ok(())
}
