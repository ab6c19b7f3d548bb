//! The way in and out.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, Request, State};
use axum::http::StatusCode;
use axum::http::header::{HeaderValue, RETRY_AFTER};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::{Extension, Form, RequestExt};

use crate::domain::access::Password;
use crate::site::access::{Turned, back, carry, carry_nothing, door};
use crate::site::access_source::ProviderDoor;
use crate::site::error::SiteError;
use crate::site::form::{Fields, Sent};
use crate::site::format;
use crate::site::pages::{Page, Section, html};
use crate::site::source::Source;
use crate::usecase::access::own::OwnAct;
use crate::usecase::access::{Door, Key, NoEntry, Visit};

#[derive(Template)]
#[template(path = "pages/people/enter.html")]
struct EnterPage {
    page: Page,
    then: String,
    name: String,
    error: Option<String>,
    /// What the provider is called, and where a sign-in by it begins.
    provider: Option<(String, String)>,
}

#[derive(Template)]
#[template(path = "pages/people/link.html")]
struct LinkPage {
    page: Page,
    action: String,
    whose: Option<String>,
    name: String,
    error: Option<String>,
}

/// The form, for whoever is not in; others are led on.
pub(super) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
    visit: Option<Extension<Visit>>,
) -> Result<Response, SiteError> {
    let then = back(Fields::of_query(query.as_deref()).get("then")).to_owned();
    if visit.is_some() || !source.asks_names().await? {
        return Ok(Redirect::to(&then).into_response());
    }
    Ok(enter_page(&source, then, String::new(), None)?.into_response())
}

pub(super) fn enter_page<S: Source>(
    source: &S,
    then: String,
    name: String,
    error: Option<String>,
) -> Result<Html<String>, SiteError> {
    let page = Page::new(source, Section::Elsewhere, "Come in");
    let provider = source.provider().map(|ProviderDoor { label, pages }| {
        let there: String = url::form_urlencoded::byte_serialize(then.as_bytes()).collect();
        (label, format!("{pages}/enter/openid?then={there}"))
    });
    html(&EnterPage { page, then, name, error, provider })
}

/// What a form at the door sent, and where from.
async fn at_the_door(request: Request) -> Result<(Fields, Door), SiteError> {
    let from = door(request.extensions(), request.headers());
    let sent: Sent = request.extract::<Form<_>, _>().await;
    Ok((Fields::of(sent)?, from))
}

/// Lets somebody in.
pub(super) async fn enter<S: Source>(
    State(source): State<S>,
    request: Request,
) -> Result<Response, SiteError> {
    let (fields, from) = at_the_door(request).await?;
    let (name, then) = (fields.get("name").to_owned(), back(fields.get("then")).to_owned());
    let why = match source.enter(&name, Password::typed(fields.raw("password")), from).await? {
        Ok(key) => {
            return Ok(Turned { to: then, cookie: carry(&key, source.is_https()) }.into_response());
        }
        Err(why) => why,
    };
    let (status, words, wait) = match why {
        NoEntry::Wrong => (
            StatusCode::UNPROCESSABLE_ENTITY,
            "This name and password do not belong together.".to_owned(),
            None,
        ),
        NoEntry::Slow(wait) => {
            let seconds = wait.as_secs().max(1).unsigned_abs();
            let long = match seconds {
                0..=90 => format!("{seconds} seconds"),
                _ => format::minutes(seconds.div_ceil(60)),
            };
            (
                StatusCode::TOO_MANY_REQUESTS,
                format!("Too many tries have failed. Try again in {long}."),
                Some(seconds),
            )
        }
    };
    let mut response = (status, enter_page(&source, then, name, Some(words))?).into_response();
    if let Some(seconds) = wait {
        response.headers_mut().insert(RETRY_AFTER, HeaderValue::from(seconds));
    }
    Ok(response)
}

/// Lets somebody out.
pub(super) async fn leave<S: Source>(
    State(source): State<S>,
    visit: Option<Extension<Visit>>,
) -> Result<Response, SiteError> {
    if let Some(Extension(visit)) = visit
        && let Some(person) = visit.actor.id()
    {
        source.own_act((person, visit.actor.role()), OwnAct::EndVisit(visit.session)).await?;
    }
    Ok(Turned { to: "/enter".to_owned(), cookie: carry_nothing(source.is_https()) }.into_response())
}

type Letters = Result<Path<String>, PathRejection>;

fn key_of(letters: Letters) -> Result<Key, SiteError> {
    letters.ok().and_then(|Path(letters)| Key::from_letters(&letters)).ok_or(SiteError::StaleLink)
}

/// The form by which somebody chooses a password.
pub(super) async fn link<S: Source>(
    State(source): State<S>,
    letters: Letters,
) -> Result<Html<String>, SiteError> {
    let key = key_of(letters)?;
    let whose = source.whose_link(&key).await?.ok_or(SiteError::StaleLink)?;
    link_page(&source, &key, whose, String::new(), None)
}

fn link_page<S: Source>(
    source: &S,
    key: &Key,
    whose: Option<String>,
    name: String,
    error: Option<String>,
) -> Result<Html<String>, SiteError> {
    let page = Page::new(source, Section::Elsewhere, "Choose a password");
    html(&LinkPage { page, action: format!("/link/{}", key.letters()), whose, name, error })
}

/// Takes the password, and lets them in.
pub(super) async fn choose<S: Source>(
    State(source): State<S>,
    letters: Letters,
    request: Request,
) -> Result<Response, SiteError> {
    let key = key_of(letters)?;
    let (fields, from) = at_the_door(request).await?;
    let whose = source.whose_link(&key).await?.ok_or(SiteError::StaleLink)?;
    let name = fields.get("name").to_owned();
    let error = if fields.raw("password") == fields.raw("again") {
        match source.choose(&key, &name, fields.raw("password"), from).await? {
            Ok(visit) => {
                let cookie = carry(&visit, source.is_https());
                return Ok(Turned { to: "/".to_owned(), cookie }.into_response());
            }
            Err(refusal) => format!("{}.", format::capital(&refusal.to_string())),
        }
    } else {
        "The two are not the same; write it twice.".to_owned()
    };
    let page = link_page(&source, &key, whose, name, Some(error))?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
}
