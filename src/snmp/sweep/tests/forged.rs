//! Version 3 while somebody stands on the way.

use super::*;
use crate::snmp::ber;
use crate::snmp::usm::write_report;
use crate::snmp::usm_keys::Envelope;

/// Where an engine's boots stand in a message of version 3, behind its ID, and that they are a number.
fn boots_at(datagram: &[u8]) -> usize {
    let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { panic!() };
    let at = message.engine_id.as_ptr().addr() - datagram.as_ptr().addr() + message.engine_id.len();
    assert_eq!(datagram[at], 0x02);
    at + 2
}

/// Somebody stands on the way who sees every number and address but has no key. He adds datagrams of his own
/// before each true one: spoilt, with a clock far ahead, unsigned, and the true one from another address.
#[test]
fn forged_datagrams_of_version_3_change_nothing() {
    let plan = ManyPlan { printers: 1, secure: true, ..ManyPlan::default() };
    with_crowd(plan, |addresses| {
        let (printer, over) = (addresses[0], AtomicBool::new(false));
        let bind = || std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        let (between, elsewhere) = (bind(), bind());
        between.set_read_timeout(Some(Duration::from_millis(20))).unwrap();
        let address = between.local_addr().unwrap();
        let forge = |bytes: &[u8], asker: SocketAddr| {
            let Ok(RawMessage::V3(message)) = ber::raw(bytes) else { panic!() };
            if message.flags & ber::FLAG_AUTH == 0 {
                return;
            }
            let (mut spoilt, mut ahead, mut unsigned) = (bytes.to_vec(), bytes.to_vec(), Vec::new());
            *spoilt.last_mut().unwrap() ^= 1;
            ahead[boots_at(bytes)] |= 0x40;
            let (engine_id, user, id) = (message.engine_id, message.user, message.message_id);
            let (boots, time) = (message.boots + 1, message.time);
            let lie = write_report(engine_id, id, 3, 1);
            let mut report = Vec::new();
            let open = Envelope { engine_id, user, flags: 0, boots, time, id, salt: &[], mac: 0 };
            open.write(&mut report, &lie);
            let envelope =
                Envelope { engine_id, user, flags: ber::FLAG_AUTH, boots, time, id, salt: &[], mac: 24 };
            envelope.write(&mut unsigned, &lie);
            for forged in [spoilt, ahead, unsigned, report] {
                between.send_to(&forged, asker).unwrap();
            }
            elsewhere.send_to(bytes, asker).unwrap();
        };
        std::thread::scope(|scope| {
            let _stop = Stop(&over);
            scope.spawn(|| {
                let (mut bytes, mut asker) = (vec![0; 65_536], None);
                while !over.load(Ordering::Relaxed) {
                    let Ok((length, from)) = between.recv_from(&mut bytes) else { continue };
                    let to = match asker {
                        Some(asker) if from == printer => (forge(&bytes[..length], asker), asker).1,
                        _ => (asker = Some(from), printer).1,
                    };
                    between.send_to(&bytes[..length], to).unwrap();
                }
            });
            let read = |address| {
                let mut sweeper = Sweeper::new(SweepOptions { timeout: Duration::from_secs(2), ..options() });
                let list = targets(&[address], &user("velvet-curtain", "painted-forest"));
                let mut twice = || whole(&sweep(&mut sweeper, list.clone()).remove(0).unwrap().0);
                let seen = [twice(), twice()];
                (seen, sweeper.stats())
            };
            let (truth, honest) = read(printer);
            let (seen, stats) = read(address);
            assert_eq!(seen, truth);
            assert_eq!(stats.sent, honest.sent, "engine found once, and no question asked twice");
            // Beside each answer four from its address and one from another; discovery is let through.
            assert_eq!(stats.received, 1 + 6 * (honest.received - 1), "{stats:?}");
        });
    });
}
