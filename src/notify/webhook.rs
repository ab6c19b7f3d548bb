//! Calls to programs: an event as JSON in CloudEvents 1.0 structured mode, signed by HMAC-SHA256 (RFC 2104).
//!
//! `id` is the message's key and the same at every try: a program that has it already may pass it over. The header
//! `Ullage-Signature` holds the HMAC-SHA256 of the body's octets under the shared secret, in lower-case hexadecimal.

use hmac::{Hmac, Mac};
use serde::Serialize;
use serde_json::{Value, json};
use sha2::Sha256;

use super::address::web_address;
use super::http::{CallFault, post};
use crate::config::deliver::WebhookSettings;
use crate::domain::alert::Subject;
use crate::store::outbox::Due;
use crate::usecase::deliver::Failure;

/// The header with the signature.
pub const SIGNATURE: &str = "ullage-signature";
/// The media type of a CloudEvent in structured mode.
const CONTENT_TYPE: &str = "application/cloudevents+json; charset=UTF-8";

/// An event (CloudEvents 1.0.2, section 3).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Event {
    specversion: &'static str,
    id: String,
    source: String,
    r#type: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    subject: Option<String>,
    time: String,
    datacontenttype: &'static str,
    data: Value,
}

/// The event that a message makes. It is the same at every try.
#[must_use]
pub fn event(due: &Due, link: &str) -> Event {
    let Some(item) = due.items.first() else { return trial(&due.key, due.made_at, link) };
    let (device, slot, head) = match item.subject {
        Subject::Device(device) => (Some(device), None, None),
        Subject::Slot(device, slot) => (Some(device), Some(slot), None),
        Subject::Head(device, head) => (Some(device), None, Some(head)),
        Subject::Part(_) => (None, None, None),
    };
    Event {
        specversion: "1.0",
        id: due.key.clone(),
        source: format!("{link}/alerts"),
        r#type: format!("ullage.alert.{}", item.kind.word()),
        subject: Some(item.alert.to_string()),
        time: item.at.to_string(),
        datacontenttype: "application/json",
        data: json!({
            "alert": item.alert,
            "rule": item.rule.word(),
            "severity": item.grade.word(),
            "summary": item.summary,
            "opened_at": item.opened_at.to_string(),
            "device": item.device_name,
            "device_id": device,
            "slot_id": slot,
            "head": head,
            "part": item.part_number,
            "link": format!("{link}/alerts/{}", item.alert),
        }),
    }
}

/// An event that tells nothing but that it has come.
#[must_use]
pub fn trial(key: &str, at: jiff::Timestamp, link: &str) -> Event {
    Event {
        specversion: "1.0",
        id: key.to_owned(),
        source: format!("{link}/alerts"),
        r#type: "ullage.test".to_owned(),
        subject: None,
        time: at.to_string(),
        datacontenttype: "application/json",
        data: json!({ "summary": "a test: calls from Ullage arrive" }),
    }
}

/// Calls a program with an event.
///
/// # Errors
/// Why it was not taken, and whether trying again makes sense.
pub async fn send(settings: &WebhookSettings, address: &str, event: &Event) -> Result<(), Failure> {
    let url =
        web_address(address, settings.allow_private).map_err(|fault| Failure::Never(fault.to_string()))?;
    let body = serde_json::to_vec(event).map_err(|fault| Failure::Never(fault.to_string()))?;
    let mut headers = vec![("content-type", CONTENT_TYPE.to_owned())];
    if let Some(secret) = &settings.secret {
        headers.push((SIGNATURE, signature(secret.expose().as_bytes(), &body)));
    }
    match post(&url, &headers, body, settings).await {
        Ok(status) => judged(status),
        Err(fault @ (CallFault::Unusable(_) | CallFault::Private(_))) => {
            Err(Failure::Never(fault.to_string()))
        }
        Err(fault) => Err(Failure::Later(fault.to_string())),
    }
}

/// What a status means (RFC 9110; 425 is RFC 8470, 429 is RFC 6585).
fn judged(status: u16) -> Result<(), Failure> {
    match status {
        200..=299 => Ok(()),
        300..=399 => Err(Failure::Never(format!(
            "it answers {status} and leads elsewhere: write that address instead"
        ))),
        408 | 425 | 429 => Err(Failure::Later(format!("it answers {status}: not now"))),
        400..=499 => Err(Failure::Never(format!("it answers {status}: it does not take this"))),
        _ => Err(Failure::Later(format!("it answers {status}"))),
    }
}

/// The signature of a body.
#[must_use]
pub fn signature(secret: &[u8], body: &[u8]) -> String {
    // HMAC takes keys of every length.
    let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(secret) else { return String::new() };
    mac.update(body);
    mac.finalize().into_bytes().iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231, test case 2.
    #[test]
    fn a_signature_is_an_hmac_sha256() {
        assert_eq!(
            signature(b"Jefe", b"what do ya want for nothing?"),
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
        );
    }

    #[test]
    fn only_what_may_go_right_later_is_tried_again() {
        assert_eq!(judged(204), Ok(()));
        for status in [408, 429, 500, 503, 101] {
            assert!(matches!(judged(status), Err(Failure::Later(_))), "{status}");
        }
        for status in [301, 307, 400, 404, 410] {
            assert!(matches!(judged(status), Err(Failure::Never(_))), "{status}");
        }
    }
}
