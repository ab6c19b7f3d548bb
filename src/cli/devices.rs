//! `ullage devices`: which devices are watched.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use super::shelf::files;
use super::snmp_options::SnmpOptions;
use super::{OpenStore, USAGE, clock};
use crate::config::Config;
use crate::report::devices_csv;
use crate::store::Store;
use crate::store::credentials::CredentialRow;
use crate::store::devices::NewDevice;
use crate::store::reach::WhenInUse;
use crate::usecase::discover::read_address;
use crate::usecase::setup::{self, Change, Usual};

/// What to do about the devices that are watched.
#[derive(Debug, clap::Subcommand)]
pub enum DevicesCommand {
    /// Watch a device from now on
    Add(AddArgs),
    /// List the devices that are watched
    List,
    /// Stop watching a device; what it said is kept
    Remove {
        /// Its name
        name: String,
    },
    /// Take devices from a file: those that are watched at an address are changed, others are added
    Import {
        /// A CSV file; its columns are listed in src/report/devices_csv.rs
        file: PathBuf,
        /// Say what would come of it, and keep nothing
        #[arg(long)]
        dry_run: bool,
    },
    /// Write the devices as CSV, without communities and passwords
    Export {
        /// The file to write; standard output if none is given
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
}

/// Options of `ullage devices add`.
#[derive(Debug, clap::Args)]
pub struct AddArgs {
    /// Its address: a name or number, and a port if it is not 161
    #[arg(value_name = "HOST[:PORT]")]
    address: String,
    /// What the print room calls it [default: its address]
    #[arg(long)]
    name: Option<String>,
    /// Whom its ink is charged to
    #[arg(long)]
    cost_centre: Option<String>,
    #[command(flatten)]
    snmp: SnmpOptions,
}

/// Runs one of the commands. They work beside a running service, which takes a change up within seconds.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(command: DevicesCommand, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 1).await?;
    let result = match command {
        DevicesCommand::Add(args) => add(&open.store, args, &config).await,
        DevicesCommand::List => list(&open.store).await,
        DevicesCommand::Import { file, dry_run } => import(&open.store, &file, dry_run, &config).await,
        DevicesCommand::Export { out } => export(&open.store, out.as_deref()).await,
        DevicesCommand::Remove { name } => remove(&open.store, &name).await,
    };
    open.close_after(result).await
}

async fn add(store: &Store, args: AddArgs, config: &Config) -> anyhow::Result<ExitCode> {
    let parsed = read_address(&args.address).and_then(|address| Ok((address, args.snmp.row()?)));
    let ((host, port), row) = match parsed {
        Ok(parsed) => parsed,
        Err(fault) => {
            eprintln!("ullage: {fault}");
            return Ok(ExitCode::from(USAGE));
        }
    };
    if let Err(fault) = crate::app::credential(&row) {
        eprintln!("ullage: {fault}");
        return Ok(ExitCode::from(USAGE));
    }
    let zone = config.site.zone.iana_name().unwrap_or("UTC");
    let site = store.put_site(&config.site.name, zone).await?;
    let name = args.name.unwrap_or_else(|| args.address.clone());
    let device = NewDevice {
        name: name.clone(),
        host,
        port,
        cost_centre: args.cost_centre,
        poll_every_s: config.poll.every_s(),
    };
    store.add_device(site, &row, &device, clock().now()).await?;
    println!("{name} is watched from now on, every {} minutes.", config.poll.every.as_secs() / 60);
    Ok(ExitCode::SUCCESS)
}

async fn list(store: &Store) -> anyhow::Result<ExitCode> {
    let devices = store.devices(None).await?;
    if devices.is_empty() {
        println!("No device is watched yet; add one with: ullage devices add HOST");
    }
    for device in devices {
        let address = format!("{}:{}", device.host, device.port);
        let state = match (&device.fault, device.last_answer_at) {
            (Some(fault), _) => fault.clone(),
            (None, Some(at)) => format!("answered {}", at.strftime("%Y-%m-%d %H:%M UTC")),
            (None, None) => "not asked yet".to_owned(),
        };
        println!("{:<20} {address:<24} {:<4} {state}", device.name, device.snmp);
    }
    Ok(ExitCode::SUCCESS)
}

async fn import(store: &Store, file: &Path, rehearsal: bool, config: &Config) -> anyhow::Result<ExitCode> {
    let entries = match devices_csv::read_devices(&files::read(file)?) {
        Ok(entries) => entries,
        Err(faults) => return Err(files::tell(file, &faults)),
    };
    let check =
        |row: &CredentialRow| crate::app::credential(row).map(drop).map_err(|fault| fault.to_string());
    let rows = match setup::import(store, &entries, &usual(config), (clock().now(), rehearsal), check).await?
    {
        Ok(rows) => rows,
        Err(refused) => {
            let lines: Vec<String> =
                refused.iter().map(|(line, why)| format!("line {line}: {why}")).collect();
            return Err(files::tell(file, &lines));
        }
    };
    for row in &rows {
        let what = match row.change {
            Change::Added => "added",
            Change::Changed => "changed",
            Change::Same => "as before",
        };
        println!("{:<20} {:<24} {what}", row.name, row.address);
    }
    let from = files::counted(rows.len(), "device");
    if rehearsal {
        println!("This would come of {from} in {}; nothing was kept.", file.display());
    } else {
        println!("{from} taken from {}.", file.display());
    }
    Ok(ExitCode::SUCCESS)
}

/// What holds for devices of which nothing else is said.
fn usual(config: &Config) -> Usual {
    let zone = config.site.zone.iana_name().unwrap_or("UTC");
    Usual { site: (config.site.name.clone(), zone.to_owned()), poll_every_s: config.poll.every_s() }
}

async fn export(store: &Store, out: Option<&Path>) -> anyhow::Result<ExitCode> {
    files::write(out, &devices_csv::write_devices(&setup::watched(store).await?)?)?;
    Ok(ExitCode::SUCCESS)
}

async fn remove(store: &Store, name: &str) -> anyhow::Result<ExitCode> {
    if store.retire_device(name, clock().now()).await? {
        println!("{name} is no longer watched; what it said is kept.");
        return Ok(ExitCode::SUCCESS);
    }
    anyhow::bail!("no device named '{name}' is watched; see: ullage devices list")
}
