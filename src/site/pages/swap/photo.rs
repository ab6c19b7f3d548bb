//! The picture of a swap: sent by a form, and shown again as what its octets are.

use axum::extract::multipart::MultipartRejection;
use axum::extract::rejection::PathRejection;
use axum::extract::{Multipart, Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};

use super::{fault, find, swap_href, walk};
use crate::site::error::SiteError;
use crate::site::form::{Fields, Tried, keep};
use crate::site::source::Source;

/// Shows the picture. Its type is one of three, whatever its name was; every answer of the site forbids guessing.
pub(super) async fn show<S: Source>(
    State(source): State<S>,
    id: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path(id) = id.map_err(|_| SiteError::NoSuchPage)?;
    let row = find(&source, &id).await?;
    let (kind, octets) = source.swap_photo(row.id).await?.ok_or(SiteError::NoSuchPage)?;
    let headers = [(header::CONTENT_TYPE, kind), (header::CONTENT_DISPOSITION, "inline".to_owned())];
    Ok((headers, octets).into_response())
}

/// Keeps the picture, and leads back to the swap; or shows it again with what is wrong.
pub(super) async fn put<S: Source>(
    State(source): State<S>,
    id: Result<Path<String>, PathRejection>,
    form: Result<Multipart, MultipartRejection>,
) -> Result<Response, SiteError> {
    let Path(id) = id.map_err(|_| SiteError::NoSuchPage)?;
    let row = find(&source, &id).await?;
    let (who, octets) = sent(form).await?;
    let fields = Fields::filled(vec![("who", who)]);
    let mut faults = Vec::new();
    if let Some(who) = keep(fields.who(), &mut faults) {
        match source.put_photo(row.id, octets, who).await? {
            Ok(()) => return Ok(Redirect::to(&swap_href(row.id)).into_response()),
            Err(refusal) => faults.push(fault(&refusal)),
        }
    }
    let mut response = walk::page(&source, &row, &Tried { form: "photo".to_owned(), fields, faults })?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

/// Who sends it, and the picture's octets.
async fn sent(form: Result<Multipart, MultipartRejection>) -> Result<(String, Vec<u8>), SiteError> {
    let mut form = form.map_err(|_| SiteError::NotAForm)?;
    let (mut who, mut octets) = (String::new(), Vec::new());
    let fault = |fault: axum::extract::multipart::MultipartError| match fault.status() {
        StatusCode::PAYLOAD_TOO_LARGE => SiteError::TooLarge,
        _ => SiteError::NotAForm,
    };
    while let Some(field) = form.next_field().await.map_err(fault)? {
        let of_file = field.name() == Some("file");
        let of_who = field.name() == Some("who");
        let bytes = field.bytes().await.map_err(fault)?;
        if of_file {
            octets = bytes.to_vec();
        } else if of_who {
            who = String::from_utf8_lossy(&bytes).into_owned();
        }
    }
    Ok((who, octets))
}
