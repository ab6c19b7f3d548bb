use std::sync::LazyLock;

use proptest::prelude::*;

use snmp2::v3::{Auth, AuthProtocol as Signing, KeyExtension, Security};
use snmp2::{MessageType, Varbinds};

use super::*;
use crate::snmp::ask::{self, Verb};
use crate::snmp::ber::{OCTET_STRING, REPORT, RawMessage, SEQUENCE, Writer};
use crate::snmp::credential::{AuthProtocol, PrivacyProtocol, Secret};
use crate::snmp::oid::Oid;
use crate::snmp::pdu::Pdu;
use crate::snmp::testing::encode_varbinds;
use crate::snmp::usm_crypto::SALT;
use crate::snmp::value::{Value, Varbind};

pub(in crate::snmp) const ENGINE: &[u8] = &[0x80, 0, 0x7e, 0xd9, 4, b'l', b'o', b'f', b't'];
const UPTIME: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 1, 3, 0]);

pub(in crate::snmp) fn user() -> UsmUser {
    UsmUser::new(
        "loft",
        Some((AuthProtocol::Sha1, Secret::new("velvet-curtain"))),
        Some((PrivacyProtocol::Aes128, Secret::new("painted-forest"))),
    )
    .unwrap()
}

static KEYS: LazyLock<Keys> = LazyLock::new(|| Keys::derive(&user(), ENGINE));
static DEVICE: LazyLock<DeviceKeys> = LazyLock::new(|| DeviceKeys::derive(&user(), ENGINE));

/// A device's side, by another library, so that each checks the other.
pub(in crate::snmp) struct DeviceKeys {
    full: Security,
    signing: Security,
    engine_id: Vec<u8>,
}

impl DeviceKeys {
    pub(in crate::snmp) fn derive(user: &UsmUser, engine_id: &[u8]) -> Self {
        let (auth, secret) = user.auth().unwrap();
        let signing = match auth {
            AuthProtocol::Md5 => Signing::Md5,
            AuthProtocol::Sha1 => Signing::Sha1,
            AuthProtocol::Sha224 => Signing::Sha224,
            AuthProtocol::Sha256 => Signing::Sha256,
            AuthProtocol::Sha384 => Signing::Sha384,
            AuthProtocol::Sha512 => Signing::Sha512,
        };
        let signing = Security::new(user.name().as_bytes(), secret.expose().as_bytes())
            .with_auth(Auth::AuthNoPriv)
            .with_auth_protocol(signing);
        let mut full = signing.clone();
        if let Some((privacy, secret)) = user.privacy() {
            let (cipher, extension) = match privacy {
                PrivacyProtocol::Des => (snmp2::v3::Cipher::Des, KeyExtension::Blumenthal),
                PrivacyProtocol::Aes128 => (snmp2::v3::Cipher::Aes128, KeyExtension::Blumenthal),
                PrivacyProtocol::Aes192 => (snmp2::v3::Cipher::Aes192, KeyExtension::Blumenthal),
                PrivacyProtocol::Aes256 => (snmp2::v3::Cipher::Aes256, KeyExtension::Blumenthal),
                PrivacyProtocol::Aes192Reeder => (snmp2::v3::Cipher::Aes192, KeyExtension::Reeder),
                PrivacyProtocol::Aes256Reeder => (snmp2::v3::Cipher::Aes256, KeyExtension::Reeder),
            };
            full = full
                .with_auth(Auth::AuthPriv { cipher, privacy_password: secret.expose().as_bytes().to_vec() })
                .with_key_extension_method(extension);
        }
        Self {
            full: full.with_engine_id(engine_id).unwrap(),
            signing: signing.with_engine_id(engine_id).unwrap(),
            engine_id: engine_id.to_vec(),
        }
    }

    /// The number and clock of a request, if it is signed and encrypted as it must be.
    pub(in crate::snmp) fn open_request(&self, datagram: &[u8]) -> Option<(i32, (i64, i64))> {
        let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { return None };
        let mut security = self.full.clone().with_engine_boots_and_time(message.boots, message.time);
        let copy = datagram.to_vec();
        let pdu = snmp2::Pdu::from_bytes_with_security(&copy, Some(&mut security)).ok()?;
        assert_eq!(pdu.req_id, message.message_id);
        Some((pdu.req_id, (message.boots, message.time)))
    }

    pub(in crate::snmp) fn seal_response(&self, clock: (i64, i64), id: i32, varbinds: &[Varbind]) -> Vec<u8> {
        self.seal_pdu(&self.full, clock, id, MessageType::Response, varbinds)
    }

    /// A report that is signed and not encrypted, as RFC 3414 §3.2 step 7a has it.
    pub(in crate::snmp) fn seal_report(&self, clock: (i64, i64), id: i32, counter: u32) -> Vec<u8> {
        self.seal_pdu(&self.signing, clock, id, MessageType::Report, &[usm_counter(counter)])
    }

    /// The crate makes a version 3 PDU only by reading one, so it is given an empty one to read, which is
    /// then filled in.
    fn seal_pdu(
        &self,
        security: &Security,
        clock: (i64, i64),
        id: i32,
        kind: MessageType,
        varbinds: &[Varbind],
    ) -> Vec<u8> {
        let mut list = Writer::new();
        encode_varbinds(&mut list, varbinds);
        let list = list.finish();
        let security = security.clone().with_engine_boots_and_time(clock.0, clock.1);
        let empty = ber::encode_empty_v3(id, &self.engine_id);
        let mut plain =
            Security::new(b"", b"").with_auth(Auth::NoAuthNoPriv).with_engine_id(&self.engine_id).unwrap();
        let mut pdu = snmp2::Pdu::from_bytes_with_security(&empty, Some(&mut plain)).unwrap();
        pdu.message_type = kind;
        pdu.req_id = id;
        pdu.error_status = 0;
        pdu.error_index = 0;
        pdu.varbinds = Varbinds::from_bytes(&list);
        pdu.to_bytes_with_security(Some(&security)).unwrap()
    }
}

/// What opening gave, on its own.
#[derive(Debug)]
struct Got {
    signed: bool,
    pdu: Pdu,
    clock: (i64, i64),
}

fn open(keys: &Keys, datagram: &[u8]) -> Result<Got, Closed> {
    let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { return Err(Closed::NotOurs) };
    let mut clear = Vec::new();
    let opened = keys.open(datagram, &message, &mut clear)?;
    Ok(Got { signed: opened.signed, pdu: opened.pdu.owned().map_err(Closed::Broken)?, clock: opened.clock })
}

fn usm_counter(counter: u32) -> Varbind {
    let oid = Oid::constant(&[1, 3, 6, 1, 6, 3, 15, 1, 1]).child(&[counter, 0]);
    Varbind { oid, value: Value::Counter32(1) }
}

/// An unsigned message with this PDU, as anybody may send it.
pub(in crate::snmp) fn unsigned(
    flags: u8,
    max_size: i64,
    clock: (i64, i64),
    id: i32,
    (tag, varbinds): (u8, &[Varbind]),
) -> Vec<u8> {
    let mut message = Writer::new();
    message.tagged(SEQUENCE, |w| {
        w.tagged(SEQUENCE, |w| {
            w.tagged(tag, |w| {
                w.tagged(SEQUENCE, |w| encode_varbinds(w, varbinds));
                w.integer(0);
                w.integer(0);
                w.integer(id.into());
            });
            w.octets(&[]);
            w.octets(ENGINE);
        });
        w.tagged(OCTET_STRING, |w| {
            w.tagged(SEQUENCE, |w| {
                w.octets(&[]);
                w.octets(&[0; 12]);
                w.octets(b"loft");
                w.integer(clock.1);
                w.integer(clock.0);
                w.octets(ENGINE);
            });
        });
        w.tagged(SEQUENCE, |w| {
            w.integer(USM);
            w.octets(&[flags]);
            w.integer(max_size);
            w.integer(id.into());
        });
        w.integer(3);
    });
    message.finish()
}

pub(in crate::snmp) fn report(clock: (i64, i64), id: i32, counter: u32) -> Vec<u8> {
    unsigned(0, 1_500, clock, id, (REPORT, &[usm_counter(counter)]))
}

/// A response, a signed report and an unsigned one.
pub(in crate::snmp) fn sealed() -> Vec<Vec<u8>> {
    let varbinds = [number(Value::Integer(1)), number(Value::OctetString(b"ink".as_slice().into()))];
    vec![
        DEVICE.seal_response((3, 500), 9, &varbinds),
        DEVICE.seal_report((3, 500), 9, 2),
        report((3, 500), 9, 3),
    ]
}

/// Whether any octets open as a signed message, and what is inside of them, secured or not, can be read.
pub(in crate::snmp) fn open_any(octets: &[u8]) -> bool {
    let _ = ber::scoped_with_padding(octets).and_then(ber::raw_scoped).map(RawPdu::owned);
    open(&KEYS, octets).is_ok_and(|got| got.signed)
}

fn number(value: Value) -> Varbind {
    Varbind { oid: UPTIME, value }
}

/// RFC 3414 A.3.1 and A.3.2: "maplesyrup" at engine 000000000000000000000002.
#[test]
fn keys_agree_with_rfc_3414_a3() {
    let engine = [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2];
    let md5: [u8; 16] = 0x526f_5eed_9fcc_e26f_8964_c293_0787_d82b_u128.to_be_bytes();
    let sha1 = [
        0x66, 0x95, 0xfe, 0xbc, 0x92, 0x88, 0xe3, 0x62, 0x82, 0x23, 0x5f, 0xc7, 0x15, 0x1f, 0x12, 0x84, 0x97,
        0xb3, 0x8f, 0x3f,
    ];
    for (protocol, key) in [(AuthProtocol::Md5, &md5[..]), (AuthProtocol::Sha1, &sha1[..])] {
        assert_eq!(localize(protocol, &stretch(protocol, b"maplesyrup"), &engine), key, "{protocol}");
    }
}

/// Every pair of protocols, both ways, against another library.
#[test]
fn every_pair_of_protocols_agrees_with_another_library() {
    let varbinds = [number(Value::TimeTicks(7)), number(Value::OctetString(b"ink".as_slice().into()))];
    for auth in AuthProtocol::ALL {
        for privacy in PrivacyProtocol::ALL.iter().map(|one| Some(*one)).chain([None]) {
            let secret = |text: &str| Secret::new(text);
            let privacy = privacy.map(|privacy| (privacy, secret("painted-forest")));
            let user = UsmUser::new("loft", Some((*auth, secret("velvet-curtain"))), privacy).unwrap();
            let (keys, device) = (Keys::derive(&user, ENGINE), DeviceKeys::derive(&user, ENGINE));
            let what = format!("{auth} {:?}", user.privacy().map(|(privacy, _)| privacy));
            let list = ask::names(&[UPTIME, UPTIME.child(&[7])]);
            let question = Question { verb: Verb::Get, list: &list, names: 2 };
            let mut sealed = Vec::new();
            keys.seal(&mut sealed, (4, 1_000), 77, &question);
            assert_eq!(device.open_request(&sealed), Some((77, (4, 1_000))), "{what}");
            let got = open(&keys, &device.seal_response((4, 1_001), 77, &varbinds)).unwrap();
            assert_eq!(
                (got.signed, got.clock, &got.pdu.varbinds[..]),
                (true, (4, 1_001), &varbinds[..]),
                "{what}"
            );
        }
    }
}

#[test]
fn what_is_sealed_opens_with_the_same_keys_only() {
    let values = [Value::TimeTicks(7), Value::Integer(-3), Value::OctetString(b"ink".as_slice().into())];
    let varbinds: Vec<Varbind> = values.into_iter().map(number).collect();
    let sealed = DEVICE.seal_response((4, 1_000), 77, &varbinds);
    let opened = open(&KEYS, &sealed).unwrap();
    assert!(opened.signed);
    assert_eq!(opened.clock, (4, 1_000));
    assert_eq!((opened.pdu.request_id, &opened.pdu.varbinds), (77, &varbinds));
    let other =
        UsmUser::new("loft", Some((AuthProtocol::Sha1, Secret::new("another-curtain"))), None).unwrap();
    let other = Keys::derive(&other, ENGINE);
    assert_eq!(open(&other, &sealed).unwrap_err(), Closed::NotOurs);
    let elsewhere = Keys::derive(&user(), b"another");
    assert_eq!(open(&elsewhere, &sealed).unwrap_err(), Closed::NotOurs);
}

/// The other library writes a value that it does not know as a pair of nothing: that is no list.
#[test]
fn a_pair_of_nothing_in_an_encrypted_answer_is_no_silent_end() {
    let strange = number(Value::Unknown { tag: SEQUENCE, bytes: [].into() });
    let varbinds = [number(Value::Integer(1)), strange, number(Value::Integer(2))];
    let sealed = DEVICE.seal_response((1, 1), 5, &varbinds);
    assert!(matches!(open(&KEYS, &sealed).unwrap_err(), Closed::Broken(_)));
}

#[test]
fn a_response_less_secure_than_its_request_is_nobodys() {
    let varbinds = [number(Value::Integer(1))];
    for flags in [0, FLAG_AUTH, FLAG_AUTH | FLAG_PRIVACY] {
        let forged = unsigned(flags, 1_500, (1, 1), 5, (ber::RESPONSE, &varbinds));
        assert_eq!(open(&KEYS, &forged).unwrap_err(), Closed::NotOurs, "flags {flags}");
    }
    // Signed, but in the clear.
    let clear = DEVICE.seal_pdu(&DEVICE.signing, (1, 1), 5, MessageType::Response, &varbinds);
    assert_eq!(open(&KEYS, &clear).unwrap_err(), Closed::NotOurs);
}

/// Announcing more than UDP can carry is legal (RFC 3412 §6.3), and counting boots from 0 is common.
#[test]
fn large_announcements_and_first_boots_are_understood() {
    let sealed = |max_size: i64, boots: i64| {
        let mut message = unsigned(FLAG_AUTH, max_size, (boots, 1), 5, (REPORT, &[usm_counter(2)]));
        let Ok(RawMessage::V3(parts)) = ber::raw(&message) else { panic!() };
        let (at, length) = (parts.mac_at, parts.mac.len());
        KEYS.signer.as_ref().unwrap().sign(&mut message, at..at + length);
        message
    };
    for (max_size, boots) in [(65_535, 1), (i64::from(i32::MAX), 1), (1_500, 0)] {
        let opened = open(&KEYS, &sealed(max_size, boots)).unwrap();
        assert_eq!((opened.signed, opened.clock), (true, (boots, 1)));
    }
}

#[test]
fn reports_come_signed_and_unsigned() {
    let signed = open(&KEYS, &DEVICE.seal_report((2, 9), 5, 2)).unwrap();
    assert!(signed.signed);
    assert_eq!((signed.pdu.kind, signed.clock), (PduKind::Report, (2, 9)));
    let unsigned = open(&KEYS, &report((2, 9), 5, 3)).unwrap();
    assert!(!unsigned.signed);
    assert_eq!(unsigned.pdu.varbinds[0].oid.to_string(), "1.3.6.1.6.3.15.1.1.3.0");
}

proptest! {
    #[test]
    fn no_changed_octet_gets_past_the_signature(at in any::<prop::sample::Index>(), with in 1..=255_u8, id in 0..i32::MAX) {
        let mut sealed = DEVICE.seal_response((3, 500), id, &[number(Value::Integer(1))]);
        let at = at.index(sealed.len());
        sealed[at] ^= with;
        prop_assert!(open(&KEYS, &sealed).is_err());
    }

    #[test]
    fn no_octets_panic(octets in prop::collection::vec(any::<u8>(), 0..300), cut in any::<prop::sample::Index>(),
                       edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..5)) {
        let _ = open(&KEYS, &octets);
        let mut sealed = DEVICE.seal_response((3, 500), 9, &[number(Value::Integer(1))]);
        for (at, octet) in edits {
            let at = at.index(sealed.len());
            sealed[at] = octet;
        }
        let _ = open(&KEYS, &sealed);
        let _ = open(&KEYS, &sealed[..cut.index(sealed.len())]);
    }

    /// What a cipher makes of any octets, with any salt, is at worst no message.
    #[test]
    fn no_ciphertext_panics(octets in prop::collection::vec(any::<u8>(), 0..80), salt in prop::collection::vec(any::<u8>(), 0..12)) {
        for protocol in PrivacyProtocol::ALL {
            let cipher = Cipher::new(*protocol, &vec![7; protocol.key().0]).unwrap();
            let mut data = octets.clone();
            let opened = cipher.decrypt((1, 2), &salt, &mut data);
            prop_assert!(opened.is_none() || salt.len() == SALT);
            let _ = ber::scoped_with_padding(&data).and_then(ber::raw_scoped);
        }
    }
}
