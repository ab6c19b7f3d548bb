//! `ullage heads`: which heads are in the machines, how ink runs through them, how long they are warranted.

mod list;

use std::path::PathBuf;
use std::process::ExitCode;

use jiff::civil::Date;

use super::shelf::By;
use super::shelf::files::{counted, read, tell, write};
use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::ids::DeviceId;
use crate::domain::outlook::Present;
use crate::domain::plumbing::{LAST_POSITION, Map, Plumbing, Position};
use crate::domain::rules::Practice;
use crate::report::heads_csv;
use crate::store::Store;
use crate::store::reach::WhenInUse;
use crate::usecase::heads::{
    Entry, MOST_ML, Refusal, all_heads, heads_page, import, register, replace, write_plumbing,
};

/// What to do about print heads.
#[derive(Debug, clap::Subcommand)]
pub enum HeadsCommand {
    /// Show the heads, what has gone through each, and how long it is warranted
    List {
        /// Only this machine
        machine: Option<String>,
        /// Those that came out as well
        #[arg(long)]
        all: bool,
    },
    /// Write down a head that is in a machine
    Add(AddArgs),
    /// Write down that a head was replaced, and by which; the old one stays as history
    Replace(ReplaceArgs),
    /// Take in a file of heads (CSV); those that are known by machine, position and first day are put right
    Import {
        /// The file
        file: PathBuf,
        /// Who writes it down, and why
        #[command(flatten)]
        by: By,
    },
    /// Write the heads as CSV, with those that came out
    Export {
        /// The file to write; standard output if none is given
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Show how ink runs through the heads of a machine's model, or write it anew
    Plumbing {
        /// A machine of the model
        machine: String,
        /// Write the map that is in this file: a line for each head, such as '1: Cyan, Magenta'
        #[arg(long, value_name = "FILE", conflicts_with = "forget")]
        write: Option<PathBuf>,
        /// Forget what was written: what is usual counts again
        #[arg(long)]
        forget: bool,
    },
}

/// A head that is in a machine.
#[derive(Debug, clap::Args)]
pub struct AddArgs {
    /// The machine's name
    machine: String,
    /// The head's place in it, as its maker counts
    #[arg(value_parser = position)]
    position: Position,
    /// The day it went in, as 2026-03-14
    #[arg(long = "in", value_name = "DATE", value_parser = day)]
    in_on: Date,
    /// Ink in ml that had gone through it before the machine was watched
    #[arg(long, value_name = "ML", value_parser = ml, default_value = "0", hide_default_value = true)]
    before: f64,
    #[command(flatten)]
    new: New,
}

/// A head that takes another's place.
#[derive(Debug, clap::Args)]
pub struct ReplaceArgs {
    /// The machine's name
    machine: String,
    /// The head's place in it, as its maker counts
    #[arg(value_parser = position)]
    position: Position,
    /// The day of the swap, as 2026-03-14 [default: today]
    #[arg(long, value_name = "DATE", value_parser = day)]
    on: Option<Date>,
    #[command(flatten)]
    new: New,
}

/// What is known of the head that went in.
#[derive(Debug, clap::Args)]
struct New {
    /// The number of its part in the catalogue
    #[arg(long)]
    part: Option<String>,
    /// The warranty's date stamped on it, as 2027-09-30
    #[arg(long, value_name = "DATE", value_parser = day)]
    warranty: Option<Date>,
    /// Ink in ml after which its warranty ends [default: by its part, or 1200]
    #[arg(long, value_name = "ML", value_parser = ml)]
    limit: Option<f64>,
    /// Who writes it down, and why
    #[command(flatten)]
    by: By,
}

impl New {
    fn entry(&self, position: Position, in_on: Date, before_ml: f64) -> Entry {
        Entry {
            position,
            part: self.part.clone(),
            in_on,
            out_on: None,
            warranty_until: self.warranty,
            limit_ml: self.limit,
            before_ml,
        }
    }
}

fn position(text: &str) -> Result<Position, String> {
    let position = text.parse().ok().and_then(Position::new);
    position.ok_or_else(|| format!("write a number from 1 to {LAST_POSITION}"))
}

fn day(text: &str) -> Result<Date, String> {
    let plain = text.len() == 10 && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-');
    text.parse().ok().filter(|_| plain).ok_or_else(|| "write it as 2026-03-14".to_owned())
}

fn ml(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(ml) if (0.0..=MOST_ML).contains(&ml) => Ok(ml),
        _ => Err("write millilitres, such as 1200".to_owned()),
    }
}

/// Runs one of the commands; they work beside a running service.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(command: HeadsCommand, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone.clone() };
    let result = act(&open.store, command, &present, &config.rules.practice).await;
    open.close_after(result).await
}

async fn act(
    store: &Store,
    command: HeadsCommand,
    present: &Present,
    practice: &Practice,
) -> anyhow::Result<ExitCode> {
    match command {
        HeadsCommand::List { machine, all } => {
            let machine = match machine {
                Some(name) => Some(device(store, &name).await?),
                None => None,
            };
            list::print(&all_heads(store, machine).await?, all, present);
        }
        HeadsCommand::Add(args) => {
            let device = device(store, &args.machine).await?;
            let entry = args.new.entry(args.position, args.in_on, args.before);
            let note = args.new.by.note();
            register(store, device, &entry, &note, present).await?.map_err(|refusal| refused(&refusal))?;
            println!("Head {} of {} is written down: in since {}.", args.position, args.machine, args.in_on);
        }
        HeadsCommand::Replace(args) => {
            let device = device(store, &args.machine).await?;
            let on = args.on.unwrap_or_else(|| present.today());
            let entry = args.new.entry(args.position, on, 0.0);
            let note = args.new.by.note();
            replace(store, device, &entry, &note, present).await?.map_err(|refusal| refused(&refusal))?;
            println!(
                "Head {} of {} was replaced on {on}; the old one stays as history.",
                args.position, args.machine
            );
        }
        HeadsCommand::Import { file, by } => take_in(store, &file, by, present).await?,
        HeadsCommand::Export { out } => {
            write(out.as_deref(), &heads_csv::write_heads(&all_heads(store, None).await?)?)?;
        }
        HeadsCommand::Plumbing { machine, write: Some(file), .. } => {
            let device = device(store, &machine).await?;
            let text = String::from_utf8_lossy(&read(&file)?).into_owned();
            let plumbing: Plumbing =
                text.parse().map_err(|fault| anyhow::anyhow!("{}: {fault}", file.display()))?;
            let model = write_plumbing(store, device, Some(&plumbing), present).await?;
            println!("The map is written for {}.", model.map_err(|refusal| refused(&refusal))?);
        }
        HeadsCommand::Plumbing { machine, forget: true, .. } => {
            let device = device(store, &machine).await?;
            let model = write_plumbing(store, device, None, present).await?;
            println!("What was written for {} is forgotten.", model.map_err(|refusal| refused(&refusal))?);
        }
        HeadsCommand::Plumbing { machine, .. } => {
            let device = device(store, &machine).await?;
            let view = heads_page(store, device, present, practice).await?;
            let view = view.ok_or_else(|| refused(&Refusal::NoSuchMachine))?;
            show_map(&view.map, &machine)?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

async fn take_in(store: &Store, file: &std::path::Path, by: By, present: &Present) -> anyhow::Result<()> {
    let rows = heads_csv::read_heads(&read(file)?).map_err(|faults| tell(file, &faults))?;
    let taken = import(store, &rows, &by.note(), present).await?;
    let taken = taken.map_err(|refused| {
        let lines: Vec<String> =
            refused.iter().map(|(line, refusal)| format!("line {line}: {refusal}")).collect();
        tell(file, &lines)
    })?;
    println!("{} written down from {}.", counted(taken, "head"), file.display());
    Ok(())
}

/// The map goes to standard output, to be written to a file, changed, and brought back.
fn show_map(map: &Map, machine: &str) -> anyhow::Result<()> {
    match map {
        Map::Written(plumbing) => print!("{plumbing}"),
        Map::Usual(plumbing) => {
            print!("{plumbing}");
            eprintln!(
                "ullage: nobody has written this map; it is the usual one for so many colours. Check it against \
                 the maker's manual, and write yours with --write"
            );
        }
        Map::None { colours } => anyhow::bail!(
            "there is no plumbing map for the model of {machine} yet, and none is usual for {colours} colours; \
             write one with --write FILE, a line for each head, such as '1: Cyan, Magenta'"
        ),
    }
    Ok(())
}

async fn device(store: &Store, name: &str) -> anyhow::Result<DeviceId> {
    let devices = store.devices(None).await?;
    let found = devices.iter().find(|device| device.name == name);
    let missing =
        || anyhow::anyhow!("no device named '{name}' is watched; see them with: ullage devices list");
    found.map(|device| device.id).ok_or_else(missing)
}

/// A refusal with the command that shows more.
fn refused(refusal: &Refusal) -> anyhow::Error {
    let next = match refusal {
        Refusal::NoSuchPart(_) | Refusal::NotAHead(_) | Refusal::OtherModel(_) => {
            "; see the parts with: ullage shelf parts list"
        }
        Refusal::Occupied(_) | Refusal::Vacant(_) | Refusal::Taken(_) => {
            "; see the heads with: ullage heads list --all"
        }
        Refusal::NoSuchPlace { .. } => "; see it with: ullage heads plumbing MACHINE",
        Refusal::NoModel => "; it is kept by model",
        Refusal::Empty(field) => return anyhow::anyhow!("--{field} must not be empty"),
        _ => "",
    };
    anyhow::anyhow!("{refusal}{next}")
}
