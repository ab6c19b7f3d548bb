//! Requests as bytes.

use super::{
    FLAG_REPORTABLE, GET, GET_BULK, GET_NEXT, INTEGER, NULL, OBJECT_ID, OCTET_STRING, SEQUENCE, USM,
};
use crate::snmp::oid::Oid;
use crate::snmp::pdu::{Request, Version};

/// The largest message that fits a UDP datagram over IPv4: what we say we can take.
const MAX_MESSAGE: i64 = 65_507;

/// Writes from the last octet to the first, so that every length is known when its turn comes.
#[derive(Default)]
pub(crate) struct Writer {
    reversed: Vec<u8>,
}

impl Writer {
    pub(crate) fn new() -> Self {
        Self { reversed: Vec::with_capacity(512) }
    }

    pub(crate) fn finish(mut self) -> Vec<u8> {
        self.reversed.reverse();
        self.reversed
    }

    pub(crate) fn raw(&mut self, bytes: &[u8]) {
        self.reversed.extend(bytes.iter().rev());
    }

    /// Wraps what `contents` writes.
    pub(crate) fn tagged(&mut self, tag: u8, contents: impl FnOnce(&mut Self)) {
        let before = self.reversed.len();
        contents(self);
        self.head(tag, self.reversed.len() - before);
    }

    fn head(&mut self, tag: u8, length: usize) {
        if length < 0x80 {
            #[allow(clippy::cast_possible_truncation, reason = "below 128")]
            self.reversed.push(length as u8);
        } else {
            let octets = length.to_be_bytes();
            let digits = &octets[octets.iter().take_while(|octet| **octet == 0).count()..];
            self.raw(digits);
            #[allow(clippy::cast_possible_truncation, reason = "a usize has 8 octets at most")]
            self.reversed.push(0x80 | digits.len() as u8);
        }
        self.reversed.push(tag);
    }

    /// The octets of a number, without tag and length.
    pub(crate) fn number(&mut self, number: i64) {
        let octets = number.to_be_bytes();
        let fill = if number < 0 { 0xff } else { 0 };
        let spare =
            octets.windows(2).take_while(|pair| pair[0] == fill && (pair[1] ^ fill) & 0x80 == 0).count();
        self.raw(&octets[spare..]);
    }

    pub(crate) fn integer(&mut self, number: i64) {
        self.tagged(INTEGER, |w| w.number(number));
    }

    pub(crate) fn octets(&mut self, octets: &[u8]) {
        self.tagged(OCTET_STRING, |w| w.raw(octets));
    }

    pub(crate) fn oid(&mut self, oid: &Oid) {
        let arc = |w: &mut Self, mut arc: u64| {
            let mut last = 0;
            loop {
                #[allow(clippy::cast_possible_truncation, reason = "seven bits")]
                w.reversed.push((arc & 0x7f) as u8 | last);
                arc >>= 7;
                last = 0x80;
                if arc == 0 {
                    break;
                }
            }
        };
        self.tagged(OBJECT_ID, |w| {
            let arcs = oid.arcs();
            for number in arcs.iter().skip(2).rev() {
                arc(w, (*number).into());
            }
            let at = |index: usize| u64::from(arcs.get(index).copied().unwrap_or(0));
            arc(w, at(0) * 40 + at(1));
        });
    }

    /// Names without values, as a request carries them.
    fn names(&mut self, oids: &[Oid]) {
        for oid in oids.iter().rev() {
            self.tagged(SEQUENCE, |w| {
                w.tagged(NULL, |_| {});
                w.oid(oid);
            });
        }
    }
}

/// A request in version 1 or 2c.
#[must_use]
pub fn encode_request(version: Version, community: &[u8], request_id: i32, request: &Request) -> Vec<u8> {
    let (tag, first, second) = match *request {
        Request::Get { .. } => (GET, 0, 0),
        Request::GetNext { .. } => (GET_NEXT, 0, 0),
        Request::GetBulk { non_repeaters, max_repetitions, .. } => {
            (GET_BULK, non_repeaters.into(), max_repetitions.into())
        }
    };
    let mut message = Writer::new();
    message.tagged(SEQUENCE, |w| {
        w.tagged(tag, |w| {
            w.tagged(SEQUENCE, |w| w.names(request.oids()));
            w.integer(second);
            w.integer(first);
            w.integer(request_id.into());
        });
        w.octets(community);
        w.integer(version.number());
    });
    message.finish()
}

/// The contents of a request's list of names.
pub(crate) fn encode_names(oids: &[Oid]) -> Vec<u8> {
    let mut list = Writer::new();
    list.names(oids);
    list.finish()
}

/// A version 3 message that is neither signed nor encrypted, holding an empty get: to an engine that is
/// not known yet it is the discovery of RFC 3414 §4.
pub(crate) fn encode_empty_v3(message_id: i32, engine_id: &[u8]) -> Vec<u8> {
    let mut message = Writer::new();
    message.tagged(SEQUENCE, |w| {
        w.tagged(SEQUENCE, |w| {
            w.tagged(GET, |w| {
                w.tagged(SEQUENCE, |_| {});
                w.integer(0);
                w.integer(0);
                w.integer(message_id.into());
            });
            w.octets(&[]);
            w.octets(engine_id);
        });
        w.tagged(OCTET_STRING, |w| {
            w.tagged(SEQUENCE, |w| {
                w.octets(&[]);
                w.octets(&[]);
                w.octets(&[]);
                w.integer(0);
                w.integer(0);
                w.octets(engine_id);
            });
        });
        w.tagged(SEQUENCE, |w| {
            w.integer(USM);
            w.octets(&[FLAG_REPORTABLE]);
            w.integer(MAX_MESSAGE);
            w.integer(message_id.into());
        });
        w.integer(Version::V3.number());
    });
    message.finish()
}
