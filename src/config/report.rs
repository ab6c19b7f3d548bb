//! How the month's report is handed in: `report`.

use lettre::Address;

use super::read::Reader;
use crate::report::Paper;

/// How the month's report is handed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportSettings {
    /// What it is printed on.
    pub paper: Paper,
    /// Who gets it by mail; nobody, if nobody is named.
    pub mail_to: Vec<String>,
    /// From which day of the next month on.
    pub mail_on: i8,
}

/// `has_mail`: whether there is a mail server.
pub(super) fn report(reader: &mut Reader<'_>, has_mail: bool) -> ReportSettings {
    let paper = reader.checked("report.paper", str::parse).unwrap_or_default();
    let addresses: Vec<Address> = reader.list("report.mail_to", "[\"office@loft.example\"]");
    // Every month has a 28th.
    let mail_on = i8::try_from(reader.whole("report.mail_on", 1, (1, 28))).unwrap_or(1);
    if !addresses.is_empty() && !has_mail {
        reader.fault("report.mail_to", "needs a mail server: say which in mail.server");
    }
    let mut mail_to: Vec<String> = addresses.iter().map(ToString::to_string).collect();
    mail_to.sort();
    mail_to.dedup();
    ReportSettings { paper, mail_to, mail_on }
}
