//! Notifications of version 3 as a printer sends them, and what comes back.

use crate::message::{
    Encoded, Message, Pdu, Scoped, SecureMessage, VarBind, encode_secure, encode_varbind, kind,
};
use crate::oid::{Oid, Value};
use crate::usm::UserPlan;

/// Message flag: signed.
pub const AUTHENTICATED: u8 = 1;
/// Message flag: encrypted.
pub const ENCRYPTED: u8 = 2;
/// Message flag: the receiver may answer with a report.
pub const REPORTABLE: u8 = 4;

const SYS_UP_TIME: [u32; 9] = [1, 3, 6, 1, 2, 1, 1, 3, 0];
const SNMP_TRAP_OID: [u32; 11] = [1, 3, 6, 1, 6, 3, 1, 1, 4, 1, 0];
const PRINTER_V2_ALERT: [u32; 11] = [1, 3, 6, 1, 2, 1, 43, 18, 2, 0, 1];

/// The printerV2Alert of RFC 3805 section 6, as a trap or an inform.
pub fn printer_alert(kind: u8, request_id: i32) -> Pdu {
    let varbinds: Vec<VarBind> = vec![
        (Oid(SYS_UP_TIME.to_vec()), Value::TimeTicks(4711)),
        (Oid(SNMP_TRAP_OID.to_vec()), Value::ObjectId(Oid(PRINTER_V2_ALERT.to_vec()))),
    ];
    Pdu { kind, request_id, status: 0, index: 0, varbinds }
}

/// A user at the engine that a message is for or from: the sender's own for a trap, the receiver's for an
/// inform.
#[derive(Debug, Clone)]
pub struct Talker {
    /// The user.
    pub user: UserPlan,
    /// The authoritative engine.
    pub engine_id: Vec<u8>,
    /// Its boots.
    pub boots: i32,
    /// Its time.
    pub time: i32,
}

impl Talker {
    /// A message with this number and these flags.
    pub fn seal(&self, id: i32, flags: u8, pdu: &Pdu) -> Vec<u8> {
        let varbinds: Vec<Vec<u8>> =
            pdu.varbinds.iter().map(|(name, value)| encode_varbind(name, value)).collect();
        let Pdu { kind, request_id, status, index, .. } = *pdu;
        let encoded = Encoded { kind, request_id, status, index, varbinds: &varbinds };
        let mut message = SecureMessage {
            id,
            max_size: 65_507,
            flags,
            model: 3,
            engine_id: self.engine_id.clone(),
            boots: self.boots,
            time: self.time,
            user: self.user.name.clone().into_bytes(),
            mac: Vec::new(),
            mac_at: 0,
            salt: Vec::new(),
            data: encoded.scoped(&self.engine_id, b""),
            encrypted: false,
        };
        if flags & ENCRYPTED != 0
            && let (Some(auth), Some(privacy)) = (self.user.auth, self.user.privacy)
        {
            let key = privacy.localized_key(auth, &self.user.privacy_password, &self.engine_id);
            let (boots, time) = (self.boots as u32, self.time as u32);
            let (data, salt) = privacy.encrypt(&key, boots, time, id as u64, &message.data);
            (message.data, message.salt, message.encrypted) = (data, salt, true);
        }
        let Some(auth) = self.user.auth.filter(|_| flags & AUTHENTICATED != 0) else {
            return encode_secure(&message).0;
        };
        message.mac = vec![0; auth.mac_length()];
        let (mut bytes, at) = encode_secure(&message);
        let mac = auth.sign(&auth.localized_key(&self.user.auth_password, &self.engine_id), &bytes);
        if let Some(place) = bytes.get_mut(at..at + mac.len()) {
            place.copy_from_slice(&mac);
        }
        bytes
    }

    /// What an answer says, if it is signed and encrypted as its flags say.
    pub fn open(&self, datagram: &[u8]) -> Option<(SecureMessage, Pdu)> {
        let Ok(Message::Secure(message)) = Message::parse(datagram) else { return None };
        if message.flags & AUTHENTICATED != 0 {
            let auth = self.user.auth?;
            let mut unsigned = datagram.to_vec();
            unsigned.get_mut(message.mac_at..message.mac_at + message.mac.len())?.fill(0);
            let key = auth.localized_key(&self.user.auth_password, &message.engine_id);
            if auth.sign(&key, &unsigned) != message.mac {
                return None;
            }
        }
        let mut plain = message.data.clone();
        if message.encrypted {
            let privacy = self.user.privacy?;
            let key = privacy.localized_key(self.user.auth?, &self.user.privacy_password, &message.engine_id);
            let (boots, time) = (message.boots as u32, message.time as u32);
            plain = privacy.decrypt(&key, boots, time, &message.salt, &plain)?;
        }
        let pdu = Scoped::parse(&plain).ok()?.pdu;
        Some((message, pdu))
    }
}

/// A message that asks for the receiver's engine (RFC 3414 section 4).
pub fn discovery(id: i32) -> Vec<u8> {
    let nobody = UserPlan {
        name: String::new(),
        auth: None,
        auth_password: String::new(),
        privacy: None,
        privacy_password: String::new(),
    };
    let pdu = Pdu { kind: kind::GET, request_id: id, status: 0, index: 0, varbinds: Vec::new() };
    Talker { user: nobody, engine_id: Vec::new(), boots: 0, time: 0 }.seal(id, REPORTABLE, &pdu)
}
