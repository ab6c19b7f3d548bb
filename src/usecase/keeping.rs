//! Readings over years: months are made ahead, readings packed once their day is over, and thinned out to one a day once
//! they are old. All of it can be broken off after any step and gone on with, and none of it changes what was worked out.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use crate::domain::ids::DeviceId;
use crate::domain::outlook::Present;
use crate::domain::polarity::{Ground, Watch};
use crate::domain::reading::Role;
use crate::store::keeping::ByMonth;
use crate::store::{Result, Store};

/// So many months are made ahead.
const AHEAD: i32 = 2;

/// What was done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tidied {
    /// Months of devices that were packed.
    pub packed: usize,
    /// Months of devices that have one reading a day now.
    pub thinned: usize,
}

/// Makes the months that come, packs what is from before today (UTC), thins out those that ended more than
/// `detail_months` months ago (0: none), and writes anew those that are over and hold much empty room. Stops early when
/// `go_on` says so; what is left is done the next time.
///
/// # Errors
/// If the store cannot be reached.
pub async fn tidy(
    store: &Store,
    detail_months: u32,
    present: &Present,
    go_on: impl Fn() -> bool,
) -> Result<Tidied> {
    let today = present.now.to_zoned(TimeZone::UTC).date();
    let this_month = today.first_of_month();
    for table in [ByMonth::Readings, ByMonth::Runs, ByMonth::Packed] {
        for month in 0..=AHEAD {
            store.make_month(table, later(this_month, month)).await?;
        }
    }
    let packed = pack(store, begins(today), &go_on).await?;
    let mut thinned = 0;
    if detail_months > 0 {
        let months = i32::try_from(detail_months).unwrap_or(i32::MAX);
        for (device, month) in store.months_to_thin(later(this_month, -months)).await? {
            if !go_on() {
                break;
            }
            thinned += usize::from(thin(store, device, month, present).await?);
        }
    }
    if go_on() {
        store.write_loose_months_anew(this_month).await?;
    }
    Ok(Tidied { packed, thinned })
}

/// Packs what devices said before a moment.
async fn pack(store: &Store, before: Timestamp, go_on: &impl Fn() -> bool) -> Result<usize> {
    let mut packed = 0;
    for device in store.devices_to_pack(before).await? {
        for month in store.months_to_pack(device, before).await? {
            if !go_on() {
                return Ok(packed);
            }
            store.make_month(ByMonth::Packed, month).await?;
            let mut work = store.begin().await?;
            Store::pack_month(&mut work, (device, month), before, None).await?;
            work.commit().await?;
            packed += 1;
        }
    }
    store.drop_empty_months(before.to_zoned(TimeZone::UTC).date().first_of_month()).await?;
    Ok(packed)
}

/// Leaves one reading a slot and day of a device's month, and keeps the slots' followers as they were at its end, so
/// that everything after it can be worked out anew. Not while something of the device waits to be worked out anew.
async fn thin(store: &Store, device: DeviceId, month: Date, present: &Present) -> Result<bool> {
    let ends = begins(later(month, 1));
    let mut work = store.begin().await?;
    let Some(slots) = Store::to_thin(&mut work, device, ends).await? else { return Ok(false) };
    for slot in slots {
        let known = slot.known;
        let mut watch = match slot.base.and_then(|base| base.watch) {
            Some(mut watch) => {
                watch.learn(known);
                watch
            }
            None => Watch::new(slot.slot.role, slot.pinned, known),
        };
        watch.follow(&slot.readings, &slot.signs, &present.zone, &mut |_| {});
        // What counts which way is not known yet may still turn out to be the other way round, from the first reading on.
        let undecided = slot.slot.role == Role::Filled && watch.polarity().1 == Ground::Standard;
        if let Some(seen_at) = watch.seen_at().filter(|_| !undecided) {
            watch.forget_final_days(&present.zone);
            Store::keep_base(&mut work, (device, slot.slot.id), ends, (seen_at, &watch)).await?;
        }
    }
    let zone = present.zone.iana_name().unwrap_or("UTC");
    Store::pack_month(&mut work, (device, month), ends, Some(zone)).await?;
    work.commit().await?;
    Ok(true)
}

/// The month so many months later.
fn later(month: Date, months: i32) -> Date {
    let edge = if months < 0 { Date::MIN } else { Date::MAX };
    month.checked_add(i64::from(months).months()).unwrap_or(edge).first_of_month()
}

/// When a day begins, in UTC.
fn begins(day: Date) -> Timestamp {
    day.to_zoned(TimeZone::UTC).map_or(Timestamp::MIN, |begins| begins.timestamp())
}
