//! The page of what went wrong.

use askama::Template;
use axum::http::header::{ALLOW, HeaderValue};
use axum::response::{Html, IntoResponse, Response};

use super::{Page, Section};
use crate::site::error::{SiteError, Told};
use crate::site::source::Source;

#[derive(Template)]
#[template(path = "pages/error.html")]
struct ErrorPage {
    page: Page,
    told: Told,
    status: u16,
}

/// The error as a page. If even that fails, its title as plain text.
pub(crate) fn show<S: Source>(source: &S, error: &SiteError) -> Response {
    let told = error.told();
    let title = told.title.clone();
    let page = Page::new(source, Section::Elsewhere, title.clone());
    let rendered = ErrorPage { page, told, status: error.status().as_u16() }.render();
    let mut response = match rendered {
        Ok(html) => (error.status(), Html(html)).into_response(),
        Err(fault) => {
            tracing::error!(%fault, "the page of an error failed");
            (error.status(), title).into_response()
        }
    };
    if matches!(error, SiteError::WrongMethod) {
        response.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
    }
    response
}
