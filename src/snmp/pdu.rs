//! What is asked and what comes back.

use std::fmt;

use super::oid::Oid;
use super::value::Varbind;

/// The version of SNMP that a message is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Version {
    /// SNMPv1 (RFC 1157).
    V1,
    /// Community-based SNMPv2 (RFC 1901).
    V2c,
    /// SNMPv3 (RFC 3412) with the user-based security model (RFC 3414).
    V3,
}

impl Version {
    /// The number in a message.
    #[must_use]
    pub fn number(self) -> i64 {
        match self {
            Self::V1 => 0,
            Self::V2c => 1,
            Self::V3 => 3,
        }
    }
}

/// A request. There is no set: this program only reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Request {
    /// The values of these instances.
    Get {
        /// The instances.
        oids: Vec<Oid>,
    },
    /// For each of these, the instance behind it.
    GetNext {
        /// Where to start.
        oids: Vec<Oid>,
    },
    /// For the first `non_repeaters`, the instance behind each; for the rest, up to `max_repetitions`
    /// instances each. Not in version 1.
    GetBulk {
        /// How many of the first names to answer once.
        non_repeaters: u32,
        /// How often to go on with the others.
        max_repetitions: u32,
        /// Where to start.
        oids: Vec<Oid>,
    },
}

impl Request {
    /// The names asked for.
    #[must_use]
    pub fn oids(&self) -> &[Oid] {
        match self {
            Self::Get { oids } | Self::GetNext { oids } | Self::GetBulk { oids, .. } => oids,
        }
    }
}

/// What kind of PDU came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PduKind {
    /// The answer to a request.
    Response,
    /// Version 3 says why it did not answer.
    Report,
}

/// A PDU that came from a device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pdu {
    /// Response or report.
    pub kind: PduKind,
    /// The number of the request it answers.
    pub request_id: i32,
    /// How it went.
    pub status: ErrorStatus,
    /// Which name, counted from 1, the status is about; 0 for none.
    pub error_index: u32,
    /// Names and values.
    pub varbinds: Vec<Varbind>,
}

/// The error-status of RFC 3416 §3.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ErrorStatus {
    /// 0
    NoError,
    /// 1: the answer would be larger than the agent may send.
    TooBig,
    /// 2: version 1 has no such object, or is at its end.
    NoSuchName,
    /// 3
    BadValue,
    /// 4
    ReadOnly,
    /// 5: the agent failed for a reason of its own.
    GenErr,
    /// 6
    NoAccess,
    /// 16
    AuthorizationError,
    /// One that has to do with writing, or that is not in the standard.
    Other(i64),
}

impl ErrorStatus {
    /// From the number on the wire.
    #[must_use]
    pub fn from_number(number: i64) -> Self {
        match number {
            0 => Self::NoError,
            1 => Self::TooBig,
            2 => Self::NoSuchName,
            3 => Self::BadValue,
            4 => Self::ReadOnly,
            5 => Self::GenErr,
            6 => Self::NoAccess,
            16 => Self::AuthorizationError,
            other => Self::Other(other),
        }
    }
}

impl fmt::Display for ErrorStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoError => "noError",
            Self::TooBig => "tooBig",
            Self::NoSuchName => "noSuchName",
            Self::BadValue => "badValue",
            Self::ReadOnly => "readOnly",
            Self::GenErr => "genErr",
            Self::NoAccess => "noAccess",
            Self::AuthorizationError => "authorizationError",
            Self::Other(number) => return write!(f, "error status {number}"),
        })
    }
}
