//! A room's past, as quarter-hourly polls would have found it.

use std::sync::{Arc, Mutex, PoisonError};

use anyhow::Context;
use jiff::{SignedDuration, Timestamp};
use mock_agent::Room;

use super::room::DemoRoom;
use crate::app::Service;
use crate::domain::outlook::Present;
use crate::domain::poll::Poll;
use crate::snmp::oid::Oid;
use crate::snmp::printer_mib::snapshot;
use crate::snmp::value::{Value, Varbind};
use crate::store::Store;
use crate::usecase::ingest::ingest;

/// How often the past was polled.
const EVERY: SignedDuration = SignedDuration::from_mins(15);
/// A clock that runs faster than its past comes in is not caught up with for longer than so many rounds.
const ROUNDS: u32 = 8;
/// The past is played and brought in day by day, so that each day has its forecasts, as live.
const DAY: SignedDuration = SignedDuration::from_hours(24);

/// Brings in what the machines would have said from `from` to `until`, telling how far it has come. Stops
/// early when `go_on` says so.
///
/// # Errors
/// If the store cannot be reached.
pub async fn bring_in(
    service: &Service,
    demo: &DemoRoom,
    (from, until): (Timestamp, Timestamp),
    progress: impl Fn(Timestamp),
    go_on: impl Fn() -> bool,
) -> anyhow::Result<()> {
    let mut begins = from;
    while begins < until && go_on() {
        progress(begins);
        let ends = begins.checked_add(DAY).unwrap_or(until).min(until);
        let polled = poll_days(demo, begins, ends).await?;
        let present = Present { now: ends, zone: service.zone.clone() };
        let ingests = demo.devices.iter().zip(&polled).map(|((device, name), polls)| {
            let (service, present, polls) = (service.clone(), present.clone(), polls.clone());
            let (device, name) = (*device, name.clone());
            tokio::spawn(async move {
                ingest(&service.store, device, &name, &polls, &present, &service.rules).await
            })
        });
        for ingest in ingests.collect::<Vec<_>>() {
            ingest.await.context("a machine's history could not be brought in")??;
        }
        begins = ends;
    }
    Ok(())
}

/// Up to when the past of every machine is in the store, and the latest poll of any of them. A demo that is
/// stopped while its past comes in has some machines further than others.
///
/// # Errors
/// If the store cannot be reached.
pub async fn kept_until(store: &Store, opened: Timestamp) -> anyhow::Result<(Timestamp, Timestamp)> {
    let targets = store.poll_targets().await?;
    let last = || targets.iter().map(|target| target.last_poll_at.unwrap_or(opened));
    Ok((last().min().unwrap_or(opened), last().max().unwrap_or(opened)))
}

/// Brings in what the clock ran through while the past up to `from` was brought in, so that no hole is left
/// before live polls begin; over again, until next to nothing is left.
///
/// # Errors
/// If the store cannot be reached.
pub async fn catch_up(
    service: &Service,
    demo: &DemoRoom,
    mut from: Timestamp,
    go_on: impl Fn() -> bool,
) -> anyhow::Result<()> {
    for _ in 0..ROUNDS {
        let now = service.clock.now();
        if now.duration_since(from) < EVERY {
            break;
        }
        bring_in(service, demo, (from, now), |_| {}, &go_on).await?;
        from = now;
    }
    Ok(())
}

/// Each machine's polls after `from`, up to `until`, played day by day: what plays cannot be stopped, and
/// whoever stops a demo waits for it.
///
/// # Errors
/// If the simulation breaks down.
pub async fn poll_days(demo: &DemoRoom, from: Timestamp, until: Timestamp) -> anyhow::Result<Vec<Vec<Poll>>> {
    let mut polls: Vec<Vec<Poll>> = vec![Vec::new(); demo.lock().printers().len()];
    let mut begins = from;
    while begins < until {
        let ends = begins.checked_add(DAY).unwrap_or(until).min(until);
        let room = Arc::clone(&demo.room);
        let day = tokio::task::spawn_blocking(move || poll_past(&room, begins, ends));
        let day = day.await.context("the simulated room broke down")??;
        for (polls, more) in polls.iter_mut().zip(day) {
            polls.extend(more);
        }
        begins = ends;
    }
    Ok(polls)
}

/// Each machine's polls after `from`, up to `until`.
fn poll_past(room: &Mutex<Room>, from: Timestamp, until: Timestamp) -> anyhow::Result<Vec<Vec<Poll>>> {
    let mut room = room.lock().unwrap_or_else(PoisonError::into_inner);
    let mut polls: Vec<Vec<Poll>> = vec![Vec::new(); room.printers().len()];
    let mut at = from.checked_add(EVERY)?;
    while at <= until {
        room.advance_to(at);
        for (place, polls) in polls.iter_mut().enumerate() {
            polls.push(Poll { at, outcome: ask(&room, place) });
        }
        at = at.checked_add(EVERY)?;
    }
    Ok(polls)
}

/// What a machine says at the moment the room stands at.
fn ask(room: &Room, place: usize) -> Result<crate::domain::snapshot::Snapshot, String> {
    if room.is_dark(place) {
        return Err("it did not answer: see that it is switched on".to_owned());
    }
    let rows: Vec<Varbind> = room.view(place).iter().map(|(oid, value)| varbind(oid, value)).collect();
    snapshot(&rows, true, None).map_err(|fault| fault.to_string())
}

fn varbind(oid: &mock_agent::Oid, value: &mock_agent::Value) -> Varbind {
    let value = match value {
        mock_agent::Value::Integer(number) => Value::Integer(i64::from(*number)),
        mock_agent::Value::OctetString(octets) => Value::OctetString(octets.as_slice().into()),
        mock_agent::Value::ObjectId(oid) => Value::ObjectId(Oid::from_arcs(&oid.0)),
        mock_agent::Value::Counter32(number) => Value::Counter32(*number),
        mock_agent::Value::Gauge32(number) => Value::Gauge32(*number),
        mock_agent::Value::TimeTicks(number) => Value::TimeTicks(*number),
        _ => Value::Null,
    };
    Varbind { oid: Oid::from_arcs(&oid.0), value }
}
