//! The basic encoding rules as SNMP uses them (RFC 3417 section 8): definite lengths, one-byte tags.
//!
//! Written apart from the product's own codec on purpose, so that the two check each other.

use crate::oid::{Oid, Value};

/// A datagram that is not well-formed; the agent drops it, as RFC 3416 and RFC 3412 say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("malformed BER: {0}")]
pub struct BerError(pub &'static str);

/// Tag of INTEGER.
pub(crate) const INTEGER: u8 = 0x02;
/// Tag of OCTET STRING.
pub(crate) const OCTETS: u8 = 0x04;
const NULL: u8 = 0x05;
const OBJECT: u8 = 0x06;
/// Tag of SEQUENCE.
pub(crate) const SEQUENCE: u8 = 0x30;

/// An element: its tag, its content and where the content starts in the datagram.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Element<'a> {
    pub(crate) tag: u8,
    pub(crate) content: &'a [u8],
    pub(crate) at: usize,
}

/// Reads elements one after another.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Reader<'a> {
    pub(crate) fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    pub(crate) fn inside(element: Element<'a>) -> Self {
        Self { bytes: element.content, at: element.at }
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.bytes.is_empty()
    }

    fn split(&mut self, count: usize) -> Result<&'a [u8], BerError> {
        let (head, tail) = self.bytes.split_at_checked(count).ok_or(BerError("cut short"))?;
        self.bytes = tail;
        self.at += count;
        Ok(head)
    }

    fn byte(&mut self) -> Result<u8, BerError> {
        self.split(1).map(|bytes| bytes[0])
    }

    pub(crate) fn element(&mut self) -> Result<Element<'a>, BerError> {
        let tag = self.byte()?;
        if tag & 0x1f == 0x1f {
            return Err(BerError("a tag of several bytes"));
        }
        let first = self.byte()?;
        let length = if first < 0x80 {
            usize::from(first)
        } else {
            let count = usize::from(first & 0x7f);
            if count == 0 || count > 4 {
                return Err(BerError("a length that is indefinite or too long"));
            }
            self.split(count)?.iter().fold(0_usize, |sum, byte| sum << 8 | usize::from(*byte))
        };
        let at = self.at;
        Ok(Element { tag, content: self.split(length)?, at })
    }

    pub(crate) fn expect(&mut self, tag: u8) -> Result<Element<'a>, BerError> {
        let element = self.element()?;
        if element.tag == tag { Ok(element) } else { Err(BerError("another type than expected")) }
    }

    /// A reader for what is inside the next element.
    pub(crate) fn enter(&mut self, tag: u8) -> Result<Reader<'a>, BerError> {
        self.expect(tag).map(Reader::inside)
    }

    pub(crate) fn integer(&mut self) -> Result<i32, BerError> {
        small(self.expect(INTEGER)?.content)
    }

    pub(crate) fn octets(&mut self) -> Result<&'a [u8], BerError> {
        self.expect(OCTETS).map(|element| element.content)
    }

    pub(crate) fn oid(&mut self) -> Result<Oid, BerError> {
        oid(self.expect(OBJECT)?.content)
    }

    pub(crate) fn value(&mut self) -> Result<Value, BerError> {
        let element = self.element()?;
        let content = element.content;
        let empty = |value: Value| if content.is_empty() { Ok(value) } else { Err(BerError("not empty")) };
        match element.tag {
            INTEGER => small(content).map(Value::Integer),
            OCTETS => Ok(Value::OctetString(content.to_vec())),
            NULL => empty(Value::Null),
            OBJECT => oid(content).map(Value::ObjectId),
            0x40 => content
                .try_into()
                .map(Value::IpAddress)
                .map_err(|_| BerError("an address of other than 4 bytes")),
            0x41 => unsigned(content).map(Value::Counter32),
            0x42 => unsigned(content).map(Value::Gauge32),
            0x43 => unsigned(content).map(Value::TimeTicks),
            0x44 => Ok(Value::Opaque(content.to_vec())),
            0x46 => {
                let number = whole(content)?;
                u64::try_from(number).map(Value::Counter64).map_err(|_| BerError("a counter out of range"))
            }
            0x80 => empty(Value::NoSuchObject),
            0x81 => empty(Value::NoSuchInstance),
            0x82 => empty(Value::EndOfMibView),
            _ => Err(BerError("a type that SNMP does not have")),
        }
    }
}

fn whole(content: &[u8]) -> Result<i128, BerError> {
    if content.is_empty() || content.len() > 9 {
        return Err(BerError("an integer of no bytes or too many"));
    }
    let sign = if content[0] & 0x80 == 0 { 0 } else { -1 };
    Ok(content.iter().fold(sign, |number, byte| number << 8 | i128::from(*byte)))
}

fn small(content: &[u8]) -> Result<i32, BerError> {
    i32::try_from(whole(content)?).map_err(|_| BerError("an integer out of range"))
}

fn unsigned(content: &[u8]) -> Result<u32, BerError> {
    u32::try_from(whole(content)?).map_err(|_| BerError("an unsigned number out of range"))
}

fn oid(content: &[u8]) -> Result<Oid, BerError> {
    let mut parts = Vec::with_capacity(content.len() + 1);
    let mut number = 0_u64;
    for (position, byte) in content.iter().enumerate() {
        number = number << 7 | u64::from(byte & 0x7f);
        if number > u64::from(u32::MAX) + 80 {
            return Err(BerError("an object identifier with a component above 2^32"));
        }
        if byte & 0x80 != 0 {
            if position + 1 == content.len() {
                return Err(BerError("an object identifier cut short"));
            }
            continue;
        }
        if parts.is_empty() {
            let first = (number / 40).min(2);
            parts.push(first as u32);
            number -= first * 40;
        }
        parts.push(u32::try_from(number).map_err(|_| BerError("a component above 2^32"))?);
        number = 0;
    }
    // RFC 2578 section 3.5: at most 128 components.
    if parts.len() > 128 { Err(BerError("an object identifier that is too long")) } else { Ok(Oid(parts)) }
}

/// Writes from the back to the front, so that every length is known when its header is written.
///
/// Members of a sequence are therefore written last first.
#[derive(Debug, Default)]
pub(crate) struct Writer {
    backwards: Vec<u8>,
}

impl Writer {
    pub(crate) fn finish(mut self) -> Vec<u8> {
        self.backwards.reverse();
        self.backwards
    }

    pub(crate) fn len(&self) -> usize {
        self.backwards.len()
    }

    pub(crate) fn raw(&mut self, bytes: &[u8]) {
        self.backwards.extend(bytes.iter().rev());
    }

    pub(crate) fn wrap(&mut self, tag: u8, content: impl FnOnce(&mut Self)) {
        let before = self.backwards.len();
        content(self);
        let length = self.backwards.len() - before;
        if length < 0x80 {
            self.backwards.push(length as u8);
        } else {
            let mut rest = length;
            let mut count = 0;
            while rest > 0 {
                self.backwards.push(rest as u8);
                rest >>= 8;
                count += 1;
            }
            self.backwards.push(0x80 | count);
        }
        self.backwards.push(tag);
    }

    fn number(&mut self, tag: u8, number: i128) {
        self.wrap(tag, |out| {
            let mut rest = number;
            loop {
                let byte = rest as u8;
                out.backwards.push(byte);
                rest >>= 8;
                // The top bit of the first byte is the sign.
                if (rest == 0 && byte & 0x80 == 0) || (rest == -1 && byte & 0x80 != 0) {
                    break;
                }
            }
        });
    }

    pub(crate) fn integer(&mut self, number: i64) {
        self.number(INTEGER, i128::from(number));
    }

    pub(crate) fn octets(&mut self, bytes: &[u8]) {
        self.wrap(OCTETS, |out| out.raw(bytes));
    }

    pub(crate) fn oid(&mut self, oid: &Oid) {
        self.wrap(OBJECT, |out| {
            for part in oid.0.iter().skip(2).rev() {
                out.component(u64::from(*part));
            }
            let first = u64::from(oid.0.first().copied().unwrap_or(0));
            let second = u64::from(oid.0.get(1).copied().unwrap_or(0));
            out.component(first * 40 + second);
        });
    }

    fn component(&mut self, part: u64) {
        self.backwards.push((part & 0x7f) as u8);
        let mut rest = part >> 7;
        while rest > 0 {
            self.backwards.push(0x80 | (rest & 0x7f) as u8);
            rest >>= 7;
        }
    }

    pub(crate) fn value(&mut self, value: &Value) {
        match value {
            Value::Integer(number) => self.number(INTEGER, i128::from(*number)),
            Value::OctetString(bytes) => self.octets(bytes),
            Value::ObjectId(oid) => self.oid(oid),
            Value::Null => self.wrap(NULL, |_| ()),
            Value::IpAddress(bytes) => self.wrap(0x40, |out| out.raw(bytes)),
            Value::Counter32(number) => self.number(0x41, i128::from(*number)),
            Value::Gauge32(number) => self.number(0x42, i128::from(*number)),
            Value::TimeTicks(number) => self.number(0x43, i128::from(*number)),
            Value::Opaque(bytes) => self.wrap(0x44, |out| out.raw(bytes)),
            Value::Counter64(number) => self.number(0x46, i128::from(*number)),
            Value::NoSuchObject => self.wrap(0x80, |_| ()),
            Value::NoSuchInstance => self.wrap(0x81, |_| ()),
            Value::EndOfMibView => self.wrap(0x82, |_| ()),
        }
    }
}

#[cfg(test)]
#[path = "ber_tests.rs"]
mod tests;
