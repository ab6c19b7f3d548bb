//! The month's supply report as JSON: complete, and what a closed month is kept as.
//!
//! One object, in UTF-8, without blanks, ended by a line feed. The keys always come in the same order, so that the
//! same report is the same bytes. Amounts have at most three decimals, shares at most six; money is in whole minor
//! units of its currency; moments are UTC (RFC 3339). What is not known is null.
//!
//! | key | what it holds |
//! | --- | --- |
//! | `version` | 1; it rises when a key changes its meaning, not when one is added |
//! | `month`, `zone`, `begins`, `ends`, `as_of`, `complete` | `2026-10`, where its edges lie, up to when the figures go, and whether that is its end |
//! | `devices` | by name: `device`, `name`, `site`, `model`, `cost_centre`, `output` (`count`, `unit`), `coverage`, `availability`, `gaps` (`from`, `to`, `why`: `not_asked` or `{"unanswered": reason}`), `supplies`, `heads_replaced` (null: its heads are not registered), `taken` (`{"EUR": 18900}`: worth of the units issued to it) |
//! | `devices[].supplies` | `slot`, `label`, `role`, `measure`, `used`, `spread`, `unseen`, `swaps`, `left_in_swapped` as in the CSV, `part`, `cost` and `left_cost` (`minor`, `currency`) |
//! | `parts` | by number: `number`, `label`, `price`, `units` and `value` (`start`, `received`, `issued`, `returned`, `written_off`, `counted`, `end`), `swaps` |
//! | `alerts` | by rule: `rule`, `opened`, `cleared`, `open_at_end`, `median_minutes`, `slowest_minutes`, `seen`, `median_seen_minutes` |
//! | `adjustments` | what changed since in closed months: `about`, `slot`, `device`, `label`, `measure`, `used`, `spread`, `unseen`, `swaps`, `left_in_swapped`, `cost` |
//! | `compared` | `beside` (`month_before`, `year_before`), `month`, `whole`, `ink_ml`, `swaps`, `cost` |
//! | `forecasts` | `not_kept`, or `{"kept": {"within", "before", "after", "days_off"}}`: of forecasts whose late day lay in the month |
//! | `needs` | by part: `part`, `label`, `units`, `on_shelf`, `cost`; null where that is not known any more |

use serde::{Deserialize, Serialize};

use crate::domain::month::MonthReport;

/// The version of the format.
const VERSION: u32 = 1;

#[derive(Serialize)]
struct Written<'a> {
    version: u32,
    #[serde(flatten)]
    report: &'a MonthReport,
}

#[derive(Deserialize)]
struct Read {
    version: u32,
    #[serde(flatten)]
    report: MonthReport,
}

/// Why a document cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum JsonError {
    /// It is no such document.
    #[error("the document of a month cannot be read: {0}")]
    Malformed(#[from] serde_json::Error),
    /// A later program wrote it.
    #[error("the document of a month is of version {0}, and this program reads version {VERSION}")]
    Version(u32),
}

/// The report as a document.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn month(report: &MonthReport) -> Result<String, JsonError> {
    Ok(serde_json::to_string(&Written { version: VERSION, report })? + "\n")
}

/// The report that a document holds.
///
/// # Errors
/// If it is none, or of another version.
pub fn read(document: &str) -> Result<MonthReport, JsonError> {
    let read: Read = serde_json::from_str(document)?;
    if read.version == VERSION { Ok(read.report) } else { Err(JsonError::Version(read.version)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::sample;

    #[test]
    fn a_document_is_read_back_as_it_was_and_is_always_the_same_bytes() {
        let document = month(&sample()).unwrap();
        assert_eq!(read(&document).unwrap(), sample());
        assert_eq!(month(&read(&document).unwrap()).unwrap(), document);
        insta::assert_snapshot!(document);
    }

    #[test]
    fn what_is_no_document_is_told() {
        let later = month(&sample()).unwrap().replacen("\"version\":1", "\"version\":2", 1);
        assert!(read(&later).unwrap_err().to_string().contains("of version 2"));
        assert!(read("{}").unwrap_err().to_string().contains("cannot be read"));
    }
}
