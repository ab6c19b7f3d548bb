use proptest::prelude::*;

use super::*;
use crate::message::{CommunityMessage, Message, Pdu};

fn oids() -> impl Strategy<Value = Oid> {
    let first = prop_oneof![(0_u32..2, 0_u32..40), (Just(2_u32), any::<u32>())];
    (first, prop::collection::vec(any::<u32>(), 0..20)).prop_map(|((first, second), rest)| {
        let mut parts = vec![first, second];
        parts.extend(rest);
        Oid(parts)
    })
}

fn values() -> impl Strategy<Value = Value> {
    prop_oneof![
        any::<i32>().prop_map(Value::Integer),
        prop::collection::vec(any::<u8>(), 0..400).prop_map(Value::OctetString),
        oids().prop_map(Value::ObjectId),
        Just(Value::Null),
        any::<[u8; 4]>().prop_map(Value::IpAddress),
        any::<u32>().prop_map(Value::Counter32),
        any::<u32>().prop_map(Value::Gauge32),
        any::<u32>().prop_map(Value::TimeTicks),
        prop::collection::vec(any::<u8>(), 0..9).prop_map(Value::Opaque),
        any::<u64>().prop_map(Value::Counter64),
        Just(Value::NoSuchObject),
        Just(Value::NoSuchInstance),
        Just(Value::EndOfMibView),
    ]
}

proptest! {
    #[test]
    fn a_value_comes_back(value in values()) {
        let mut out = Writer::default();
        out.value(&value);
        let bytes = out.finish();
        let mut reader = Reader::new(&bytes);
        prop_assert_eq!(reader.value().unwrap(), value);
        prop_assert!(reader.is_empty());
    }

    #[test]
    fn a_message_comes_back(
        numbers in any::<(i32, i32, i32)>(),
        kind in 0xa0_u8..=0xa3,
        version in 0..=1,
        community in prop::collection::vec(any::<u8>(), 0..40),
        varbinds in prop::collection::vec((oids(), values()), 0..30),
    ) {
        let (request_id, status, index) = numbers;
        let message = CommunityMessage { version, community, pdu: Pdu { kind, request_id, status, index, varbinds } };
        prop_assert_eq!(Message::parse(&message.encode()).unwrap(), Message::Community(message));
    }

    #[test]
    fn anything_at_all_is_read_without_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = Message::parse(&bytes);
        let _ = Reader::new(&bytes).value();
    }
}

fn encoded(value: &Value) -> Vec<u8> {
    let mut out = Writer::default();
    out.value(value);
    out.finish()
}

// ITU-T X.690: section 8.3 (integers take the fewest bytes), 8.19.5 (the identifier {2 100 3} is 06 03 813403),
// 8.1.3.5 (a length of 201 is 81 c9).
#[test]
fn bytes_are_those_of_the_standard() {
    assert_eq!(encoded(&Value::Integer(0)), [2, 1, 0]);
    assert_eq!(encoded(&Value::Integer(127)), [2, 1, 0x7f]);
    assert_eq!(encoded(&Value::Integer(128)), [2, 2, 0, 0x80]);
    assert_eq!(encoded(&Value::Integer(-128)), [2, 1, 0x80]);
    assert_eq!(encoded(&Value::Integer(-129)), [2, 2, 0xff, 0x7f]);
    assert_eq!(encoded(&Value::Counter32(u32::MAX)), [0x41, 5, 0, 0xff, 0xff, 0xff, 0xff]);
    assert_eq!(encoded(&Value::ObjectId(Oid(vec![2, 100, 3]))), [6, 3, 0x81, 0x34, 3]);
    assert_eq!(encoded(&Value::OctetString(vec![7; 201]))[..3], [4, 0x81, 0xc9]);
    assert_eq!(encoded(&Value::OctetString(vec![7; 300]))[..4], [4, 0x82, 0x01, 0x2c]);
}

#[test]
fn what_is_malformed_is_refused() {
    for bytes in [
        &[2_u8, 0][..],                           // an integer of no bytes
        &[2, 5, 0, 0xff, 0xff, 0xff, 0xff],       // beyond 32 bits
        &[2, 2, 1],                               // cut short
        &[4, 0x80, 1, 0, 0],                      // indefinite length
        &[6, 1, 0x81],                            // an identifier that does not end
        &[6, 6, 0x2b, 0x90, 0x80, 0x80, 0x80, 0], // a component of 2^32
        &[0x40, 3, 1, 2, 3],                      // an address of three bytes
        &[0x41, 1, 0xff],                         // a negative counter
        &[5, 1, 0],                               // a null that holds something
        &[0x1f, 1, 0],                            // a tag of several bytes
        &[0x4a, 1, 0],                            // no type of SNMP
    ] {
        assert!(Reader::new(bytes).value().is_err(), "{bytes:x?}");
    }
}
