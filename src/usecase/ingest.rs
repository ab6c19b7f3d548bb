//! Polls into the store: what changed is written down, and what follows from it is worked out.
//!
//! Live polls come one at a time and a demo's history by the thousand; both take this one way in.

use super::alerts::Bell;
use super::digest;
use super::slots::renew_sizes;
use crate::domain::alert::{Rule, Subject};
use crate::domain::care;
use crate::domain::climate::Report;
use crate::domain::ids::{DeviceId, RunId};
use crate::domain::outlook::Present;
use crate::domain::poll::{Changes, Patience, Poll, fold};
use crate::domain::rules::Rules;
use crate::store::alert_life::Opening;
use crate::store::{Result, Store, Work};

/// Takes a device's polls in, earliest first, in one transaction: all of them are kept, or none. Polls that
/// are not later than the last one kept are passed over, and so is everything from a device that is no
/// longer watched.
///
/// # Errors
/// If the store cannot be reached; then nothing of the batch is kept, and it can be brought in again.
pub async fn ingest(
    store: &Store,
    device: DeviceId,
    device_name: &str,
    polls: &[Poll],
    present: &Present,
    rules: &Rules,
) -> Result<()> {
    ingest_for(store, device, device_name, polls, present, (rules, None)).await.map(drop)
}

/// The same for a run of a poller that leases its devices. `false` if the device was taken from it meanwhile, and then
/// nothing is kept: whoever has it now has asked it since.
///
/// # Errors
/// If the store cannot be reached.
pub async fn ingest_for(
    store: &Store,
    device: DeviceId,
    device_name: &str,
    polls: &[Poll],
    present: &Present,
    (rules, run): (&Rules, Option<RunId>),
) -> Result<bool> {
    let mut work = store.begin().await?;
    let Some(mut memory) = Store::recall(&mut work, device).await? else { return Ok(true) };
    if let Some(run) = run
        && !Store::still_has(&mut work, run, device).await?
    {
        return Ok(false);
    }
    let known_to = memory.last_poll_at;
    let bell = Bell::of(&mut work, device, present, rules).await?;
    let patience = Patience { dark_after: bell.dark_after(), calendar: &rules.practice.calendar };
    let changes = fold(&mut memory, polls, present, patience);
    if changes.last_poll.is_none() {
        return Ok(true);
    }
    Store::record(&mut work, device, &memory, &changes).await?;
    let last_run = Store::last_power_run(&mut work, device).await?;
    let runs = care::fold(last_run, polls, known_to, memory.poll_every);
    Store::save_power_runs(&mut work, device, &runs).await?;
    let model = changes.last_answer.as_ref().map(|(_, snapshot)| &snapshot.identity.model);
    if model.is_some_and(|model| *model != memory.model) {
        // Which parts fit goes by the model.
        renew_sizes(&mut work, Some(device)).await?;
    }
    record_darkness(&mut work, device, device_name, &changes, &bell).await?;
    if let Some(seen_until) = memory.last_answer_at {
        digest::digest(&mut work, device, device_name, seen_until, present, rules, &bell).await?;
    }
    Store::tell_of_poll(&mut work).await?;
    work.commit().await?;
    Ok(true)
}

/// Takes in what a device's sensors say of the air.
///
/// # Errors
/// If the store cannot be reached.
pub async fn ingest_climate(store: &Store, device: DeviceId, report: &Report) -> Result<()> {
    let mut work = store.begin().await?;
    Store::save_climate(&mut work, device, report).await?;
    Store::tell_of_poll(&mut work).await?;
    work.commit().await?;
    Ok(())
}

async fn record_darkness(
    work: &mut Work,
    device: DeviceId,
    name: &str,
    changes: &Changes,
    bell: &Bell<'_>,
) -> Result<()> {
    let subject = Subject::Device(device);
    for (at, dark) in &changes.dark {
        if *dark {
            let hours = bell.dark_after().as_hours();
            let summary =
                format!("{name} has not answered for {hours} hours; automatic head care may not be running");
            let grade = bell.rules.at(Rule::Dark, &bell.place(subject)).grade;
            let opening =
                Opening { rule: Rule::Dark, grade, subject, at: *at, summary: &summary, folded: false };
            bell.open(work, &opening).await?;
        } else {
            bell.clear(work, Rule::Dark, subject, *at).await?;
        }
    }
    Ok(())
}
