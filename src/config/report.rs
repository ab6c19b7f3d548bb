//! How the month's report is handed in: `report`.

use super::read::Reader;
use crate::report::Paper;

/// How the month's report is handed in.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ReportSettings {
    /// What it is printed on.
    pub paper: Paper,
}

pub(super) fn report(reader: &mut Reader<'_>) -> ReportSettings {
    ReportSettings { paper: reader.checked("report.paper", str::parse).unwrap_or_default() }
}
