//! Settings of the door.

use std::net::IpAddr;
use std::path::PathBuf;
use std::time::Duration;

use jiff::SignedDuration;

use super::openid::OpenIdSettings;
use super::ranges::Range;
use super::read::Reader;
use crate::domain::access::Limits;

/// How people come in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccessSettings {
    /// How long a visit lasts.
    pub limits: Limits,
    /// Whether browsers reach the pages by https: through a server in front, or with a certificate of our own.
    pub https: bool,
    /// The certificate to serve the pages with, if it is not a server in front that speaks https.
    pub certificate: Option<CertificateFiles>,
    /// The server in front that says who somebody is, if one may.
    pub front: Option<Front>,
    /// The provider that people may come in by, if there is one.
    pub openid: Option<OpenIdSettings>,
}

impl AccessSettings {
    /// What the pages are served by here, whatever a server in front speaks.
    #[must_use]
    pub fn scheme(&self) -> &'static str {
        if self.certificate.is_some() { "https" } else { "http" }
    }
}

/// Where a certificate and its key are kept, both as PEM.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CertificateFiles {
    /// The certificate, and those between it and one that browsers know.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// A server in front that knows its people, and says in a header who sends a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Front {
    /// The header's name, in lower case.
    pub header: String,
    /// Where it speaks from. From anywhere else the header says nothing.
    pub from: Vec<Range>,
}

impl Front {
    /// Whether what comes from an address comes from the server in front.
    #[must_use]
    pub fn is_at(&self, address: IpAddr) -> bool {
        let one = Range::one(address.to_canonical());
        self.from.iter().any(|range| range.contains(&one))
    }
}

pub(super) fn access(reader: &mut Reader<'_>) -> AccessSettings {
    let mut span = |key, usual: SignedDuration, least, most| {
        let usual = usual.unsigned_abs();
        let said = reader.duration(key, usual, (least, most));
        SignedDuration::try_from(said).unwrap_or(SignedDuration::MAX)
    };
    let day = Duration::from_hours(24);
    let idle = span("access.idle", Limits::USUAL.idle, Duration::from_mins(5), 30 * day);
    let at_most = span("access.at_most", Limits::USUAL.at_most, Duration::from_hours(1), 90 * day);
    let certificate = certificate(reader);
    AccessSettings {
        limits: Limits { idle, at_most },
        https: reader.flag("listen.https", false) || certificate.is_some(),
        certificate,
        front: front(reader),
        // What it is read from is known once the address of the pages is.
        openid: None,
    }
}

fn certificate(reader: &mut Reader<'_>) -> Option<CertificateFiles> {
    match (reader.path("listen.certificate"), reader.path("listen.key")) {
        (Some(certificate), Some(key)) => Some(CertificateFiles { certificate, key }),
        (Some(_), None) => {
            reader.fault("listen.key", "has to name the file of the certificate's private key (PEM)");
            None
        }
        (None, Some(_)) => {
            reader.fault("listen.certificate", "has to name the file of the certificate (PEM)");
            None
        }
        (None, None) => None,
    }
}

fn front(reader: &mut Reader<'_>) -> Option<Front> {
    let header = reader.checked("access.front_header", |text| {
        let is_name = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
        let given = ["authorization", "cookie", "host", "content-type", "user-agent"];
        let lower = text.to_ascii_lowercase();
        match lower.chars().all(is_name) && !lower.is_empty() && !given.contains(&lower.as_str()) {
            true => Ok(lower),
            false => Err("must be the name of a header that only the server in front sets".to_owned()),
        }
    });
    let from: Vec<Range> = reader.list("access.front_from", "[\"127.0.0.1\", \"10.0.0.5\"]");
    match (header, from.is_empty()) {
        (Some(header), false) => Some(Front { header, from }),
        (Some(_), true) => {
            reader.fault("access.front_from", "has to say where the server in front speaks from");
            None
        }
        (None, false) => {
            reader
                .fault("access.front_header", "has to say in which header the server in front names people");
            None
        }
        (None, true) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_header_says_something_only_from_where_the_server_in_front_is() {
        let from = ["127.0.0.1", "10.2.0.0/16"].map(|range| range.parse().unwrap()).to_vec();
        let front = Front { header: "x-loft-person".to_owned(), from };
        for (address, is_front) in [
            ("127.0.0.1", true),
            ("::ffff:127.0.0.1", true),
            ("127.0.0.2", false),
            ("10.2.3.4", true),
            ("10.3.0.1", false),
            ("::1", false),
        ] {
            assert_eq!(front.is_at(address.parse().unwrap()), is_front, "{address}");
        }
    }
}
