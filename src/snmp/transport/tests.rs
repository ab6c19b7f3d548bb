use super::*;
use crate::snmp::oid::Oid;
use crate::snmp::testing::{Act, Agent, encode_response};
use crate::snmp::value::{Value, Varbind};

const UPTIME: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 1, 3, 0]);

fn engine() -> Engine {
    Engine::start(&EngineOptions::default()).unwrap()
}

fn get() -> Request {
    Request::Get { oids: vec![UPTIME] }
}

fn ticks(number: u32) -> Vec<Varbind> {
    vec![Varbind { oid: UPTIME, value: Value::TimeTicks(number) }]
}

fn value(pdu: &Pdu) -> Option<u32> {
    pdu.varbinds[0].value.as_u32()
}

#[tokio::test]
async fn an_answer_is_taken_and_its_double_is_dropped() {
    let agent = Agent::start(|asked| {
        let answer = asked.answer(&ticks(u32::try_from(asked.number).unwrap()));
        vec![Act::Send(answer.clone()), Act::Send(answer.clone()), Act::Send(answer)]
    })
    .await;
    let engine = engine();
    for number in 0..5 {
        assert_eq!(value(&engine.request(&agent.target(), &get()).await.unwrap()), Some(number));
    }
    assert_eq!(agent.seen().len(), 5, "no retry was needed");
    assert_eq!(engine.busy_lanes(), 0);
}

#[tokio::test]
async fn a_late_answer_to_the_first_try_will_do_and_later_ones_disturb_nobody() {
    let mut kept = Vec::new();
    // The agent answers the first try only after the second came, and never the second.
    let agent = Agent::start(move |asked| match asked.number {
        0 => {
            kept.push(asked.clone());
            vec![]
        }
        1 => vec![Act::Send(kept[0].answer(&ticks(1)))],
        _ => vec![Act::Send(kept[0].answer(&ticks(1))), Act::Send(asked.answer(&ticks(2)))],
    })
    .await;
    let engine = engine();
    assert_eq!(value(&engine.request(&agent.target(), &get()).await.unwrap()), Some(1));
    assert_eq!(value(&engine.request(&agent.target(), &get()).await.unwrap()), Some(2));
}

#[tokio::test]
async fn a_wrong_number_and_another_address_are_no_answer() {
    let agent = Agent::start(|asked| {
        let wrong = encode_response(asked.version, b"loft", asked.request_id ^ 1, 0, 0, &ticks(666));
        let acts = vec![Act::Send(wrong), Act::SendFromElsewhere(asked.answer(&ticks(666)))];
        if asked.number == 0 { acts } else { vec![Act::Send(asked.answer(&ticks(7)))] }
    })
    .await;
    let engine = engine();
    assert_eq!(value(&engine.request(&agent.target(), &get()).await.unwrap()), Some(7));
    assert_eq!(engine.stats().unasked, 2);
}

#[tokio::test]
async fn an_answer_in_another_version_is_no_answer() {
    let agent = Agent::start(|asked| {
        let other = encode_response(Version::V1, b"loft", asked.request_id, 0, 0, &ticks(666));
        vec![Act::Send(other), Act::Send(asked.answer(&ticks(7)))]
    })
    .await;
    assert_eq!(value(&engine().request(&agent.target(), &get()).await.unwrap()), Some(7));
}

#[tokio::test]
async fn a_truncated_answer_is_told_from_silence() {
    let agent = Agent::start(|asked| {
        let whole = asked.answer(&ticks(7));
        vec![Act::Send(whole[..whole.len() - 3].to_vec())]
    })
    .await;
    let engine = engine();
    let error = engine.request(&agent.target(), &get()).await.unwrap_err();
    assert!(matches!(error, SnmpError::Malformed { .. }), "{error}");
    assert_eq!(engine.stats().malformed, 2);
}

#[tokio::test]
async fn silence_is_reported_after_every_try_and_leaves_nothing_behind() {
    let agent = Agent::start(|_| vec![]).await;
    let engine = engine();
    let error = engine.request(&agent.target(), &get()).await.unwrap_err();
    let SnmpError::NoAnswer { tries: 2, waited, .. } = error else { panic!("{error}") };
    assert!(waited >= Duration::from_millis(250), "100 ms, then 150 ms: {waited:?}");
    assert_eq!(agent.seen().len(), 2);
    assert_eq!(engine.busy_lanes(), 0);
}

#[tokio::test]
async fn more_or_fewer_values_than_names_are_refused() {
    let agent = Agent::start(|asked| vec![Act::Send(asked.answer(&[]))]).await;
    let error = engine().request(&agent.target(), &get()).await.unwrap_err();
    assert!(matches!(error, SnmpError::Unfitting { .. }), "{error}");
}

#[tokio::test]
async fn one_device_is_asked_one_thing_at_a_time() {
    // The first datagram is left unanswered: what comes next must be its retry, not the other request.
    let agent = Agent::start(|asked| {
        let answer = asked.oids.iter().map(|oid| Varbind { oid: oid.clone(), value: Value::TimeTicks(7) });
        if asked.number == 0 { vec![] } else { vec![Act::Send(asked.answer(&answer.collect::<Vec<_>>()))] }
    })
    .await;
    let engine = engine();
    let asking: Vec<_> = (1..=4)
        .map(|arc| {
            let (engine, target) = (engine.clone(), agent.target());
            let request = Request::Get { oids: vec![UPTIME.child(&[arc])] };
            tokio::spawn(async move { engine.request(&target, &request).await })
        })
        .collect();
    for task in asking {
        assert_eq!(value(&task.await.unwrap().unwrap()), Some(7));
    }
    let seen = agent.seen();
    assert_eq!(seen.len(), 5);
    assert_eq!(seen[0].oids, seen[1].oids);
    assert_eq!(engine.busy_lanes(), 0);
}

#[tokio::test]
async fn a_dead_device_delays_nobody() {
    let agent = Agent::start(|asked| vec![Act::Send(asked.answer(&ticks(7)))]).await;
    let dead = Agent::start(|_| vec![]).await;
    let engine = engine();
    let dying = tokio::spawn({
        let (engine, target) = (engine.clone(), dead.target());
        async move { engine.request(&target, &get()).await }
    });
    for _ in 0..20 {
        assert_eq!(value(&engine.request(&agent.target(), &get()).await.unwrap()), Some(7));
    }
    assert!(!dying.is_finished());
    assert!(dying.await.unwrap().unwrap_err().is_silence());
}

#[tokio::test]
async fn a_window_of_one_serves_many_devices_in_turn() {
    let engine = Engine::start(&EngineOptions { max_in_flight: 1 }).unwrap();
    let mut agents = Vec::new();
    for number in 0..8 {
        agents.push(Agent::start(move |asked| vec![Act::Send(asked.answer(&ticks(number)))]).await);
    }
    let asking: Vec<_> = agents
        .iter()
        .map(|agent| {
            let (engine, target) = (engine.clone(), agent.target());
            tokio::spawn(async move { value(&engine.request(&target, &get()).await.unwrap()) })
        })
        .collect();
    for (number, task) in asking.into_iter().enumerate() {
        assert_eq!(task.await.unwrap(), u32::try_from(number).ok());
    }
}

#[tokio::test]
async fn bulk_is_not_sent_in_version_1() {
    let agent = Agent::start(|_| vec![]).await;
    let target = agent.target_by(Credential::v1("loft").unwrap());
    let request = Request::GetBulk { non_repeaters: 0, max_repetitions: 1, oids: vec![UPTIME] };
    let error = engine().request(&target, &request).await.unwrap_err();
    assert!(matches!(error, SnmpError::NoBulkInV1 { .. }));
    assert!(agent.seen().is_empty());
}

#[test]
fn waits_grow_and_stay_bounded() {
    let second = Duration::from_secs(1);
    assert_eq!(patience(second, 0), second);
    assert_eq!(patience(second, 1), second.mul_f64(1.5));
    assert_eq!(patience(second, u32::MAX), second * 4);
    assert_eq!(patience(Duration::MAX, 3), LONGEST_WAIT);
}
