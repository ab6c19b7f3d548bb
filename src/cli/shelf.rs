//! `ullage shelf`: parts, lots, and what moves.

pub(in crate::cli) mod files;
mod list;

use std::path::PathBuf;
use std::process::ExitCode;

use jiff::civil::Date;

use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::ids::{LotId, SlotId};
use crate::domain::outlook::Present;
use crate::domain::shelf::MovementKind;
use crate::report::shelf_csv;
use crate::store::Store;
use crate::store::reach::WhenInUse;
use crate::usecase::book::{Booked, Booking, Note, Refusal, book};
use crate::usecase::shelf::part;

/// What to do about the shelf.
#[derive(Debug, clap::Subcommand)]
pub enum ShelfCommand {
    /// The catalogue of parts
    #[command(subcommand)]
    Parts(PartsCommand),
    /// The lots on the shelf
    #[command(subcommand)]
    Lots(LotsCommand),
    /// Show what is on the shelf, oldest first, and what passes its date
    List {
        /// Only this part
        part: Option<String>,
    },
    /// Units came in
    Receive {
        /// The part's number
        part: String,
        /// How many
        units: u32,
        /// When they were made: 2025-03-14, or 2025-03
        #[arg(long, value_name = "DATE", value_parser = made_on)]
        made_on: Date,
        /// Where they are put
        #[arg(long)]
        place: String,
        /// Who books it, and why
        #[command(flatten)]
        by: By,
    },
    /// A unit goes to a machine: the oldest that is still good, unless a lot is named
    Issue {
        /// The part's number
        part: String,
        /// The machine's name
        #[arg(long, value_name = "DEVICE")]
        to: String,
        /// The supply's number in the machine, where the part fits more than one
        #[arg(long, value_name = "N")]
        slot: Option<i32>,
        /// Take from this lot
        #[arg(long, value_name = "N")]
        lot: Option<i64>,
        /// Who books it, and why
        #[command(flatten)]
        by: By,
    },
    /// A unit comes back from a machine
    Return {
        /// The number of the lot that it was issued from
        lot: i64,
        /// What is left in it, in the part's unit; leave out for one that was never opened
        #[arg(long, value_name = "AMOUNT", value_parser = left)]
        left: Option<f64>,
        /// Who books it, and why
        #[command(flatten)]
        by: By,
    },
    /// A lot was counted
    Count {
        /// The lot's number
        lot: i64,
        /// What lies there
        units: u32,
        /// Who books it, and why
        #[command(flatten)]
        by: By,
    },
    /// Units are thrown away, lost or spoilt; say why with --why
    WriteOff {
        /// The lot's number
        lot: i64,
        /// How many
        units: u32,
        /// Who books it, and why
        #[command(flatten)]
        by: By,
    },
}

/// What to do about the catalogue.
#[derive(Debug, clap::Subcommand)]
pub enum PartsCommand {
    /// Take in a file of parts (CSV); those that are known by their number are replaced
    Import {
        /// The file
        file: PathBuf,
    },
    /// Write one part into the catalogue, or change what is written of it
    Put {
        /// The part's number
        part: String,
        /// What is written anew: a column of a file of parts and its value, as supplier="Opera stores"; a price also as
        /// price="189.00 EUR"; an empty value takes out what stood there
        #[arg(required = true, value_name = "COLUMN=VALUE", value_parser = written)]
        set: Vec<(String, String)>,
    },
    /// Write the catalogue as CSV
    Export {
        /// The file to write; standard output if none is given
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// List the parts
    List,
}

/// What to do about lots.
#[derive(Debug, clap::Subcommand)]
pub enum LotsCommand {
    /// Receive a file of lots (CSV)
    Import {
        /// The file
        file: PathBuf,
        /// Who books it, and why
        #[command(flatten)]
        by: By,
    },
    /// Write the lots on the shelf as CSV
    Export {
        /// The file to write; standard output if none is given
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
}

/// Who books, and why.
#[derive(Debug, clap::Args)]
pub struct By {
    /// Who books it
    #[arg(long, env = "USER", hide_env_values = true, default_value = "command line")]
    who: String,
    /// Why
    #[arg(long, default_value = "", hide_default_value = true)]
    why: String,
}

impl By {
    pub(super) fn note(self) -> Note {
        Note { who: self.who, why: self.why }
    }
}

pub(super) fn made_on(text: &str) -> Result<Date, String> {
    shelf_csv::made_on(text).ok_or_else(|| "write it as 2025-03-14 or 2025-03".to_owned())
}

fn written(text: &str) -> Result<(String, String), String> {
    let (column, value) = text.split_once('=').ok_or("write it as COLUMN=VALUE, such as lead_days=9")?;
    Ok((column.trim().to_owned(), value.to_owned()))
}

fn left(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(left) if (0.0..1e9).contains(&left) => Ok(left),
        _ => Err("write a number, such as 310".to_owned()),
    }
}

/// Runs one of the commands; they work beside a running service.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(command: ShelfCommand, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone.clone() };
    let practice = config.rules.practice;
    let store = &open.store;
    let result = match command {
        ShelfCommand::Parts(command) => files::parts(store, command, &present).await,
        ShelfCommand::Lots(command) => files::lots(store, command, &present).await,
        ShelfCommand::List { part } => list::run(store, part.as_deref(), &present, &practice).await,
        ShelfCommand::Receive { part, units, made_on, place, by } => {
            let booking = Booking::Receive { made_on, place, units };
            move_units(store, &part, booking, by, &present).await
        }
        ShelfCommand::Issue { part, to, slot, lot, by } => {
            issue(store, &part, (&to, slot), lot, by, &present).await
        }
        ShelfCommand::Return { lot, left, by } => {
            of_lot(store, lot, |lot| Booking::Return { lot, left }, by, &present).await
        }
        ShelfCommand::Count { lot, units, by } => {
            of_lot(store, lot, |lot| Booking::Count { lot, units }, by, &present).await
        }
        ShelfCommand::WriteOff { lot, units, by } => {
            of_lot(store, lot, |lot| Booking::WriteOff { lot, units }, by, &present).await
        }
    };
    open.close_after(result).await
}

/// Books what is about a lot, whose part the store knows.
async fn of_lot(
    store: &Store,
    lot: i64,
    booking: impl FnOnce(LotId) -> Booking,
    by: By,
    present: &Present,
) -> anyhow::Result<ExitCode> {
    let lot = LotId(lot);
    let Some(part) = store.part_of_lot(lot).await? else {
        anyhow::bail!("there is no lot {lot}; see the lots with: ullage shelf list")
    };
    move_units(store, &part, booking(lot), by, present).await
}

async fn issue(
    store: &Store,
    number: &str,
    (device, slot): (&str, Option<i32>),
    lot: Option<i64>,
    by: By,
    present: &Present,
) -> anyhow::Result<ExitCode> {
    let Some(view) = part(store, number, present, &crate::domain::rules::Practice::default()).await? else {
        return Err(refused(&Refusal::NoSuchPart(number.to_owned())));
    };
    let of_device: Vec<_> = view.slots.lines.iter().filter(|choice| choice.device_name == device).collect();
    let chosen = match (&of_device[..], slot) {
        ([], _) => {
            let takers = &view.line.machines;
            let known = if takers.in_all == 0 {
                "no watched machine takes it; see its kind, colour and models with: ullage shelf parts export"
                    .to_owned()
            } else {
                format!("it {takers}")
            };
            anyhow::bail!("{number} fits no supply of a machine named '{device}': {known}")
        }
        ([only], None) => *only,
        (several, wanted) => {
            let found = several.iter().find(|choice| Some(choice.slot.index.0) == wanted);
            let Some(found) = found else {
                let numbers: Vec<String> = several
                    .iter()
                    .map(|choice| format!("{} ({})", choice.slot.index, choice.slot.label()))
                    .collect();
                anyhow::bail!(
                    "{number} fits these supplies of {device}: {}; name one with --slot",
                    numbers.join(", ")
                )
            };
            found
        }
    };
    let to: SlotId = chosen.slot.id;
    let named = lot.is_some();
    let booking = Booking::Issue { lot: lot.map(LotId), to };
    let status = move_units(store, number, booking, by, present).await?;
    let more = view.line.lots.iter().filter(|line| line.lot.units > 0).count() > 1;
    if !named && more {
        eprintln!(
            "ullage: if another was taken, put this one back with return, and name the other with --lot"
        );
    }
    Ok(status)
}

async fn move_units(
    store: &Store,
    part: &str,
    booking: Booking,
    by: By,
    present: &Present,
) -> anyhow::Result<ExitCode> {
    let kind = match &booking {
        Booking::Receive { .. } => MovementKind::Received,
        Booking::Issue { .. } | Booking::IssueHead { .. } => MovementKind::Issued,
        Booking::Return { .. } => MovementKind::Returned,
        Booking::Count { .. } => MovementKind::Counted,
        Booking::WriteOff { .. } => MovementKind::WrittenOff,
    };
    match book(store, part, &booking, &by.note(), present).await? {
        Ok(booked) => {
            println!("{}", said(part, kind, &booked));
            if booked.past {
                eprintln!(
                    "ullage: lot {} is past its date; what is past its date may not print well",
                    booked.lot.id
                );
            }
            Ok(ExitCode::SUCCESS)
        }
        Err(refusal) => Err(refused(&refusal)),
    }
}

/// What was booked, in a sentence.
fn said(part: &str, kind: MovementKind, booked: &Booked) -> String {
    let Booked { lot, quantity, .. } = booked;
    let units = quantity.unsigned_abs();
    let of = format!("{part}, lot {}, made {}, {}", lot.id, lot.made_on, lot.place);
    let now = i64::from(lot.units) + i64::from(*quantity);
    match kind {
        MovementKind::Received => format!("Received {units}: {of}; {now} there now."),
        MovementKind::Issued => {
            let to = booked.at.as_deref().unwrap_or("a machine");
            format!("Issued {units} to {to}: {of}; {now} left there.")
        }
        MovementKind::Returned => format!("Returned {units}: {of}."),
        MovementKind::Counted if *quantity == 0 => format!("Counted {now}, as booked: {of}."),
        MovementKind::Counted => format!("Counted {now} where {} were booked: {of}.", lot.units),
        MovementKind::WrittenOff => format!("Written off {units}: {of}; {now} left there."),
    }
}

/// A refusal with the command that shows more.
fn refused(refusal: &Refusal) -> anyhow::Error {
    let next = match refusal {
        Refusal::NoSuchPart(_) => "; see the parts with: ullage shelf parts list",
        Refusal::NoSuchLot { .. } | Refusal::NotOut(_) => "; see the lots with: ullage shelf list",
        Refusal::NothingGood(_) => "; see what there is with: ullage shelf list, and name a lot with --lot",
        Refusal::NoReason => "; give it with --why",
        Refusal::Empty(field) => return anyhow::anyhow!("--{field} must not be empty"),
        _ => "",
    };
    anyhow::anyhow!("{refusal}{next}")
}
