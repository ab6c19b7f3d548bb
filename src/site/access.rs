//! Lets in who belongs: who asks, whether their role is enough, and whether a form was shown to them.

use std::net::{IpAddr, SocketAddr};

use axum::body::{Body, to_bytes};
use axum::extract::{ConnectInfo, Request, State};
use axum::http::header::{self, HeaderMap, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use hmac::{Hmac, Mac};
use sha2::Sha256;

use super::error::SiteError;
use super::guard::BODY_BYTES;
use super::source::Source;
use crate::actor::{Actor, acting};
use crate::domain::access::Role;
use crate::openid::ticket::LASTS;
use crate::usecase::access::{Door, Key, Visit};

/// The cookie's name. With its prefix a browser takes it only by https, for this host alone.
const COOKIE: &str = "ullage_visit";
const COOKIE_BY_HTTPS: &str = "__Host-ullage_visit";
/// The same of what a browser carries to the provider of sign-ins and back.
const TICKET: &str = "ullage_ticket";
const TICKET_BY_HTTPS: &str = "__Host-ullage_ticket";

/// Who the pages are made for where nobody is asked for a name.
const UNNAMED: &str = "somebody at this machine";

/// What a request needs: nothing, or a role.
fn need(method: &Method, path: &str) -> Option<Role> {
    let reads = matches!(*method, Method::GET | Method::HEAD);
    let under = |places: &[&str]| {
        places
            .iter()
            .any(|place| path == *place || path.strip_prefix(place).is_some_and(|rest| rest.starts_with('/')))
    };
    // A feed's address is itself the secret.
    if under(&["/style.css", "/healthz", "/readyz", "/enter", "/link", "/feeds"]) {
        return None;
    }
    if under(&["/leave", "/own"]) {
        return Some(Role::Reader);
    }
    // Who is told, by which rule, and what is watched is an administrator's to say.
    let administers =
        under(&["/setup"]) || (!reads && under(&["/alerts/told", "/alerts/rules", "/alerts/feeds"]));
    Some(match (administers, reads) {
        (true, _) => Role::Administrator,
        (false, true) => Role::Reader,
        (false, false) => Role::Operator,
    })
}

/// Lets a request through on behalf of whoever sent it, or turns it away.
pub(crate) async fn admit<S: Source>(State(source): State<S>, mut request: Request, next: Next) -> Response {
    let asks = match source.asks_names().await {
        Ok(asks) => asks,
        Err(fault) => return SiteError::from(fault).into_response(),
    };
    if !asks {
        return acting(Actor::unnamed(UNNAMED), next.run(request)).await;
    }
    let needed = need(request.method(), request.uri().path());
    let mut who = match who(&source, request.headers()).await {
        Ok(who) => who,
        Err(fault) => return fault.into_response(),
    };
    if needed.is_some()
        && let Some(name) = named_in_front(&source, &request)
    {
        who = match in_by_front(&source, (name, door(request.extensions(), request.headers())), who).await {
            Ok(who) => Some(who),
            Err(fault) => return fault.into_response(),
        };
    }
    let Some((actor, visit)) = who else {
        return match needed {
            None => next.run(request).await,
            Some(_) => turned_away(&request),
        };
    };
    if needed.is_some_and(|needed| actor.role() < needed) {
        let refused = SiteError::NotAllowed(needed.unwrap_or(Role::Reader));
        return for_the_page_of_an_error(refused.into_response(), actor);
    }
    if needed.is_some() && !matches!(*request.method(), Method::GET | Method::HEAD) {
        request = match was_shown(request, &actor).await {
            Ok(request) => request,
            Err(fault) => return for_the_page_of_an_error(fault.into_response(), actor),
        };
    }
    let turned = visit.as_ref().and_then(|visit| visit.next.clone());
    if let Some(visit) = visit {
        request.extensions_mut().insert(visit);
    }
    let mut response = acting(actor.clone(), next.run(request)).await;
    let carries = |cookie: &HeaderValue| {
        let names = [COOKIE, COOKIE_BY_HTTPS].map(|name| format!("{name}="));
        names.iter().any(|name| cookie.as_bytes().starts_with(name.as_bytes()))
    };
    let own = response.headers().get_all(header::SET_COOKIE).iter().any(carries);
    if let Some(key) = turned.filter(|_| !own) {
        response.headers_mut().append(header::SET_COOKIE, carry(&key, source.is_https()));
    }
    response.headers_mut().entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    for_the_page_of_an_error(response, actor)
}

/// The page of an error is made outside; it, too, is made for somebody.
fn for_the_page_of_an_error(mut response: Response, actor: Actor) -> Response {
    response.extensions_mut().insert(actor);
    response
}

/// Who sent a request: a browser that carries a visit, or a program with a token.
async fn who<S: Source>(
    source: &S,
    headers: &HeaderMap,
) -> Result<Option<(Actor, Option<Visit>)>, SiteError> {
    if let Some(said) = headers.get(header::AUTHORIZATION) {
        let token =
            said.to_str().ok().and_then(|said| said.strip_prefix("Bearer ")).and_then(Key::from_letters);
        let Some(token) = token else { return Ok(None) };
        return Ok(source.program(&token).await?.map(|actor| (actor, None)));
    }
    let Some(key) = carried(headers, source.is_https()) else { return Ok(None) };
    Ok(source.visit(&key).await?.map(|visit| (visit.actor.clone(), Some(visit))))
}

/// Whom the server in front says a request is from. A header that stands twice, or is nothing to read, says nothing.
fn named_in_front<S: Source>(source: &S, request: &Request) -> Option<String> {
    let front = source.front()?;
    let peer = request.extensions().get::<ConnectInfo<SocketAddr>>()?.0.ip();
    let mut said = request.headers().get_all(&front.header).iter();
    let (Some(name), None) = (said.next(), said.next()) else { return None };
    let name = std::str::from_utf8(name.as_bytes()).ok()?.trim();
    let readable = (1..=80).contains(&name.chars().count()) && !name.contains(char::is_control);
    (front.is_at(peer) && readable).then(|| name.to_owned())
}

/// Whoever the server in front names: by the visit that is under way, if it is theirs, else by a new one. What a
/// program brings along goes before.
async fn in_by_front<S: Source>(
    source: &S,
    (name, door): (String, Door),
    who: Option<(Actor, Option<Visit>)>,
) -> Result<(Actor, Option<Visit>), SiteError> {
    if let Some((actor, visit)) = who
        && (visit.is_none() || actor.name().to_lowercase() == name.to_lowercase())
    {
        return Ok((actor, visit));
    }
    let unknown = || SiteError::NotAmongUs(name.clone());
    let key = source.enter_by_front(&name, door).await?.ok_or_else(unknown)?;
    let visit = source.visit(&key).await?.ok_or_else(unknown)?;
    Ok((visit.actor.clone(), Some(Visit { next: Some(key), ..visit })))
}

/// Somebody who has to come in first: a page leads to the door and back, anything else is refused.
fn turned_away(request: &Request) -> Response {
    let (method, uri) = (request.method(), request.uri());
    let page = *method == Method::GET && !request.headers().contains_key(header::AUTHORIZATION);
    if page && !uri.path().starts_with("/api/") {
        let then = uri.path_and_query().map_or("/", |there| there.as_str());
        let there: String = url::form_urlencoded::byte_serialize(then.as_bytes()).collect();
        return Redirect::to(&format!("/enter?then={there}")).into_response();
    }
    let mut response = SiteError::NotIn.into_response();
    response.headers_mut().insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
    response
}

/// What a browser carries, if it carries one thing.
fn carried(headers: &HeaderMap, https: bool) -> Option<Key> {
    Key::from_letters(carried_as(headers, [COOKIE, COOKIE_BY_HTTPS], https)?)
}

fn carried_as<'a>(headers: &'a HeaderMap, [plain, by_https]: [&str; 2], https: bool) -> Option<&'a str> {
    let name = if https { by_https } else { plain };
    let pairs = headers.get_all(header::COOKIE).iter().filter_map(|line| line.to_str().ok());
    let mut found = pairs.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    found.find(|(known, _)| *known == name).map(|(_, letters)| letters)
}

/// Has a browser carry a key.
pub(crate) fn carry(key: &Key, https: bool) -> HeaderValue {
    cookie([COOKIE, COOKIE_BY_HTTPS], &key.letters(), "", https)
}

/// Has a browser carry nothing any more.
pub(crate) fn carry_nothing(https: bool) -> HeaderValue {
    cookie([COOKIE, COOKIE_BY_HTTPS], "", "; Max-Age=0", https)
}

/// Has a browser carry a ticket to the provider and back.
pub(crate) fn carry_ticket(letters: &str, https: bool) -> HeaderValue {
    cookie([TICKET, TICKET_BY_HTTPS], letters, &format!("; Max-Age={}", LASTS.as_secs()), https)
}

/// Has it carry none any more.
pub(crate) fn carry_no_ticket(https: bool) -> HeaderValue {
    cookie([TICKET, TICKET_BY_HTTPS], "", "; Max-Age=0", https)
}

/// The ticket that a browser carries.
pub(crate) fn carried_ticket(headers: &HeaderMap, https: bool) -> Option<&str> {
    carried_as(headers, [TICKET, TICKET_BY_HTTPS], https)
}

/// A cookie that comes along when a link elsewhere leads here, as from the provider, and with nothing else.
fn cookie([plain, by_https]: [&str; 2], letters: &str, more: &str, https: bool) -> HeaderValue {
    let (name, secure) = if https { (by_https, "; Secure") } else { (plain, "") };
    let text = format!("{name}={letters}; Path=/; HttpOnly; SameSite=Lax{secure}{more}");
    HeaderValue::from_str(&text).unwrap_or(HeaderValue::from_static(""))
}

/// Where somebody comes in from. A loopback address may be that of a server in front, which tells nobody apart.
pub(crate) fn door(extensions: &axum::http::Extensions, headers: &HeaderMap) -> Door {
    let address = extensions.get::<ConnectInfo<SocketAddr>>().map(|info| info.0.ip().to_canonical());
    let agent = headers.get(header::USER_AGENT).and_then(|agent| agent.to_str().ok());
    Door {
        address: address.filter(|address: &IpAddr| !address.is_loopback()),
        agent: agent.unwrap_or("").to_owned(),
    }
}

/// A form's token: sixteen digits of its own, and sixteen that show whom it was made for.
pub(crate) fn sign(key: &[u8; 32], own: &str) -> Option<String> {
    let mut mac = Hmac::<Sha256>::new_from_slice(key).ok()?;
    mac.update(own.as_bytes());
    let signed = mac.finalize().into_bytes();
    Some(signed.iter().take(8).map(|byte| format!("{byte:02x}")).collect())
}

fn is_signed(key: &[u8; 32], token: &str) -> bool {
    let Some((own, digits)) = token.split_at_checked(16) else { return false };
    let digits: Option<Vec<u8>> = (0..8)
        .map(|i| digits.get(2 * i..2 * i + 2).and_then(|two| u8::from_str_radix(two, 16).ok()))
        .collect();
    let mac = Hmac::<Sha256>::new_from_slice(key).ok();
    match (mac, digits) {
        (Some(mac), Some(digits)) if token.len() == 32 => {
            mac.chain_update(own.as_bytes()).verify_truncated_left(&digits).is_ok()
        }
        _ => false,
    }
}

/// Gives a request back if its form was shown to the visit that sends it. A form that carries a file names its token
/// in the address. Programs carry no cookie that another page could borrow, and show no forms.
async fn was_shown(request: Request, actor: &Actor) -> Result<Request, SiteError> {
    let Some(key) = actor.form_key() else { return Ok(request) };
    let kind = request.headers().get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok());
    let is_form = kind.is_none_or(|kind| kind.starts_with("application/x-www-form-urlencoded"));
    let query = request.uri().query().unwrap_or_default().as_bytes().to_vec();
    let (parts, body) = request.into_parts();
    let (fields, body) = if is_form {
        let bytes = to_bytes(body, BODY_BYTES).await.map_err(|_| SiteError::TooLarge)?;
        (bytes.to_vec(), Body::from(bytes))
    } else {
        (query, body)
    };
    let token = url::form_urlencoded::parse(&fields).find(|(name, _)| name == "once");
    if token.is_some_and(|(_, token)| is_signed(key, &token)) {
        Ok(Request::from_parts(parts, body))
    } else {
        Err(SiteError::NotShown)
    }
}

/// Where to go once somebody is in: a page of this site, or Today.
pub(crate) fn back(then: &str) -> &str {
    let own = then.starts_with('/')
        && !then.starts_with("//")
        && !then.contains(['\\', '\r', '\n', '\t'])
        && !then.starts_with("/enter")
        && !then.starts_with("/link");
    if own { then } else { "/" }
}

impl IntoResponse for Turned {
    fn into_response(self) -> Response {
        let mut response = (StatusCode::SEE_OTHER, [(header::LOCATION, self.to)]).into_response();
        response.headers_mut().insert(header::SET_COOKIE, self.cookie);
        response
    }
}

/// Leads on, with something else to carry.
pub(crate) struct Turned {
    pub(crate) to: String,
    pub(crate) cookie: HeaderValue,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_place_needs_its_role() {
        use Role::{Administrator, Operator, Reader};
        for (method, path, role) in [
            (Method::GET, "/", Some(Reader)),
            (Method::GET, "/styles", Some(Reader)),
            (Method::GET, "/style.css", None),
            (Method::GET, "/enter", None),
            (Method::POST, "/enter", None),
            (Method::GET, "/enterprise", Some(Reader)),
            (Method::GET, "/link/abc", None),
            (Method::GET, "/feeds/abc/tasks.ics", None),
            (Method::POST, "/alerts/feeds/make", Some(Administrator)),
            (Method::POST, "/leave", Some(Reader)),
            (Method::POST, "/own/password", Some(Reader)),
            (Method::POST, "/orders", Some(Operator)),
            (Method::POST, "/alerts/3", Some(Operator)),
            (Method::GET, "/alerts/told", Some(Reader)),
            (Method::POST, "/alerts/told", Some(Administrator)),
            (Method::POST, "/alerts/told/3", Some(Administrator)),
            (Method::GET, "/setup", Some(Administrator)),
            (Method::GET, "/setup/people", Some(Administrator)),
            (Method::HEAD, "/setup", Some(Administrator)),
            (Method::DELETE, "/machines/1", Some(Operator)),
        ] {
            assert_eq!(need(&method, path), role, "{method} {path}");
        }
    }

    #[test]
    fn the_way_back_stays_on_this_site() {
        for own in ["/", "/machines/3?days=30", "/setup/people"] {
            assert_eq!(back(own), own);
        }
        for other in
            ["", "//elsewhere.example", "https://elsewhere.example", "/\\elsewhere", "/enter?then=/", "x"]
        {
            assert_eq!(back(other), "/", "{other}");
        }
    }

    #[test]
    fn a_form_is_known_by_whom_it_was_shown_to() {
        let key = [3; 32];
        let own = "0123456789abcdef";
        let token = format!("{own}{}", sign(&key, own).unwrap());
        assert!(token.len() == 32 && is_signed(&key, &token));
        assert!(!is_signed(&[4; 32], &token));
        for other in
            ["", own, &token[1..], &format!("{token}0"), &token.replace('0', "1"), "é".repeat(16).as_str()]
        {
            assert!(!is_signed(&key, other), "{other}");
        }
    }

    #[test]
    fn a_browser_carries_one_thing_and_only_here() {
        let key = Key::fresh().unwrap();
        let header = carry(&key, true);
        let text = header.to_str().unwrap();
        assert!(text.starts_with("__Host-ullage_visit=") && text.contains("; Secure"), "{text}");
        assert!(text.contains("; HttpOnly") && text.contains("; SameSite=Lax") && text.contains("; Path=/"));
        let mut headers = HeaderMap::new();
        let line = format!("a=b; ullage_visit={}; c=d", key.letters());
        headers.insert(header::COOKIE, HeaderValue::from_str(&line).unwrap());
        assert_eq!(carried(&headers, false), Some(key));
        assert_eq!(carried(&headers, true), None);
    }
}
