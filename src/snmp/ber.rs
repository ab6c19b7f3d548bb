//! Messages as bytes: the subset of BER that SNMP uses (RFC 3417 §8), for requests out and answers in.
//!
//! Decoding never panics, never reads past what it was given, and allocates in proportion to it. A value
//! whose tag is unknown, or whose contents do not fit its tag, is kept as [`Value::Unknown`]: it neither
//! ends the list nor costs the other values.

use super::ask::{RawPdu, Values};
use super::oid::{MAX_ARCS, Oid};
use super::pdu::{ErrorStatus, Pdu, PduKind, Version};
use super::value::Value;

mod scoped;
mod write;

pub use scoped::decode_scoped;
pub(crate) use scoped::{RawNotification, raw_notification, raw_scoped, request_id, scoped_with_padding};
pub(crate) use write::Writer;
pub use write::encode_request;
pub(crate) use write::{encode_empty_v3, encode_names};

pub(crate) const INTEGER: u8 = 0x02;
pub(crate) const OCTET_STRING: u8 = 0x04;
pub(crate) const NULL: u8 = 0x05;
pub(crate) const OBJECT_ID: u8 = 0x06;
pub(crate) const SEQUENCE: u8 = 0x30;
const IP_ADDRESS: u8 = 0x40;
pub(crate) const COUNTER32: u8 = 0x41;
const GAUGE32: u8 = 0x42;
const TIME_TICKS: u8 = 0x43;
const OPAQUE: u8 = 0x44;
const COUNTER64: u8 = 0x46;
const UNSIGNED32: u8 = 0x47;
const NO_SUCH_OBJECT: u8 = 0x80;
const NO_SUCH_INSTANCE: u8 = 0x81;
const END_OF_MIB_VIEW: u8 = 0x82;
pub(crate) const GET: u8 = 0xa0;
pub(crate) const GET_NEXT: u8 = 0xa1;
pub(crate) const RESPONSE: u8 = 0xa2;
pub(crate) const GET_BULK: u8 = 0xa5;
pub(crate) const INFORM: u8 = 0xa6;
pub(crate) const TRAP: u8 = 0xa7;
pub(crate) const REPORT: u8 = 0xa8;

/// Message flag: signed.
pub(crate) const FLAG_AUTH: u8 = 0x01;
/// Message flag: encrypted.
pub(crate) const FLAG_PRIVACY: u8 = 0x02;
/// Message flag: the receiver may answer with a report.
pub(crate) const FLAG_REPORTABLE: u8 = 0x04;
/// The user-based security model (RFC 3411 §5).
pub(crate) const USM: i64 = 3;

/// Where a message broke.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BerError {
    /// A length says more than there is.
    #[error("it ends in the middle")]
    Truncated,
    /// A length in a form that SNMP does not allow, or of more than four octets.
    #[error("a length is written in a form that SNMP does not use")]
    Length,
    /// Another tag than must stand here.
    #[error("tag {found:#04x} stands where {expected} belongs")]
    Tag {
        /// What belongs there.
        expected: &'static str,
        /// What was found.
        found: u8,
    },
    /// A whole number of no octets, or of more than eight, or out of its range.
    #[error("a number is empty or too large")]
    Number,
    /// An object identifier that ends inside an arc, or has too many or too large ones.
    #[error("an object identifier is broken")]
    ObjectId,
    /// Something behind the end.
    #[error("there is something behind its end")]
    Trailing,
    /// A version other than 1, 2c and 3.
    #[error("its version number is {0}")]
    Version(i64),
    /// A value in an encrypted answer that could not be read.
    #[error("a value in it is of a type that SNMP does not know")]
    Value,
}

/// A message that came.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message<'a> {
    /// Version 1 or 2c.
    Community {
        /// Which of the two.
        version: Version,
        /// The community it carries.
        community: &'a [u8],
        /// What it says.
        pdu: Pdu,
    },
    /// Version 3, not yet checked and perhaps encrypted.
    V3(V3Message<'a>),
}

/// The version of a message, as the number in it, whatever else the datagram holds.
pub(crate) fn version_number(datagram: &[u8]) -> Option<i64> {
    Reader(datagram).sequence().ok()?.integer().ok()
}

/// A version 3 message (RFC 3412 §6) with the parameters of the user-based model (RFC 3414 §2.4).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct V3Message<'a> {
    /// Which request it answers.
    pub message_id: i32,
    /// The largest message its sender takes.
    pub max_size: i64,
    /// Signed, encrypted, reportable.
    pub flags: u8,
    /// 3 for the user-based model.
    pub security_model: i64,
    /// `msgAuthoritativeEngineID`.
    pub engine_id: &'a [u8],
    /// `msgAuthoritativeEngineBoots`.
    pub boots: i64,
    /// `msgAuthoritativeEngineTime`, seconds.
    pub time: i64,
    /// `msgUserName`.
    pub user: &'a [u8],
    /// `msgAuthenticationParameters`.
    pub mac: &'a [u8],
    /// Where in the datagram those stand.
    pub mac_at: usize,
    /// `msgPrivacyParameters`.
    pub salt: &'a [u8],
    /// The scoped PDU, in the clear or encrypted.
    pub data: ScopedData<'a>,
    /// How many octets the whole message has; a datagram may have more.
    pub length: usize,
}

/// The scoped PDU of a version 3 message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScopedData<'a> {
    /// The contents of the sequence.
    Plain(&'a [u8]),
    /// The encrypted octets.
    Encrypted(&'a [u8]),
}

/// Reads tag by tag, and no further than it was given.
#[derive(Clone, Copy)]
pub(crate) struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    pub(crate) fn over(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    /// What was not read yet.
    pub(crate) fn rest(self) -> &'a [u8] {
        self.0
    }

    pub(crate) fn is_empty(self) -> bool {
        self.0.is_empty()
    }

    /// The next tag and its contents.
    pub(crate) fn any(&mut self) -> Result<(u8, &'a [u8]), BerError> {
        let (&[tag, first], mut rest) = self.0.split_first_chunk().ok_or(BerError::Truncated)?;
        if tag & 0x1f == 0x1f {
            return Err(BerError::Tag { expected: "a tag of one octet", found: tag });
        }
        let length = match first {
            0..=0x7f => usize::from(first),
            0x81..=0x84 => {
                let (octets, behind) =
                    rest.split_at_checked(usize::from(first & 0x7f)).ok_or(BerError::Truncated)?;
                rest = behind;
                octets.iter().fold(0, |length, octet| length << 8 | usize::from(*octet))
            }
            _ => return Err(BerError::Length),
        };
        let (contents, behind) = rest.split_at_checked(length).ok_or(BerError::Truncated)?;
        self.0 = behind;
        Ok((tag, contents))
    }

    pub(crate) fn expect(&mut self, tag: u8, expected: &'static str) -> Result<&'a [u8], BerError> {
        match self.any()? {
            (found, contents) if found == tag => Ok(contents),
            (found, _) => Err(BerError::Tag { expected, found }),
        }
    }

    pub(crate) fn integer(&mut self) -> Result<i64, BerError> {
        decode_integer(self.expect(INTEGER, "a number")?)
    }

    pub(crate) fn octets(&mut self) -> Result<&'a [u8], BerError> {
        self.expect(OCTET_STRING, "an octet string")
    }

    pub(crate) fn sequence(&mut self) -> Result<Self, BerError> {
        self.expect(SEQUENCE, "a sequence").map(Self)
    }

    pub(crate) fn end(self) -> Result<(), BerError> {
        if self.is_empty() { Ok(()) } else { Err(BerError::Trailing) }
    }
}

fn decode_integer(octets: &[u8]) -> Result<i64, BerError> {
    let (&first, rest) = octets.split_first().ok_or(BerError::Number)?;
    if rest.len() > 7 {
        return Err(BerError::Number);
    }
    let start = i64::from(i8::from_be_bytes([first]));
    Ok(rest.iter().fold(start, |number, octet| number << 8 | i64::from(*octet)))
}

/// An unsigned number of up to `width` octets. Agents that forget the leading zero of a large one are
/// understood: the standard has no negative ones to mix them up with.
fn decode_unsigned(octets: &[u8], width: usize) -> Result<u64, BerError> {
    let digits = match octets {
        [] => return Err(BerError::Number),
        [0, rest @ ..] if rest.len() == width => rest,
        all => all,
    };
    if digits.len() > width {
        return Err(BerError::Number);
    }
    Ok(digits.iter().fold(0, |number, octet| number << 8 | u64::from(*octet)))
}

fn decode_u32(octets: &[u8]) -> Result<u32, BerError> {
    decode_unsigned(octets, 4)?.try_into().map_err(|_| BerError::Number)
}

/// The contents of an object identifier. Empty ones, which some agents send for 0.0, are taken for that.
pub(crate) fn decode_oid(octets: &[u8]) -> Result<Oid, BerError> {
    let mut arcs = [0_u32; MAX_ARCS];
    let mut count = 2;
    let mut arc: u64 = 0;
    let mut first = true;
    for &octet in octets {
        arc = arc << 7 | u64::from(octet & 0x7f);
        if arc > u64::from(u32::MAX) {
            return Err(BerError::ObjectId);
        }
        if octet & 0x80 != 0 {
            continue;
        }
        #[allow(clippy::cast_possible_truncation, reason = "checked against u32::MAX above")]
        let number = arc as u32;
        if first {
            let root = (number / 40).min(2);
            (arcs[0], arcs[1], first) = (root, number - root * 40, false);
        } else {
            *arcs.get_mut(count).ok_or(BerError::ObjectId)? = number;
            count += 1;
        }
        arc = 0;
    }
    if octets.last().is_some_and(|octet| octet & 0x80 != 0) {
        return Err(BerError::ObjectId);
    }
    Ok(Oid::from_arcs(&arcs[..count]))
}

pub(crate) fn decode_value(tag: u8, contents: &[u8]) -> Value {
    let known = match (tag, contents) {
        (INTEGER, _) => decode_integer(contents).map(Value::Integer),
        (OCTET_STRING, _) => Ok(Value::OctetString(contents.into())),
        (OBJECT_ID, _) => decode_oid(contents).map(Value::ObjectId),
        (IP_ADDRESS, &[a, b, c, d]) => Ok(Value::IpAddress([a, b, c, d])),
        (COUNTER32, _) => decode_u32(contents).map(Value::Counter32),
        (GAUGE32 | UNSIGNED32, _) => decode_u32(contents).map(Value::Gauge32),
        (TIME_TICKS, _) => decode_u32(contents).map(Value::TimeTicks),
        (OPAQUE, _) => Ok(Value::Opaque(contents.into())),
        (COUNTER64, _) => decode_unsigned(contents, 8).map(Value::Counter64),
        (NULL, []) => Ok(Value::Null),
        (NO_SUCH_OBJECT, []) => Ok(Value::NoSuchObject),
        (NO_SUCH_INSTANCE, []) => Ok(Value::NoSuchInstance),
        (END_OF_MIB_VIEW, []) => Ok(Value::EndOfMibView),
        _ => Err(BerError::Value),
    };
    known.unwrap_or_else(|_| Value::Unknown { tag, bytes: contents.into() })
}

fn decode_pdu<'a>(reader: &mut Reader<'a>) -> Result<RawPdu<'a>, BerError> {
    let (tag, contents) = reader.any()?;
    let kind = match tag {
        RESPONSE => PduKind::Response,
        REPORT => PduKind::Report,
        found => return Err(BerError::Tag { expected: "a response", found }),
    };
    let (request_id, status, error_index, values) = decode_fields(contents)?;
    Ok(RawPdu { kind, request_id, status, error_index, values })
}

/// A PDU's request id, error status, error index and values.
fn decode_fields(contents: &[u8]) -> Result<(i32, ErrorStatus, u32, Values<'_>), BerError> {
    let mut pdu = Reader(contents);
    let request_id = pdu.integer()?.try_into().map_err(|_| BerError::Number)?;
    let status = ErrorStatus::from_number(pdu.integer()?);
    // Agents put all sorts of things here; one that names no position names none.
    let error_index = pdu.integer()?.try_into().unwrap_or(0);
    let values = Values::new(pdu.expect(SEQUENCE, "a list of values")?)?;
    pdu.end()?;
    Ok((request_id, status, error_index, values))
}

impl RawPdu<'_> {
    /// A PDU of its own.
    pub(crate) fn owned(self) -> Result<Pdu, BerError> {
        let Self { kind, request_id, status, error_index, values } = self;
        Ok(Pdu { kind, request_id, status, error_index, varbinds: values.owned()? })
    }
}

/// A message that came, with its values left in the datagram.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum RawMessage<'a> {
    /// Version 1 or 2c.
    Community { version: Version, community: &'a [u8], pdu: RawPdu<'a> },
    /// Version 3, not yet checked and perhaps encrypted.
    V3(V3Message<'a>),
}

/// A whole datagram. What stands behind the message in it is not looked at.
///
/// # Errors
/// Where it broke.
pub fn decode(datagram: &[u8]) -> Result<Message<'_>, BerError> {
    Ok(match raw(datagram)? {
        RawMessage::Community { version, community, pdu } => {
            Message::Community { version, community, pdu: pdu.owned()? }
        }
        RawMessage::V3(message) => Message::V3(message),
    })
}

/// The same, with its values left where they are.
pub(crate) fn raw(datagram: &[u8]) -> Result<RawMessage<'_>, BerError> {
    let mut outer = Reader(datagram);
    let mut message = outer.sequence()?;
    let length = datagram.len() - outer.0.len();
    let version = match message.integer()? {
        0 => Version::V1,
        1 => Version::V2c,
        3 => return decode_v3(datagram, message, length).map(RawMessage::V3),
        other => return Err(BerError::Version(other)),
    };
    let community = message.octets()?;
    let pdu = decode_pdu(&mut message)?;
    message.end()?;
    Ok(RawMessage::Community { version, community, pdu })
}

fn decode_v3<'a>(
    datagram: &'a [u8],
    mut message: Reader<'a>,
    length: usize,
) -> Result<V3Message<'a>, BerError> {
    let mut header = message.sequence()?;
    let message_id = header.integer()?.try_into().map_err(|_| BerError::Number)?;
    let max_size = header.integer()?;
    let flags = *header.octets()?.first().ok_or(BerError::Truncated)?;
    let security_model = header.integer()?;
    header.end()?;
    let mut parameters = Reader(message.octets()?);
    let mut usm = parameters.sequence()?;
    parameters.end()?;
    let engine_id = usm.octets()?;
    let boots = usm.integer()?;
    let time = usm.integer()?;
    let user = usm.octets()?;
    let mac = usm.octets()?;
    // Both are addresses inside of the same datagram.
    let mac_at = mac.as_ptr().addr() - datagram.as_ptr().addr();
    let salt = usm.octets()?;
    usm.end()?;
    let data = match message.any()? {
        (SEQUENCE, contents) => ScopedData::Plain(contents),
        (OCTET_STRING, contents) => ScopedData::Encrypted(contents),
        (found, _) => return Err(BerError::Tag { expected: "a scoped PDU", found }),
    };
    message.end()?;
    Ok(V3Message {
        message_id,
        max_size,
        flags,
        security_model,
        engine_id,
        boots,
        time,
        user,
        mac,
        mac_at,
        salt,
        data,
        length,
    })
}

#[cfg(test)]
mod tests;
