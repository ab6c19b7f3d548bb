//! The month's supply report as a workbook: a sheet per view, cells with types, sums as formulas.
//!
//! | sheet | what it holds |
//! | --- | --- |
//! | Summary | colour by colour and cost centre by cost centre: sums over the other sheets, with a chart |
//! | Machines | a row per machine: sums over its supplies, output, ink for each, how it answered; with a chart |
//! | Supplies | a row per supply, as in the CSV |
//! | Shelf | a row per part: what lay there, what moved, what that is worth |
//! | Alerts, Silences | by rule; by machine |
//! | Needed next month, Adjustments | by part; by supply of a closed month |
//!
//! Every formula carries its result, so that programs that do not calculate show the same. The same report gives
//! the same bytes: the workbook is dated by the report.

mod sheet;
mod views;

use jiff::tz::TimeZone;
use rust_xlsxwriter::{DocProperties, ExcelDateTime, Workbook, XlsxError};

use self::sheet::Formats;
use crate::domain::month::MonthReport;
use crate::domain::part::Currency;
use crate::report::Paper;
use crate::usecase::view::Statement;

/// What all sheets know of the report.
struct Book<'a> {
    statement: &'a Statement,
    report: &'a MonthReport,
    currencies: Vec<Currency>,
    zone: TimeZone,
    formats: Formats,
}

/// The report as the bytes of a workbook.
///
/// # Errors
/// If the report does not fit into a workbook: more than a million supplies.
pub fn month(statement: &Statement, paper: Paper) -> Result<Vec<u8>, XlsxError> {
    let report = &statement.report;
    let all = report.all();
    let prices = report.parts.iter().filter_map(|part| part.price).map(|price| price.currency);
    let sums = [&all.cost, &all.left_cost, &all.taken];
    let mut currencies: Vec<Currency> =
        sums.into_iter().flat_map(|costs| costs.iter().map(|price| price.currency)).chain(prices).collect();
    currencies.sort();
    currencies.dedup();
    let book = Book {
        statement,
        report,
        currencies,
        zone: TimeZone::get(&report.zone).unwrap_or(TimeZone::UTC),
        formats: Formats::new(),
    };
    let mut workbook = Workbook::new();
    let dated = ExcelDateTime::from_timestamp(report.as_of.as_second())?;
    let title = report.month.report_title();
    workbook.set_properties(&DocProperties::new().set_title(title).set_creation_datetime(&dated));
    let mut grids = vec![book.summary(), book.machines(), book.supplies(), book.shelf()];
    grids.extend([book.alerts(), book.silences(), book.needs(), book.adjustments()]);
    for grid in grids.iter().filter(|grid| !grid.is_bare()) {
        grid.write(workbook.add_worksheet(), &book.formats, &report.month.name(), paper)?;
    }
    workbook.save_to_buffer()
}

impl Book<'_> {
    /// Rows of the sheet of supplies: their first and last, counted from one as formulas do.
    fn supply_rows(&self) -> (usize, usize) {
        let count: usize = self.report.devices.iter().map(|device| device.supplies.len()).sum();
        (2, count.max(1) + 1)
    }

    /// A range of a column of the sheet of supplies.
    fn supplies_column(&self, column: &str) -> String {
        let (first, last) = self.supply_rows();
        format!("Supplies!${column}${first}:${column}${last}")
    }

    /// Headings that come once for each currency.
    fn with_currency(&self, words: &str) -> Vec<String> {
        self.currencies.iter().map(|currency| format!("{words}, {}", currency.code())).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::statement;

    #[test]
    fn the_same_report_is_the_same_workbook() {
        let bytes = month(&statement(), Paper::A4).unwrap();
        assert!(bytes.starts_with(b"PK"));
        assert_eq!(month(&statement(), Paper::A4).unwrap(), bytes);
    }

    #[test]
    fn an_empty_month_is_a_workbook_too() {
        let mut nothing = statement();
        nothing.report.devices.clear();
        nothing.report.parts.clear();
        nothing.report.alerts.clear();
        nothing.report.needs = None;
        assert!(month(&nothing, Paper::Letter).unwrap().starts_with(b"PK"));
    }
}
