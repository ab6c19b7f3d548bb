//! Machines by the file: rehearsed first, then taken whole or not at all.

use askama::Template;
use axum::extract::multipart::MultipartRejection;
use axum::extract::{Multipart, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};

use super::unprocessable;
use crate::report::devices_csv::{DEVICE_COLUMNS, read_devices};
use crate::site::error::SiteError;
use crate::site::form::{Fields, Sent};
use crate::site::pages::{Page, Section, html};
use crate::site::source::Source;
use crate::usecase::setup::{Change, Imported};

struct Line {
    line: u64,
    name: String,
    address: String,
    what: &'static str,
}

#[derive(Template)]
#[template(path = "pages/setup/import.html")]
struct ImportPage {
    page: Page,
    columns: String,
    /// What was sent.
    text: String,
    faults: Vec<String>,
    /// What would come of it.
    lines: Option<Vec<Line>>,
}

fn page<S: Source>(
    source: &S,
    text: String,
    faults: Vec<String>,
    lines: Option<Vec<Line>>,
) -> Result<Response, SiteError> {
    let page = Page::new(source, Section::Setup, "Bring in a list");
    let body = html(&ImportPage { page, columns: DEVICE_COLUMNS.join(", "), text, faults, lines })?;
    // What was sent may hold passwords.
    Ok(([(header::CACHE_CONTROL, "no-store")], body).into_response())
}

pub(super) async fn show<S: Source>(State(source): State<S>) -> Result<Response, SiteError> {
    page(&source, String::new(), Vec::new(), None)
}

/// The text of a form with a file: the file, where one was chosen, else what was typed.
async fn sent_text(form: Result<Multipart, MultipartRejection>) -> Result<String, SiteError> {
    let mut form = form.map_err(|_| SiteError::NotAForm)?;
    let (mut file, mut typed) = (String::new(), String::new());
    let fault = |fault: axum::extract::multipart::MultipartError| match fault.status() {
        StatusCode::PAYLOAD_TOO_LARGE => SiteError::TooLarge,
        _ => SiteError::NotAForm,
    };
    while let Some(field) = form.next_field().await.map_err(fault)? {
        let of_file = field.name() == Some("file");
        let bytes = field.bytes().await.map_err(fault)?;
        // What is no text is told by the reader of the file, with its line.
        *(if of_file { &mut file } else { &mut typed }) = String::from_utf8_lossy(&bytes).into_owned();
    }
    Ok(if file.trim().is_empty() { typed } else { file })
}

/// What a text comes to, or every fault in it.
async fn import<S: Source>(
    source: &S,
    text: &str,
    rehearsal: bool,
) -> Result<Result<Vec<Imported>, Vec<String>>, SiteError> {
    if text.trim().is_empty() {
        return Ok(Err(vec!["Nothing was sent: choose a file, or paste its text.".to_owned()]));
    }
    let entries = match read_devices(text.as_bytes()) {
        Ok(entries) if entries.is_empty() => {
            return Ok(Err(vec!["There is no row below the names of the columns.".to_owned()]));
        }
        Ok(entries) => entries,
        Err(faults) => return Ok(Err(faults.iter().map(|fault| format!("{fault}.")).collect())),
    };
    let done = source.import_devices(entries, rehearsal).await?;
    Ok(done.map_err(|refused| refused.iter().map(|(line, why)| format!("line {line}: {why}.")).collect()))
}

pub(super) async fn rehearse<S: Source>(
    State(source): State<S>,
    form: Result<Multipart, MultipartRejection>,
) -> Result<Response, SiteError> {
    let text = sent_text(form).await?;
    match import(&source, &text, true).await? {
        Ok(rows) => {
            let lines = rows.into_iter().map(line).collect();
            page(&source, text, Vec::new(), Some(lines))
        }
        Err(faults) => Ok(unprocessable(page(&source, text, faults, None)?)),
    }
}

fn line(row: Imported) -> Line {
    let what = match row.change {
        Change::Added => "would be added",
        Change::Changed => "would be changed",
        Change::Same => "stays as it is",
    };
    Line { line: row.line, name: row.name, address: row.address, what }
}

pub(super) async fn keep<S: Source>(State(source): State<S>, sent: Sent) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let text = fields.get("text").to_owned();
    match import(&source, &text, false).await? {
        Ok(_) => Ok(Redirect::to("/setup/devices").into_response()),
        Err(faults) => Ok(unprocessable(page(&source, text, faults, None)?)),
    }
}
