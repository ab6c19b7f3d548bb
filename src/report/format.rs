//! The formats that a month's report comes in.

use super::json::JsonError;
use super::{Paper, csv, pdf, xlsx};
use crate::domain::month::Month;
use crate::usecase::view::Statement;

/// A format of the month's report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// Comma-separated values (RFC 4180), one row per supply
    Csv,
    /// On paper, with charts
    Pdf,
    /// A workbook with a sheet per view
    Xlsx,
    /// Everything, for programs
    Json,
}

/// Why a file is not written.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// The CSV could not be written.
    #[error(transparent)]
    Csv(#[from] ::csv::Error),
    /// The workbook could not be written.
    #[error("the workbook could not be written: {0}")]
    Xlsx(#[from] rust_xlsxwriter::XlsxError),
    /// The PDF could not be written.
    #[error("the PDF could not be written: {0}")]
    Pdf(#[from] std::io::Error),
    /// The JSON could not be written.
    #[error(transparent)]
    Json(#[from] JsonError),
}

impl Format {
    /// Every format.
    pub const ALL: [Self; 4] = [Self::Pdf, Self::Xlsx, Self::Csv, Self::Json];

    /// The ending of a file's name.
    #[must_use]
    pub fn ending(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Pdf => "pdf",
            Self::Xlsx => "xlsx",
            Self::Json => "json",
        }
    }

    /// What the file of a month's report is called.
    #[must_use]
    pub fn file_name(self, month: Month) -> String {
        format!("supplies-{month}.{}", self.ending())
    }

    /// From the ending of a file's name, in any case.
    #[must_use]
    pub fn of_ending(ending: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|format| format.ending().eq_ignore_ascii_case(ending))
    }

    /// The media type (IANA).
    #[must_use]
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Csv => "text/csv; charset=utf-8; header=present",
            Self::Pdf => "application/pdf",
            Self::Xlsx => "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
            Self::Json => "application/json",
        }
    }

    /// Whether it is text that a terminal can show.
    #[must_use]
    pub fn is_text(self) -> bool {
        matches!(self, Self::Csv | Self::Json)
    }
}

/// The report as the bytes of a file, for paper of a size where it is printed. The same report gives the same bytes.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn month_file(format: Format, statement: &Statement, paper: Paper) -> Result<Vec<u8>, FileError> {
    Ok(match format {
        Format::Csv => csv::month(&statement.report)?,
        Format::Json => statement.document.clone().into_bytes(),
        Format::Pdf => pdf::month(statement, paper)?,
        Format::Xlsx => xlsx::month(statement, paper)?,
    })
}
