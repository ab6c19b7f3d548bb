//! What is on the shelf, as text.

use std::process::ExitCode;

use crate::domain::outlook::Present;
use crate::domain::rules::Practice;
use crate::domain::shelf::Standing;
use crate::store::Store;
use crate::usecase::book::Refusal;
use crate::usecase::shelf::shelf;
use crate::usecase::view::{LotLine, PartLine};

/// Prints every part with its lots, oldest first; only one part if it is named.
pub(super) async fn run(
    store: &Store,
    only: Option<&str>,
    present: &Present,
    practice: &Practice,
) -> anyhow::Result<ExitCode> {
    let view = shelf(store, present, practice).await?;
    let parts: Vec<&PartLine> =
        view.parts.iter().filter(|line| only.is_none_or(|only| line.part.number == only)).collect();
    match (parts.is_empty(), only) {
        (true, Some(only)) => return Err(super::refused(&Refusal::NoSuchPart(only.to_owned()))),
        (true, None) => {
            println!("No part is in the catalogue yet; bring some in with: ullage shelf parts import FILE");
        }
        (false, _) => {}
    }
    for line in parts {
        let capacity = line.part.capacity.map(|(amount, measure)| format!(", {amount} {}", measure.symbol()));
        println!(
            "{}  {}{}: {} on the shelf; {}",
            line.part.number,
            line.part.label(),
            capacity.unwrap_or_default(),
            line.units,
            line.machines
        );
        for lot in &line.lots {
            println!("{}", lot_text(lot, line));
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn lot_text(line: &LotLine, part: &PartLine) -> String {
    let lot = &line.lot;
    let until =
        line.good_until.map_or_else(|| "does not spoil".to_owned(), |day| format!("good until {day}"));
    let used = match (lot.left_over, part.part.capacity) {
        (Some(left), Some((_, measure))) => format!("  part-used, {left} {} left", measure.symbol()),
        (Some(left), None) => format!("  part-used, {left} left"),
        _ => String::new(),
    };
    let first = line.use_first_in.as_deref();
    let warning = match &line.standing {
        Standing::Good => String::new(),
        Standing::Past => "  PAST ITS DATE: write it off".to_owned(),
        Standing::Soon => match first {
            Some(machine) => format!("  soon past its date: use it in {machine} first"),
            None => "  soon past its date".to_owned(),
        },
        Standing::Idle(units) => {
            let which = if *units == lot.units { "not".to_owned() } else { format!("{units} not") };
            match first {
                Some(machine) => format!("  {which} needed before its date: use it in {machine} first"),
                None => format!("  {which} needed before its date"),
            }
        }
    };
    format!(
        "  lot {:<4} {:>4}  made {}  {until}  {}{used}{warning}",
        lot.id, lot.units, lot.made_on, lot.place
    )
}
