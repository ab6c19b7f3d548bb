//! What follows from a device's new readings: installs, ledger, alerts about levels, and outlooks.
//!
//! Each slot is followed from where the last digest left off, in the transaction that kept its readings: a
//! crash in the middle changes nothing, and a poll costs what is new in it. A slot without such a memory, or
//! with that of another version of the program, is worked out anew from its first reading.

mod alerts;
mod outlooks;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use self::outlooks::Supplies;
use super::alerts::Bell;
use super::heads;
use super::slots::renew_sizes;
use crate::domain::ids::DeviceId;
use crate::domain::ledger::day_of;
use crate::domain::outlook::{Present, believed_level};
use crate::domain::polarity::Watch;
use crate::domain::rules::Rules;
use crate::domain::stream::Event;
use crate::store::history::Undigested;
use crate::store::keeping::Base;
use crate::store::outlooks::Wanted;
use crate::store::{Result, Store, Work};

/// Digests what is new at a device. `seen_until` is its last answer.
pub(super) async fn digest(
    work: &mut Work,
    device: DeviceId,
    device_name: &str,
    seen_until: Timestamp,
    present: &Present,
    rules: &Rules,
    bell: &Bell<'_>,
) -> Result<()> {
    let said = Store::outlooks_in(work, Wanted::Device(device)).await?;
    let mut supplies = Supplies::of(device, seen_until, said);
    let stands = Store::stands(work, Some(device)).await?;
    let mut undigested = Store::undigested(work, device).await?;
    if undigested.iter().any(|slot| slot.watch.is_none()) {
        // What is followed from its first reading goes by the catalogue as it is now.
        renew_sizes(work, Some(device)).await?;
        undigested = Store::undigested(work, device).await?;
    }
    for mut slot in undigested {
        supplies.news.insert(slot.slot.id);
        let (watch, events) = follow(work, &mut slot, present).await?;
        if let Some(latest) = watch.latest() {
            let level = believed_level(watch.view(&present.zone).as_ref(), latest, seen_until);
            supplies.believe(slot.slot.clone(), level);
        }
        alerts::walk(work, &slot, &events, &stands, device_name, bell).await?;
    }
    let news = !supplies.news.is_empty();
    supplies.renew(work, present, rules, bell).await?;
    // Ink that went from a slot went through heads.
    if news {
        heads::refresh(work, device, present).await?;
    }
    Ok(())
}

/// A follower for a slot of which everything is made anew. Where old readings are one a day, what was worked out from
/// them while there were more stays, and it begins after them.
async fn anew(work: &mut Work, slot: &mut Undigested, zone: &TimeZone) -> Result<Watch> {
    let id = slot.slot.id;
    let known = std::mem::take(&mut slot.known);
    match slot.base.take() {
        Some(Base { watch: Some(mut watch), .. }) => {
            watch.learn(known);
            Store::forget_after(work, id, &watch).await?;
            Ok(watch)
        }
        base => {
            match base {
                Some(Base { seen_at, .. }) => {
                    Store::end_at(work, id, seen_at, day_of(seen_at, zone)).await?;
                }
                None => Store::forget_installs(work, id).await?,
            }
            Ok(Watch::new(slot.slot.role, slot.pinned, known))
        }
    }
}

/// Follows a slot through its new readings, and writes down what became of its installs. What was told on the
/// way is given back.
async fn follow(work: &mut Work, slot: &mut Undigested, present: &Present) -> Result<(Watch, Vec<Event>)> {
    let zone = &present.zone;
    let id = slot.slot.id;
    let mut watch = match slot.watch.take() {
        Some(watch) => watch,
        None => anew(work, slot, zone).await?,
    };
    let first_open_day = watch.first_open_day(zone);
    let mut events = Vec::new();
    let mut tell = |event| events.push(event);
    watch.follow(&slot.readings, &slot.signs, zone, &mut tell);
    watch.seen(slot.seen_at, zone, &mut tell);
    let anew = events.iter().rposition(|event| matches!(event, Event::Reversed));
    if let Some(reversed) = anew {
        Store::forget_installs(work, id).await?;
        Store::forget_forecasts(work, id).await?;
        events.drain(..=reversed);
    }
    for event in &events {
        match event {
            Event::Ended(install, days) => {
                Store::save_install(work, id, install, days, first_open_day).await?;
            }
            Event::Asked(question) => Store::save_question(work, id, question).await?,
            Event::Believed { .. } | Event::Began(_) | Event::Reversed => {}
        }
    }
    if let Some(view) = watch.view(zone) {
        Store::save_install(work, id, &view.install, &view.days, first_open_day).await?;
    }
    let now = watch.clone();
    watch.forget_final_days(zone);
    watch.rewind();
    Store::save_watch(work, &slot.slot, &watch).await?;
    Ok((now, events))
}
