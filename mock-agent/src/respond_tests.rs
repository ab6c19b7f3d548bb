use proptest::prelude::*;

use super::*;
use crate::message::{Pdu, kind};
use crate::room::Room;
use crate::scenario::Scenario;

const CLOCK: EngineClock = EngineClock { boots: 3, seconds: 5000 };
const TASSEL: usize = 4;

fn room() -> Room {
    let opened = "2026-11-20T00:00:00Z".parse().unwrap();
    let mut room = Room::new(&Scenario::vellmoor(), opened, 1);
    room.advance_to("2026-11-21T10:00:00Z".parse().unwrap());
    room
}

fn agent() -> Agent {
    Agent::new(&room().printers()[TASSEL])
}

fn view() -> Vec<VarBind> {
    let name = |text: &str| text.parse().unwrap();
    vec![
        (name("1.3.6.1.2.1.1.1.0"), Value::text("a printer")),
        (name("1.3.6.1.2.1.1.6.0"), Value::text("loft")),
    ]
}

fn request(kind: u8, name: &str) -> Pdu {
    let varbinds = vec![(name.parse().unwrap(), Value::Null)];
    Pdu { kind, request_id: 77, status: 0, index: 0, varbinds }
}

/// A message of the user `loft`, with one thing changed by `spoil` before it is encrypted and signed.
fn ask(level: u8, pdu: &Pdu, passwords: (&str, &str), spoil: impl Fn(&mut SecureMessage)) -> Vec<u8> {
    let engine = engine_id("Tassel");
    let varbinds: Vec<_> = pdu.varbinds.iter().map(|(name, value)| encode_varbind(name, value)).collect();
    let answer = Answer { status: pdu.status, index: pdu.index, varbinds };
    let mut message = SecureMessage {
        id: 5,
        max_size: 1472,
        flags: level | REPORTABLE,
        model: 3,
        engine_id: engine.clone(),
        boots: 3,
        time: 5100,
        user: b"loft".to_vec(),
        mac: Vec::new(),
        mac_at: 0,
        salt: Vec::new(),
        data: encoded(pdu.kind, pdu.request_id, &answer).scoped(&engine, b""),
        encrypted: false,
    };
    spoil(&mut message);
    if level & ENCRYPTED != 0 {
        let key = Privacy::Aes128.localized_key(Auth::Sha256, passwords.1, &engine);
        let (boots, time) = (message.boots as u32, message.time as u32);
        (message.data, message.salt) = Privacy::Aes128.encrypt(&key, boots, time, 1, &message.data);
        message.encrypted = true;
    }
    if level & AUTHENTICATED != 0 {
        message.mac = vec![0; 24];
        let (bytes, at) = encode_secure(&message);
        let key = Auth::Sha256.localized_key(passwords.0, &engine);
        message.mac = Auth::Sha256.sign(&key, &bytes);
        assert!(at > 0);
    }
    encode_secure(&message).0
}

const RIGHT: (&str, &str) = ("velvet-curtain", "footlight-row");

fn read(reply: &[u8]) -> (SecureMessage, Pdu) {
    let Ok(Message::Secure(message)) = Message::parse(reply) else { panic!("not a message of version 3") };
    let plain = if message.encrypted {
        let key = Privacy::Aes128.localized_key(Auth::Sha256, RIGHT.1, &engine_id("Tassel"));
        let (boots, time) = (message.boots as u32, message.time as u32);
        Privacy::Aes128.decrypt(&key, boots, time, &message.salt, &message.data).unwrap()
    } else {
        message.data.clone()
    };
    let pdu = Scoped::parse(&plain).unwrap().pdu;
    (message, pdu)
}

#[test]
fn an_encrypted_request_gets_an_encrypted_answer() {
    let mut agent = agent();
    let question = ask(3, &request(kind::GET, "1.3.6.1.2.1.1.6.0"), RIGHT, |_| ());
    let reply = respond(&mut agent, &view(), CLOCK, &question).unwrap();
    let (message, pdu) = read(&reply);
    assert_eq!((message.flags, message.id, message.boots, message.time), (3, 5, 3, 5000));
    let key = Auth::Sha256.localized_key(RIGHT.0, &engine_id("Tassel"));
    assert!(signed(Auth::Sha256, &key, &message, &reply));
    assert_eq!((pdu.kind, pdu.request_id, pdu.status), (kind::RESPONSE, 77, 0));
    assert_eq!(pdu.varbinds[0].1, Value::text("loft"));
}

#[test]
fn faults_of_security_get_the_report_of_the_standard() {
    let get = request(kind::GET, "1.3.6.1.2.1.1.6.0");
    let report = |question: &[u8]| {
        let mut agent = agent();
        let reply = respond(&mut agent, &view(), CLOCK, question).unwrap();
        let (message, pdu) = read(&reply);
        assert_eq!(pdu.kind, kind::REPORT);
        assert_eq!(pdu.varbinds[0].1, Value::Counter32(1));
        (pdu.varbinds[0].0.0[9], message.flags)
    };
    // RFC 3414 section 4: discovery sends an empty engine ID and an empty user name.
    let discover = |message: &mut SecureMessage| {
        message.engine_id.clear();
        message.user.clear();
    };
    assert_eq!(report(&ask(0, &get, RIGHT, discover)), (4, 0));
    assert_eq!(report(&ask(3, &get, RIGHT, |message| message.user = b"nobody".to_vec())), (3, 0));
    assert_eq!(report(&ask(3, &get, ("velvet-carpet", RIGHT.1), |_| ())), (5, 0));
    assert_eq!(report(&ask(3, &get, RIGHT, |message| message.boots = 2)), (2, 1));
    assert_eq!(report(&ask(3, &get, RIGHT, |message| message.time = 5151)), (2, 1));
    assert_eq!(report(&ask(3, &get, (RIGHT.0, "limelight-row"), |_| ())), (6, 1));
}

#[test]
fn the_window_is_150_seconds_wide_either_way() {
    let get = request(kind::GET, "1.3.6.1.2.1.1.6.0");
    for (time, answered) in [(4849, false), (4850, true), (5150, true), (5151, false)] {
        let question = ask(1 | 2, &get, RIGHT, |message| message.time = time);
        let (_, pdu) = read(&respond(&mut agent(), &view(), CLOCK, &question).unwrap());
        assert_eq!(pdu.kind == kind::RESPONSE, answered, "{time}");
    }
}

#[test]
fn a_level_below_the_users_is_not_enough() {
    for level in [0, 1] {
        let question = ask(level, &request(kind::GET, "1.3.6.1.2.1.1.6.0"), RIGHT, |_| ());
        let (_, pdu) = read(&respond(&mut agent(), &view(), CLOCK, &question).unwrap());
        assert_eq!((pdu.kind, pdu.status), (kind::RESPONSE, 16));
    }
}

#[test]
fn a_level_above_the_users_is_reported() {
    let mut printer = room().printers()[TASSEL].clone();
    if let Credential::V3(user) = &mut printer.credential {
        user.privacy = None;
    }
    let mut agent = Agent::new(&printer);
    let question = ask(3, &request(kind::GET, "1.3.6.1.2.1.1.6.0"), RIGHT, |_| ());
    let (_, pdu) = read(&respond(&mut agent, &view(), CLOCK, &question).unwrap());
    assert_eq!(pdu.varbinds[0].0.0[9], 1);
}

#[test]
fn version_3_counts_sets_and_refuses_other_versions() {
    let mut agent = agent();
    let question = ask(3, &request(kind::SET, "1.3.6.1.2.1.1.6.0"), RIGHT, |_| ());
    let (_, pdu) = read(&respond(&mut agent, &view(), CLOCK, &question).unwrap());
    assert_eq!((pdu.status, pdu.index, agent.sets_seen), (17, 1, 1));
    let message =
        CommunityMessage { version: 1, community: b"public".to_vec(), pdu: request(kind::GET, "1.3") };
    assert_eq!(respond(&mut agent, &view(), CLOCK, &message.encode()), None);
}

#[test]
fn without_the_reportable_flag_nothing_is_reported() {
    let quiet = |message: &mut SecureMessage| {
        message.flags = 0;
        message.engine_id.clear();
    };
    let question = ask(0, &request(kind::GET, "1.3.6.1.2.1.1.6.0"), RIGHT, quiet);
    assert_eq!(respond(&mut agent(), &view(), CLOCK, &question), None);
}

static ROOM: std::sync::OnceLock<Room> = std::sync::OnceLock::new();

proptest! {
    #[test]
    fn no_datagram_makes_an_agent_panic(
        bytes in prop::collection::vec(any::<u8>(), 0..300),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        level in prop::sample::select(vec![0_u8, 1, 3]),
        pdu in (0xa0_u8..=0xa8, any::<i32>(), any::<i32>()),
        cut in any::<prop::sample::Index>(),
    ) {
        let room = ROOM.get_or_init(room);
        let pdu = Pdu {
            kind: pdu.0,
            request_id: 1,
            status: pdu.1,
            index: pdu.2,
            varbinds: vec![("1.3.6.1.2.1.43".parse().unwrap(), Value::Null); 3],
        };
        let community = CommunityMessage { version: i32::from(level & 1), community: b"public".to_vec(), pdu: pdu.clone() };
        let secure = ask(level, &pdu, RIGHT, |_| ());
        for place in [0, 3, TASSEL] {
            let mut agent = Agent::new(&room.printers()[place]);
            for whole in [&bytes, &community.encode(), &secure] {
                let _ = respond(&mut agent, room.view(place), CLOCK, whole);
                let mut spoilt = whole.clone();
                for (at, byte) in &changes {
                    if !spoilt.is_empty() {
                        let at = at.index(spoilt.len());
                        spoilt[at] = *byte;
                    }
                }
                let _ = respond(&mut agent, room.view(place), CLOCK, &spoilt);
                spoilt.truncate(cut.index(spoilt.len() + 1));
                let _ = respond(&mut agent, room.view(place), CLOCK, &spoilt);
            }
        }
    }
}
