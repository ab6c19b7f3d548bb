//! How messages go out: `mail`, `webhook` and `deliver`.

use std::time::Duration;

use lettre::message::Mailbox;
use tokio_rustls::rustls::pki_types::CertificateDer;
use tokio_rustls::rustls::pki_types::pem::PemObject;

use super::read::Reader;
use super::secrets::secret;
pub use crate::domain::secret::Secret;

/// Certificate authorities that are trusted besides those that the machine trusts.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Trust(pub Vec<CertificateDer<'static>>);

impl Trust {
    /// The certificates of a file in PEM (RFC 7468).
    ///
    /// # Errors
    /// Why it holds none, in a sentence.
    fn of_file(path: &str) -> Result<Self, String> {
        let text = std::fs::read(path).map_err(|fault| format!("{path} cannot be read: {fault}"))?;
        let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&text).collect();
        match found {
            Ok(found) if !found.is_empty() => Ok(Self(found)),
            Ok(_) => Err(format!("{path} holds no certificate: give a file in PEM")),
            Err(fault) => Err(format!("{path} is no file of certificates in PEM: {fault}")),
        }
    }
}

/// How a connection to the mail server is kept from being overheard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailSecurity {
    /// It begins in the open and becomes safe before anything is said.
    Starttls,
    /// It is safe from the beginning.
    Tls,
    /// It is not.
    None,
}

/// How mail is handed over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MailSettings {
    /// The server's name.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// How the connection is kept safe.
    pub security: MailSecurity,
    /// The name and password that the server asks for, if it does.
    pub login: Option<(String, Secret)>,
    /// Whom mail comes from.
    pub from: Mailbox,
    /// Whose certificates are taken besides.
    pub trust: Trust,
}

/// How web addresses are called.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct WebhookSettings {
    /// The secret that calls are signed with; unsigned without one.
    pub secret: Option<Secret>,
    /// Whether this machine and private networks may be called.
    pub allow_private: bool,
    /// Whose certificates are taken besides.
    pub trust: Trust,
}

/// How messages go out.
#[derive(Debug, Clone)]
pub struct DeliverSettings {
    /// How mail is handed over, if a server is named.
    pub mail: Option<MailSettings>,
    /// How web addresses are called.
    pub webhook: WebhookSettings,
    /// Where the links in messages lead, without a slash at the end.
    pub link: String,
    /// Whether the settings say so; else it is the address of the pages.
    pub link_is_said: bool,
    /// How long after a first try the second one comes.
    pub again: Duration,
    /// How far apart mails to one person are.
    pub apart: Duration,
}

pub(super) fn deliver(reader: &mut Reader<'_>, pages: &str) -> DeliverSettings {
    let link = reader.checked("deliver.link", |text| {
        let url = url::Url::parse(text).ok().filter(|url| matches!(url.scheme(), "http" | "https"));
        url.map(|_| text.trim_end_matches('/').to_owned())
            .ok_or_else(|| format!("'{text}' is no web address: write it like https://loft.example"))
    });
    let trust = reader.checked("deliver.trust", Trust::of_file).unwrap_or_default();
    DeliverSettings {
        mail: mail(reader, &trust),
        webhook: WebhookSettings {
            secret: secret(reader, "webhook.secret", "webhook.secret_file"),
            allow_private: reader.flag("webhook.allow_private", false),
            trust,
        },
        link_is_said: link.is_some(),
        link: link.unwrap_or_else(|| pages.to_owned()),
        again: reader.duration(
            "deliver.retry_after",
            Duration::from_mins(1),
            (Duration::from_secs(1), Duration::from_hours(6)),
        ),
        apart: reader.duration(
            "deliver.mail_apart",
            Duration::from_mins(10),
            (Duration::ZERO, Duration::from_hours(24)),
        ),
    }
}

fn mail(reader: &mut Reader<'_>, trust: &Trust) -> Option<MailSettings> {
    let server = reader.checked("mail.server", |text| {
        let (host, port) = text.rsplit_once(':').unwrap_or((text, "587"));
        let port = port
            .parse()
            .map_err(|_| format!("'{text}' is no mail server: write it like mail.example:587"))?;
        Ok((host.to_owned(), port))
    });
    let security = reader.checked("mail.security", |text| match text {
        "starttls" => Ok(MailSecurity::Starttls),
        "tls" => Ok(MailSecurity::Tls),
        "none" => Ok(MailSecurity::None),
        _ => Err("must be \"starttls\", \"tls\" or \"none\"".to_owned()),
    });
    let from = reader.checked("mail.from", |text| {
        text.parse().map_err(|_| format!("'{text}' is no mail address: write it like ullage@loft.example"))
    });
    let user = reader.text("mail.user");
    let password = secret(reader, "mail.password", "mail.password_file");
    if user.is_some() != password.is_some() {
        reader.fault("mail.user", "and mail.password go together: give both or neither");
    }
    let (host, port) = server?;
    let Some(from) = from else {
        reader.fault("mail.from", "must say whom mail comes from, like \"ullage@loft.example\"");
        return None;
    };
    let login = user.zip(password);
    // Port 465 is safe from the beginning (RFC 8314).
    let usual = if port == 465 { MailSecurity::Tls } else { MailSecurity::Starttls };
    let security = security.unwrap_or(usual);
    if security == MailSecurity::None && login.is_some() {
        reader.fault(
            "mail.security",
            "must not be \"none\" with a password: it would go over the network in the open",
        );
    }
    Some(MailSettings { host, port, security, login, from, trust: trust.clone() })
}
