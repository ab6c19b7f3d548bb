use std::sync::LazyLock;

use proptest::prelude::*;

use super::*;
use crate::snmp::ber::{OCTET_STRING, REPORT, SEQUENCE, Writer};
use crate::snmp::credential::Secret;
use crate::snmp::oid::Oid;
use crate::snmp::testing::encode_varbinds;

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

static KEYS: LazyLock<Keys> = LazyLock::new(|| Keys::derive(&user(), ENGINE).unwrap());

/// What a device does with a user's keys.
impl Keys {
    /// The number and clock of a request, if it is signed and encrypted as it must be.
    pub(in crate::snmp) fn open_request(&self, datagram: &[u8]) -> Option<(i32, (i64, i64))> {
        let Ok(Message::V3(message)) = ber::decode(datagram) else { return None };
        let mut security = self.full.clone().with_engine_boots_and_time(message.boots, message.time);
        let copy = datagram.to_vec();
        let pdu = snmp2::Pdu::from_bytes_with_security(&copy, Some(&mut security)).ok()?;
        assert_eq!(pdu.req_id, message.message_id);
        Some((pdu.req_id, (message.boots, message.time)))
    }

    pub(in crate::snmp) fn seal_response(&self, clock: (i64, i64), id: i32, varbinds: &[Varbind]) -> Vec<u8> {
        let security = self.full.clone().with_engine_boots_and_time(clock.0, clock.1);
        let mut list = Writer::new();
        encode_varbinds(&mut list, varbinds);
        self.seal_pdu(&security, id, MessageType::Response, (0, 0), &list.finish()).unwrap()
    }

    /// A report that is signed and not encrypted, as RFC 3414 §3.2 step 7a has it.
    pub(in crate::snmp) fn seal_report(&self, clock: (i64, i64), id: i32, counter: u32) -> Vec<u8> {
        let security = self.signing.clone().with_engine_boots_and_time(clock.0, clock.1);
        let mut list = Writer::new();
        encode_varbinds(&mut list, &[usm_counter(counter)]);
        self.seal_pdu(&security, id, MessageType::Report, (0, 0), &list.finish()).unwrap()
    }
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

fn number(value: Value) -> Varbind {
    Varbind { oid: UPTIME, value }
}

/// RFC 3414 A.3.1 and A.3.2: "maplesyrup" at engine 000000000000000000000002. The crate does not give its
/// keys out, but it prints them.
#[test]
fn keys_agree_with_rfc_3414_a3() {
    let engine = [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2];
    let md5: [u8; 16] = 0x526f_5eed_9fcc_e26f_8964_c293_0787_d82b_u128.to_be_bytes();
    let sha1 = [
        0x66, 0x95, 0xfe, 0xbc, 0x92, 0x88, 0xe3, 0x62, 0x82, 0x23, 0x5f, 0xc7, 0x15, 0x1f, 0x12, 0x84, 0x97,
        0xb3, 0x8f, 0x3f,
    ];
    for (protocol, key) in [(AuthProtocol::Md5, &md5[..]), (AuthProtocol::Sha1, &sha1[..])] {
        let user = UsmUser::new("loft", Some((protocol, Secret::new("maplesyrup"))), None).unwrap();
        let keys = Keys::derive(&user, &engine).unwrap();
        let printed = format!("{:?}", keys.full);
        assert!(printed.contains(&format!("auth_key: {key:?}")), "{protocol}");
    }
}

#[test]
fn what_is_sealed_opens_with_the_same_keys_only() {
    let values = [Value::TimeTicks(7), Value::Integer(-3), Value::OctetString(b"ink".as_slice().into())];
    let varbinds: Vec<Varbind> = values.into_iter().map(number).collect();
    let sealed = KEYS.seal_response((4, 1_000), 77, &varbinds);
    let opened = KEYS.open(&sealed).unwrap();
    assert!(opened.signed);
    assert_eq!(opened.clock, (4, 1_000));
    assert_eq!((opened.pdu.request_id, &opened.pdu.varbinds), (77, &varbinds));
    let other =
        UsmUser::new("loft", Some((AuthProtocol::Sha1, Secret::new("another-curtain"))), None).unwrap();
    let other = Keys::derive(&other, ENGINE).unwrap();
    assert_eq!(other.open(&sealed).unwrap_err(), Closed::NotOurs);
    let elsewhere = Keys::derive(&user(), b"another").unwrap();
    assert_eq!(elsewhere.open(&sealed).unwrap_err(), Closed::NotOurs);
}

/// The crate's list ends at a value it does not know; ours says so, unless it was the last, which the count
/// of names tells the transport. (It writes such values as an empty pair, so that is what is sent here.)
#[test]
fn an_unknown_value_in_an_encrypted_answer_is_no_silent_end() {
    let strange = Value::Unknown { tag: SEQUENCE, bytes: [].into() };
    let [first, second] = [number(Value::Integer(1)), number(Value::Integer(2))];
    let middle = KEYS.seal_response((1, 1), 5, &[first.clone(), number(strange.clone()), second]);
    assert_eq!(KEYS.open(&middle).unwrap_err(), Closed::Broken(BerError::Value));
    let last = KEYS.seal_response((1, 1), 5, &[first.clone(), number(strange)]);
    assert_eq!(KEYS.open(&last).unwrap().pdu.varbinds, [first]);
}

#[test]
fn a_response_less_secure_than_its_request_is_nobodys() {
    let varbinds = [number(Value::Integer(1))];
    for flags in [0, FLAG_AUTH, FLAG_AUTH | FLAG_PRIVACY] {
        let forged = unsigned(flags, 1_500, (1, 1), 5, (ber::RESPONSE, &varbinds));
        assert_eq!(KEYS.open(&forged).unwrap_err(), Closed::NotOurs, "flags {flags}");
    }
    // Signed, but in the clear.
    let security = KEYS.signing.clone().with_engine_boots_and_time(1, 1);
    let mut list = Writer::new();
    encode_varbinds(&mut list, &varbinds);
    let clear = KEYS.seal_pdu(&security, 5, MessageType::Response, (0, 0), &list.finish()).unwrap();
    assert_eq!(KEYS.open(&clear).unwrap_err(), Closed::NotOurs);
}

#[test]
fn what_the_crate_cannot_read_is_named() {
    let large = unsigned(FLAG_AUTH, 65_535, (1, 1), 5, (ber::RESPONSE, &[]));
    assert!(matches!(KEYS.open(&large).unwrap_err(), Closed::Unspeakable(_)));
    let bootless = unsigned(FLAG_AUTH, 1_500, (0, 1), 5, (ber::RESPONSE, &[]));
    assert!(matches!(KEYS.open(&bootless).unwrap_err(), Closed::Unspeakable(_)));
}

#[test]
fn reports_come_signed_and_unsigned() {
    let signed = KEYS.open(&KEYS.seal_report((2, 9), 5, 2)).unwrap();
    assert!(signed.signed);
    assert_eq!((signed.pdu.kind, signed.clock), (PduKind::Report, (2, 9)));
    let unsigned = KEYS.open(&report((2, 9), 5, 3)).unwrap();
    assert!(!unsigned.signed);
    assert_eq!(unsigned.pdu.varbinds[0].oid.to_string(), "1.3.6.1.6.3.15.1.1.3.0");
}

proptest! {
    #[test]
    fn no_changed_octet_gets_past_the_signature(at in any::<prop::sample::Index>(), with in 1..=255_u8, id in 0..i32::MAX) {
        let mut sealed = KEYS.seal_response((3, 500), id, &[number(Value::Integer(1))]);
        let at = at.index(sealed.len());
        sealed[at] ^= with;
        prop_assert!(KEYS.open(&sealed).is_err());
    }

    #[test]
    fn no_octets_panic(octets in prop::collection::vec(any::<u8>(), 0..300), cut in any::<prop::sample::Index>(),
                       edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..5)) {
        let _ = KEYS.open(&octets);
        let mut sealed = KEYS.seal_response((3, 500), 9, &[number(Value::Integer(1))]);
        for (at, octet) in edits {
            let at = at.index(sealed.len());
            sealed[at] = octet;
        }
        let _ = KEYS.open(&sealed);
        let _ = KEYS.open(&sealed[..cut.index(sealed.len())]);
    }
}
