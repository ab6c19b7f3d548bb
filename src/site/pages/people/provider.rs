//! The way in by a provider of OpenID Connect: out to it, and back.

use axum::Extension;
use axum::extract::{RawQuery, Request, State};
use axum::http::header::{CACHE_CONTROL, HeaderValue, LOCATION, SET_COOKIE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Redirect, Response};

use super::door::enter_page;
use crate::openid::Fault;
use crate::openid::provider::Returned;
use crate::site::access::{back as way_back, carried_ticket, carry, carry_no_ticket, carry_ticket, door};
use crate::site::access_source::NotIn;
use crate::site::error::SiteError;
use crate::site::form::Fields;
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::access::Visit;
use crate::usecase::access::own::OwnAct;

/// Sends somebody to the provider.
pub(super) async fn begin<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
    visit: Option<Extension<Visit>>,
) -> Result<Response, SiteError> {
    if source.provider().is_none() {
        return Err(SiteError::NoSuchPage);
    }
    let then = way_back(Fields::of_query(query.as_deref()).get("then")).to_owned();
    if visit.is_some() || !source.asks_names().await? {
        return Ok(Redirect::to(&then).into_response());
    }
    match source.to_provider(&then).await? {
        Ok((there, ticket)) => Ok(led(&there, &[carry_ticket(&ticket, source.is_https())])),
        Err(fault) => refused(&source, then, &NotIn::from(fault)),
    }
}

/// Takes somebody in who comes back from it.
pub(super) async fn back<S: Source>(
    State(source): State<S>,
    visit: Option<Extension<Visit>>,
    request: Request,
) -> Result<Response, SiteError> {
    if source.provider().is_none() || !source.asks_names().await? {
        return Err(SiteError::NoSuchPage);
    }
    let https = source.is_https();
    let came = match (carried(request.headers(), https), returned(request.uri().query())) {
        (Some(ticket), Some(returned)) => {
            let from = door(request.extensions(), request.headers());
            source.back_from_provider(&ticket, returned, from).await?
        }
        _ => Err(Fault::Stale.into()),
    };
    match came {
        Ok((key, then)) => {
            // Whoever was in by this browser before is out.
            if let Some(Extension(visit)) = visit
                && let Some(person) = visit.actor.id()
            {
                source.own_act((person, visit.actor.role()), OwnAct::EndVisit(visit.session)).await?;
            }
            Ok(led(way_back(&then), &[carry(&key, https), carry_no_ticket(https)]))
        }
        Err(why) => refused(&source, "/".to_owned(), &why),
    }
}

fn carried(headers: &HeaderMap, https: bool) -> Option<String> {
    carried_ticket(headers, https).map(str::to_owned)
}

/// What stands in the address; nothing if a part of it stands there twice.
fn returned(query: Option<&str>) -> Option<Returned> {
    let fields = Fields::of_query(query);
    let one = |name: &str| {
        let mut values = fields.all(name);
        match (values.next(), values.next()) {
            (value, None) => Some(value.filter(|value| !value.is_empty()).map(str::to_owned)),
            (_, Some(_)) => None,
        }
    };
    Some(Returned { state: one("state")??, code: one("code")?, error: one("error")?, issuer: one("iss")? })
}

fn led(to: &str, cookies: &[HeaderValue]) -> Response {
    let mut response = (StatusCode::SEE_OTHER, [(LOCATION, to.to_owned())]).into_response();
    for cookie in cookies {
        response.headers_mut().append(SET_COOKIE, cookie.clone());
    }
    response.headers_mut().insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

/// The way in, with why nobody came in by it. What the browser carries stays where the ticket was not asked for by its
/// own state: a link elsewhere could otherwise end somebody's sign-in.
fn refused<S: Source>(source: &S, then: String, why: &NotIn) -> Result<Response, SiteError> {
    let status = match why {
        NotIn::Fault(Fault::Unreachable(_)) => StatusCode::BAD_GATEWAY,
        NotIn::Fault(Fault::Busy | Fault::Random(_)) => StatusCode::SERVICE_UNAVAILABLE,
        NotIn::Fault(_) | NotIn::NotLetIn(_) => StatusCode::FORBIDDEN,
    };
    let told = format!("{}.", format::capital(&why.to_string()));
    let mut response = (status, enter_page(source, then, String::new(), Some(told))?).into_response();
    response.headers_mut().insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    if !matches!(why, NotIn::Fault(Fault::Stale)) {
        response.headers_mut().insert(SET_COOKIE, carry_no_ticket(source.is_https()));
    }
    Ok(response)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_stands_in_the_address_twice_counts_for_nothing() {
        let whole = returned(Some("state=a&code=b&iss=https%3A%2F%2Flogin.loft.example")).unwrap();
        let expected = Returned {
            state: "a".to_owned(),
            code: Some("b".to_owned()),
            error: None,
            issuer: Some("https://login.loft.example".to_owned()),
        };
        assert_eq!(whole, expected);
        for query in [None, Some(""), Some("code=b"), Some("state=&code=b"), Some("state=a&state=a&code=b")] {
            assert_eq!(returned(query), None, "{query:?}");
        }
        assert_eq!(returned(Some("state=a&code=b&code=c")), None);
        assert_eq!(returned(Some("state=a&error=access_denied")).unwrap().code, None);
    }
}
