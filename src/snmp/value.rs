//! The values that an agent gives back: the types of SMIv2 (RFC 2578) and the exceptions of RFC 3416.

use super::oid::Oid;

/// One value. Numbers are as they came: nothing here knows what they count.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Value {
    /// `INTEGER` and `Integer32`. Wider than the standard's 32 bits, because agents are.
    Integer(i64),
    /// `OCTET STRING`.
    OctetString(Box<[u8]>),
    /// `OBJECT IDENTIFIER`.
    ObjectId(Oid),
    /// `IpAddress`.
    IpAddress([u8; 4]),
    /// `Counter32`.
    Counter32(u32),
    /// `Gauge32` and `Unsigned32`.
    Gauge32(u32),
    /// `TimeTicks`, hundredths of a second.
    TimeTicks(u32),
    /// `Opaque`.
    Opaque(Box<[u8]>),
    /// `Counter64`.
    Counter64(u64),
    /// `NULL`: what a request carries; in an answer, nothing.
    Null,
    /// There is no such object in the agent.
    NoSuchObject,
    /// There is such an object, but not this instance of it.
    NoSuchInstance,
    /// The walk has come to the end of what the agent has.
    EndOfMibView,
    /// A tag that the standard does not know, or contents that do not fit their tag: kept, so that one
    /// bad value does not cost the rest of the answer.
    Unknown {
        /// The tag.
        tag: u8,
        /// The contents.
        bytes: Box<[u8]>,
    },
}

impl Value {
    /// Whether there is something here: not one of the three exceptions, and not null.
    #[must_use]
    pub fn is_present(&self) -> bool {
        !matches!(self, Self::Null | Self::NoSuchObject | Self::NoSuchInstance | Self::EndOfMibView)
    }

    /// A whole number of any of the numeric types, for agents that take one for another.
    #[must_use]
    pub fn as_i64(&self) -> Option<i64> {
        match *self {
            Self::Integer(number) => Some(number),
            Self::Counter32(number) | Self::Gauge32(number) | Self::TimeTicks(number) => Some(number.into()),
            Self::Counter64(number) => number.try_into().ok(),
            _ => None,
        }
    }

    /// A whole number that fits the standard's `Integer32`.
    #[must_use]
    pub fn as_i32(&self) -> Option<i32> {
        self.as_i64().and_then(|number| number.try_into().ok())
    }

    /// A whole number that fits `Counter32`, `Gauge32` and `TimeTicks`.
    #[must_use]
    pub fn as_u32(&self) -> Option<u32> {
        self.as_i64().and_then(|number| number.try_into().ok())
    }

    /// The octets of an octet string (or of an opaque one, which some agents use for it).
    #[must_use]
    pub fn as_octets(&self) -> Option<&[u8]> {
        match self {
            Self::OctetString(octets) | Self::Opaque(octets) => Some(octets),
            _ => None,
        }
    }

    /// The object identifier, if it is one.
    #[must_use]
    pub fn as_oid(&self) -> Option<&Oid> {
        match self {
            Self::ObjectId(oid) => Some(oid),
            _ => None,
        }
    }
}

/// A name and what stands under it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Varbind {
    /// The instance.
    pub oid: Oid,
    /// Its value.
    pub value: Value,
}
