use std::sync::atomic::{AtomicI64, AtomicUsize, Ordering};
use std::time::Duration;

use super::*;
use crate::snmp::ber::RESPONSE;
use crate::snmp::credential::Credential;
use crate::snmp::oid::Oid;
use crate::snmp::pdu::{Pdu, Request};
use crate::snmp::testing::{Act, Agent};
use crate::snmp::transport::EngineOptions;
use crate::snmp::usm_keys::tests::{DeviceKeys, ENGINE, report, unsigned, user};
use crate::snmp::value::{Value, Varbind};

const UPTIME: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 1, 3, 0]);

fn engine() -> Engine {
    Engine::start(&EngineOptions::default()).unwrap()
}

fn get() -> Request {
    Request::Get { oids: vec![UPTIME] }
}

fn ticks(number: u32) -> [Varbind; 1] {
    [Varbind { oid: UPTIME, value: Value::TimeTicks(number) }]
}

fn value(pdu: &Pdu) -> Option<u32> {
    pdu.varbinds[0].value.as_u32()
}

/// Counts what an agent was asked.
#[derive(Default)]
struct Seen {
    discoveries: AtomicUsize,
    requests: AtomicUsize,
    boots: AtomicI64,
}

/// An agent that answers discovery as engine `ENGINE`, in its second boot, and leaves requests to `script`,
/// which gets the keys, the number and clock of the request, and how many came before.
async fn agent(
    seen: &Arc<Seen>,
    mut script: impl FnMut(&DeviceKeys, i32, (i64, i64), usize) -> Vec<Vec<u8>> + Send + 'static,
) -> Agent {
    let keys = DeviceKeys::derive(&user(), ENGINE);
    let seen = Arc::clone(seen);
    Agent::raw(move |datagram| {
        let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { return vec![] };
        if message.engine_id.is_empty() {
            seen.discoveries.fetch_add(1, Ordering::SeqCst);
            return vec![Act::Send(report((2, 1_000), message.message_id, 4))];
        }
        let before = seen.requests.fetch_add(1, Ordering::SeqCst);
        let Some((id, clock)) = keys.open_request(datagram) else { return vec![] };
        seen.boots.store(clock.0, Ordering::SeqCst);
        script(&keys, id, clock, before).into_iter().map(Act::Send).collect()
    })
    .await
}

fn target(agent: &Agent) -> Target {
    let mut target = agent.target_by(Credential::V3(user()));
    // Keys are made in the meantime, which is slow without optimization; silence is waited for in few tests.
    target.timeout = Duration::from_millis(300);
    target
}

fn counts(seen: &Seen) -> (usize, usize) {
    (seen.discoveries.load(Ordering::SeqCst), seen.requests.load(Ordering::SeqCst))
}

#[tokio::test]
async fn an_engine_is_discovered_once() {
    let seen = Arc::default();
    let agent = agent(&seen, |keys, id, clock, before| {
        vec![keys.seal_response(clock, id, &ticks(u32::try_from(before).unwrap()))]
    })
    .await;
    let engine = engine();
    for number in 0..3 {
        assert_eq!(value(&engine.request(&target(&agent), &get()).await.unwrap()), Some(number));
    }
    assert_eq!(counts(&seen), (1, 3));
}

#[tokio::test]
async fn a_wrong_clock_is_set_once_by_a_signed_report() {
    let seen = Arc::default();
    let agent = agent(&seen, |keys, id, clock, _| match clock {
        (7, 5_000..5_100) => vec![keys.seal_response(clock, id, &ticks(1))],
        _ => vec![keys.seal_report((7, 5_000), id, 2)],
    })
    .await;
    let engine = engine();
    assert_eq!(value(&engine.request(&target(&agent), &get()).await.unwrap()), Some(1));
    assert_eq!(value(&engine.request(&target(&agent), &get()).await.unwrap()), Some(1));
    assert_eq!(counts(&seen), (1, 3));
}

#[tokio::test]
async fn a_clock_may_be_set_back_and_one_that_never_fits_is_an_error() {
    let seen = Arc::default();
    let back = agent(&seen, |keys, id, clock, before| match (before, clock) {
        (0, _) => vec![keys.seal_response((9, 9_000), id, &ticks(1))],
        (_, (2, _)) => vec![keys.seal_response(clock, id, &ticks(2))],
        _ => vec![keys.seal_report((2, 10), id, 2)],
    })
    .await;
    let engine = engine();
    assert_eq!(value(&engine.request(&target(&back), &get()).await.unwrap()), Some(1));
    assert_eq!(value(&engine.request(&target(&back), &get()).await.unwrap()), Some(2));
    let never = agent(&seen, |keys, id, _, _| vec![keys.seal_report((7, 5_000), id, 2)]).await;
    let error = engine.request(&target(&never), &get()).await.unwrap_err();
    assert!(matches!(error, SnmpError::Clock { .. }), "{error}");
}

#[tokio::test]
async fn forged_datagrams_change_nothing() {
    let seen = Arc::default();
    let agent = agent(&seen, |keys, id, clock, _| {
        let mut spoilt = keys.seal_response((99, 9_999_999), id, &ticks(666));
        *spoilt.last_mut().unwrap() ^= 1;
        vec![
            // Signed by nobody, with a clock far ahead; unsigned; of another request; then the true one.
            spoilt,
            unsigned(0, 1_500, (98, 1), id, (RESPONSE, &ticks(666))),
            keys.seal_response((97, 1), id ^ 1, &ticks(666)),
            keys.seal_response(clock, id, &ticks(7)),
        ]
    })
    .await;
    let engine = engine();
    for _ in 0..3 {
        assert_eq!(value(&engine.request(&target(&agent), &get()).await.unwrap()), Some(7));
        assert_eq!(seen.boots.load(Ordering::SeqCst), 2);
    }
    assert_eq!(counts(&seen), (1, 3));
}

#[tokio::test]
async fn a_stale_answer_is_ignored() {
    let seen = Arc::default();
    let agent = agent(&seen, |keys, id, (boots, time), before| match before {
        0 => vec![keys.seal_response((boots, time), id, &ticks(1))],
        1 => vec![keys.seal_response((boots - 1, time), id, &ticks(666))],
        2 => vec![keys.seal_response((boots, time - 200), id, &ticks(666))],
        _ => vec![keys.seal_response((boots, time - 100), id, &ticks(2))],
    })
    .await;
    let engine = engine();
    let mut target = target(&agent);
    target.retries = 3;
    target.timeout = Duration::from_millis(60);
    assert_eq!(value(&engine.request(&target, &get()).await.unwrap()), Some(1));
    // Discovery said boot 2, so boot 1 lies before it; 200 seconds ago lies before the window.
    assert_eq!(value(&engine.request(&target, &get()).await.unwrap()), Some(2));
    assert_eq!(counts(&seen), (1, 4));
}

#[tokio::test]
async fn an_engine_that_changed_is_looked_for_once() {
    let seen = Arc::default();
    let moody = agent(&seen, |keys, id, clock, before| match before {
        1 => vec![report(clock, id, 4)],
        _ => vec![keys.seal_response(clock, id, &ticks(7))],
    })
    .await;
    let engine = engine();
    for _ in 0..2 {
        assert_eq!(value(&engine.request(&target(&moody), &get()).await.unwrap()), Some(7));
    }
    assert_eq!(counts(&seen), (2, 3));
    let never = agent(&seen, |_, id, clock, _| vec![report(clock, id, 4)]).await;
    let error = engine.request(&target(&never), &get()).await.unwrap_err();
    assert!(matches!(error, SnmpError::Engine { .. }), "{error}");
}

#[tokio::test]
async fn each_report_has_its_own_error() {
    let seen = Arc::default();
    let next = Arc::new(AtomicUsize::new(0));
    let which = Arc::clone(&next);
    let agent = agent(&seen, move |_, id, clock, _| {
        vec![report(clock, id, u32::try_from(which.load(Ordering::SeqCst)).unwrap())]
    })
    .await;
    let engine = engine();
    let mut errors = Vec::new();
    for counter in [1, 3, 5, 6] {
        next.store(counter, Ordering::SeqCst);
        errors.push(engine.request(&target(&agent), &get()).await.unwrap_err());
    }
    assert!(matches!(errors[0], SnmpError::UnsupportedSecurityLevel { level: "authPriv", .. }));
    assert!(matches!(errors[1], SnmpError::UnknownUser { .. }));
    assert!(matches!(errors[2], SnmpError::WrongPasswordOrProtocol { .. }));
    assert!(matches!(errors[3], SnmpError::Decryption { .. }));
    assert!(errors.iter().all(SnmpError::is_settings));
    assert_eq!(counts(&seen), (1, 4), "settings errors are not retried");
}

#[tokio::test]
async fn silence_to_a_user_is_told_from_a_dead_device() {
    let seen = Arc::default();
    let agent = agent(&seen, |keys, id, clock, before| match before {
        2 => vec![keys.seal_response(clock, id, &ticks(7))],
        _ => vec![],
    })
    .await;
    let engine = engine();
    let mut target = target(&agent);
    target.timeout = Duration::from_millis(40);
    let error = engine.request(&target, &get()).await.unwrap_err();
    assert!(matches!(error, SnmpError::SilentToUser { tries: 2, .. }), "{error}");
    engine.request(&target, &get()).await.unwrap();
    let error = engine.request(&target, &get()).await.unwrap_err();
    assert!(matches!(error, SnmpError::NoAnswer { .. }), "it did answer this user before: {error}");
}

/// Whoever sees a request can forge an unsigned report to it, and some are quicker than the device. The true
/// answer is waited for; what no signed message contradicts is believed.
#[tokio::test]
async fn an_unsigned_report_is_believed_only_if_nothing_signed_follows() {
    let seen = Arc::default();
    let moody = agent(&seen, |keys, id, clock, before| {
        let answer = keys.seal_response(clock, id, &ticks(7));
        match before {
            // Wrong time, unknown user, unknown engine, wrong digest: forged, with a clock far ahead.
            1..=4 => {
                let counter = [2, 3, 4, 5][before - 1];
                vec![report((9, 9_999_999), id, counter), answer]
            }
            5 => vec![report(clock, id, 3)],
            _ => vec![answer],
        }
    })
    .await;
    let engine = engine();
    let ask = async || engine.request(&target(&moody), &get()).await;
    for _ in 0..5 {
        assert_eq!(value(&ask().await.unwrap()), Some(7));
        assert_eq!(seen.boots.load(Ordering::SeqCst), 2);
    }
    assert_eq!(counts(&seen), (1, 5), "nothing was asked twice, and the engine is known yet");
    let error = ask().await.unwrap_err();
    assert!(matches!(error, SnmpError::UnknownUser { .. }), "{error}");
    assert_eq!(counts(&seen), (1, 6), "nor after a report that was true");
}

/// A forged engine is told by the true one, which does not know it, and looked for once more.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_forged_discovery_costs_one_more() {
    let (seen, forged) = (Arc::default(), Arc::new(AtomicUsize::new(0)));
    let honest = agent(&seen, |keys, id, clock, _| vec![keys.seal_response(clock, id, &ticks(7))]).await;
    let (way, count) = (honest.address, Arc::clone(&forged));
    let between = Agent::raw(move |datagram| {
        let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { return vec![] };
        let id = message.message_id;
        if message.engine_id.is_empty() && count.fetch_add(1, Ordering::SeqCst) == 0 {
            let mut lie = report((9, 9_999_999), id, 4);
            let at = lie.windows(ENGINE.len()).position(|octets| octets == ENGINE).unwrap();
            lie[at + ENGINE.len() - 1] ^= 1;
            return vec![Act::Send(lie)];
        }
        if !message.engine_id.is_empty() && message.engine_id != ENGINE {
            return vec![Act::Send(report((2, 1_000), id, 4))];
        }
        let socket = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        socket.send_to(datagram, way).unwrap();
        let mut answer = [0; 2_000];
        let length = tokio::task::block_in_place(|| socket.recv(&mut answer)).unwrap();
        vec![Act::Send(answer[..length].to_vec())]
    })
    .await;
    let engine = engine();
    assert_eq!(value(&engine.request(&target(&between), &get()).await.unwrap()), Some(7));
    assert_eq!(forged.load(Ordering::SeqCst), 2);
}

/// Hours later the next request carries the time that the device's own clock shows by then, and is answered
/// at once; a session that lets its clock stand still fails after 150 seconds.
#[tokio::test]
async fn no_poll_fails_after_hours_of_idleness() {
    let seen = Arc::default();
    let began = Instant::now();
    let agent = agent(&seen, move |keys, id, (boots, time), _| {
        let passed = i64::try_from(began.elapsed().as_secs()).unwrap();
        let now = 1_000 + passed;
        if (boots, (time - now).abs() <= 150) == (2, true) {
            vec![keys.seal_response((2, now), id, &ticks(7))]
        } else {
            vec![keys.seal_report((2, now), id, 2)]
        }
    })
    .await;
    let engine = engine();
    for hours in [0, 1, 9, 200] {
        tokio::time::pause();
        tokio::time::advance(Duration::from_secs(hours * 3_600)).await;
        tokio::time::resume();
        assert_eq!(value(&engine.request(&target(&agent), &get()).await.unwrap()), Some(7));
    }
    assert_eq!(counts(&seen), (1, 4), "one discovery, and no request was asked twice");
}
