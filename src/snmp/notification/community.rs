//! Versions 1 and 2c, whose bytes are taken apart by snmp2, which knows every form a trap comes in.
//!
//! The community is not compared: printers are given one of its own for notifications more often than not,
//! and as it is sent in the clear it would prove nothing.

use std::sync::Arc;

use snmp2::{MessageType, Pdu, Value};
use tokio::time::Instant;

use super::super::ber::{INFORM, RESPONSE};
use super::super::credential::Credential;
use super::{Form, Heard, MOST_VARBINDS, PRINTER_V1_ENTERPRISE, PRINTER_V2_ALERT, TRAP_OID};

/// Reads notifications of versions 1 and 2c.
pub(super) struct Community;

impl Form for Community {
    fn hear(&mut self, datagram: &[u8], _known: &[Arc<Credential>], _now: Instant) -> Option<Heard> {
        let pdu = Pdu::from_bytes(datagram).ok()?;
        let printer_alert = match pdu.message_type {
            MessageType::TrapV1 => {
                let trap = pdu.v1_trap_info.as_ref()?;
                trap.specific_trap == 1 && arcs_are(&trap.enterprise, PRINTER_V1_ENTERPRISE)
            }
            MessageType::Trap | MessageType::InformRequest => {
                pdu.varbinds.clone().take(MOST_VARBINDS).any(|(name, value)| match value {
                    Value::ObjectIdentifier(kind) => {
                        arcs_are(&name, TRAP_OID) && arcs_are(&kind, PRINTER_V2_ALERT)
                    }
                    _ => false,
                })
            }
            _ => return None,
        };
        let inform = pdu.message_type == MessageType::InformRequest;
        let answer = if inform { Some(acknowledge(datagram)?) } else { None };
        Some(Heard { printer_alert, answer })
    }
}

fn arcs_are(oid: &snmp2::Oid<'_>, arcs: &[u64]) -> bool {
    oid.iter().is_some_and(|found| found.eq(arcs.iter().copied()))
}

/// The response to an inform: the same request id and varbinds (RFC 3416 §4.2.7), so the same message with
/// another tag where its PDU begins.
fn acknowledge(datagram: &[u8]) -> Option<Vec<u8>> {
    let mut at = header(datagram, 0)?.0;
    for _version_and_community in 0..2 {
        let (content, length) = header(datagram, at)?;
        at = content.checked_add(length)?;
    }
    let mut answer = datagram.to_vec();
    let tag = answer.get_mut(at).filter(|tag| **tag == INFORM)?;
    *tag = RESPONSE;
    Some(answer)
}

/// Where the contents of the element at `at` begin, and how long they are (X.690 §8.1).
fn header(datagram: &[u8], at: usize) -> Option<(usize, usize)> {
    let first = usize::from(*datagram.get(at + 1)?);
    if first < 0x80 {
        return Some((at + 2, first));
    }
    let octets = datagram.get(at + 2..at + 2 + (first & 0x7f))?;
    let length = octets
        .iter()
        .try_fold(0_usize, |length, octet| length.checked_mul(256)?.checked_add(usize::from(*octet)))?;
    Some((at + 2 + octets.len(), length))
}

#[cfg(test)]
mod tests {
    use mock_agent::message::{CommunityMessage, Pdu, kind};
    use mock_agent::{Oid, Value};
    use proptest::prelude::*;

    use super::*;

    const TRAP_V2: u8 = 0xa7;

    fn read(datagram: &[u8]) -> Option<Heard> {
        Community.hear(datagram, &[], Instant::now())
    }

    fn oid(arcs: &[u64]) -> Oid {
        Oid(arcs.iter().map(|arc| u32::try_from(*arc).unwrap()).collect())
    }

    fn message(tag: u8, what: &[u64]) -> Vec<u8> {
        let uptime = (oid(&[1, 3, 6, 1, 2, 1, 1, 3, 0]), Value::TimeTicks(4711));
        let trap = (oid(TRAP_OID), Value::ObjectId(oid(what)));
        let index = (oid(&[1, 3, 6, 1, 2, 1, 43, 18, 1, 1, 1, 1, 9]), Value::Integer(9));
        let pdu = Pdu { kind: tag, request_id: 77, status: 0, index: 0, varbinds: vec![uptime, trap, index] };
        CommunityMessage { version: 1, community: b"public".to_vec(), pdu }.encode()
    }

    #[test]
    fn a_printers_alert_is_told_from_other_traps() {
        let alert = read(&message(TRAP_V2, PRINTER_V2_ALERT)).unwrap();
        assert_eq!(alert, Heard { printer_alert: true, answer: None });
        // linkUp (RFC 2863).
        let other = read(&message(TRAP_V2, &[1, 3, 6, 1, 6, 3, 1, 1, 5, 4])).unwrap();
        assert!(!other.printer_alert);
        assert_eq!(read(&message(kind::GET, PRINTER_V2_ALERT)), None);
        assert_eq!(read(b""), None);
    }

    #[test]
    fn an_inform_is_answered_by_its_own_id_and_varbinds() {
        let inform = read(&message(INFORM, PRINTER_V2_ALERT)).unwrap();
        assert_eq!(inform.answer, Some(message(kind::RESPONSE, PRINTER_V2_ALERT)));
    }

    /// Captured from net-snmp 5.9.3: `snmptrap -v1 -c public HOST 1.3.6.1.2.1.43.18.2 127.0.0.1 6 1 42`.
    #[test]
    fn a_trap_of_version_1_is_known_by_enterprise_and_number() {
        let trap = [
            0x30, 0x28, 0x02, 0x01, 0x00, 0x04, 0x06, b'p', b'u', b'b', b'l', b'i', b'c', 0xa4, 0x1b, 0x06,
            0x08, 0x2b, 0x06, 0x01, 0x02, 0x01, 0x2b, 0x12, 0x02, 0x40, 0x04, 0x7f, 0x00, 0x00, 0x01, 0x02,
            0x01, 0x06, 0x02, 0x01, 0x01, 0x43, 0x01, 0x2a, 0x30, 0x00,
        ];
        assert!(read(&trap).unwrap().printer_alert);
    }

    proptest! {
        #[test]
        fn no_datagram_panics(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = read(&bytes);
        }

        #[test]
        fn no_spoilt_notification_panics(at in 0..120usize, byte: u8, cut in 0..120usize) {
            let mut bytes = message(INFORM, PRINTER_V2_ALERT);
            if let Some(spoilt) = bytes.get_mut(at) {
                *spoilt = byte;
            }
            bytes.truncate(cut.max(1));
            let _ = read(&bytes);
        }
    }
}
