//! Reads a printer's tables in few round trips: one multi-column walk for each group of tables, not column
//! by column.

use super::error::SnmpError;
use super::oid::Oid;
use super::printer_mib as mib;
use super::printer_rows::RawPrinter;
use super::transport::{Engine, Target};
use super::walk::{Limits, Walker};

/// Reads all that [`super::printer_mib::snapshot`] makes a snapshot of.
///
/// A device without printer tables is not an error here: what it has comes back, and the parser says that
/// it is no printer.
///
/// # Errors
/// When the device does not answer, in the middle too, or refuses its user.
pub async fn read_printer(engine: &Engine, target: &Target) -> Result<RawPrinter, SnmpError> {
    let mut walker = Walker::new(engine, target, Limits::default());
    let system: Vec<Oid> = mib::SYSTEM_SCALARS.iter().map(|arc| mib::SYSTEM.child(&[*arc, 0])).collect();
    let mut printer = RawPrinter { rows: walker.get(&system).await?, complete: true };
    for group in GROUPS {
        let columns: Vec<Oid> = group
            .iter()
            .flat_map(|(table, columns)| columns.iter().map(|column| table.child(&[*column])))
            .collect();
        let rows = walker.columns(&columns).await?;
        printer.complete &= rows.partial.is_none();
        printer.rows.extend(rows.varbinds);
    }
    Ok(printer)
}

/// Columns that are walked together: those of about as many rows, so that none is asked for in vain.
const GROUPS: [&[(Oid, &[u32])]; 4] = [
    &[(mib::HR_DEVICE, &[2, 3, 5]), (mib::HR_PRINTER, &[1, 2])],
    &[
        (mib::GENERAL, &[1, 2, 16, 17, 19]),
        (mib::LOCALIZATION, &[4]),
        (mib::COVER, &[2, 3]),
        (mib::MARKER, &[2, 3, 4, 5]),
        (mib::INPUT, &[2, 3, 5, 7, 8, 9, 10, 12, 13, 18]),
    ],
    &[(mib::SUPPLIES, &[2, 3, 4, 5, 6, 7, 8, 9])],
    &[(mib::COLORANT, &[4]), (mib::ALERT, &[2, 3, 4, 5, 6, 7, 8, 9])],
];

#[cfg(test)]
mod tests;
