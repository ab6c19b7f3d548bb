//! What stands before every page: who may ask, how, for how long, and the headers on the way out.

use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Request, State};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::{Method, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::api;
use super::error::SiteError;
use super::pages;
use super::source::Source;
use crate::actor::{Actor, acting};

/// No page takes this long unless something hangs.
pub(crate) const PATIENCE: Duration = Duration::from_secs(20);

/// Which host names the site answers to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hosts {
    /// `localhost`, `127.0.0.1` and `[::1]`, with any port: for a service bound to the loopback address.
    Loopback,
    /// Any: for a service behind a server that checks the name.
    Any,
}

/// Pages with forms lie under these.
const WRITABLE: [&str; 12] = [
    "/alerts/",
    "/enter",
    "/leave",
    "/link/",
    "/machines/",
    "/months/",
    "/orders",
    "/own/",
    "/runs/",
    "/setup/",
    "/shelf/",
    "/swaps/",
];
/// No form is larger than this: a stock-take of a few thousand lots.
pub(crate) const BODY_BYTES: usize = 256 * 1024;

#[derive(Debug, Clone)]
pub(crate) struct Guard<S> {
    pub(crate) source: S,
    pub(crate) hosts: Hosts,
    /// How long a page may take.
    pub(crate) patience: Duration,
}

const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self' data:; \
         form-action 'self'; \
         frame-ancestors 'none'; base-uri 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    // With "no-referrer" a browser would not say where a form comes from either.
    (header::REFERRER_POLICY, "same-origin"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
];

/// Browsers that came by https once come by nothing else for a year (RFC 6797), whoever stands in between. Not for
/// the names below this host: they are not ours to speak for.
const HTTPS_ONLY: &str = "max-age=31536000";

/// Checks the request, gives it its time, turns errors into pages and sets the headers.
pub(crate) async fn stand<S: Source>(
    State(guard): State<Guard<S>>,
    request: Request,
    next: Next,
) -> Response {
    let uri = request.uri().clone();
    let is_form = request.method() == Method::POST;
    let mut response = match admit(&request, guard.hosts) {
        Err(refused) => refused.into_response(),
        Ok(()) => match tokio::time::timeout(guard.patience, next.run(request)).await {
            Ok(response) => response,
            Err(_) => SiteError::TooSlow.into_response(),
        },
    };
    if let Some(error) = response.extensions_mut().remove::<Arc<SiteError>>() {
        log(&error, &uri);
        response = match response.extensions_mut().remove::<Actor>() {
            _ if api::is_asked(uri.path()) => api::problem(&error),
            Some(actor) => acting(actor, async { pages::error::show(&guard.source, &error) }).await,
            None => pages::error::show(&guard.source, &error),
        };
    }
    if is_form {
        guard.source.outdate();
    }
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if guard.source.is_https() {
        headers.insert(header::STRICT_TRANSPORT_SECURITY, HeaderValue::from_static(HTTPS_ONLY));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-cache"));
    response
}

fn admit(request: &Request, hosts: Hosts) -> Result<(), SiteError> {
    if hosts == Hosts::Loopback {
        let host = host(request.headers(), request.uri());
        if !is_loopback(&host) {
            return Err(SiteError::WrongHost(host.chars().take(80).collect()));
        }
    }
    match *request.method() {
        Method::GET | Method::HEAD => Ok(()),
        Method::POST if !WRITABLE.iter().any(|under| request.uri().path().starts_with(under)) => {
            Err(SiteError::WrongMethod)
        }
        Method::POST if !is_same_origin(request) => Err(SiteError::OtherOrigin),
        Method::POST => Ok(()),
        _ => Err(SiteError::WrongMethod),
    }
}

/// Whether a form comes from a page of this site: the browser says so itself, or names the page's origin. A
/// form on a page elsewhere, filled in by a browser that reaches this site, does neither.
fn is_same_origin(request: &Request) -> bool {
    let (headers, uri) = (request.headers(), request.uri());
    let one = |name: &str| {
        let mut values = headers.get_all(name).iter();
        match (values.next(), values.next()) {
            (None, _) => Ok(None),
            (Some(value), None) => value.to_str().map(Some).map_err(|_| ()),
            (Some(_), Some(_)) => Err(()),
        }
    };
    let own = host(headers, uri);
    let from_here = |origin: &str| {
        let (_, from) = origin.split_once("://").unwrap_or_default();
        !own.is_empty() && from.eq_ignore_ascii_case(&own)
    };
    match (one("sec-fetch-site"), one("origin")) {
        (Ok(Some(site)), Ok(None)) => site == "same-origin",
        (Ok(Some(site)), Ok(Some(origin))) => site == "same-origin" && from_here(origin),
        (Ok(None), Ok(Some(origin))) => from_here(origin),
        _ => false,
    }
}

/// The name that the site was asked for under; empty if none or more than one was given.
fn host(headers: &HeaderMap, uri: &Uri) -> String {
    let mut named = headers.get_all(header::HOST).iter();
    match (uri.authority(), named.next(), named.next()) {
        (Some(authority), None, _) => authority.as_str().to_owned(),
        (_, Some(host), None) => host.to_str().unwrap_or_default().to_owned(),
        _ => String::new(),
    }
}

fn is_loopback(host: &str) -> bool {
    let (name, rest) = match host.find(']') {
        Some(end) if host.starts_with('[') => host.split_at(end + 1),
        _ => host.split_at(host.find(':').unwrap_or(host.len())),
    };
    let port = rest
        .strip_prefix(':')
        .map_or(rest.is_empty(), |port| !port.is_empty() && port.bytes().all(|byte| byte.is_ascii_digit()));
    port && ["localhost", "127.0.0.1", "[::1]"].iter().any(|own| name.eq_ignore_ascii_case(own))
}

/// A fault of ours is logged in full; a fault of the request is of little interest.
fn log(error: &SiteError, uri: &Uri) {
    // What opens the feeds is nobody's business.
    let path = if uri.path().starts_with("/feeds/") { "/feeds/…" } else { uri.path() };
    if error.status().is_server_error() {
        tracing::error!(%error, path, "a page failed");
    } else {
        tracing::debug!(%error, path, "a request was turned down");
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Read as _, Write as _};

    use super::*;
    use crate::site::guarded;
    use crate::site::tests::{full, serve};

    #[test]
    fn a_form_that_does_not_arrive_is_given_up() {
        let guard = Guard { source: full(), hosts: Hosts::Loopback, patience: Duration::from_millis(200) };
        serve(guarded(guard), |to| {
            let mut stream = std::net::TcpStream::connect(to).unwrap();
            stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
            let head = "POST /shelf/count HTTP/1.1\r\nHost: localhost\r\nSec-Fetch-Site: same-origin\r\n\
                        Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\n";
            write!(stream, "{head}who=Ida").unwrap();
            // The connection stays open on this side: what is missing may still come.
            let mut heard = [0; 64];
            let n = stream.read(&mut heard).expect("it is waited for without end");
            assert!(heard[..n].starts_with(b"HTTP/1.1 503"), "{}", String::from_utf8_lossy(&heard[..n]));
        });
    }

    #[test]
    fn only_names_of_this_machine_are_loopback() {
        for own in ["localhost", "LOCALHOST:8080", "127.0.0.1", "127.0.0.1:1", "[::1]", "[::1]:443"] {
            assert!(is_loopback(own), "{own}");
        }
        for other in [
            "",
            "localhost.example",
            "example.org",
            "127.0.0.1.example:80",
            "[::1",
            "[::2]",
            "::1",
            "localhost:",
            "localhost:80x",
            "localhost:80:80",
            "user@localhost",
            "[::1]x",
        ] {
            assert!(!is_loopback(other), "{other}");
        }
    }
}
