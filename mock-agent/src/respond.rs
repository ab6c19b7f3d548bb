//! One printer's agent: a datagram in, perhaps a datagram out. No socket, no clock.

use crate::message::{
    CommunityMessage, Encoded, Message, Scoped, SecureMessage, VarBind, encode_secure, encode_varbind, kind,
};
use crate::oid::{Oid, Value};
use crate::room::{Credential, Printer};
use crate::usm::{Auth, Privacy, UserPlan};
use crate::walk::{Answer, Terms, answer, refuse, status};

/// usmStats (RFC 3414 section 5); the next components are the counter's number and 0.
const USM_STATS: [u32; 9] = [1, 3, 6, 1, 6, 3, 15, 1, 1];
const UNSUPPORTED_LEVEL: u32 = 1;
const NOT_IN_TIME: u32 = 2;
const UNKNOWN_USER: u32 = 3;
const UNKNOWN_ENGINE: u32 = 4;
const WRONG_DIGEST: u32 = 5;
const DECRYPTION: u32 = 6;
/// snmpUnknownContexts (RFC 3413 section 6.1).
const UNKNOWN_CONTEXTS: [u32; 10] = [1, 3, 6, 1, 6, 3, 12, 1, 5, 0];

const AUTHENTICATED: u8 = 1;
const ENCRYPTED: u8 = 2;
const REPORTABLE: u8 = 4;
/// The window of RFC 3414 section 2.2.3, in seconds.
const WINDOW: u32 = 150;
/// Largest UDP payload over IPv4.
const MAX_SIZE: i32 = 65_507;

/// snmpEngineBoots and snmpEngineTime of a printer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EngineClock {
    /// How often it has been switched on.
    pub boots: u32,
    /// Seconds since then.
    pub seconds: u32,
}

/// What an agent knows and counts.
#[derive(Debug)]
pub struct Agent {
    access: Access,
    engine_id: Vec<u8>,
    max_message: usize,
    max_repetitions: u32,
    /// usmStats counters 1 to 6.
    stats: [u32; 6],
    salt: u64,
    /// SET requests that came; each was refused.
    pub sets_seen: u64,
    /// Datagrams that were answered.
    pub answered: u64,
}

#[derive(Debug)]
enum Access {
    Community { community: Vec<u8>, newest: i32 },
    User(User),
}

/// A user with keys bound to the agent's engine.
#[derive(Debug)]
struct User {
    plan: UserPlan,
    auth: Option<(Auth, Vec<u8>)>,
    privacy: Option<(Privacy, Vec<u8>)>,
}

impl User {
    fn new(plan: &UserPlan, engine_id: &[u8]) -> Self {
        let auth = plan.auth.map(|auth| (auth, auth.localized_key(&plan.auth_password, engine_id)));
        let privacy = plan
            .auth
            .zip(plan.privacy)
            .map(|(auth, privacy)| (privacy, privacy.localized_key(auth, &plan.privacy_password, engine_id)));
        Self { plan: plan.clone(), auth, privacy }
    }
}

/// The engine ID of a printer: the invented enterprise, then its name as text (RFC 3411, SnmpEngineID).
pub fn engine_id(name: &str) -> Vec<u8> {
    let mut id = (0x8000_0000_u32 | 99_999).to_be_bytes().to_vec();
    id.push(4);
    id.extend(name.bytes().take(27));
    id
}

impl Agent {
    /// An agent for one printer of a room.
    pub fn new(printer: &Printer) -> Self {
        let engine_id = engine_id(&printer.name);
        let access = match &printer.credential {
            Credential::V1 { community } => {
                Access::Community { community: community.clone().into(), newest: 0 }
            }
            Credential::V2c { community } => {
                Access::Community { community: community.clone().into(), newest: 1 }
            }
            Credential::V3(user) => Access::User(User::new(user, &engine_id)),
        };
        Self {
            access,
            engine_id,
            max_message: printer.snmp.max_message,
            max_repetitions: printer.snmp.max_repetitions,
            stats: [0; 6],
            salt: 0,
            sets_seen: 0,
            answered: 0,
        }
    }
}

/// Answers a datagram, or keeps silent: on what is not SNMP, on a wrong community, on a version that the
/// printer does not speak.
pub fn respond(agent: &mut Agent, view: &[VarBind], clock: EngineClock, datagram: &[u8]) -> Option<Vec<u8>> {
    let reply = match Message::parse(datagram).ok()? {
        Message::Community(message) => agent.community(view, &message),
        Message::Secure(message) => agent.secure(view, clock, &message, datagram),
    };
    agent.answered += u64::from(reply.is_some());
    reply
}

/// What the security of a request came to.
enum Checked {
    /// It may be answered at this level.
    Fine(Scoped),
    /// A report has to go out: which usmStats counter, and whether it is authenticated.
    Report(u32, bool),
    /// Nothing to say.
    Silence,
}

impl Agent {
    fn community(&mut self, view: &[VarBind], message: &CommunityMessage) -> Option<Vec<u8>> {
        let Access::Community { community, newest } = &self.access else { return None };
        if *community != message.community || message.version > *newest {
            return None;
        }
        self.sets_seen += u64::from(message.pdu.kind == kind::SET);
        // Headers of the message, the PDU and the list, with the longest numbers they can hold: 4, 3, 4 and
        // the community, 4, 6, 3, 4 and 4.
        let overhead = 32 + message.community.len();
        let terms = Terms {
            version_1: message.version == 0,
            budget: self.max_message.saturating_sub(overhead),
            max_repetitions: self.max_repetitions,
        };
        let answer = answer(&message.pdu, view, terms)?;
        let reply = encoded(kind::RESPONSE, message.pdu.request_id, &answer)
            .community(message.version, &message.community);
        (reply.len() <= self.max_message).then_some(reply)
    }

    fn secure(
        &mut self,
        view: &[VarBind],
        clock: EngineClock,
        message: &SecureMessage,
        datagram: &[u8],
    ) -> Option<Vec<u8>> {
        let scoped = match self.check(clock, message, datagram) {
            Checked::Fine(scoped) => scoped,
            Checked::Silence => return None,
            Checked::Report(number, authenticated) => {
                let count = self.stats.get_mut(number as usize - 1)?;
                *count = count.wrapping_add(1);
                let name = Oid::from(USM_STATS.as_slice()).child(&[number, 0]);
                let flags = if authenticated { AUTHENTICATED } else { 0 };
                let count = *count;
                return self.report(clock, message, flags, &name, count);
            }
        };
        if !scoped.context.is_empty() {
            let name = Oid::from(UNKNOWN_CONTEXTS.as_slice());
            return self.report(clock, message, message.flags & !REPORTABLE, &name, 1);
        }
        let Access::User(user) = &self.access else { return None };
        let request = &scoped.pdu;
        let level = message.flags & (AUTHENTICATED | ENCRYPTED);
        let answer = if level < user.plan.level() {
            refuse(request, status::AUTHORIZATION, 0)
        } else {
            let most = usize::try_from(message.max_size).unwrap_or(0).min(self.max_message);
            // Headers, security parameters (MAC of 48 bytes at most) and DES padding.
            let overhead = 180 + 2 * self.engine_id.len() + message.user.len();
            let terms = Terms {
                version_1: false,
                budget: most.saturating_sub(overhead),
                max_repetitions: self.max_repetitions,
            };
            answer(request, view, terms)?
        };
        self.sets_seen += u64::from(request.kind == kind::SET);
        let scoped = encoded(kind::RESPONSE, request.request_id, &answer).scoped(&self.engine_id, b"");
        self.seal(clock, message, level, scoped)
    }

    /// The incoming half of RFC 3414 section 3.2.
    fn check(&self, clock: EngineClock, message: &SecureMessage, datagram: &[u8]) -> Checked {
        let Access::User(user) = &self.access else { return Checked::Silence };
        let level = message.flags & (AUTHENTICATED | ENCRYPTED);
        // Privacy without authentication is an invalid message (RFC 3412 section 7.2).
        if message.model != 3 || level == ENCRYPTED || message.encrypted != (level & ENCRYPTED != 0) {
            return Checked::Silence;
        }
        if message.engine_id != self.engine_id {
            return Checked::Report(UNKNOWN_ENGINE, false);
        }
        if message.user != user.plan.name.as_bytes() {
            return Checked::Report(UNKNOWN_USER, false);
        }
        if level > user.plan.level() {
            return Checked::Report(UNSUPPORTED_LEVEL, false);
        }
        if level & AUTHENTICATED != 0
            && let Some((auth, key)) = &user.auth
        {
            if !signed(*auth, key, message, datagram) {
                return Checked::Report(WRONG_DIGEST, false);
            }
            let (boots, time) = (u32::try_from(message.boots), u32::try_from(message.time));
            let in_time = boots == Ok(clock.boots)
                && clock.boots < i32::MAX as u32
                && time.is_ok_and(|time| time.abs_diff(clock.seconds) <= WINDOW);
            if !in_time {
                return Checked::Report(NOT_IN_TIME, true);
            }
        }
        let plain = match (&user.privacy, message.encrypted) {
            (Some((privacy, key)), true) => {
                let plain =
                    privacy.decrypt(key, clock.boots, message.time as u32, &message.salt, &message.data);
                match plain.map(|plain| Scoped::parse(&plain)) {
                    Some(Ok(scoped)) => Ok(scoped),
                    // A wrong privacy password shows as nonsense after decryption.
                    Some(Err(_)) | None => return Checked::Report(DECRYPTION, true),
                }
            }
            _ => Scoped::parse(&message.data),
        };
        plain.map_or(Checked::Silence, Checked::Fine)
    }

    fn report(
        &mut self,
        clock: EngineClock,
        message: &SecureMessage,
        flags: u8,
        name: &Oid,
        count: u32,
    ) -> Option<Vec<u8>> {
        if message.flags & REPORTABLE == 0 {
            return None;
        }
        // The request's number is readable only while the request is not encrypted.
        let request_id = match Scoped::parse(&message.data) {
            Ok(scoped) if !message.encrypted => scoped.pdu.request_id,
            _ => 0,
        };
        let varbinds = vec![encode_varbind(name, &Value::Counter32(count))];
        let answer = Answer { status: 0, index: 0, varbinds };
        let scoped = encoded(kind::REPORT, request_id, &answer).scoped(&self.engine_id, b"");
        self.seal(clock, message, flags, scoped)
    }

    /// The outgoing half of RFC 3414 section 3.1: encrypts and signs as far as `level` says.
    fn seal(
        &mut self,
        clock: EngineClock,
        message: &SecureMessage,
        level: u8,
        scoped: Vec<u8>,
    ) -> Option<Vec<u8>> {
        let Access::User(user) = &self.access else { return None };
        let mut reply = SecureMessage {
            id: message.id,
            max_size: MAX_SIZE,
            flags: level,
            model: 3,
            engine_id: self.engine_id.clone(),
            boots: i32::try_from(clock.boots).unwrap_or(i32::MAX),
            time: i32::try_from(clock.seconds).unwrap_or(i32::MAX),
            user: message.user.clone(),
            mac: Vec::new(),
            mac_at: 0,
            salt: Vec::new(),
            data: scoped,
            encrypted: false,
        };
        if level & ENCRYPTED != 0 {
            let (privacy, key) = user.privacy.as_ref()?;
            self.salt = self.salt.wrapping_add(1);
            let (data, salt) = privacy.encrypt(key, clock.boots, reply.time as u32, self.salt, &reply.data);
            (reply.data, reply.salt, reply.encrypted) = (data, salt, true);
        }
        if level & AUTHENTICATED == 0 {
            return Some(encode_secure(&reply).0);
        }
        let (auth, key) = user.auth.as_ref()?;
        reply.mac = vec![0; auth.mac_length()];
        let (mut bytes, at) = encode_secure(&reply);
        let mac = auth.sign(key, &bytes);
        bytes.get_mut(at..at + mac.len())?.copy_from_slice(&mac);
        Some(bytes)
    }
}

/// Whether a message carries the right authentication parameters.
fn signed(auth: Auth, key: &[u8], message: &SecureMessage, datagram: &[u8]) -> bool {
    let mut blank = datagram.to_vec();
    let length = message.mac.len();
    let Some(place) = blank.get_mut(message.mac_at..message.mac_at + length) else { return false };
    place.fill(0);
    length == auth.mac_length() && auth.sign(key, &blank) == message.mac
}

fn encoded(kind: u8, request_id: i32, answer: &Answer) -> Encoded<'_> {
    Encoded { kind, request_id, status: answer.status, index: answer.index, varbinds: &answer.varbinds }
}

#[cfg(test)]
#[path = "respond_tests.rs"]
mod tests;
