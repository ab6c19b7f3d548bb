use proptest::prelude::*;

use super::*;
use crate::snmp::ber::{Writer, encode_request};

fn written(number: i64) -> Vec<u8> {
    let mut out = Vec::new();
    integer(&mut out, number);
    out
}

proptest! {
    /// The two writers were written apart: one from the end, one from the start.
    #[test]
    fn numbers_are_as_short_as_they_can_be(number in any::<i64>(), shift in 0..64_u32) {
        let number = number >> shift;
        let mut other = Writer::new();
        other.integer(number);
        prop_assert_eq!(written(number), other.finish());
        prop_assert_eq!(integer_length(number), written(number).len());
    }

    #[test]
    fn requests_are_written_alike(id in any::<i32>(), a in 0..100_u32, b in 0..100_u32, many in 0..80_usize, community in prop::collection::vec(any::<u8>(), 1..200)) {
        let oids: Vec<Oid> = (0..many).map(|n| Oid::from_arcs(&[1, 3, 6, 1, 2, 1, 43, u32::try_from(n).unwrap() * 77])).collect();
        let request = Request::GetBulk { non_repeaters: a, max_repetitions: b, oids: oids.clone() };
        let list = names(&oids);
        let question = Question { verb: verb(&request), list: &list, names: many };
        let mut out = Vec::new();
        question.write(&mut out, Version::V2c, &community, id);
        prop_assert_eq!(out, encode_request(Version::V2c, &community, id, &request));
    }

    #[test]
    fn names_are_ordered_as_a_walk_is(a in prop::collection::vec(any::<u32>(), 0..6), b in prop::collection::vec(0..300_u32, 0..6)) {
        let octets = |arcs: &[u32]| {
            let mut w = Writer::new();
            let mut whole = vec![1, 3];
            whole.extend_from_slice(arcs);
            w.oid(&Oid::from_arcs(&whole));
            w.finish()[2..].to_vec()
        };
        for (a, b) in [(&a, &b), (&b, &a), (&a, &a)] {
            prop_assert_eq!(is_behind(&octets(a), &octets(b)), a > b);
        }
    }
}
