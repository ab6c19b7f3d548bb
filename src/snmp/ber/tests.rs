use proptest::prelude::*;

use super::*;
use crate::snmp::pdu::Request;
use crate::snmp::testing::{encode_response, encode_value};
use crate::snmp::value::Varbind;

fn hex(text: &str) -> Vec<u8> {
    let digits: String = text.split_whitespace().collect();
    (0..digits.len()).step_by(2).map(|at| u8::from_str_radix(&digits[at..at + 2], 16).unwrap()).collect()
}

fn oid(text: &str) -> Oid {
    text.parse().unwrap()
}

/// X.690 §8.19.5 encodes {2 100 3} as 06 03 81 34 03, §8.3 numbers in the fewest octets.
#[test]
fn contents_agree_with_x690() {
    let mut written = Writer::new();
    written.oid(&oid("2.100.3"));
    assert_eq!(written.finish(), hex("06 03 81 34 03"));
    assert_eq!(decode_oid(&hex("81 34 03")), Ok(oid("2.100.3")));
    for (number, octets) in [
        (0, "02 01 00"),
        (127, "02 01 7f"),
        (128, "02 02 00 80"),
        (-1, "02 01 ff"),
        (-128, "02 01 80"),
        (-129, "02 02 ff 7f"),
        (i64::from(i32::MIN), "02 04 80 00 00 00"),
        (i64::MIN, "02 08 80 00 00 00 00 00 00 00"),
    ] {
        let mut written = Writer::new();
        written.integer(number);
        let written = written.finish();
        assert_eq!(written, hex(octets), "{number}");
        assert_eq!(Reader::over(&written).integer(), Ok(number));
    }
}

/// Messages captured from net-snmp 5.9.3: `snmpget -v2c`, `snmpgetnext -v1` and `snmpbulkget -v2c -Cn1 -Cr12`
/// with community `public`.
#[test]
fn requests_are_octet_for_octet_what_net_snmp_sends() {
    let get = hex("30 29 02 01 01 04 06 70 75 62 6c 69 63 a0 1c 02 04 2e fc 3e c1 02 01 00 02 01 00
                   30 0e 30 0c 06 08 2b 06 01 02 01 01 03 00 05 00");
    let request = Request::Get { oids: vec![oid("1.3.6.1.2.1.1.3.0")] };
    assert_eq!(encode_request(Version::V2c, b"public", 0x2efc_3ec1, &request), get);
    let next = hex("30 29 02 01 00 04 06 70 75 62 6c 69 63 a1 1c 02 04 20 23 cc 8b 02 01 00 02 01 00
                    30 0e 30 0c 06 08 2b 06 01 02 01 01 03 00 05 00");
    let request = Request::GetNext { oids: vec![oid("1.3.6.1.2.1.1.3.0")] };
    assert_eq!(encode_request(Version::V1, b"public", 0x2023_cc8b, &request), next);
    let bulk = hex("30 38 02 01 01 04 06 70 75 62 6c 69 63 a5 2b 02 04 76 2d de 00 02 01 01 02 01 0c
                    30 1d 30 0b 06 07 2b 06 01 02 01 01 03 05 00 30 0e 06 0a 2b 06 01 02 01 2b 0b 01 01 09 05 00");
    let oids = vec![oid("1.3.6.1.2.1.1.3"), oid("1.3.6.1.2.1.43.11.1.1.9")];
    let request = Request::GetBulk { non_repeaters: 1, max_repetitions: 12, oids };
    assert_eq!(encode_request(Version::V2c, b"public", 0x762d_de00, &request), bulk);
}

#[test]
fn an_unknown_value_neither_ends_the_list_nor_costs_the_others() {
    let mut message = Writer::new();
    message.tagged(SEQUENCE, |w| {
        w.tagged(RESPONSE, |w| {
            w.tagged(SEQUENCE, |w| {
                for (tag, contents) in [(INTEGER, &[5][..]), (0x4a, &[1, 2]), (COUNTER32, &[9; 9])] {
                    w.tagged(SEQUENCE, |w| {
                        w.tagged(tag, |w| w.raw(contents));
                        w.oid(&oid("1.3.6.1"));
                    });
                }
            });
            w.integer(0);
            w.integer(0);
            w.integer(1);
        });
        w.octets(b"c");
        w.integer(1);
    });
    let bytes = message.finish();
    let Ok(Message::Community { pdu, .. }) = decode(&bytes) else { panic!("{:?}", decode(&bytes)) };
    let values: Vec<Value> = pdu.varbinds.into_iter().map(|varbind| varbind.value).collect();
    assert_eq!(
        values,
        [
            Value::Unknown { tag: COUNTER32, bytes: [9; 9].into() },
            Value::Unknown { tag: 0x4a, bytes: [1, 2].into() },
            Value::Integer(5),
        ]
    );
}

#[test]
fn unsigned_numbers_come_with_and_without_their_leading_zero() {
    assert_eq!(decode_value(COUNTER32, &[0, 255, 255, 255, 255]), Value::Counter32(u32::MAX));
    assert_eq!(decode_value(COUNTER32, &[255, 255, 255, 255]), Value::Counter32(u32::MAX));
    assert_eq!(
        decode_value(COUNTER64, &[0, 255, 255, 255, 255, 255, 255, 255, 255]),
        Value::Counter64(u64::MAX)
    );
    assert_eq!(decode_value(UNSIGNED32, &[7]), Value::Gauge32(7));
    assert!(matches!(decode_value(TIME_TICKS, &[]), Value::Unknown { .. }));
    assert!(matches!(decode_value(IP_ADDRESS, &[1, 2, 3]), Value::Unknown { .. }));
}

#[test]
fn lengths_and_identifiers_out_of_bounds_are_refused() {
    assert_eq!(decode(&hex("30 80 02 01 01")), Err(BerError::Length));
    assert_eq!(decode(&hex("30 84 ff ff ff ff 02")), Err(BerError::Truncated));
    assert_eq!(decode(&hex("30 85 00 00 00 00 01 02")), Err(BerError::Length));
    assert_eq!(decode(&hex("30 03 02 01 02")), Err(BerError::Version(2)));
    assert_eq!(decode(&[]), Err(BerError::Truncated));
    assert_eq!(decode_oid(&[0x2b, 0x86]), Err(BerError::ObjectId));
    assert_eq!(decode_oid(&[0x2b, 0x90, 0x80, 0x80, 0x80, 0x00]), Err(BerError::ObjectId));
    assert_eq!(decode_oid(&[0x2b; 128]), Err(BerError::ObjectId));
    assert_eq!(decode_oid(&[0x2b; 127]).unwrap().arcs().len(), MAX_ARCS);
    assert_eq!(decode_oid(&[]), Ok(oid("0.0")));
}

fn any_oid() -> impl Strategy<Value = Oid> {
    (0..3_u32, 0..40_u32, prop::collection::vec(any::<u32>(), 0..20)).prop_map(|(a, b, rest)| {
        let mut arcs = vec![a, b];
        arcs.extend(rest);
        Oid::from_arcs(&arcs)
    })
}

fn any_value() -> impl Strategy<Value = Value> {
    let octets = || prop::collection::vec(any::<u8>(), 0..300).prop_map(Vec::into_boxed_slice);
    prop_oneof![
        any::<i64>().prop_map(Value::Integer),
        octets().prop_map(Value::OctetString),
        any_oid().prop_map(Value::ObjectId),
        any::<[u8; 4]>().prop_map(Value::IpAddress),
        any::<u32>().prop_map(Value::Counter32),
        any::<u32>().prop_map(Value::Gauge32),
        any::<u32>().prop_map(Value::TimeTicks),
        octets().prop_map(Value::Opaque),
        any::<u64>().prop_map(Value::Counter64),
        Just(Value::Null),
        Just(Value::NoSuchObject),
        Just(Value::NoSuchInstance),
        Just(Value::EndOfMibView),
    ]
}

fn any_response() -> impl Strategy<Value = (Pdu, Vec<u8>)> {
    let varbinds = prop::collection::vec((any_oid(), any_value()), 0..12);
    (any::<i32>(), 0..20_i64, 0..50_u32, varbinds).prop_map(|(request_id, status, error_index, varbinds)| {
        let varbinds = varbinds.into_iter().map(|(oid, value)| Varbind { oid, value }).collect();
        let status_number = status;
        let status = ErrorStatus::from_number(status);
        let pdu = Pdu { kind: PduKind::Response, request_id, status, error_index, varbinds };
        let bytes =
            encode_response(Version::V2c, b"loft", request_id, status_number, error_index, &pdu.varbinds);
        (pdu, bytes)
    })
}

proptest! {
    #[test]
    fn what_is_written_reads_back((sent, bytes) in any_response()) {
        let read = decode(&bytes);
        let Ok(Message::Community { version: Version::V2c, community: b"loft", pdu }) = read else {
            return Err(TestCaseError::fail(format!("{read:?}")));
        };
        prop_assert_eq!(pdu, sent);
    }

    #[test]
    fn a_value_reads_back(value in any_value()) {
        let mut written = Writer::new();
        encode_value(&mut written, &value);
        let bytes = written.finish();
        let (tag, contents) = Reader::over(&bytes).any().unwrap();
        prop_assert_eq!(decode_value(tag, contents), value);
    }

    #[test]
    fn no_octets_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = decode(&bytes);
        let _ = decode_scoped(&bytes);
        let _ = decode_oid(&bytes);
    }

    #[test]
    fn no_mutation_panics_or_makes_values_from_nothing(
        (_, mut bytes) in any_response(),
        edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        cut in any::<prop::sample::Index>(),
    ) {
        for (at, octet) in edits {
            let at = at.index(bytes.len());
            bytes[at] = octet;
        }
        if let Ok(Message::Community { pdu, .. }) = decode(&bytes) {
            // A name and a value take six octets at least.
            prop_assert!(pdu.varbinds.len() <= bytes.len() / 6);
        }
        let _ = decode(&bytes[..cut.index(bytes.len())]);
    }

    #[test]
    fn no_prefix_of_a_message_is_a_message((_, bytes) in any_response(), cut in any::<prop::sample::Index>()) {
        prop_assert!(decode(&bytes[..cut.index(bytes.len())]).is_err());
    }
}
