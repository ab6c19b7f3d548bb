//! What can go wrong with a request, and what the person who made it is told.

use std::sync::Arc;

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

use super::source::SourceError;
use crate::domain::access::Role;
use crate::domain::month::{Month, NotAMonth};

/// Why a page is not shown.
#[derive(Debug, thiserror::Error)]
pub(crate) enum SiteError {
    #[error("no such page")]
    NoSuchPage,
    #[error("no machine '{0}'")]
    NoSuchMachine(String),
    #[error("no order '{0}'")]
    NoSuchOrder(String),
    #[error("no part '{0}'")]
    NoSuchPart(String),
    #[error("no alert '{0}'")]
    NoSuchAlert(String),
    #[error("a form came from a page elsewhere")]
    OtherOrigin,
    #[error("a form was not shown to the visit that sent it")]
    NotShown,
    #[error("nobody is in")]
    NotIn,
    #[error("the server in front names {0}, who may not come in")]
    NotAmongUs(String),
    #[error("only an {0} may do this")]
    NotAllowed(Role),
    #[error("a link is used up or too old")]
    StaleLink,
    #[error("a form could not be read")]
    NotAForm,
    #[error("a form is larger than {} bytes", super::guard::BODY_BYTES)]
    TooLarge,
    #[error("{0}")]
    NotAMonth(#[from] NotAMonth),
    #[error("{0} has not begun")]
    FutureMonth(Month),
    #[error("'{1}' is no value of {0}")]
    NotAsked(String, String),
    #[error("'{0}' is no span")]
    NotASpan(String),
    #[error("asked for as '{0}'")]
    WrongHost(String),
    #[error("only GET and HEAD are answered")]
    WrongMethod,
    #[error("the page took too long")]
    TooSlow,
    #[error(transparent)]
    Source(#[from] SourceError),
    #[error("a template failed: {0}")]
    Template(#[from] askama::Error),
    #[error("a file could not be written: {0}")]
    File(#[from] crate::report::FileError),
}

/// The error in the words of a page. Nothing of it comes from inside the service.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Told {
    pub(crate) title: String,
    /// What happened.
    pub(crate) what: String,
    /// What to do next: a link's address and words.
    pub(crate) next: (&'static str, &'static str),
}

impl SiteError {
    pub(crate) fn status(&self) -> StatusCode {
        match self {
            Self::NoSuchPage
            | Self::NoSuchMachine(_)
            | Self::NoSuchPart(_)
            | Self::NoSuchOrder(_)
            | Self::NoSuchAlert(_)
            | Self::FutureMonth(_) => StatusCode::NOT_FOUND,
            Self::OtherOrigin | Self::NotShown | Self::NotAllowed(_) | Self::NotAmongUs(_) => {
                StatusCode::FORBIDDEN
            }
            Self::NotIn => StatusCode::UNAUTHORIZED,
            Self::StaleLink => StatusCode::NOT_FOUND,
            Self::TooLarge => StatusCode::PAYLOAD_TOO_LARGE,
            Self::NotAMonth(_) | Self::NotASpan(_) | Self::NotAsked(..) | Self::NotAForm => {
                StatusCode::BAD_REQUEST
            }
            Self::WrongHost(_) => StatusCode::MISDIRECTED_REQUEST,
            Self::WrongMethod => StatusCode::METHOD_NOT_ALLOWED,
            Self::TooSlow => StatusCode::SERVICE_UNAVAILABLE,
            Self::Source(_) | Self::Template(_) | Self::File(_) => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }

    #[allow(clippy::too_many_lines, reason = "one sentence after the other, in the order of the variants")]
    pub(crate) fn told(&self) -> Told {
        let told = |title: &str, what: String, next| Told { title: title.to_owned(), what, next };
        match self {
            Self::NoSuchPage => told(
                "There is no page here",
                "The address leads nowhere. It may have been mistyped, or come from a link that was cut short.".into(),
                ("/", "Go to Today"),
            ),
            Self::NoSuchMachine(id) => told(
                "There is no such machine",
                format!("No machine is known under “{id}”. It may have been removed since the link was made."),
                ("/machines", "See all machines"),
            ),
            Self::NoSuchAlert(id) => told(
                "There is no such alert",
                format!("No alert is known under “{id}”."),
                ("/alerts", "See the alerts"),
            ),
            Self::NoSuchOrder(order) => told(
                "There is no such order",
                format!("No order is known under “{order}”."),
                ("/orders", "See all orders"),
            ),
            Self::NotShown | Self::NotIn | Self::NotAllowed(_) | Self::NotAmongUs(_) | Self::StaleLink => self.told_at_the_door(),
            Self::NoSuchPart(_) | Self::OtherOrigin | Self::NotAForm | Self::TooLarge => self.told_of_shelf(),
            Self::NotAMonth(fault) => told(
                "That is not a month",
                format!("{fault}, year first."),
                ("/months", "Open the month that is running"),
            ),
            Self::FutureMonth(month) => told(
                &format!("{} has not begun", month.name()),
                "A month has a report from its first day on.".into(),
                ("/months", "Open the month that is running"),
            ),
            Self::NotAsked(name, value) => told(
                "That cannot be asked for",
                format!("“{value}” is no value of “{name}”; /api/v1/openapi.json lists those that there are."),
                ("/", "Go to Today"),
            ),
            Self::NotASpan(days) => told(
                "That is not a span of days",
                format!("“{days}” is not one of the spans that are shown: 7, 30, 120 or 365 days."),
                ("/machines", "See all machines"),
            ),
            Self::WrongHost(host) => told(
                "Not under this name",
                format!(
                    "This service answers only to the names of the machine it runs on, such as localhost, and was \
                     asked for as “{host}”. Open it there as http://localhost, with its port behind."
                ),
                ("/", "Go to Today"),
            ),
            Self::WrongMethod => told(
                "Pages here can only be read",
                "The request wanted to change something, and nothing can be changed this way.".into(),
                ("/", "Go to Today"),
            ),
            Self::TooSlow => told(
                "The page took too long",
                "It was not ready within its time. The service may be busy bringing in readings; load the page again in a minute.".into(),
                ("/", "Go to Today"),
            ),
            Self::Source(_) | Self::Template(_) | Self::File(_) => told(
                "The page could not be made",
                "Something failed inside the service, and its log says what. Readings are taken all the same. \
                 Load the page again in a minute; if it still fails, look into the log."
                    .into(),
                ("/", "Go to Today"),
            ),
        }
    }

    /// The same for whoever may not come in, or not so far.
    fn told_at_the_door(&self) -> Told {
        let (title, what, next) = match self {
            Self::NotShown => (
                "This form is from another visit",
                "It was opened before you came in, or by somebody else, and nothing was changed. Open the page again \
                 and fill it in."
                    .to_owned(),
                ("/", "Go to Today"),
            ),
            Self::NotAllowed(needed) => (
                "This needs another role",
                format!("Only an {needed} may see or do this. An administrator can give you the role."),
                ("/", "Go to Today"),
            ),
            Self::NotAmongUs(name) => (
                "Nobody of this name comes in here",
                format!(
                    "The server in front says that you are “{name}”. An administrator can add that name to the people \
                     who come in."
                ),
                ("/enter", "Come in by a password"),
            ),
            Self::StaleLink => (
                "This link leads nowhere any more",
                "It has been used, or is too old. An administrator can make another.".to_owned(),
                ("/enter", "Come in"),
            ),
            _ => (
                "Come in first",
                "This needs a name, and nothing was changed.".to_owned(),
                ("/enter", "Come in"),
            ),
        };
        Told { title: title.to_owned(), what, next }
    }

    /// The same for the shelf's pages and forms.
    fn told_of_shelf(&self) -> Told {
        let (title, what) = match self {
            Self::NoSuchPart(number) => (
                "There is no such part",
                format!("No part is known under “{number}”. Parts come in with ullage shelf parts import."),
            ),
            Self::OtherOrigin => (
                "This form came from elsewhere",
                "What is sent to this service is only taken from its own pages, and nothing was changed. Open the \
                 page here and fill it in again."
                    .into(),
            ),
            Self::TooLarge => (
                "That is too much for one form",
                "Nothing was changed. Count the shelf in pieces: lots that are left blank are not counted.".into(),
            ),
            _ => (
                "The form could not be read",
                "What arrived is not a form of these pages, and nothing was changed.".into(),
            ),
        };
        Told { title: title.to_owned(), what, next: ("/shelf", "See the shelf") }
    }
}

impl From<csv::Error> for SiteError {
    fn from(fault: csv::Error) -> Self {
        Self::File(fault.into())
    }
}

/// Carries the error out to the guard, which knows the time and the notice and renders the page.
impl IntoResponse for SiteError {
    fn into_response(self) -> Response {
        let mut response = self.status().into_response();
        response.extensions_mut().insert(Arc::new(self));
        response
    }
}
