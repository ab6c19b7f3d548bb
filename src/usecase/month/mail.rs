//! The month's report by mail: put into the outbox once for every month and address, however often it is tried.

use super::{MonthError, statement};
use crate::domain::month::Month;
use crate::domain::outlook::Present;
use crate::report::{FileError, Format, Paper, month_file};
use crate::store::report_mail::{Attached, ReportSent};
use crate::store::{Store, StoreError};

/// What goes with the mail: to print, and to go on working with.
const FORMATS: [Format; 2] = [Format::Pdf, Format::Xlsx];

/// Why a report is not mailed.
#[derive(Debug, thiserror::Error)]
pub enum MailError {
    /// There is no report.
    #[error(transparent)]
    Month(#[from] MonthError),
    /// The store could not be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A file could not be made.
    #[error(transparent)]
    File(#[from] FileError),
    /// Nothing was read in it.
    #[error("nothing was read in {}: there is no report to mail", .0.name())]
    Nothing(Month),
}

/// What became of a report that was to be mailed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Mailed {
    /// Addresses for which it now lies in the outbox.
    pub to: Vec<String>,
    /// Addresses for which it did already, or which have it.
    pub before: Vec<String>,
}

/// Puts a month's report into the outbox for every address that has not got it.
///
/// # Errors
/// If the store cannot be reached, or there is no report.
pub async fn mail(
    store: &Store,
    month: Month,
    addresses: &[String],
    (paper, present): (Paper, &Present),
) -> Result<Mailed, MailError> {
    let known = store.report_sent_to(month).await?;
    let (before, to): (Vec<String>, Vec<String>) =
        addresses.iter().cloned().partition(|address| known.contains(address));
    let mut mailed = Mailed { to: Vec::new(), before };
    if to.is_empty() {
        return Ok(mailed);
    }
    let statement = statement(store, month, present).await?;
    if statement.report.devices.is_empty() {
        return Err(MailError::Nothing(month));
    }
    let file = |format: Format| -> Result<Attached, FileError> {
        Ok(Attached {
            name: format.file_name(month),
            media_type: format.media_type().to_owned(),
            content: month_file(format, &statement, paper)?,
        })
    };
    let files = FORMATS.into_iter().map(file).collect::<Result<Vec<_>, _>>()?;
    let report = ReportSent { month, files };
    for address in to {
        let is_first = store.send_report(&report, &address, present.now).await?;
        if is_first { mailed.to.push(address) } else { mailed.before.push(address) }
    }
    Ok(mailed)
}

/// Mails the report of the last month, if its day has come; a month in which nothing was read has none.
///
/// # Errors
/// If the store cannot be reached, or the report cannot be made.
pub async fn mail_in_time(
    store: &Store,
    from_day: i8,
    addresses: &[String],
    (paper, present): (Paper, &Present),
) -> Result<Mailed, MailError> {
    let Some(month) = Month::to_hand_in(present.today(), from_day) else { return Ok(Mailed::default()) };
    match mail(store, month, addresses, (paper, present)).await {
        Err(MailError::Nothing(_)) => Ok(Mailed::default()),
        other => other,
    }
}
