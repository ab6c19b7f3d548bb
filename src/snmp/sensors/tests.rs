//! Against agents that answer from a table, and those that do not as they should.

use std::collections::BTreeMap;

use super::super::ber::{GET_BULK, GET_NEXT};
use super::super::credential::Credential;
use super::super::testing::{Act, Agent, Asked, from_table};
use super::super::transport::EngineOptions;
use super::super::value::Value;
use super::*;
use crate::domain::climate::Climate;

fn warm(index: u32) -> SensorRow {
    SensorRow { index, kind: 8, scale: 9, precision: 1, value: 230 + i64::from(index), status: 1 }
}

fn table(rows: impl IntoIterator<Item = SensorRow>) -> BTreeMap<Oid, Value> {
    let system = |arc: u32| Oid::constant(&[1, 3, 6, 1, 2, 1, 1]).child(&[arc, 0]);
    let mut table = BTreeMap::from([(system(5), Value::OctetString(b"Bobbin".as_slice().into()))]);
    for row in rows {
        let cells = [row.kind, row.scale, row.precision, row.value, row.status];
        table.extend(
            (1..).zip(cells).map(|(column, cell)| (ENTRY.child(&[column, row.index]), Value::Integer(cell))),
        );
    }
    table
}

async fn read(agent: &Agent, credential: Credential) -> Vec<SensorRow> {
    let engine = Engine::start(&EngineOptions::default()).unwrap();
    read_sensors(&engine, &agent.target_by(credential)).await
}

fn v1() -> Credential {
    Credential::v1("loft").unwrap()
}

fn v2c() -> Credential {
    Credential::v2c("loft").unwrap()
}

#[tokio::test]
async fn every_row_is_read_by_either_version_in_few_datagrams() {
    let rows: Vec<SensorRow> =
        [1, 2, 7, 130, 131, 132, 4711, 70_000, 70_001, 70_002, 70_003].map(warm).into();
    // The table is the last of the agent's, or there is more behind it.
    for behind in [false, true] {
        let mut table = table(rows.clone());
        if behind {
            table.insert(Oid::constant(&[1, 3, 6, 1, 4, 1, 99_999, 1, 0]), Value::Integer(7));
            table.insert(ENTRY.child(&[6, 1]), Value::OctetString(b"degrees".as_slice().into()));
        }
        let agent = Agent::with_table(table.clone(), 1472).await;
        assert_eq!(read(&agent, v2c()).await, rows);
        let verbs: Vec<u8> = agent.seen().iter().map(|asked| asked.tag).collect();
        assert_eq!(verbs, [GET_NEXT, GET_BULK, GET_BULK], "eleven rows");
        let small = Agent::with_table(table.clone(), 484).await;
        assert_eq!(read(&small, v2c()).await, rows, "an agent of small answers");
        let old = Agent::with_table(table, 484).await;
        assert_eq!(read(&old, v1()).await, rows);
        assert!(old.seen().iter().all(|asked| asked.tag == GET_NEXT));
        assert_eq!(old.seen().len(), rows.len() + 1);
    }
}

#[tokio::test]
async fn a_device_without_sensors_is_asked_one_small_question() {
    for credential in [v1(), v2c()] {
        let mut without = table([]);
        for behind in [false, true] {
            if behind {
                without.insert(Oid::constant(&[1, 3, 6, 1, 4, 1, 99_999, 1, 0]), Value::Integer(7));
            }
            let agent = Agent::with_table(without.clone(), 1472).await;
            assert_eq!(read(&agent, credential.clone()).await, []);
            assert_eq!(agent.seen().iter().map(|asked| asked.tag).collect::<Vec<_>>(), [GET_NEXT]);
        }
    }
}

/// An answer to every name by the same rows, over and over.
fn circle(asked: &Asked) -> Vec<Act> {
    let rows = table([warm(1), warm(2)]);
    let mut answers: Vec<Varbind> = Vec::new();
    for index in [1, 2] {
        answers.extend(asked.oids.iter().filter_map(|oid| {
            let column = *oid.suffix(&ENTRY)?.first()?;
            let oid = ENTRY.child(&[column, index]);
            Some(Varbind { value: rows.get(&oid)?.clone(), oid })
        }));
    }
    answers.truncate(if asked.tag == GET_BULK { answers.len() } else { COLUMNS });
    vec![Act::Send(asked.answer(&answers))]
}

#[tokio::test]
async fn a_device_that_refuses_fails_or_goes_in_circles_is_left_alone() {
    let fails = Agent::start(|asked| vec![Act::Send(asked.fail(5, 1, &asked.echo()))]).await;
    let refuses = Agent::start(|asked| vec![Act::Send(asked.fail(16, 0, &asked.echo()))]).await;
    let mute = Agent::start(|_| Vec::new()).await;
    for agent in [&fails, &refuses, &mute] {
        assert_eq!(read(agent, v2c()).await, []);
        assert!(agent.seen().len() <= 2, "{} questions", agent.seen().len());
    }
    for credential in [v1(), v2c()] {
        let circles = Agent::start(circle).await;
        let rows = read(&circles, credential).await;
        assert!(rows.len() <= 2 && circles.seen().len() <= 3, "{rows:?}, {} questions", circles.seen().len());
    }
    // An agent that fails in the middle has the rows from before.
    let whole = table((1..=20).map(warm));
    let breaks = Agent::start(move |asked| match asked.number {
        0 | 1 => vec![Act::Send(from_table(&whole, 1472, asked))],
        _ => vec![Act::Send(asked.fail(5, 1, &asked.echo()))],
    })
    .await;
    assert_eq!(read(&breaks, v2c()).await.len(), 9);
}

#[tokio::test]
async fn an_endless_table_ends_at_the_row_cap() {
    let endless = || table((1..=500).map(warm));
    for (credential, questions) in [(v1(), MOST_ROWS), (v2c(), 9)] {
        let agent = Agent::with_table(endless(), 1472).await;
        assert_eq!(read(&agent, credential).await.len(), MOST_ROWS);
        assert_eq!(agent.seen().len(), questions);
    }
}

#[tokio::test]
async fn odd_rows_end_the_table_and_cost_nothing_before_them() {
    let (index, text) = (3, Value::OctetString(b"warm".as_slice().into()));
    // A row that lacks a column, whose value is a text, or whose index is of two numbers.
    let mut lacks = table((1..=5).map(warm));
    lacks.remove(&ENTRY.child(&[3, index]));
    let mut says = table((1..=5).map(warm));
    says.insert(ENTRY.child(&[4, index]), text);
    let mut double = table((1..=2).map(warm));
    double.extend((1..=5).map(|column| (ENTRY.child(&[column, index, 1]), Value::Integer(8))));
    for odd in [lacks, says, double] {
        let agent = Agent::with_table(odd, 1472).await;
        let rows = read(&agent, v2c()).await;
        assert_eq!(rows, [warm(1), warm(2)]);
        assert_eq!(Climate::of(&rows).unwrap().celsius, Some(23.1));
    }
    // Numbers of another type than the MIB's are numbers.
    let mut unsigned = table([warm(1)]);
    unsigned.insert(ENTRY.child(&[4, 1]), Value::Gauge32(231));
    assert_eq!(read(&Agent::with_table(unsigned, 1472).await, v2c()).await, [warm(1)]);
}
