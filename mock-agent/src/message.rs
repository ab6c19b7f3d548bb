//! SNMP messages: what an agent has to read and write (RFC 3416 section 3, RFC 3412 section 6, RFC 3414
//! section 2.4).

use crate::ber::{BerError, INTEGER, OCTETS, Reader, SEQUENCE, Writer};
use crate::oid::{Oid, Value};

/// Kinds of PDU, by their tag.
pub mod kind {
    /// GetRequest.
    pub const GET: u8 = 0xa0;
    /// GetNextRequest.
    pub const GET_NEXT: u8 = 0xa1;
    /// Response.
    pub const RESPONSE: u8 = 0xa2;
    /// SetRequest.
    pub const SET: u8 = 0xa3;
    /// GetBulkRequest.
    pub const GET_BULK: u8 = 0xa5;
    /// InformRequest.
    pub const INFORM: u8 = 0xa6;
    /// Trap of version 2c and 3.
    pub const TRAP: u8 = 0xa7;
    /// Report.
    pub const REPORT: u8 = 0xa8;
}

/// A name and its value.
pub type VarBind = (Oid, Value);

/// A request, response or report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pdu {
    /// One of [`kind`], or a tag that an agent has no answer to.
    pub kind: u8,
    /// Matches an answer to its request.
    pub request_id: i32,
    /// Error status, or the non-repeaters of a GETBULK.
    pub status: i32,
    /// Error index, or the repetitions of a GETBULK.
    pub index: i32,
    /// What is asked or answered.
    pub varbinds: Vec<VarBind>,
}

/// A message of version 1 (`version` 0) or 2c (`version` 1).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CommunityMessage {
    /// 0 or 1, as in the message.
    pub version: i32,
    /// The community.
    pub community: Vec<u8>,
    /// What is asked.
    pub pdu: Pdu,
}

/// A message of version 3 before its security has been dealt with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SecureMessage {
    /// msgID.
    pub id: i32,
    /// Largest answer that the sender can take.
    pub max_size: i32,
    /// msgFlags: 1 authenticated, 2 encrypted, 4 reportable.
    pub flags: u8,
    /// msgSecurityModel; 3 is the user-based one.
    pub model: i32,
    /// msgAuthoritativeEngineID.
    pub engine_id: Vec<u8>,
    /// msgAuthoritativeEngineBoots.
    pub boots: i32,
    /// msgAuthoritativeEngineTime.
    pub time: i32,
    /// msgUserName.
    pub user: Vec<u8>,
    /// msgAuthenticationParameters.
    pub mac: Vec<u8>,
    /// Where the authentication parameters start in the datagram.
    pub mac_at: usize,
    /// msgPrivacyParameters.
    pub salt: Vec<u8>,
    /// The scoped PDU, plain (a whole element) or encrypted.
    pub data: Vec<u8>,
    /// Whether `data` is encrypted.
    pub encrypted: bool,
}

/// A scoped PDU of version 3.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scoped {
    /// contextEngineID.
    pub engine_id: Vec<u8>,
    /// contextName.
    pub context: Vec<u8>,
    /// What is asked.
    pub pdu: Pdu,
}

/// Any message that an agent may have to answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message {
    /// Version 1 or 2c.
    Community(CommunityMessage),
    /// Version 3.
    Secure(SecureMessage),
}

impl Message {
    /// Reads a datagram.
    pub fn parse(datagram: &[u8]) -> Result<Self, BerError> {
        let mut message = Reader::new(datagram).enter(SEQUENCE)?;
        match message.integer()? {
            version @ (0 | 1) => {
                let community = message.octets()?.to_vec();
                let pdu = read_pdu(&mut message)?;
                Ok(Self::Community(CommunityMessage { version, community, pdu }))
            }
            3 => read_secure(message).map(Self::Secure),
            _ => Err(BerError("a version that SNMP does not have")),
        }
    }
}

impl Scoped {
    /// Reads a scoped PDU; padding behind it, as DES leaves it, is ignored.
    pub fn parse(bytes: &[u8]) -> Result<Self, BerError> {
        let mut scoped = Reader::new(bytes).enter(SEQUENCE)?;
        let engine_id = scoped.octets()?.to_vec();
        let context = scoped.octets()?.to_vec();
        Ok(Self { engine_id, context, pdu: read_pdu(&mut scoped)? })
    }
}

fn read_secure(mut message: Reader<'_>) -> Result<SecureMessage, BerError> {
    let mut header = message.enter(SEQUENCE)?;
    let (id, max_size) = (header.integer()?, header.integer()?);
    let flags = *header.octets()?.first().ok_or(BerError("no message flags"))?;
    let model = header.integer()?;
    let mut security = Reader::inside(message.expect(OCTETS)?).enter(SEQUENCE)?;
    let engine_id = security.octets()?.to_vec();
    let (boots, time) = (security.integer()?, security.integer()?);
    let user = security.octets()?.to_vec();
    let mac = security.expect(OCTETS)?;
    let salt = security.octets()?.to_vec();
    let body = message.element()?;
    let (data, encrypted) = match body.tag {
        OCTETS => (body.content.to_vec(), true),
        SEQUENCE => {
            let mut whole = Writer::default();
            whole.wrap(SEQUENCE, |out| out.raw(body.content));
            (whole.finish(), false)
        }
        _ => return Err(BerError("neither a plain nor an encrypted scoped PDU")),
    };
    let (mac, mac_at) = (mac.content.to_vec(), mac.at);
    Ok(SecureMessage {
        id,
        max_size,
        flags,
        model,
        engine_id,
        boots,
        time,
        user,
        mac,
        mac_at,
        salt,
        data,
        encrypted,
    })
}

fn read_pdu(message: &mut Reader<'_>) -> Result<Pdu, BerError> {
    let element = message.element()?;
    if !(0xa0..=0xa8).contains(&element.tag) || element.tag == 0xa4 {
        // 0xa4 is the trap of version 1, which has another shape and no answer.
        return Err(BerError("not a PDU that has an answer"));
    }
    let mut fields = Reader::inside(element);
    let (request_id, status, index) = (fields.integer()?, fields.integer()?, fields.integer()?);
    let mut list = fields.enter(SEQUENCE)?;
    let mut varbinds = Vec::new();
    while !list.is_empty() {
        let mut pair = list.enter(SEQUENCE)?;
        varbinds.push((pair.oid()?, pair.value()?));
    }
    Ok(Pdu { kind: element.tag, request_id, status, index, varbinds })
}

/// Encodes one name and value.
pub(crate) fn encode_varbind(name: &Oid, value: &Value) -> Vec<u8> {
    let mut out = Writer::default();
    out.wrap(SEQUENCE, |out| {
        out.value(value);
        out.oid(name);
    });
    out.finish()
}

/// A PDU whose varbinds are encoded already.
#[derive(Debug)]
pub(crate) struct Encoded<'a> {
    pub(crate) kind: u8,
    pub(crate) request_id: i32,
    pub(crate) status: i32,
    pub(crate) index: i32,
    pub(crate) varbinds: &'a [Vec<u8>],
}

impl Encoded<'_> {
    fn write(&self, out: &mut Writer) {
        out.wrap(self.kind, |out| {
            out.wrap(SEQUENCE, |out| {
                for varbind in self.varbinds.iter().rev() {
                    out.raw(varbind);
                }
            });
            out.integer(i64::from(self.index));
            out.integer(i64::from(self.status));
            out.integer(i64::from(self.request_id));
        });
    }

    /// A whole message of version 1 or 2c.
    pub(crate) fn community(&self, version: i32, community: &[u8]) -> Vec<u8> {
        let mut out = Writer::default();
        out.wrap(SEQUENCE, |out| {
            self.write(out);
            out.octets(community);
            out.integer(i64::from(version));
        });
        out.finish()
    }

    /// A scoped PDU of version 3.
    pub(crate) fn scoped(&self, engine_id: &[u8], context: &[u8]) -> Vec<u8> {
        let mut out = Writer::default();
        out.wrap(SEQUENCE, |out| {
            self.write(out);
            out.octets(context);
            out.octets(engine_id);
        });
        out.finish()
    }
}

/// Writes a message of version 3; returns it with the place of its authentication parameters.
pub(crate) fn encode_secure(message: &SecureMessage) -> (Vec<u8>, usize) {
    let mut out = Writer::default();
    let mut mac_end = 0;
    out.wrap(SEQUENCE, |out| {
        if message.encrypted {
            out.octets(&message.data)
        } else {
            out.raw(&message.data)
        }
        out.wrap(OCTETS, |out| {
            out.wrap(SEQUENCE, |out| {
                out.octets(&message.salt);
                out.wrap(OCTETS, |out| {
                    out.raw(&message.mac);
                    mac_end = out.len();
                });
                out.octets(&message.user);
                out.integer(i64::from(message.time));
                out.integer(i64::from(message.boots));
                out.octets(&message.engine_id);
            });
        });
        out.wrap(SEQUENCE, |out| {
            out.integer(i64::from(message.model));
            out.octets(&[message.flags]);
            out.integer(i64::from(message.max_size));
            out.integer(i64::from(message.id));
        });
        out.wrap(INTEGER, |out| out.raw(&[3]));
    });
    let total = out.len();
    (out.finish(), total - mac_end)
}

impl CommunityMessage {
    /// Writes the message, for tests and for programs that ask an agent without a socket.
    pub fn encode(&self) -> Vec<u8> {
        let varbinds: Vec<Vec<u8>> =
            self.pdu.varbinds.iter().map(|(name, value)| encode_varbind(name, value)).collect();
        let Pdu { kind, request_id, status, index, .. } = self.pdu;
        let pdu = Encoded { kind, request_id, status, index, varbinds: &varbinds };
        pdu.community(self.version, &self.community)
    }
}
