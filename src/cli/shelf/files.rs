//! Parts and lots as files: taken whole or not at all.

use std::fmt::Display;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

use anyhow::Context;

use super::{LotsCommand, PartsCommand};
use crate::domain::outlook::Present;
use crate::domain::part::Part;
use crate::report::shelf_csv;
use crate::store::Store;
use crate::usecase::book::{Note, import_lots, import_parts, put_part};

/// A file larger than this is not one of parts, lots or heads.
const LARGEST_BYTES: u64 = 64 << 20;

/// `ullage shelf parts`.
pub(super) async fn parts(
    store: &Store,
    command: PartsCommand,
    present: &Present,
) -> anyhow::Result<ExitCode> {
    match command {
        PartsCommand::Import { file } => {
            let parts = match shelf_csv::read_parts(&read(&file)?) {
                Ok(parts) => parts,
                Err(faults) => return Err(tell(&file, &faults)),
            };
            import_parts(store, &parts).await?;
            println!("{} in the catalogue from {}.", counted(parts.len(), "part"), file.display());
        }
        PartsCommand::Put { part, set } => put(store, &part, &set, present).await?,
        PartsCommand::Export { out } => {
            let stocks = store.stocks(None).await?;
            write(out.as_deref(), &shelf_csv::write_parts(&stocks)?)?;
        }
        PartsCommand::List => {
            let stocks = store.stocks(None).await?;
            if stocks.is_empty() {
                println!(
                    "No part is in the catalogue yet; bring some in with: ullage shelf parts import FILE"
                );
            }
            for stock in &stocks {
                println!("{}", line(&stock.part));
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Writes one part into the catalogue, or changes what is written of it.
async fn put(store: &Store, number: &str, set: &[(String, String)], present: &Present) -> anyhow::Result<()> {
    let known = store.stocks(Some(number)).await?.pop().map(|stock| stock.part);
    let mut changes: Vec<(&str, &str)> = vec![("number", number)];
    for (column, value) in set {
        anyhow::ensure!(column != "number", "a part keeps its number: leave out number={value}");
        changes.push((column, value));
    }
    let part = shelf_csv::part_with(known.as_ref(), &changes).map_err(|faults| {
        let faults: Vec<String> = faults.into_iter().map(|fault| fault.what).collect();
        anyhow::anyhow!("{number} is left as it is: {}", faults.join("; "))
    })?;
    put_part(store, &part, known.is_none(), None, present).await??;
    println!("{}", line(&part));
    Ok(())
}

/// `ullage shelf lots`.
pub(super) async fn lots(store: &Store, command: LotsCommand, present: &Present) -> anyhow::Result<ExitCode> {
    match command {
        LotsCommand::Import { file, by } => {
            let rows = match shelf_csv::read_lots(&read(&file)?) {
                Ok(rows) => rows,
                Err(faults) => return Err(tell(&file, &faults)),
            };
            let mut note: Note = by.note();
            if note.why.is_empty() {
                note.why = format!("from {}", file.display());
            }
            match import_lots(store, &rows, &note, present).await? {
                Ok(units) => {
                    let units = counted(usize::try_from(units).unwrap_or(usize::MAX), "unit");
                    println!("{units} received from {}.", file.display());
                }
                Err(refused) => {
                    let lines: Vec<String> =
                        refused.iter().map(|(line, refusal)| format!("line {line}: {refusal}")).collect();
                    return Err(tell(&file, &lines));
                }
            }
        }
        LotsCommand::Export { out } => {
            let stocks = store.stocks(None).await?;
            write(out.as_deref(), &shelf_csv::write_lots(&stocks)?)?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Tells every bad line, and says that nothing was taken.
pub(in crate::cli) fn tell(file: &Path, faults: &[impl Display]) -> anyhow::Error {
    for fault in faults {
        eprintln!("ullage: {}, {fault}", file.display());
    }
    let lines = if faults.len() == 1 { "the line" } else { "the lines" };
    anyhow::anyhow!("nothing of {} was taken: put {lines} above right and bring it in again", file.display())
}

pub(in crate::cli) fn counted(n: usize, word: &str) -> String {
    format!("{n} {word}{}", if n == 1 { "" } else { "s" })
}

fn line(part: &Part) -> String {
    let capacity =
        part.capacity.map(|(amount, measure)| format!(", {amount} {}", measure.symbol())).unwrap_or_default();
    let life = match part.shelf_life_months {
        Some(months) => format!("good for {months} months"),
        None => "does not spoil".to_owned(),
    };
    let price = part.price.map(|price| format!("; {price}")).unwrap_or_default();
    let models = if part.models.is_empty() {
        "fits any model".to_owned()
    } else {
        format!("fits {}", part.models.join("; "))
    };
    format!("{:<14} {}{capacity}; {life}{price}; {models}", part.number, part.label())
}

pub(in crate::cli) fn read(file: &Path) -> anyhow::Result<Vec<u8>> {
    let name = file.display();
    let size =
        std::fs::metadata(file).with_context(|| format!("{name} cannot be read; check its name"))?.len();
    anyhow::ensure!(size <= LARGEST_BYTES, "{name} is larger than 64 MB; give it in pieces");
    std::fs::read(file).with_context(|| format!("{name} cannot be read; check its name"))
}

pub(in crate::cli) fn write(out: Option<&Path>, bytes: &[u8]) -> anyhow::Result<()> {
    match out {
        Some(path) => std::fs::write(path, bytes)
            .with_context(|| format!("{} cannot be written; choose another file with --out", path.display())),
        None => Ok(std::io::stdout().write_all(bytes)?),
    }
}
