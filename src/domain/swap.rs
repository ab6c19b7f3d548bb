//! What went between the last reading of one unit and the first of the next.
//!
//! Nobody saw it, so it is an estimate: what the slot would have used in that time at its own pace, what the
//! old unit still had, and what the new one lacks of being full.

use jiff::{SignedDuration, Timestamp};

use super::install::Install;
use super::ledger::RAN_ON;

/// A swap in a longer silence than this leaves something unseen.
const SWAP_GAP: SignedDuration = SignedDuration::from_hours(1);
/// A new unit that lacks no more than this share of its capacity is taken to have gone in full.
const NEARLY_FULL: f64 = 0.1;
/// Work that waited for a unit is done at once when it comes: as much as this many times the usual pace, ...
const HELD_BACK: f64 = 2.5;
/// ... and in the time that the old unit stood empty this share of a unit in a minute, 1.6 ml of 775 ml, ...
const HELD_BACK_SHARE_A_MINUTE: f64 = 1.6 / 775.0;
/// ... but no more than this many times the largest job.
const HELD_BACK_JOBS: f64 = 1.5;
/// A unit that lacks more than this share of its capacity was part-used.
const SURELY_PART_USED: f64 = 0.7;

/// How the unit before was last seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Leaving {
    /// What was left in it.
    pub(super) level: f64,
    /// When that was last seen.
    pub(super) until: Timestamp,
    /// Since when it has been empty, as far as the device can express that.
    pub(super) dry_since: Option<Timestamp>,
    /// Its use per second.
    pub(super) rate: f64,
    /// What went in the largest job so far.
    pub(super) largest_job: f64,
    /// Its use per second at its last reading, while a job ran.
    pub(super) flow: f64,
}

/// What is booked around a swap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Passage {
    /// What the old unit gave after its last reading.
    pub(super) to_old: f64,
    /// What the new one gave before its first.
    pub(super) to_new: f64,
    /// What may have gone besides, at most: used, or thrown away with the old unit.
    pub(super) unseen: f64,
}

/// Estimates what went between the last reading of an old unit and the first of a new one.
pub(super) fn passage(old: &Leaving, new: &Install) -> Passage {
    let silence = new.from.duration_since(old.until);
    let seconds = silence.as_secs_f64().max(0.0);
    let dry = old.dry_since.map_or(0.0, |since| new.from.duration_since(since).as_secs_f64().max(0.0));
    let lacks = new.capacity.map_or(0.0, |capacity| (capacity - new.start).max(0.0));
    let went_in_full = new.capacity.is_some_and(|capacity| {
        let held_back = HELD_BACK * old.rate * dry.max(seconds)
            + (capacity * HELD_BACK_SHARE_A_MINUTE * dry / 60.0).min(HELD_BACK_JOBS * old.largest_job);
        let explained = 0.5 * NEARLY_FULL * capacity + held_back;
        lacks <= (NEARLY_FULL * capacity).max(explained) && lacks <= SURELY_PART_USED * capacity
    });
    let to_new = if went_in_full && lacks > 1.5 * new.step { lacks } else { 0.0 };
    let had = old.level.max(0.0);
    // Between two polls in a row, what the old unit was last seen with is what it came out with.
    if silence <= SWAP_GAP {
        return Passage { to_old: 0.0, to_new, unseen: 0.0 };
    }
    let running = old.flow * seconds.min(RAN_ON.as_secs_f64());
    let to_old = (running.max(old.rate * seconds) - to_new).clamp(0.0, had);
    let unseen = had - to_old + if went_in_full { 0.0 } else { lacks };
    Passage { to_old, to_new, unseen }
}
