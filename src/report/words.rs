//! The words that the workbook and the printed report share.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::domain::alert::Rule;
use crate::domain::month::MonthReport;
use crate::usecase::view::Statement;

/// A rule of ours, as a print room says it.
pub(super) fn rule(rule: Rule) -> String {
    let word = rule.word().replace('_', " ");
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// How far the month is: running, over, or closed.
pub(super) fn state(statement: &Statement) -> String {
    let report = &statement.report;
    match &statement.closing {
        Some(closing) => {
            let at = moment(closing.at, report);
            format!("Closed by {} on {at}: the figures are as they were then.", closing.who)
        }
        None if report.complete => "The month is over and not closed yet.".to_owned(),
        None => format!("The month is still running: the figures go up to {}.", moment(report.as_of, report)),
    }
}

/// Where the month begins and ends.
pub(super) fn span(report: &MonthReport) -> String {
    let (from, to) = (moment(report.begins, report), moment(report.ends, report));
    format!("From {from} to {to}, {}; {} machines.", report.zone, report.devices.len())
}

/// A moment on the print room's clock.
pub(super) fn moment(at: Timestamp, report: &MonthReport) -> String {
    let zone = TimeZone::get(&report.zone).unwrap_or(TimeZone::UTC);
    zone.to_datetime(at).strftime("%-d %B %Y, %H:%M").to_string()
}
