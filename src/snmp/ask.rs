//! Questions and answers without copies: what goes over the wire for every device, many times a second.

use super::ber::{
    BerError, GET, GET_BULK, GET_NEXT, INTEGER, OBJECT_ID, OCTET_STRING, Reader, SEQUENCE, decode_oid,
    decode_value,
};
use super::oid::Oid;
use super::pdu::{ErrorStatus, PduKind, Request, Version};
use super::value::Varbind;

/// What kind of request, and how much of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Verb {
    Get,
    GetNext,
    GetBulk { non_repeaters: u32, max_repetitions: u32 },
}

/// A request whose list of names is on the wire's form already.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Question<'a> {
    pub(crate) verb: Verb,
    /// Pairs of names and nulls.
    pub(crate) list: &'a [u8],
    /// How many.
    pub(crate) names: usize,
}

impl Question<'_> {
    /// The most values that an answer may have, and whether it may have fewer.
    pub(crate) fn most(&self) -> (usize, bool) {
        match self.verb {
            Verb::Get | Verb::GetNext => (self.names, false),
            Verb::GetBulk { non_repeaters, max_repetitions } => {
                let once = self.names.min(non_repeaters as usize);
                (once.saturating_add((self.names - once).saturating_mul(max_repetitions as usize)), true)
            }
        }
    }

    /// Writes the PDU.
    pub(crate) fn write_pdu(&self, out: &mut Vec<u8>, id: i32) {
        let (tag, first, second) = self.fields();
        head(out, tag, self.contents(id));
        integer(out, id.into());
        integer(out, first);
        integer(out, second);
        head(out, SEQUENCE, self.list.len());
        out.extend_from_slice(self.list);
    }

    /// How many octets the PDU takes.
    pub(crate) fn pdu_length(&self, id: i32) -> usize {
        wrapped(self.contents(id))
    }

    fn fields(&self) -> (u8, i64, i64) {
        match self.verb {
            Verb::Get => (GET, 0, 0),
            Verb::GetNext => (GET_NEXT, 0, 0),
            Verb::GetBulk { non_repeaters, max_repetitions } => {
                (GET_BULK, non_repeaters.into(), max_repetitions.into())
            }
        }
    }

    fn contents(&self, id: i32) -> usize {
        let (_, first, second) = self.fields();
        [id.into(), first, second].map(integer_length).iter().sum::<usize>() + wrapped(self.list.len())
    }

    /// Writes a whole message of version 1 or 2c.
    pub(crate) fn write(&self, out: &mut Vec<u8>, version: Version, community: &[u8], id: i32) {
        let number = version.number();
        let contents = integer_length(number) + wrapped(community.len()) + self.pdu_length(id);
        head(out, SEQUENCE, contents);
        integer(out, number);
        octets(out, community);
        self.write_pdu(out, id);
    }
}

/// The wire's form of a request's list of names.
pub(crate) fn names(oids: &[Oid]) -> Vec<u8> {
    super::ber::encode_names(oids)
}

/// How a request is put.
pub(crate) fn verb(request: &Request) -> Verb {
    match *request {
        Request::Get { .. } => Verb::Get,
        Request::GetNext { .. } => Verb::GetNext,
        Request::GetBulk { non_repeaters, max_repetitions, .. } => {
            Verb::GetBulk { non_repeaters, max_repetitions }
        }
    }
}

/// Adds a name with nothing under it, given as the octets of the object identifier.
pub(crate) fn push_name(list: &mut Vec<u8>, parts: &[&[u8]]) {
    let length = parts.iter().map(|part| part.len()).sum::<usize>();
    head(list, SEQUENCE, wrapped(length) + 2);
    head(list, OBJECT_ID, length);
    for part in parts {
        list.extend_from_slice(part);
    }
    list.extend_from_slice(&[0x05, 0x00]);
}

/// The octets of something with its tag and length around it.
pub(crate) fn wrapped(length: usize) -> usize {
    1 + match length {
        0..=0x7f => 1,
        0x80..=0xff => 2,
        0x100..=0xffff => 3,
        0x1_0000..=0xff_ffff => 4,
        _ => 5,
    } + length
}

/// Writes a tag and a length.
pub(crate) fn head(out: &mut Vec<u8>, tag: u8, length: usize) {
    out.push(tag);
    #[allow(clippy::cast_possible_truncation, reason = "the length's octets, one by one")]
    match length {
        0..=0x7f => out.push(length as u8),
        0x80..=0xff => out.extend_from_slice(&[0x81, length as u8]),
        0x100..=0xffff => out.extend_from_slice(&[0x82, (length >> 8) as u8, length as u8]),
        _ => {
            out.push(0x84);
            out.extend_from_slice(&(length as u32).to_be_bytes());
        }
    }
}

/// Writes an octet string.
pub(crate) fn octets(out: &mut Vec<u8>, octets: &[u8]) {
    head(out, OCTET_STRING, octets.len());
    out.extend_from_slice(octets);
}

/// How many octets a number takes, with its tag and length.
pub(crate) fn integer_length(number: i64) -> usize {
    2 + significant(number)
}

fn significant(number: i64) -> usize {
    let sign = if number < 0 { !number } else { number };
    (8 - sign.leading_zeros() as usize / 8).max(1) + usize::from(sign.leading_zeros() % 8 == 0 && sign != 0)
}

/// Writes a number.
pub(crate) fn integer(out: &mut Vec<u8>, number: i64) {
    let length = significant(number).min(8);
    head(out, INTEGER, length);
    out.extend_from_slice(&number.to_be_bytes()[8 - length..]);
}

/// A PDU that came, with its values still in the datagram.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct RawPdu<'a> {
    pub(crate) kind: PduKind,
    pub(crate) request_id: i32,
    pub(crate) status: ErrorStatus,
    pub(crate) error_index: u32,
    pub(crate) values: Values<'a>,
}

/// A list of names and values in a datagram. It was checked when it came, so that reading it brings no errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Values<'a>(&'a [u8]);

/// One of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct RawVarbind<'a> {
    /// The octets of the name.
    pub(crate) name: &'a [u8],
    /// The value's tag.
    pub(crate) tag: u8,
    /// The value's octets.
    pub(crate) contents: &'a [u8],
    /// The pair with its tags.
    pub(crate) whole: &'a [u8],
}

impl RawVarbind<'_> {
    /// Whether there is something here: not one of the three exceptions, and not null.
    pub(crate) fn is_present(&self) -> bool {
        !matches!(self.tag, 0x05 | 0x80..=0x82)
    }

    /// An unsigned number of up to 32 bits.
    pub(crate) fn number(&self) -> Option<u32> {
        decode_value(self.tag, self.contents).as_u32()
    }
}

impl<'a> Values<'a> {
    /// Checks a list.
    pub(crate) fn new(list: &'a [u8]) -> Result<Self, BerError> {
        let mut rest = list;
        while !rest.is_empty() {
            rest = split(rest)?.1;
        }
        Ok(Self(list))
    }

    /// A list that was checked before, or what begins with one pair that was.
    pub(crate) fn checked(list: &'a [u8]) -> Self {
        Self(list)
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The list's octets.
    pub(crate) fn octets(&self) -> &'a [u8] {
        self.0
    }

    /// All of them as values of their own.
    pub(crate) fn owned(self) -> Result<Vec<Varbind>, BerError> {
        self.map(|raw| Ok(Varbind { oid: decode_oid(raw.name)?, value: decode_value(raw.tag, raw.contents) }))
            .collect()
    }
}

impl<'a> Iterator for Values<'a> {
    type Item = RawVarbind<'a>;

    fn next(&mut self) -> Option<Self::Item> {
        let (varbind, rest) = split(self.0).ok()?;
        self.0 = rest;
        Some(varbind)
    }
}

fn split(list: &[u8]) -> Result<(RawVarbind<'_>, &[u8]), BerError> {
    let mut reader = Reader::over(list);
    let mut pair = reader.sequence()?;
    let rest = reader.rest();
    let name = pair.expect(OBJECT_ID, "an object identifier")?;
    let (tag, contents) = pair.any()?;
    pair.end()?;
    Ok((RawVarbind { name, tag, contents, whole: &list[..list.len() - rest.len()] }, rest))
}

/// Whether a name with these octets comes behind another in the order of a walk.
pub(crate) fn is_behind(name: &[u8], before: &[u8]) -> bool {
    let plain = |octets: &[u8]| octets.iter().all(|octet| octet & 0x80 == 0);
    if plain(name) && plain(before) { name > before } else { arcs(name).gt(arcs(before)) }
}

/// Whether these octets can stand in a name: whole arcs of 32 bits at most.
pub(crate) fn are_arcs(octets: &[u8]) -> bool {
    octets.iter().all(|octet| octet & 0x80 == 0) || decode_oid(octets).is_ok()
}

/// The arcs behind the first two, whose common octet is taken for one.
fn arcs(octets: &[u8]) -> impl Iterator<Item = u64> + '_ {
    octets
        .split_inclusive(|octet| octet & 0x80 == 0)
        .map(|arc| arc.iter().fold(0_u64, |number, octet| number.wrapping_shl(7) | u64::from(octet & 0x7f)))
}

#[cfg(test)]
mod tests;
