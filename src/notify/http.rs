//! One request to one web address, and what it answers with.
//!
//! The address that is checked is the one that is connected to: the name is resolved once, here, so that nobody can
//! answer one address for the check and another for the call. Redirects are not followed, and no more of what the other
//! side says is read than the caller has room for.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;

use http_body_util::{BodyExt as _, Full, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1::handshake;
use hyper::{Method, Request, header};
use hyper_util::rt::TokioIo;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpStream, lookup_host};
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::crypto::ring::default_provider;
use tokio_rustls::rustls::pki_types::ServerName;
use tokio_rustls::rustls::{ClientConfig, RootCertStore};
use url::{Host, Url};

use super::address::is_public;
use crate::config::deliver::{Trust, WebhookSettings};

/// Why no status came back.
#[derive(Debug, thiserror::Error)]
pub enum CallFault {
    /// The name is not known.
    #[error("{host} cannot be found: {fault}")]
    NotFound {
        /// The name.
        host: String,
        /// What the system says.
        fault: io::Error,
    },
    /// The name leads to this machine or a private network only.
    #[error(
        "{0} leads to this machine or to a private network; allow that with webhook.allow_private = true"
    )]
    Private(String),
    /// Nobody answers there.
    #[error("{host} does not take the connection: {fault}")]
    Refused {
        /// The name.
        host: String,
        /// What the system says.
        fault: io::Error,
    },
    /// The certificate is not trusted, or the other side speaks no TLS.
    #[error("no safe connection to {host}: {fault}")]
    Unsafe {
        /// The name.
        host: String,
        /// What is wrong.
        fault: String,
    },
    /// The connection broke in the middle.
    #[error("the connection broke before an answer came: {0}")]
    Broken(#[from] hyper::Error),
    /// There is more to the answer than there is room for, or it broke off.
    #[error("the answer could not be read: {0}")]
    Unreadable(String),
    /// The address cannot be asked.
    #[error("the address cannot be used: {0}")]
    Unusable(String),
}

/// Where a call may go, and whom it trusts.
#[derive(Debug, Clone, Copy)]
pub struct Reach<'a> {
    /// Whether this machine and private networks may be called.
    pub allow_private: bool,
    /// Whose certificates are taken besides.
    pub trust: &'a Trust,
}

/// What is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wants {
    /// What is there.
    Get,
    /// That something is taken.
    Post {
        /// What.
        body: Vec<u8>,
    },
}

/// What came back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The status.
    pub status: u16,
    /// As much of the rest as there was room for: all of it or, without room, nothing.
    pub body: Vec<u8>,
}

/// Sends a body with some headers, and gives back the status.
///
/// # Errors
/// See [`CallFault`]; it is not known then whether the other side has taken it.
pub async fn post(
    url: &Url,
    headers: &[(&'static str, String)],
    body: Vec<u8>,
    settings: &WebhookSettings,
) -> Result<u16, CallFault> {
    let reach = Reach { allow_private: settings.allow_private, trust: &settings.trust };
    Ok(call(url, Wants::Post { body }, headers, reach, 0).await?.status)
}

/// Asks with some headers, and gives back the answer, for which there is `room` in octets; with none it is not read.
///
/// # Errors
/// See [`CallFault`]; it is not known then whether the other side has taken what was sent.
pub async fn call(
    url: &Url,
    wants: Wants,
    headers: &[(&'static str, String)],
    reach: Reach<'_>,
    room: usize,
) -> Result<Answer, CallFault> {
    let host = url.host_str().ok_or_else(|| CallFault::Unusable("it names no host".to_owned()))?.to_owned();
    let stream = connect(url, &host, reach.allow_private).await?;
    let request = request(url, wants, headers).map_err(|fault| CallFault::Unusable(fault.to_string()))?;
    if url.scheme() == "http" {
        return exchange(stream, request, room).await;
    }
    let name = ServerName::try_from(host.trim_matches(['[', ']']).to_owned())
        .map_err(|fault| CallFault::Unsafe { host: host.clone(), fault: fault.to_string() })?;
    let tls = TlsConnector::from(Arc::new(trust(&host, reach.trust)?));
    let safe = tls.connect(name, stream).await;
    let safe = safe.map_err(|fault| CallFault::Unsafe { host, fault: fault.to_string() })?;
    exchange(safe, request, room).await
}

async fn connect(url: &Url, host: &str, allow_private: bool) -> Result<TcpStream, CallFault> {
    let port = url.port_or_known_default().unwrap_or(443);
    let found: Vec<SocketAddr> = match url.host() {
        Some(Host::Ipv4(address)) => vec![SocketAddr::from((address, port))],
        Some(Host::Ipv6(address)) => vec![SocketAddr::from((address, port))],
        _ => {
            let found = lookup_host((host, port)).await;
            found.map_err(|fault| CallFault::NotFound { host: host.to_owned(), fault })?.collect()
        }
    };
    let allowed = found.iter().filter(|address| allow_private || is_public(address.ip()));
    let mut last = None;
    for address in allowed {
        match TcpStream::connect(address).await {
            Ok(stream) => return Ok(stream),
            Err(fault) => last = Some(fault),
        }
    }
    Err(match last {
        Some(fault) => CallFault::Refused { host: host.to_owned(), fault },
        None => CallFault::Private(host.to_owned()),
    })
}

fn request(
    url: &Url,
    wants: Wants,
    headers: &[(&'static str, String)],
) -> Result<Request<Full<Bytes>>, hyper::http::Error> {
    let (method, body) = match wants {
        Wants::Get => (Method::GET, Vec::new()),
        Wants::Post { body } => (Method::POST, body),
    };
    let host = url.host_str().unwrap_or_default();
    let authority = url.port().map_or_else(|| host.to_owned(), |port| format!("{host}:{port}"));
    let path = url.query().map_or_else(|| url.path().to_owned(), |query| format!("{}?{query}", url.path()));
    let mut request = Request::builder()
        .method(method)
        .uri(path)
        .header(header::HOST, authority)
        .header(header::USER_AGENT, concat!("ullage/", env!("CARGO_PKG_VERSION")))
        .header(header::CONNECTION, "close");
    for (name, value) in headers {
        request = request.header(*name, value);
    }
    request.body(Full::new(Bytes::from(body)))
}

/// What this machine trusts, and what the settings trust besides.
fn trust(host: &str, besides: &Trust) -> Result<ClientConfig, CallFault> {
    let mut roots = RootCertStore::empty();
    let found = rustls_native_certs::load_native_certs();
    roots.add_parsable_certificates(found.certs);
    roots.add_parsable_certificates(besides.0.iter().cloned());
    let config = ClientConfig::builder_with_provider(Arc::new(default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|fault| CallFault::Unsafe { host: host.to_owned(), fault: fault.to_string() })?;
    Ok(config.with_root_certificates(roots).with_no_client_auth())
}

async fn exchange<S>(stream: S, request: Request<Full<Bytes>>, room: usize) -> Result<Answer, CallFault>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let (mut sender, connection) = handshake(TokioIo::new(stream)).await?;
    let exchange = async {
        let answer = sender.send_request(request).await?;
        let status = answer.status().as_u16();
        let body = match room {
            0 => Vec::new(),
            room => {
                let read = Limited::new(answer.into_body(), room).collect().await;
                read.map_err(|fault| CallFault::Unreadable(fault.to_string()))?.to_bytes().to_vec()
            }
        };
        Ok(Answer { status, body })
    };
    tokio::pin!(exchange);
    // The connection has to be driven until what is read of the answer is there, and no longer.
    tokio::select! {
        biased;
        answer = &mut exchange => answer,
        broken = connection => {
            broken?;
            exchange.await
        }
    }
}
