//! Reports, parts and lots as files for other programs: pure functions of what the domain says.

pub mod atom;
pub mod csv;
pub mod devices_csv;
mod format;
pub mod heads_csv;
pub mod ical;
pub mod json;
pub mod order;
mod paper;
pub mod pdf;
mod rows;
pub mod shelf_csv;
pub mod swaps_csv;
#[cfg(test)]
pub(crate) mod testing;
mod words;
pub mod xlsx;

pub use format::{FileError, Format, month_file};
pub use paper::Paper;

/// What a spreadsheet takes for a formula begins with one of these (OWASP, "CSV Injection"); and what begins
/// with the apostrophe that guards against it needs one more, to be read back as it was.
const FORMULA: [char; 7] = ['=', '+', '-', '@', '\t', '\r', '\''];

/// A cell of text that no spreadsheet calculates when the file is opened: an apostrophe in front makes it
/// text. Names come from devices and from people.
fn text(value: &str) -> String {
    if value.starts_with(FORMULA) { format!("'{value}") } else { value.to_owned() }
}

/// What such a cell said before [`text`] guarded it.
fn bare(cell: &str) -> &str {
    cell.strip_prefix('\'').filter(|rest| rest.starts_with(FORMULA)).unwrap_or(cell)
}
