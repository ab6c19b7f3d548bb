//! What a poll shows besides the levels that tells of a swap.

use jiff::{SignedDuration, Timestamp};

use super::{AlertChange, Changes, Gap, Memory, NewSign};
use crate::domain::ids::SupplyIndex;
use crate::domain::reading::Role;
use crate::domain::sign::{Sign, stands_open, tells_of_handling};
use crate::domain::snapshot::{Snapshot, SupplyRow};

/// An agent whose start seems this much later than at the answer before has started anew: clocks drift by less.
const STARTED_ANEW: SignedDuration = SignedDuration::from_mins(2);
/// A rise by more than this share of the capacity counts when slots rise together.
const RISE_SHARE: f64 = 0.05;
/// So many slots that rise at once are a set that was exchanged.
const A_SET: usize = 2;

/// Signs in the rows of the supplies, before they take the place of those that are remembered.
pub(super) fn signs_of_rows(memory: &Memory, at: Timestamp, snapshot: &Snapshot, changes: &mut Changes) {
    let mut risen = 0;
    for row in &snapshot.supplies {
        let Some(slot) = memory.slots.get(&row.index) else { continue };
        let before = slot.row.description.as_str();
        if !before.is_empty() && !row.description.is_empty() && before != row.description {
            changes.signs.push(NewSign { index: Some(row.index), at, sign: Sign::Renamed });
        }
        risen += usize::from(rises(&slot.row, row));
    }
    if risen >= A_SET {
        changes.signs.push(NewSign { index: None, at, sign: Sign::Together });
    }
}

/// A slot that was missing from answers for less than this is no news.
const MISSING_LEAST: SignedDuration = SignedDuration::from_hours(1);

/// Slots that are there again and were missing from the answers before, before their rows take the place of those that
/// are remembered. A silence of the whole device is none of that.
pub(super) fn gaps(memory: &Memory, at: Timestamp, snapshot: &Snapshot, changes: &mut Changes) {
    let Some(last_answer) = memory.last_answer_at else { return };
    for row in &snapshot.supplies {
        let Some(slot) = memory.slots.get(&row.index) else { continue };
        if slot.seen_at < last_answer && at.duration_since(slot.seen_at) >= MISSING_LEAST {
            changes.gaps.push(Gap { index: row.index, from: slot.seen_at, to: at });
        }
    }
}

/// Whether a container holds clearly more than before.
fn rises(before: &SupplyRow, now: &SupplyRow) -> bool {
    Role::of(now.class, now.kind) == Role::Consumed
        && (before.unit, before.max_capacity) == (now.unit, now.max_capacity)
        && before.level >= 0
        && f64::from(now.level) - f64::from(before.level) > RISE_SHARE * f64::from(now.max_capacity.max(1))
}

/// Signs in all the rest of an answer; its changes to the alert table begin at `alerts_from`.
pub(super) fn signs_of_the_device(
    memory: &mut Memory,
    at: Timestamp,
    snapshot: &Snapshot,
    alerts_from: usize,
    changes: &mut Changes,
) {
    let mut sign = |index, sign| changes.signs.push(NewSign { index, at, sign });
    for change in changes.alerts.iter().skip(alerts_from) {
        let (AlertChange::Came(_, alert) | AlertChange::Went(_, alert)) = change;
        if tells_of_handling(alert) {
            sign(Some(SupplyIndex(alert.group_index)), Sign::Handled);
        }
    }
    let open = stands_open(snapshot);
    if open != memory.cover_open && (open || snapshot.complete) {
        memory.cover_open = open;
        sign(None, if open { Sign::Opened } else { Sign::Closed });
    }
    let up = snapshot.uptime_centiseconds.map(|up| SignedDuration::from_millis(i64::from(up) * 10));
    if let Some(up_since) = up.and_then(|up| at.checked_sub(up).ok()) {
        let started_anew = |before: Timestamp| up_since.duration_since(before) > STARTED_ANEW;
        if memory.up_since.is_some_and(started_anew) {
            sign(None, Sign::Restarted);
        }
        memory.up_since = Some(up_since);
    }
    if let Some(serial) = snapshot.identity.serial.as_ref().filter(|serial| !serial.is_empty()) {
        if memory.serial.as_ref().is_some_and(|before| before != serial) {
            sign(None, Sign::Renamed);
        }
        memory.serial = Some(serial.clone());
    }
}
