//! Mail by SMTP (RFC 5321), the connection made safe before anything is said, by STARTTLS (RFC 3207) or from the
//! beginning (RFC 8314).

use std::time::{Duration, SystemTime};

use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Attachment, Mailbox, MultiPart, MultiPartKind, SinglePart};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::transport::smtp::extension::ClientId;
use lettre::{AsyncSmtpTransport, AsyncTransport, Message, Tokio1Executor};

use super::letter::Letter;
use crate::config::deliver::{MailSecurity, MailSettings};
use crate::usecase::deliver::Failure;

/// Hands a letter over to the server of the settings.
///
/// # Errors
/// Why not, and whether trying again makes sense.
pub async fn send(
    settings: &MailSettings,
    to: &str,
    letter: &Letter,
    patience: Duration,
) -> Result<(), Failure> {
    let never =
        |fault: &dyn std::fmt::Display| Failure::Never(format!("the mail could not be written: {fault}"));
    let to = to.parse().map(|address| Mailbox::new(None, address)).map_err(|fault| never(&fault))?;
    let message = message(settings, to, letter).map_err(|fault| never(&fault))?;
    let transport = transport(settings, patience)
        .map_err(|fault| Failure::Later(format!("no safe connection: {fault}")))?;
    match transport.send(message).await {
        Ok(_) => Ok(()),
        Err(fault) => Err(failure(settings, &fault)),
    }
}

/// The mail that a letter makes: the same octets at every try, its boundary included.
fn message(settings: &MailSettings, to: Mailbox, letter: &Letter) -> Result<Message, lettre::error::Error> {
    let domain = settings.from.email.domain();
    let body = MultiPart::builder()
        .kind(MultiPartKind::Alternative)
        .boundary(format!("part-{}", letter.key))
        .singlepart(SinglePart::plain(letter.text.clone()))
        .singlepart(SinglePart::html(letter.html.clone()));
    Message::builder()
        .from(settings.from.clone())
        .to(to)
        .subject(letter.subject.clone())
        .date(SystemTime::from(letter.made_at))
        .message_id(Some(format!("<{}@{domain}>", letter.key)))
        // RFC 3834: nobody is to answer that they are on holiday.
        .raw_header(HeaderValue::new(
            HeaderName::new_from_ascii_str("Auto-Submitted"),
            "auto-generated".to_owned(),
        ))
        .multipart(with_files(body, letter)?)
}

/// What a letter says, with what goes with it.
fn with_files(says: MultiPart, letter: &Letter) -> Result<MultiPart, lettre::error::Error> {
    if letter.files.is_empty() {
        return Ok(says);
    }
    let mut whole = MultiPart::builder()
        .kind(MultiPartKind::Mixed)
        .boundary(format!("whole-{}", letter.key))
        .multipart(says);
    for file in &letter.files {
        let media_type =
            ContentType::parse(&file.media_type).map_err(|_| lettre::error::Error::NonAsciiChars)?;
        whole = whole.singlepart(Attachment::new(file.name.clone()).body(file.content.clone(), media_type));
    }
    Ok(whole)
}

fn transport(
    settings: &MailSettings,
    patience: Duration,
) -> Result<AsyncSmtpTransport<Tokio1Executor>, lettre::transport::smtp::Error> {
    let parameters = || {
        let certificates = settings.trust.0.iter().map(|one| Certificate::from_der(one.to_vec()));
        let mut builder = TlsParameters::builder(settings.host.clone());
        for certificate in certificates {
            builder = builder.add_root_certificate(certificate?);
        }
        builder.build()
    };
    let tls = match settings.security {
        MailSecurity::Starttls => Tls::Required(parameters()?),
        MailSecurity::Tls => Tls::Wrapper(parameters()?),
        MailSecurity::None => Tls::None,
    };
    let mut transport = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&settings.host)
        .port(settings.port)
        .hello_name(ClientId::Domain(settings.from.email.domain().to_owned()))
        .timeout(Some(patience))
        .tls(tls);
    if let Some((user, password)) = &settings.login {
        transport = transport.credentials(Credentials::new(user.clone(), password.expose().to_owned()));
    }
    Ok(transport.build())
}

/// What went wrong, and whether it may go right later. A server that refuses the mail for good (a reply of 5xx, RFC
/// 5321) is not asked again, unless it refuses who we are: that is mended in the settings.
fn failure(settings: &MailSettings, fault: &lettre::transport::smtp::Error) -> Failure {
    let mut text = format!("{}:{}: {fault}", settings.host, settings.port);
    let mut cause = std::error::Error::source(fault);
    while let Some(next) = cause {
        let said = next.to_string();
        if !text.contains(&said) {
            text = format!("{text}: {said}");
        }
        cause = next.source();
    }
    let code = fault.status().map(u16::from);
    match code {
        Some(530 | 534 | 535 | 538) => Failure::Later(text),
        Some(500..=599) => Failure::Never(text),
        _ => Failure::Later(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::report_mail::Attached;

    #[test]
    fn a_mail_with_files_is_the_same_octets_at_every_try() {
        let file = |name: &str, media_type: &str| Attached {
            name: name.to_owned(),
            media_type: media_type.to_owned(),
            content: vec![0, 255, 10],
        };
        let mut letter = Letter::trial("key", "2026-11-03T08:00:00Z".parse().unwrap(), "http://loft.example");
        let sent = |letter: &Letter| {
            let (from, to) = ("ullage@loft.example", "office@loft.example".parse().unwrap());
            let text = format!("[mail]\nserver = \"mail.loft.example\"\nfrom = \"{from}\"\n");
            let config = crate::config::Config::parse(&text, &|_| None, &crate::config::Overrides::default());
            message(&config.unwrap().deliver.mail.unwrap(), to, letter).map(|message| message.formatted())
        };
        assert!(!String::from_utf8_lossy(&sent(&letter).unwrap()).contains("multipart/mixed"));
        letter.files = vec![file("supplies-2026-10.pdf", "application/pdf"), file("b.xlsx", "application/x")];
        let octets = sent(&letter).unwrap();
        assert_eq!(sent(&letter).unwrap(), octets);
        let text = String::from_utf8(octets).unwrap();
        for piece in ["multipart/mixed", "filename=\"supplies-2026-10.pdf\"", "filename=\"b.xlsx\"", "AP8K"] {
            assert!(text.contains(piece), "{piece}: {text}");
        }
        letter.files = vec![file("b", "no media type")];
        assert!(sent(&letter).is_err());
    }
}
