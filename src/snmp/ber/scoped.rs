//! Scoped PDUs: what stands inside a message of version 3 (RFC 3412 §6).

use super::{BerError, INFORM, Reader, SEQUENCE, TRAP, decode_fields, decode_pdu};
use crate::snmp::ask::{RawPdu, Values};
use crate::snmp::pdu::Pdu;

/// The contents of a scoped PDU (RFC 3412 §6) without its context, which we leave empty and do not read.
///
/// # Errors
/// Where it broke.
pub fn decode_scoped(contents: &[u8]) -> Result<Pdu, BerError> {
    raw_scoped(contents)?.owned()
}

/// The same, with its values left where they are.
pub(crate) fn raw_scoped(contents: &[u8]) -> Result<RawPdu<'_>, BerError> {
    let mut scoped = Reader(contents);
    scoped.octets()?;
    scoped.octets()?;
    let pdu = decode_pdu(&mut scoped)?;
    scoped.end()?;
    Ok(pdu)
}

/// The contents of a whole scoped PDU as it comes out of a cipher: with its tag, and perhaps with padding
/// behind it.
pub(crate) fn scoped_with_padding(octets: &[u8]) -> Result<&[u8], BerError> {
    Reader(octets).expect(SEQUENCE, "a scoped PDU")
}

/// A notification in a scoped PDU.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct RawNotification<'a> {
    /// Whether its sender waits for an answer.
    pub(crate) inform: bool,
    pub(crate) values: Values<'a>,
    /// Where the PDU's tag stands in the contents of the scoped PDU.
    pub(crate) tag_at: usize,
}

/// The notification that a scoped PDU with these contents holds.
pub(crate) fn raw_notification(contents: &[u8]) -> Result<RawNotification<'_>, BerError> {
    let mut scoped = Reader(contents);
    scoped.octets()?;
    scoped.octets()?;
    let tag_at = contents.len() - scoped.0.len();
    let (tag, pdu) = scoped.any()?;
    let inform = match tag {
        INFORM => true,
        TRAP => false,
        found => return Err(BerError::Tag { expected: "a notification", found }),
    };
    scoped.end()?;
    let (_, _, _, values) = decode_fields(pdu)?;
    Ok(RawNotification { inform, values, tag_at })
}

/// The number of the request in a scoped PDU that can be read.
pub(crate) fn request_id(contents: &[u8]) -> Option<i32> {
    let mut scoped = Reader(contents);
    scoped.octets().ok()?;
    scoped.octets().ok()?;
    let (_, pdu) = scoped.any().ok()?;
    Reader(pdu).integer().ok()?.try_into().ok()
}
