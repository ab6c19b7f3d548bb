//! The record of swaps as comma-separated values (RFC 4180), one row a walk, the latest first.
//!
//! The columns are stable; a new one is only ever added at the end.
//!
//! | column | what it holds |
//! | --- | --- |
//! | `swap` | its number |
//! | `machine`, `supply` | what was swapped |
//! | `kind` | `cartridge`, `head` or `receptacle` |
//! | `begun`, `begun_by` | when (RFC 3339, UTC) and by whom |
//! | `ended`, `ended_by` | likewise; empty while it is under way |
//! | `outcome` | `under_way`, `swapped` or `given_up` |
//! | `given_up` | why it was |
//! | `part`, `lot`, `made_on` | where the new part came from; empty: not from the shelf |
//! | `why_lot` | why that lot, where it was not the one to take |
//! | `left`, `became`, `unit` | what was left in the old unit, what the new one has (the room of a receptacle), and what both are counted in |
//! | `steps_left_out` | how many |

use super::text;
use crate::usecase::swap::SwapRow;

/// The first row of the file.
pub const SWAP_COLUMNS: [&str; 18] = [
    "swap",
    "machine",
    "supply",
    "kind",
    "begun",
    "begun_by",
    "ended",
    "ended_by",
    "outcome",
    "given_up",
    "part",
    "lot",
    "made_on",
    "why_lot",
    "left",
    "became",
    "unit",
    "steps_left_out",
];

/// What became of a walk, in a word.
#[must_use]
pub fn outcome(row: &SwapRow) -> &'static str {
    match &row.ended {
        None => "under_way",
        Some(ended) if ended.given_up.is_some() => "given_up",
        Some(_) => "swapped",
    }
}

/// The swaps as the bytes of a file: UTF-8, rows ended by CR LF.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn write_swaps(swaps: &[SwapRow]) -> Result<Vec<u8>, csv::Error> {
    let mut writer =
        csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::with_capacity(4096));
    writer.write_record(SWAP_COLUMNS)?;
    for swap in swaps {
        writer.write_record(row(swap))?;
    }
    writer.into_inner().map_err(|fault| csv::Error::from(fault.into_error()))
}

fn row(swap: &SwapRow) -> [String; SWAP_COLUMNS.len()] {
    let ended = swap.ended.as_ref();
    let from = swap.from.as_ref();
    let told = |seen: &Option<crate::domain::guide::seen::SupplySeen>| {
        let amount = seen.as_ref().and_then(|seen| seen.level.remaining.measured());
        amount.map_or_else(String::new, |amount| format!("{amount:.3}"))
    };
    let measure = swap.was.as_ref().or(swap.became.as_ref()).map(|seen| seen.level.measure);
    let left_out = swap.steps.iter().filter(|step| step.how.reason().is_some()).count();
    [
        swap.id.to_string(),
        text(&swap.device_name),
        text(&swap.label()),
        swap.kind.word().to_owned(),
        swap.begun_at.to_string(),
        text(&swap.who),
        ended.map_or_else(String::new, |ended| ended.at.to_string()),
        text(ended.map_or("", |ended| &ended.who)),
        outcome(swap).to_owned(),
        text(ended.and_then(|ended| ended.given_up.as_deref()).unwrap_or_default()),
        text(from.map_or("", |from| &from.part)),
        from.map_or_else(String::new, |from| from.lot.to_string()),
        from.map_or_else(String::new, |from| from.made_on.to_string()),
        text(&swap.why_lot),
        told(&swap.was),
        told(&swap.became),
        measure.map_or_else(String::new, |measure| measure.word().to_owned()),
        left_out.to_string(),
    ]
}
