use std::collections::BTreeMap;

use super::*;
use crate::snmp::credential::Credential;
use crate::snmp::testing::{Act, Agent, Asked};
use crate::snmp::transport::EngineOptions;

const TABLE: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 43, 11, 1, 1]);

fn engine() -> Engine {
    Engine::start(&EngineOptions::default()).unwrap()
}

/// `columns` columns (from 2) of `rows` rows, each holding its column times 1000 and its row.
fn table(columns: u32, rows: u32) -> BTreeMap<Oid, Value> {
    let cell = |column, row| (TABLE.child(&[column, 1, row]), Value::Integer(i64::from(column * 1000 + row)));
    (2..2 + columns).flat_map(|column| (1..=rows).map(move |row| cell(column, row))).collect()
}

fn columns(count: u32) -> Vec<Oid> {
    (2..2 + count).map(|column| TABLE.child(&[column])).collect()
}

/// The instances and values, sorted.
fn found(rows: &Rows) -> BTreeMap<Oid, Value> {
    rows.varbinds.iter().map(|varbind| (varbind.oid.clone(), varbind.value.clone())).collect()
}

fn one(oid: &Oid, number: i64) -> Varbind {
    Varbind { oid: oid.clone(), value: Value::Integer(number) }
}

#[tokio::test]
async fn a_table_of_sixteen_rows_and_eight_columns_takes_three_requests() {
    let whole = table(8, 16);
    let mut with_more = whole.clone();
    with_more.insert(TABLE.child(&[10, 1, 1]), Value::Integer(0));
    let agent = Agent::with_table(with_more, 1_472).await;
    let rows = walk_columns(&engine(), &agent.target(), &columns(8), Limits::default()).await.unwrap();
    assert_eq!(found(&rows), whole);
    assert_eq!(rows.partial, None);
    assert_eq!(agent.seen().len(), 3);
}

#[tokio::test]
async fn version_1_reads_the_same_by_getnext() {
    let whole = table(3, 5);
    let agent = Agent::with_table(whole.clone(), 1_472).await;
    let target = agent.target_by(Credential::v1("loft").unwrap());
    let rows = walk_columns(&engine(), &target, &columns(3), Limits::default()).await.unwrap();
    assert_eq!(found(&rows), whole);
    assert_eq!(rows.partial, None);
}

#[tokio::test]
async fn answers_of_484_octets_bring_the_whole_table_too() {
    let whole = table(8, 16);
    let agent = Agent::with_table(whole.clone(), 484).await;
    let rows = walk_columns(&engine(), &agent.target(), &columns(8), Limits::default()).await.unwrap();
    assert_eq!(found(&rows), whole);
    assert_eq!(rows.partial, None);
}

#[tokio::test]
async fn too_big_for_bulk_is_asked_for_in_smaller_lots() {
    let whole = table(4, 9);
    let inner = whole.clone();
    // It says tooBig for every bulk of more than two rows, which RFC 3416 does not ask of it.
    let agent = Agent::start(move |asked| {
        if asked.max_repetitions > 2 {
            return vec![Act::Send(asked.fail(1, 0, &[]))];
        }
        vec![Act::Send(bulk(&inner, asked))]
    })
    .await;
    let rows = walk_columns(&engine(), &agent.target(), &columns(4), Limits::default()).await.unwrap();
    assert_eq!(found(&rows), whole);
}

fn bulk(table: &BTreeMap<Oid, Value>, asked: &Asked) -> Vec<u8> {
    let mut at = asked.oids.clone();
    let mut varbinds = Vec::new();
    for _ in 0..asked.max_repetitions.max(1) {
        for oid in &mut at {
            let behind = (std::ops::Bound::Excluded(oid.clone()), std::ops::Bound::Unbounded);
            let Some((next, value)) = table.range(behind).next() else {
                varbinds.push(Varbind { oid: oid.clone(), value: Value::EndOfMibView });
                continue;
            };
            *oid = next.clone();
            varbinds.push(Varbind { oid: next.clone(), value: value.clone() });
        }
    }
    asked.answer(&varbinds)
}

#[tokio::test]
async fn a_device_that_fails_on_bulk_is_read_by_getnext() {
    let whole = table(2, 3);
    let inner = whole.clone();
    let agent = Agent::start(move |asked| match asked.tag {
        crate::snmp::ber::GET_BULK => vec![Act::Send(asked.fail(5, 0, &asked.echo()))],
        _ => vec![Act::Send(bulk(&inner, asked))],
    })
    .await;
    let rows = walk_columns(&engine(), &agent.target(), &columns(2), Limits::default()).await.unwrap();
    assert_eq!(found(&rows), whole);
    assert_eq!(rows.partial, None);
}

#[tokio::test]
async fn a_device_that_swallows_large_requests_is_asked_for_less_once_it_is_known_to_live() {
    let whole = table(2, 3);
    let inner = whole.clone();
    let agent = Agent::start(move |asked| match asked.tag {
        crate::snmp::ber::GET_BULK => vec![],
        crate::snmp::ber::GET => vec![Act::Send(asked.answer(&[one(&asked.oids[0], 1)]))],
        _ => vec![Act::Send(bulk(&inner, asked))],
    })
    .await;
    let (engine, mut target) = (engine(), agent.target());
    target.timeout = std::time::Duration::from_millis(30);
    let mut walker = Walker::new(&engine, &target, Limits::default());
    walker.get(&[TABLE]).await.unwrap();
    assert_eq!(found(&walker.columns(&columns(2)).await.unwrap()), whole);
}

#[tokio::test]
async fn a_circle_of_names_ends_and_is_marked() {
    let agent = Agent::start(|asked| {
        let first = TABLE.child(&[2, 1, 1]);
        let second = TABLE.child(&[2, 1, 2]);
        let next = if asked.oids[0] == first { second } else { first };
        vec![Act::Send(asked.answer(&[one(&next, 1)]))]
    })
    .await;
    let rows = walk_columns(&engine(), &agent.target(), &columns(1), Limits::default()).await.unwrap();
    assert_eq!(rows.partial, Some(Partial::NotIncreasing));
    assert_eq!(rows.varbinds.len(), 2);
}

#[tokio::test]
async fn an_endless_table_ends_at_the_cap() {
    let agent = Agent::start(|asked| {
        let mut last = *asked.oids[0].arcs().last().unwrap();
        if asked.oids[0] == TABLE.child(&[2]) {
            last = 0;
        }
        let varbinds: Vec<Varbind> =
            (1..=10).map(|step| one(&TABLE.child(&[2, 1, last + step]), step.into())).collect();
        let count = asked.max_repetitions.min(10);
        vec![Act::Send(asked.answer(&varbinds[..count]))]
    })
    .await;
    let limits = Limits { rows: 50, ..Limits::default() };
    let rows = walk_columns(&engine(), &agent.target(), &columns(1), limits).await.unwrap();
    assert_eq!(rows.partial, Some(Partial::TooManyRows));
    assert_eq!(rows.varbinds.len(), 50);
}

#[tokio::test]
async fn no_such_name_in_the_middle_costs_only_that_one() {
    let table = table(1, 6);
    let agent = Agent::with_table(table.clone(), 1_472).await;
    let target = agent.target_by(Credential::v1("loft").unwrap());
    let mut oids: Vec<Oid> = table.keys().cloned().collect();
    oids.insert(2, TABLE.child(&[2, 1, 99]));
    oids.push(TABLE.child(&[9, 9]));
    let got = get(&engine(), &target, &oids).await.unwrap();
    let names: Vec<Oid> = got.iter().map(|varbind| varbind.oid.clone()).collect();
    assert_eq!(names, oids);
    assert_eq!(got[2].value, Value::NoSuchObject);
    assert_eq!(got.last().unwrap().value, Value::NoSuchObject);
    assert_eq!(got.iter().filter(|varbind| varbind.value.is_present()).count(), 6);
}

#[tokio::test]
async fn a_get_too_big_for_the_device_is_split() {
    let table = table(1, 40);
    let agent = Agent::with_table(table.clone(), 300).await;
    let oids: Vec<Oid> = table.keys().cloned().collect();
    let got = get(&engine(), &agent.target(), &oids).await.unwrap();
    assert!(got.iter().zip(&table).all(|(got, (oid, value))| got.oid == *oid && got.value == *value));
}

#[tokio::test]
async fn gen_err_on_one_costs_that_one_and_on_all_is_an_error() {
    let bad = TABLE.child(&[2, 1, 3]);
    let broken = bad.clone();
    let agent = Agent::start(move |asked| match asked.oids.iter().position(|oid| *oid == broken) {
        Some(at) => vec![Act::Send(asked.fail(5, u32::try_from(at).unwrap() + 1, &asked.echo()))],
        None => {
            let varbinds: Vec<Varbind> = asked.oids.iter().map(|oid| one(oid, 4)).collect();
            vec![Act::Send(asked.answer(&varbinds))]
        }
    })
    .await;
    let oids: Vec<Oid> = (1..=5).map(|row| TABLE.child(&[2, 1, row])).collect();
    let got = get(&engine(), &agent.target(), &oids).await.unwrap();
    assert_eq!(got.iter().filter(|varbind| varbind.value == Value::Integer(4)).count(), 4);
    assert_eq!(got[2].value, Value::Null);
    let error = get(&engine(), &agent.target(), &[bad]).await.unwrap_err();
    assert!(matches!(error, SnmpError::Agent { status: ErrorStatus::GenErr, .. }), "{error}");
}

#[tokio::test]
async fn gen_err_in_the_middle_of_a_walk_keeps_what_came() {
    let agent = Agent::start(|asked| {
        let next = [TABLE.child(&[2, 1, 1]), TABLE.child(&[3, 1, 1])];
        if asked.oids[0] == TABLE.child(&[2]) && asked.tag == crate::snmp::ber::GET_NEXT {
            let varbinds: Vec<Varbind> = next.iter().map(|oid| one(oid, 1)).collect();
            return vec![Act::Send(asked.answer(&varbinds))];
        }
        vec![Act::Send(asked.fail(5, 1, &asked.echo()))]
    })
    .await;
    let rows = walk_columns(&engine(), &agent.target(), &columns(2), Limits::default()).await.unwrap();
    assert_eq!(rows.varbinds.len(), 2);
    assert_eq!(rows.partial, Some(Partial::Agent(ErrorStatus::GenErr)));
}
