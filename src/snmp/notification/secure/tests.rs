//! Messages are made and opened by the simulated printers' own codec, so that each checks the other.

use mock_agent::Value;
use mock_agent::message::kind;
use mock_agent::notify::{AUTHENTICATED, ENCRYPTED, REPORTABLE, Talker, discovery, printer_alert};
use mock_agent::usm::{Auth, Privacy, UserPlan};
use proptest::prelude::*;

use super::*;
use crate::snmp::credential::{AuthProtocol, PrivacyProtocol, Secret};
use crate::snmp::transport::EngineOptions;

const THEIRS: &[u8] = &[0x80, 0, 0, 0, 4, b'B', b'o', b'b', b'b', b'i', b'n'];
const BOOTS: i64 = 28_000_000;
const BOTH: u8 = AUTHENTICATED | ENCRYPTED;

fn plan(password: &str) -> UserPlan {
    UserPlan {
        name: "loft".into(),
        auth: Some(Auth::Sha256),
        auth_password: password.into(),
        privacy: Some(Privacy::Aes128),
        privacy_password: "painted-forest".into(),
    }
}

fn credential() -> Arc<Credential> {
    let auth = Some((AuthProtocol::Sha256, Secret::new("velvet-curtain")));
    let privacy = Some((PrivacyProtocol::Aes128, Secret::new("painted-forest")));
    Arc::new(Credential::V3(UsmUser::new("loft", auth, privacy).unwrap()))
}

/// A listener whose engine has polled a device of this user, or tried to, so that the keys are made.
async fn listener() -> Secure {
    let engine = Engine::start(&EngineOptions::default()).unwrap();
    let credential = credential();
    let Credential::V3(user) = &*credential else { panic!() };
    engine.make_masters(user).await;
    Secure::new(engine, Identity::new(b"loft", BOOTS))
}

fn ours(secure: &Secure, time: i32) -> Talker {
    let boots = i32::try_from(BOOTS).unwrap();
    Talker { user: plan("velvet-curtain"), engine_id: secure.identity.engine_id.to_vec(), boots, time }
}

fn theirs(boots: i32, time: i32) -> Talker {
    Talker { user: plan("velvet-curtain"), engine_id: THEIRS.to_vec(), boots, time }
}

fn hear(secure: &mut Secure, datagram: &[u8]) -> Option<Heard> {
    secure.hear(datagram, &[credential()], Instant::now())
}

const ALERT: Option<Heard> = Some(Heard { printer_alert: true, answer: None });

#[tokio::test]
async fn a_signed_trap_of_a_known_user_is_heard() {
    let mut secure = listener().await;
    let pdu = printer_alert(kind::TRAP, 5);
    assert_eq!(hear(&mut secure, &theirs(3, 1_000).seal(1, BOTH, &pdu)), ALERT);
    assert_eq!(hear(&mut secure, &theirs(3, 1_001).seal(2, AUTHENTICATED, &pdu)), ALERT);
    let mut link_up = pdu.clone();
    link_up.varbinds[1].1 = Value::ObjectId(mock_agent::Oid(vec![1, 3, 6, 1, 6, 3, 1, 1, 5, 4]));
    let heard = hear(&mut secure, &theirs(3, 1_002).seal(3, BOTH, &link_up)).unwrap();
    assert_eq!(heard, Heard { printer_alert: false, answer: None });
}

#[tokio::test]
async fn a_forged_trap_is_not_heard_and_changes_nothing() {
    let mut secure = listener().await;
    let pdu = printer_alert(kind::TRAP, 5);
    let wrong = Talker { user: plan("another-curtain"), ..theirs(9, 9_000) };
    let mut spoilt = theirs(9, 9_000).seal(1, BOTH, &pdu);
    *spoilt.last_mut().unwrap() ^= 1;
    for forged in [wrong.seal(1, BOTH, &pdu), theirs(9, 9_000).seal(1, 0, &pdu), spoilt] {
        assert_eq!(hear(&mut secure, &forged), None);
    }
    assert!(secure.theirs.is_empty());
    assert_eq!(hear(&mut secure, &theirs(3, 1_000).seal(1, BOTH, &pdu)), ALERT);
    assert_eq!(hear(&mut secure, &wrong.seal(2, BOTH, &pdu)), None);
    // The forged clock of boot 9 was not taken for the engine's.
    assert_eq!(hear(&mut secure, &theirs(3, 1_010).seal(3, BOTH, &pdu)), ALERT);
    let stranger = [Arc::new(Credential::v2c("public").unwrap())];
    assert_eq!(secure.hear(&theirs(3, 1_010).seal(3, BOTH, &pdu), &stranger, Instant::now()), None);
}

#[tokio::test]
async fn an_old_trap_is_not_heard_again() {
    let mut secure = listener().await;
    let pdu = printer_alert(kind::TRAP, 5);
    assert_eq!(hear(&mut secure, &theirs(3, 1_000).seal(1, BOTH, &pdu)), ALERT);
    assert_eq!(hear(&mut secure, &theirs(3, 900).seal(2, BOTH, &pdu)), ALERT, "within the window");
    assert_eq!(hear(&mut secure, &theirs(3, 800).seal(3, BOTH, &pdu)), None);
    assert_eq!(hear(&mut secure, &theirs(4, 10).seal(4, BOTH, &pdu)), ALERT, "it restarted");
    assert_eq!(hear(&mut secure, &theirs(3, 1_000).seal(5, BOTH, &pdu)), None);
}

/// Discovery, then the clock, then the inform itself (RFC 3414 §4).
#[tokio::test]
async fn an_inform_finds_our_engine_and_is_acknowledged() {
    let mut secure = listener().await;
    let answer = |heard: Option<Heard>| heard.and_then(|heard| heard.answer).unwrap();
    let found = answer(hear(&mut secure, &discovery(70)));
    let (message, pdu) = ours(&secure, 0).open(&found).unwrap();
    assert_eq!((message.id, &message.engine_id[..]), (70, &*secure.identity.engine_id));
    assert_eq!(
        (pdu.kind, pdu.request_id, pdu.varbinds[0].1.clone()),
        (kind::REPORT, 70, Value::Counter32(1))
    );
    assert_eq!(pdu.varbinds[0].0.0, [1, 3, 6, 1, 6, 3, 15, 1, 1, 4, 0]);

    // One that knows our engine, but not our clock, gets it signed.
    let pdu = printer_alert(kind::INFORM, 81);
    let clockless = Talker { boots: 0, time: 0, ..ours(&secure, 0) };
    let heard = hear(&mut secure, &clockless.seal(71, BOTH | REPORTABLE, &pdu)).unwrap();
    assert!(!heard.printer_alert);
    let (message, report) = clockless.open(&heard.answer.unwrap()).unwrap();
    assert_eq!((message.flags, i64::from(message.boots)), (AUTHENTICATED, BOOTS));
    assert_eq!(report.varbinds[0].0.0, [1, 3, 6, 1, 6, 3, 15, 1, 1, 2, 0]);

    for flags in [BOTH | REPORTABLE, AUTHENTICATED | REPORTABLE] {
        let timely = ours(&secure, message.time);
        let heard = hear(&mut secure, &timely.seal(72, flags, &pdu)).unwrap();
        assert!(heard.printer_alert);
        let (message, response) = timely.open(&heard.answer.unwrap()).unwrap();
        assert_eq!((message.id, message.flags), (72, flags & BOTH), "as secure as it came");
        assert_eq!((response.kind, response.request_id), (kind::RESPONSE, 81));
        assert_eq!(response.varbinds, pdu.varbinds);
    }
}

#[tokio::test]
async fn an_inform_that_is_not_believed_is_told_why_and_gives_no_hint() {
    let mut secure = listener().await;
    let pdu = printer_alert(kind::INFORM, 81);
    let stranger = |name: &str| UserPlan { name: name.into(), ..plan("velvet-curtain") };
    let cases = [
        (Talker { user: plan("another-curtain"), ..ours(&secure, 0) }, BOTH, 5),
        (Talker { user: stranger("rigger"), ..ours(&secure, 0) }, BOTH, 3),
        (ours(&secure, 0), 0, 1),
        (ours(&secure, 9_999), BOTH, 2),
        (Talker { engine_id: THEIRS.to_vec(), ..ours(&secure, 0) }, BOTH, 4),
    ];
    for (talker, flags, counter) in cases {
        let heard = hear(&mut secure, &talker.seal(9, flags | REPORTABLE, &pdu)).unwrap();
        assert!(!heard.printer_alert, "{counter}");
        let (_, report) = ours(&secure, 0).open(&heard.answer.unwrap()).unwrap();
        assert_eq!(report.varbinds[0].0.0, [1, 3, 6, 1, 6, 3, 15, 1, 1, counter, 0]);
        // Who cannot be told is not told.
        assert!(hear(&mut secure, &talker.seal(9, flags, &pdu)).is_none(), "{counter}");
    }
}

/// Until a poll has made keys from the user's passwords, nothing can be vouched for.
#[tokio::test]
async fn a_user_that_was_never_polled_is_passed_over() {
    let engine = Engine::start(&EngineOptions::default()).unwrap();
    let mut secure = Secure::new(engine, Identity::new(b"loft", BOOTS));
    assert_eq!(hear(&mut secure, &theirs(3, 1_000).seal(1, BOTH, &printer_alert(kind::TRAP, 5))), None);
}

#[test]
fn an_identity_is_lasting_and_its_own() {
    let loft = Identity::new(b"loft", 7);
    assert_eq!(loft, Identity::new(b"loft", 7));
    assert_ne!(loft.engine_id, Identity::new(b"workshop", 7).engine_id);
    assert!((5..=32).contains(&loft.engine_id.len()));
    assert_eq!(Identity::new(b"", i64::MAX).boots, LAST_BOOT - 1);
    assert_eq!(Identity::new(b"", -5).boots, 1);
}

proptest! {
    #[test]
    fn no_spoilt_notification_panics(at in 0..200usize, byte: u8, cut in 1..200usize, inform: bool) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let _inside = runtime.enter();
        let engine = Engine::start(&EngineOptions::default()).unwrap();
        let mut secure = Secure::new(engine, Identity::new(b"loft", BOOTS));
        let talker = if inform { ours(&secure, 0) } else { theirs(3, 1_000) };
        let mut bytes = talker.seal(1, REPORTABLE, &printer_alert(kind::TRAP, 5));
        if let Some(spoilt) = bytes.get_mut(at) {
            *spoilt = byte;
        }
        bytes.truncate(cut);
        let _ = hear(&mut secure, &bytes);
    }
}
