//! Polls into the store: what changed is written down, and what follows from it is worked out.
//!
//! Live polls come one at a time and a demo's history by the thousand; both take this one way in.

use super::digest;
use crate::domain::alert::Rule;
use crate::domain::ids::DeviceId;
use crate::domain::outlook::Present;
use crate::domain::poll::{Changes, Poll, fold};
use crate::domain::rules::Rules;
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
    let mut work = store.begin().await?;
    let Some(mut memory) = Store::recall(&mut work, device).await? else { return Ok(()) };
    let changes = fold(&mut memory, polls, present, rules.practice.dark_after);
    if changes.last_poll.is_none() {
        return Ok(());
    }
    Store::record(&mut work, device, &memory, &changes).await?;
    record_darkness(&mut work, device, device_name, &changes, rules).await?;
    if let Some(seen_until) = memory.last_answer_at {
        digest::digest(&mut work, device, device_name, seen_until, present, rules).await?;
    }
    work.commit().await?;
    Ok(())
}

async fn record_darkness(
    work: &mut Work,
    device: DeviceId,
    name: &str,
    changes: &Changes,
    rules: &Rules,
) -> Result<()> {
    for (at, dark) in &changes.dark {
        if *dark {
            let hours = rules.practice.dark_after.as_hours();
            let summary =
                format!("{name} has not answered for {hours} hours; automatic head care may not be running");
            Store::open_alert(work, Rule::Dark, (device, None), *at, &summary).await?;
        } else {
            Store::clear_alert(work, Rule::Dark, (device, None), *at).await?;
        }
    }
    Ok(())
}
