//! `ullage run-check`: whether a planned run finishes without a swap.

mod figures;
mod json;
mod text;

use std::path::PathBuf;
use std::process::ExitCode;

use serde_json::{Value, json};

use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::ids::DeviceId;
use crate::domain::outlook::Present;
use crate::domain::run::plan::{Run, RunPlan};
use crate::store::reach::WhenInUse;
use crate::usecase::run::{MachineRun, RunCheckView, machine_names, run_check};

/// Options of `ullage run-check`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The runs, one after another, such as '12 x 1.067 x 3 gloss' or '9 m2 matte: cyan 9.2': length by width by
    /// copies in metres or an area, then gloss, matte, canvas or textile, then what is known of the coverage in ml for
    /// a square metre
    #[arg(value_name = "RUN", required_unless_present = "figures")]
    runs: Vec<Run>,
    /// Only at this machine [default: at every one, the best first]
    #[arg(long, value_name = "NAME")]
    machine: Option<String>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
    /// Work it out from the figures in a file (JSON) instead of the store, and print JSON
    #[arg(long, value_name = "FILE", conflicts_with_all = ["runs", "machine"])]
    figures: Option<PathBuf>,
}

/// Says whether a queue of runs finishes.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(args: Args, config: Config) -> anyhow::Result<ExitCode> {
    let practice = &config.rules.practice;
    if let Some(file) = &args.figures {
        println!("{}", figures::by_figures(file, practice)?);
        return Ok(ExitCode::SUCCESS);
    }
    let plan = RunPlan::new(args.runs)?;
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone.clone() };
    let checked = async {
        let only = match &args.machine {
            None => None,
            Some(name) => Some(super::runs::machine(machine_names(&open.store).await?, name)?),
        };
        let view = run_check(&open.store, &plan, only, &present, practice).await?;
        anyhow::ensure!(only.is_none() || !view.machines.is_empty(), no_ink(&args.machine));
        Ok((view, only))
    };
    let checked = checked.await;
    let (view, only): (RunCheckView, Option<DeviceId>) = open.close_after(checked).await?;
    if args.json {
        println!("{}", view_json(&view, &plan));
    } else {
        text::tell(&view, &plan, only.is_some());
    }
    Ok(ExitCode::SUCCESS)
}

fn no_ink(machine: &Option<String>) -> String {
    let name = machine.as_deref().unwrap_or_default();
    format!("no ink is known to be in {name} yet; see what it says with: ullage slots list {name}")
}

fn view_json(view: &RunCheckView, plan: &RunPlan) -> Value {
    let machine = |of: &MachineRun| {
        let mut value = json::check(&of.check, &of.before, plan, of.media);
        value["machine"] = json!(of.name);
        value["model"] = json!(of.model);
        value["media_width_m"] = json!(of.media.map(|width| width.value()));
        value["too_narrow"] = json!(of.too_narrow);
        value["notes"] = json!(of.notes);
        let units = of.fresh.iter().map(|fresh| match &fresh.unit {
            Ok((part, which)) => json!({ "part": part, "which": which }),
            Err(lack) => json!({ "lack": lack }),
        });
        for (n, unit) in units.enumerate() {
            value["before"]["swaps"][n]["unit"] = unit;
        }
        value
    };
    json!({
        "runs": plan.runs().iter().map(ToString::to_string).collect::<Vec<String>>(),
        "area_m2": plan.area(),
        "machines": view.machines.iter().map(machine).collect::<Vec<Value>>(),
        "left_out": view.left_out,
    })
}
