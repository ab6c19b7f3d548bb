//! GET, GETNEXT and GETBULK of versions 1 and 2c, without a socket and with one.

// The lint's allowance for tests does not reach helper functions of an integration test.
#![allow(clippy::unwrap_used)]

use std::sync::{Arc, Mutex};
use std::time::Duration;

use jiff::Timestamp;
use mock_agent::message::{CommunityMessage, Message, Pdu, VarBind, kind};
use mock_agent::{Agent, AgentServer, Bind, EngineClock, Oid, Printer, Room, Scenario, Value, respond};

const CLOCK: EngineClock = EngineClock { boots: 1, seconds: 1234 };

fn opened() -> Timestamp {
    "2026-11-20T00:00:00Z".parse().unwrap()
}

fn noon() -> Timestamp {
    "2026-11-21T12:00:00Z".parse().unwrap()
}

fn room() -> Room {
    let mut room = Room::new(&Scenario::vellmoor(), opened(), 1);
    room.advance_to(noon());
    room
}

fn printer(place: usize) -> Printer {
    Room::new(&Scenario::vellmoor(), opened(), 0).printers()[place].clone()
}

fn oid(text: &str) -> Oid {
    text.parse().unwrap()
}

/// `status` and `index` are the non-repeaters and repetitions of a GETBULK.
fn ask(version: i32, kind: u8, status: i32, index: i32, names: &[&str]) -> CommunityMessage {
    let varbinds = names.iter().map(|name| (oid(name), Value::Null)).collect();
    let pdu = Pdu { kind, request_id: 4711, status, index, varbinds };
    CommunityMessage { version, community: b"public".to_vec(), pdu }
}

fn answer(agent: &mut Agent, view: &[VarBind], question: &CommunityMessage) -> Option<Pdu> {
    let reply = respond(agent, view, CLOCK, &question.encode())?;
    match Message::parse(&reply).unwrap() {
        Message::Community(message) => {
            assert_eq!(message.version, question.version);
            assert_eq!(message.community, question.community);
            assert_eq!((message.pdu.kind, message.pdu.request_id), (kind::RESPONSE, 4711));
            Some(message.pdu)
        }
        Message::Secure(_) => panic!("an answer of version 3"),
    }
}

/// The table of RFC 3416 section 4.2.2.1, with the two scalars around it that its answers show.
fn media_table() -> Vec<VarBind> {
    let rows = [
        ("1.9.2.3.4", [0, 0, 0x10, 0x54, 0x32, 0x10], [9, 2, 3, 4], 3),
        ("1.10.0.0.51", [0, 0, 0x10, 0x01, 0x23, 0x45], [10, 0, 0, 51], 4),
        ("2.10.0.0.15", [0, 0, 0x10, 0x98, 0x76, 0x54], [10, 0, 0, 15], 3),
    ];
    let mut view = vec![
        (oid("1.3.6.1.2.1.1.3.0"), Value::TimeTicks(123_456)),
        (oid("1.3.6.1.2.1.4.23.0"), Value::Counter32(2)),
    ];
    for (row, physical, network, kind) in rows {
        let name = |column: u32| oid(&format!("1.3.6.1.2.1.4.22.1.{column}.{row}"));
        view.push((name(2), Value::OctetString(physical.to_vec())));
        view.push((name(3), Value::IpAddress(network)));
        view.push((name(4), Value::Integer(kind)));
    }
    view.sort_by(|a, b| a.0.cmp(&b.0));
    view
}

const UPTIME: &str = "1.3.6.1.2.1.1.3";
const PHYSICAL: &str = "1.3.6.1.2.1.4.22.1.2";
const KIND: &str = "1.3.6.1.2.1.4.22.1.4";

fn names(pdu: &Pdu) -> Vec<String> {
    pdu.varbinds.iter().map(|(name, _)| name.to_string()).collect()
}

// RFC 3416 section 4.2.2.1, the worked example.
#[test]
fn get_next_walks_the_table_of_the_standard() {
    let (view, mut agent) = (media_table(), Agent::new(&printer(0)));
    let mut asked = vec![UPTIME.to_owned(), PHYSICAL.to_owned(), KIND.to_owned()];
    for row in ["1.9.2.3.4", "1.10.0.0.51", "2.10.0.0.15"] {
        let list: Vec<&str> = asked.iter().map(String::as_str).collect();
        let pdu = answer(&mut agent, &view, &ask(1, kind::GET_NEXT, 0, 0, &list)).unwrap();
        asked = names(&pdu);
        assert_eq!(asked, [format!("{UPTIME}.0"), format!("{PHYSICAL}.{row}"), format!("{KIND}.{row}")]);
        assert_eq!(pdu.varbinds[0].1, Value::TimeTicks(123_456));
        // The standard's example asks for sysUpTime again, not for what follows it.
        asked[0] = UPTIME.to_owned();
    }
    let list: Vec<&str> = asked.iter().map(String::as_str).collect();
    let pdu = answer(&mut agent, &view, &ask(1, kind::GET_NEXT, 0, 0, &list)).unwrap();
    assert_eq!(names(&pdu), ["1.3.6.1.2.1.1.3.0", "1.3.6.1.2.1.4.22.1.3.1.9.2.3.4", "1.3.6.1.2.1.4.23.0"]);
    assert_eq!(pdu.varbinds[1].1, Value::IpAddress([9, 2, 3, 4]));
    assert_eq!(pdu.varbinds[2].1, Value::Counter32(2));
}

// RFC 3416 section 4.2.3, the worked example.
#[test]
fn get_bulk_walks_the_table_of_the_standard() {
    let (view, mut agent) = (media_table(), Agent::new(&printer(0)));
    let pdu = answer(&mut agent, &view, &ask(1, kind::GET_BULK, 1, 2, &[UPTIME, PHYSICAL, KIND])).unwrap();
    let (physical, media) = (|row| format!("{PHYSICAL}.{row}"), |row| format!("{KIND}.{row}"));
    let (first, second, third) = ("1.9.2.3.4", "1.10.0.0.51", "2.10.0.0.15");
    let uptime = format!("{UPTIME}.0");
    assert_eq!(names(&pdu), [uptime.clone(), physical(first), media(first), physical(second), media(second)]);
    assert_eq!((pdu.status, pdu.index), (0, 0));
    let again = [UPTIME, &physical(second), &media(second)];
    let pdu = answer(&mut agent, &view, &ask(1, kind::GET_BULK, 1, 2, &again)).unwrap();
    assert_eq!(
        names(&pdu),
        [
            uptime,
            physical(third),
            media(third),
            "1.3.6.1.2.1.4.22.1.3.1.9.2.3.4".to_owned(),
            "1.3.6.1.2.1.4.23.0".to_owned()
        ]
    );
}

#[test]
fn get_bulk_stops_at_the_end_of_the_view() {
    let (view, mut agent) = (media_table(), Agent::new(&printer(0)));
    let pdu =
        answer(&mut agent, &view, &ask(1, kind::GET_BULK, 0, 50, &["1.3.6.1.2.1.4.22.1.4.2.10"])).unwrap();
    assert_eq!(names(&pdu)[1..], ["1.3.6.1.2.1.4.23.0", "1.3.6.1.2.1.4.23.0"]);
    assert_eq!(pdu.varbinds.last().unwrap().1, Value::EndOfMibView);
    assert_eq!(pdu.varbinds.len(), 3);
    // Negative numbers count as zero (RFC 3416 section 4.2.3).
    let pdu = answer(&mut agent, &view, &ask(1, kind::GET_BULK, -4, -1, &[UPTIME])).unwrap();
    assert_eq!(pdu.varbinds, []);
}

#[test]
fn version_2c_answers_what_is_missing_one_by_one() {
    let (room, mut agent) = (room(), Agent::new(&printer(0)));
    let list =
        ["1.3.6.1.2.1.1.5.0", "1.3.6.1.2.1.1.5.1", "1.3.6.1.2.1.1.99.0", "1.3.6.1.2.1.43.11.1.1.9.1.77"];
    let pdu = answer(&mut agent, room.view(0), &ask(1, kind::GET, 0, 0, &list)).unwrap();
    let values: Vec<&Value> = pdu.varbinds.iter().map(|(_, value)| value).collect();
    let bobbin = Value::text("Bobbin");
    assert_eq!(values, [&bobbin, &Value::NoSuchInstance, &Value::NoSuchObject, &Value::NoSuchInstance]);
    let pdu = answer(&mut agent, room.view(0), &ask(1, kind::GET_NEXT, 0, 0, &["1.4"])).unwrap();
    assert_eq!(pdu.varbinds, [(oid("1.4"), Value::EndOfMibView)]);
}

#[test]
fn version_1_refuses_the_whole_request_and_knows_no_get_bulk() {
    let (room, mut agent) = (room(), Agent::new(&printer(3)));
    let list = ["1.3.6.1.2.1.1.5.0", "1.3.6.1.2.1.1.99.0"];
    let pdu = answer(&mut agent, room.view(3), &ask(0, kind::GET, 0, 0, &list)).unwrap();
    assert_eq!((pdu.status, pdu.index, pdu.varbinds.len()), (2, 2, 2));
    assert_eq!(pdu.varbinds[0].1, Value::Null);
    let pdu = answer(&mut agent, room.view(3), &ask(0, kind::GET_NEXT, 0, 0, &["1.4"])).unwrap();
    assert_eq!((pdu.status, pdu.index), (2, 1));
    assert_eq!(answer(&mut agent, room.view(3), &ask(0, kind::GET_BULK, 0, 5, &["1.3"])), None);
    // A printer of version 1 keeps silent to version 2c.
    assert_eq!(answer(&mut agent, room.view(3), &ask(1, kind::GET, 0, 0, &list)), None);
}

#[test]
fn a_wrong_community_hears_nothing() {
    let (room, mut agent) = (room(), Agent::new(&printer(0)));
    let mut question = ask(1, kind::GET, 0, 0, &["1.3.6.1.2.1.1.5.0"]);
    question.community = b"private".to_vec();
    assert_eq!(answer(&mut agent, room.view(0), &question), None);
    assert_eq!(agent.answered, 0);
}

#[test]
fn nothing_can_be_set() {
    let (room, mut agent) = (room(), Agent::new(&printer(0)));
    let before = room.mib(0);
    for (version, error) in [(0, 4), (1, 17)] {
        let question = ask(version, kind::SET, 0, 0, &["1.3.6.1.2.1.43.5.1.1.3.1"]);
        let pdu = answer(&mut agent, room.view(0), &question).unwrap();
        assert_eq!((pdu.status, pdu.index), (error, 1));
    }
    assert_eq!(agent.sets_seen, 2);
    assert_eq!(room.mib(0), before);
}

#[test]
fn answers_keep_to_the_size_and_repetitions_that_the_printer_allows() {
    let room = room();
    let mut printer = printer(0);
    let everything: Vec<String> = room.view(0).iter().map(|(name, _)| name.to_string()).collect();
    let everything: Vec<&str> = everything.iter().map(String::as_str).collect();
    for most in [484, 900, 1472] {
        printer.snmp.max_message = most;
        let mut agent = Agent::new(&printer);
        let question = ask(1, kind::GET_BULK, 0, 1000, &["1.3"]);
        let reply = respond(&mut agent, room.view(0), CLOCK, &question.encode()).unwrap();
        assert!(reply.len() <= most && reply.len() + 80 > most, "{} of {most}", reply.len());
        let pdu = answer(&mut agent, room.view(0), &ask(1, kind::GET, 0, 0, &everything)).unwrap();
        assert_eq!((pdu.status, pdu.index, pdu.varbinds.len()), (1, 0, 0));
    }
    printer.snmp.max_repetitions = 3;
    let mut agent = Agent::new(&printer);
    let pdu =
        answer(&mut agent, room.view(0), &ask(1, kind::GET_BULK, 0, 9, &["1.3", "1.3.6.1.2.1.43"])).unwrap();
    assert_eq!(pdu.varbinds.len(), 6);
}

/// Sends a question and waits for its answer, for two seconds at most.
async fn over_udp(to: std::net::SocketAddr, question: &CommunityMessage, wait: Duration) -> Option<Pdu> {
    let socket = tokio::net::UdpSocket::bind("127.0.0.1:0").await.unwrap();
    socket.send_to(&question.encode(), to).await.unwrap();
    let mut buffer = [0; 2000];
    let (length, _) = tokio::time::timeout(wait, socket.recv_from(&mut buffer)).await.ok()?.unwrap();
    match Message::parse(&buffer[..length]).unwrap() {
        Message::Community(message) => Some(message.pdu),
        Message::Secure(_) => None,
    }
}

#[tokio::test]
async fn a_room_answers_over_udp_and_its_dark_printer_does_not() {
    let room = Arc::new(Mutex::new(Room::new(&Scenario::vellmoor(), opened(), 1)));
    let server = AgentServer::start(Arc::clone(&room), Arc::new(noon), Bind::AnyPort).await.unwrap();
    assert_eq!(server.addresses().len(), 6);
    let question = ask(1, kind::GET, 0, 0, &["1.3.6.1.2.1.1.5.0"]);
    for (place, name) in [(0, "Bobbin"), (1, "Thimble"), (5, "Weft")] {
        let pdu = over_udp(server.addresses()[place], &question, Duration::from_secs(2)).await.unwrap();
        assert_eq!(pdu.varbinds[0].1, Value::text(name));
    }
    // The datagram has advanced the room to noon.
    assert_eq!(room.lock().unwrap().now(), noon());
    assert_eq!(over_udp(server.addresses()[2], &question, Duration::from_millis(150)).await, None);
    let set = ask(1, kind::SET, 0, 0, &["1.3.6.1.2.1.1.5.0"]);
    assert_eq!(over_udp(server.addresses()[0], &set, Duration::from_secs(2)).await.unwrap().status, 17);
    assert_eq!((server.sets_seen(), server.answered()), (1, 4));
    let address = server.addresses()[0];
    server.stop().await;
    assert!(std::net::UdpSocket::bind(address).is_ok(), "the port is free again");
}
