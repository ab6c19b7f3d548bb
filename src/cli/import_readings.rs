//! `ullage import-readings`: a file of past readings into the store, as history of a machine.

use std::fs::File;
use std::io::BufReader;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context;

use super::analyse::{Faults, rows};
use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::analysis::Facts;
use crate::domain::outlook::Present;
use crate::store::reach::WhenInUse;
use crate::usecase::import::{Imported, PastRow, PastSlot, import};

/// Options of `ullage import-readings`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The readings: slot,at,capacity,level
    #[arg(long, value_name = "FILE")]
    readings: PathBuf,
    /// What is known of the slots: slot,class,unit,capacity_ml,first_install_ml
    #[arg(long, value_name = "FILE")]
    slots: Option<PathBuf>,
    /// The machine's name: one that is watched, or a new one that is not
    #[arg(long, value_name = "NAME")]
    device: String,
}

const AFTER_HELP: &str = "\
Both files are those of ullage analyse. A slot of a machine that is known is named by its number or its label. \
What a full unit holds comes from the catalogue of parts, not from capacity_ml.

A file is taken whole or not at all. The same file again brings nothing twice. Rows from before or after what the \
store has are added; a row that says something else than the store has for its moment is refused.";

/// Reads the files and brings them in; works beside a running service.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(args: Args, config: Config) -> anyhow::Result<ExitCode> {
    let (slots, rows) = read(&args)?;
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone.clone() };
    let bring_in = async {
        let zone = config.site.zone.iana_name().unwrap_or("UTC");
        let site = open.store.put_site(&config.site.name, zone).await?;
        let name = args.device.as_str();
        match import(&open.store, (site, name), &slots, rows, &present, &config.rules).await? {
            Ok(imported) => {
                println!("{}", said(name, &imported));
                Ok(ExitCode::SUCCESS)
            }
            Err(refusal) => anyhow::bail!("{}: {refusal}; nothing was brought in", args.readings.display()),
        }
    };
    let result = bring_in.await;
    open.close_after(result).await
}

fn said(name: &str, imported: &Imported) -> String {
    let made = if imported.made { ", a machine that is not watched" } else { "" };
    match (imported.new, imported.known) {
        (0, known) => format!("Nothing is new: {name} has all {known} readings already."),
        (new, 0) => format!("Brought {new} readings in, of {name}{made}."),
        (new, known) => format!("Brought {new} readings in, of {name}; {known} were there already."),
    }
}

fn read(args: &Args) -> anyhow::Result<(Vec<PastSlot>, Vec<PastRow>)> {
    let mut faults = Faults::of_a_whole();
    let open = |path: &PathBuf, option: &str| {
        File::open(path)
            .with_context(|| format!("{} cannot be read; give another file to {option}", path.display()))
    };
    let facts = match &args.slots {
        Some(path) => {
            rows::facts(open(path, "--slots")?, |line, fault| faults.tell(&path.display(), line, &fault))
                .with_context(|| path.display().to_string())?
        }
        None => rows::FactsBySlot::default(),
    };
    let (mut slots, mut kept) = (Vec::new(), Vec::new());
    let mut places = rows::Places::default();
    let take = |line, (name, at, max_capacity, level): rows::Said<'_>| {
        let slot = places.of(name, || {
            let Facts { role, unit, sizes } = facts.get(name).copied().unwrap_or_default();
            let name = String::from_utf8_lossy(name).into_owned();
            slots.push(PastSlot { name, role, unit, first_ml: sizes.first_ml });
        });
        kept.push(PastRow { line, slot, at, max_capacity, level });
        Ok(())
    };
    let path = args.readings.display();
    let file = BufReader::with_capacity(1 << 18, open(&args.readings, "--readings")?);
    rows::each(file, take, |line, fault| faults.tell(&path, line, &fault))
        .with_context(|| path.to_string())?;
    match faults.count() {
        0 => Ok((slots, kept)),
        bad => anyhow::bail!("{path}: rows that cannot be read: {bad}; nothing was brought in"),
    }
}
