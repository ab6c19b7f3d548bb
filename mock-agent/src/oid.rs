//! Object identifiers and the values they name.

use std::fmt;
use std::str::FromStr;

/// An object identifier, ordered the way SNMP walks a MIB (component by component).
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Oid(pub Vec<u32>);

impl Oid {
    /// Whether this identifier lies at or under `prefix`.
    pub fn starts_with(&self, prefix: &[u32]) -> bool {
        self.0.starts_with(prefix)
    }

    /// A new identifier: this one with `tail` behind it.
    pub fn child(&self, tail: &[u32]) -> Self {
        let mut parts = Vec::with_capacity(self.0.len() + tail.len());
        parts.extend_from_slice(&self.0);
        parts.extend_from_slice(tail);
        Self(parts)
    }
}

impl From<&[u32]> for Oid {
    fn from(parts: &[u32]) -> Self {
        Self(parts.to_vec())
    }
}

impl fmt::Display for Oid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (position, part) in self.0.iter().enumerate() {
            if position > 0 {
                f.write_str(".")?;
            }
            write!(f, "{part}")?;
        }
        Ok(())
    }
}

/// A text that is not a dotted object identifier.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("`{0}` is not an object identifier; write numbers with dots between, such as 1.3.6.1.2.1.1.1.0")]
pub struct OidError(String);

impl FromStr for Oid {
    type Err = OidError;

    fn from_str(text: &str) -> Result<Self, OidError> {
        text.trim_start_matches('.')
            .split('.')
            .map(|part| part.parse::<u32>().map_err(|_| OidError(text.to_owned())))
            .collect::<Result<Vec<_>, _>>()
            .map(Self)
    }
}

/// A value of the SNMP data model (RFC 2578 section 7.1, RFC 3416 section 3).
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Value {
    /// INTEGER and Integer32.
    Integer(i32),
    /// OCTET STRING; text and bits alike.
    OctetString(Vec<u8>),
    /// OBJECT IDENTIFIER.
    ObjectId(Oid),
    /// The empty value of a request.
    Null,
    /// An IPv4 address.
    IpAddress([u8; 4]),
    /// A counter that wraps at 2^32.
    Counter32(u32),
    /// A number that may rise and fall (also Unsigned32).
    Gauge32(u32),
    /// Hundredths of a second.
    TimeTicks(u32),
    /// Bytes of a foreign encoding.
    Opaque(Vec<u8>),
    /// A counter that wraps at 2^64; never answered to version 1.
    Counter64(u64),
    /// Exception of version 2c and 3: no such object type here.
    NoSuchObject,
    /// Exception of version 2c and 3: the object type is here, this instance is not.
    NoSuchInstance,
    /// Exception of version 2c and 3: nothing follows.
    EndOfMibView,
}

impl Value {
    /// An octet string from a text.
    pub fn text(text: &str) -> Self {
        Self::OctetString(text.as_bytes().to_vec())
    }
}
