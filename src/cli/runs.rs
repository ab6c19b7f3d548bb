//! `ullage runs`: what was printed, as people write it down, and how wide media are.

use std::process::ExitCode;

use jiff::civil::Date;

use super::shelf::By;
use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::ids::DeviceId;
use crate::domain::outlook::Present;
use crate::domain::run::past::{MediaWidth, Printed};
use crate::domain::run::plan::{Metres, Run, SquareMetres};
use crate::store::Store;
use crate::store::reach::WhenInUse;
use crate::usecase::run::{LogRefusal, log_run, machine_names, runs, write_width};

/// What to do about runs.
#[derive(Debug, clap::Subcommand)]
pub enum RunsCommand {
    /// Show the runs of the last half year that were written down, and how wide media are
    List,
    /// Write down what was printed; where a life count gives no area, coverage is learned from it
    Log {
        /// The machine's name
        machine: String,
        /// How much on what, such as '12 x 1.067 x 3 gloss' or '9 m2 matte'
        run: Run,
        /// The day, as 2026-11-24 [default: today]
        #[arg(long, value_name = "DATE")]
        on: Option<Date>,
        /// What it was
        #[arg(long, default_value = "", hide_default_value = true)]
        what: String,
        /// Who writes it down
        #[command(flatten)]
        by: By,
    },
    /// Write down how wide a machine's media are, where it does not tell or tells wrongly
    Width {
        /// The machine's name
        machine: String,
        /// The width in metres, such as 1.067
        #[arg(value_parser = width, required_unless_present = "forget", conflicts_with = "forget")]
        metres: Option<Metres>,
        /// Forget what was written: what the machine tells counts again
        #[arg(long)]
        forget: bool,
        /// Who writes it down
        #[command(flatten)]
        by: By,
    },
}

/// Shows or writes down.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(command: RunsCommand, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone.clone() };
    let done = act(&open.store, command, &present).await;
    open.close_after(done).await?;
    Ok(ExitCode::SUCCESS)
}

async fn act(store: &Store, command: RunsCommand, present: &Present) -> anyhow::Result<()> {
    match command {
        RunsCommand::List => list(store, present).await,
        RunsCommand::Log { machine: name, run, on, what, by } => {
            let device = machine(machine_names(store).await?, &name)?;
            let area = SquareMetres::new(run.size.area());
            let area = area.ok_or_else(|| anyhow::anyhow!("a run prints up to 100000 m2"))?;
            let printed = Printed { day: on.unwrap_or(present.today()), area, media: run.media, what };
            let done = log_run(store, device, &printed, &by.note(), None, present).await?;
            done.map_err(|refusal| refused(&refusal))?;
            println!("Written down for {name}: {} m2, {}.", area.value(), run.media.word());
            Ok(())
        }
        RunsCommand::Width { machine: name, metres, by, .. } => {
            let device = machine(machine_names(store).await?, &name)?;
            let done = write_width(store, device, metres, &by.note(), present).await?;
            done.map_err(|refusal| refused(&refusal))?;
            match metres {
                Some(width) => println!("Media of {name} are {} m wide.", width.value()),
                None => println!("What was written for {name} is forgotten."),
            }
            Ok(())
        }
    }
}

async fn list(store: &Store, present: &Present) -> anyhow::Result<()> {
    let view = runs(store, present).await?;
    for (_, name, width) in &view.devices {
        match width {
            None => println!("{name}: how wide its media are is not known"),
            Some(MediaWidth::Told(width)) => println!("{name}: media {} m wide, as it tells", width.value()),
            Some(MediaWidth::Written(width)) => {
                println!("{name}: media {} m wide, as written", width.value())
            }
        }
    }
    for row in &view.runs {
        let Printed { day, area, media, what } = &row.run;
        println!("{day}  {}  {} m2  {}  {what}  ({})", row.device_name, area.value(), media.word(), row.who);
    }
    Ok(())
}

/// The machine of a name.
pub(super) fn machine(names: Vec<(DeviceId, String)>, name: &str) -> anyhow::Result<DeviceId> {
    let found = names.into_iter().find(|(_, known)| known == name).map(|(id, _)| id);
    found.ok_or_else(|| {
        anyhow::anyhow!("no device named '{name}' is watched; see them with: ullage devices list")
    })
}

fn width(text: &str) -> Result<Metres, String> {
    let width = text.parse().ok().and_then(Metres::width);
    width.ok_or_else(|| "write metres, such as 1.067, up to 20".to_owned())
}

fn refused(refusal: &LogRefusal) -> anyhow::Error {
    match refusal {
        LogRefusal::NoName => anyhow::anyhow!("--who must not be empty"),
        other => anyhow::anyhow!("{other}"),
    }
}
