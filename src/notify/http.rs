//! One POST to one web address, and the status that it answers with.
//!
//! The address that is checked is the one that is connected to: the name is resolved once, here, so that nobody can
//! answer one address for the check and another for the call. Redirects are not followed, and what the other side
//! says beyond its status is not read.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;

use http_body_util::Full;
use hyper::body::Bytes;
use hyper::client::conn::http1::handshake;
use hyper::{Request, header};
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
    /// The address cannot be asked.
    #[error("the address cannot be used: {0}")]
    Unusable(String),
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
    let host = url.host_str().ok_or_else(|| CallFault::Unusable("it names no host".to_owned()))?.to_owned();
    let stream = connect(url, &host, settings.allow_private).await?;
    let request = request(url, headers, body).map_err(|fault| CallFault::Unusable(fault.to_string()))?;
    if url.scheme() == "http" {
        return exchange(stream, request).await;
    }
    let name = ServerName::try_from(host.trim_matches(['[', ']']).to_owned())
        .map_err(|fault| CallFault::Unsafe { host: host.clone(), fault: fault.to_string() })?;
    let tls = TlsConnector::from(Arc::new(trust(&host, &settings.trust)?));
    let safe = tls.connect(name, stream).await;
    let safe = safe.map_err(|fault| CallFault::Unsafe { host, fault: fault.to_string() })?;
    exchange(safe, request).await
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
    headers: &[(&'static str, String)],
    body: Vec<u8>,
) -> Result<Request<Full<Bytes>>, hyper::http::Error> {
    let host = url.host_str().unwrap_or_default();
    let authority = url.port().map_or_else(|| host.to_owned(), |port| format!("{host}:{port}"));
    let path = url.query().map_or_else(|| url.path().to_owned(), |query| format!("{}?{query}", url.path()));
    let mut request = Request::post(path)
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

async fn exchange<S>(stream: S, request: Request<Full<Bytes>>) -> Result<u16, CallFault>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let (mut sender, connection) = handshake(TokioIo::new(stream)).await?;
    let exchange = async {
        let answer = sender.send_request(request).await?;
        Ok(answer.status().as_u16())
    };
    tokio::pin!(exchange);
    // The connection has to be driven until the answer's head is there, and no longer.
    tokio::select! {
        biased;
        status = &mut exchange => status,
        broken = connection => {
            broken?;
            exchange.await
        }
    }
}
