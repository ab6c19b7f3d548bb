//! What a device says about a step: judged from what it answered when it was asked for it.

use serde::{Deserialize, Serialize};

use super::Confirmation;
use crate::domain::ids::SupplyIndex;
use crate::domain::reading::{Level, Polarity};
use crate::domain::sign::{is_missing, stands_open};
use crate::domain::snapshot::{Snapshot, SupplyRow};
use crate::domain::standard::{DetectedErrors, PrinterStatus};

/// A rise of less than this share of the capacity may be jitter, and is no new unit: our own judgement, no source.
const NEW_UNIT_RISE: f64 = 0.02;

/// A supply as its device told it at one moment, what is left or the room that is left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SupplySeen {
    /// Its level; for a receptacle that is counted by its fill, turned round to the room left.
    pub level: Level,
    /// What the device calls it.
    pub description: String,
}

impl SupplySeen {
    /// A supply of a snapshot; `None` where it is not in.
    #[must_use]
    pub fn of(snapshot: &Snapshot, index: SupplyIndex, counts: Polarity) -> Option<Self> {
        if supply_is_missing(snapshot, index) {
            return None;
        }
        let row = row(snapshot, index)?;
        Some(Self { level: Level::of(row).counted_as(counts), description: row.description.clone() })
    }
}

/// Whether a step is confirmed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Judgement {
    /// The device says so.
    Met,
    /// The device says otherwise; in words, without a full stop.
    NotYet(&'static str),
    /// The device does not tell such things: whoever stands before it has to say so.
    CannotTell,
}

/// What is looked at when a step is judged.
#[derive(Debug, Clone, Copy)]
pub struct Look<'a> {
    /// What the device says now.
    pub snapshot: &'a Snapshot,
    /// The supply that is swapped, and which way its device counts it; none for a head.
    pub supply: Option<(SupplyIndex, Polarity)>,
    /// The supply as it was when the walk began.
    pub before: Option<&'a SupplySeen>,
    /// Whether it has been seen missing since.
    pub was_missing: bool,
}

fn row(snapshot: &Snapshot, index: SupplyIndex) -> Option<&SupplyRow> {
    snapshot.supplies.iter().find(|row| row.index == index)
}

/// Whether a device says of a supply that it is not in: by its alerts, or by leaving its row out.
fn supply_is_missing(snapshot: &Snapshot, index: SupplyIndex) -> bool {
    let named = snapshot.alerts.iter().any(|alert| is_missing(alert) && alert.group_index == index.0);
    named || (snapshot.complete && row(snapshot, index).is_none())
}

/// Whether a device says that it prints.
#[must_use]
pub fn is_printing(snapshot: &Snapshot) -> bool {
    snapshot.printer_status == Some(PrinterStatus::Printing)
}

impl Look<'_> {
    /// Whether the device confirms it.
    #[must_use]
    pub fn judge(&self, wanted: Confirmation) -> Judgement {
        let snapshot = self.snapshot;
        let tells_covers = !snapshot.covers.is_empty() || snapshot.errors.contains(DetectedErrors::DOOR_OPEN);
        let open = stands_open(snapshot);
        match wanted {
            Confirmation::NotPrinting if is_printing(snapshot) => {
                Judgement::NotYet("the machine says that it prints")
            }
            Confirmation::NotPrinting if snapshot.printer_status.is_none() => Judgement::CannotTell,
            Confirmation::NotPrinting => Judgement::Met,
            Confirmation::CoverOpen if open => Judgement::Met,
            Confirmation::CoverClosed if open => Judgement::NotYet("the machine says that it stands open"),
            Confirmation::CoverOpen | Confirmation::CoverClosed if !tells_covers => Judgement::CannotTell,
            Confirmation::CoverOpen => Judgement::NotYet("the machine says that every door is closed"),
            Confirmation::CoverClosed => Judgement::Met,
            Confirmation::SupplyMissing | Confirmation::NewLevel => match self.supply {
                None => Judgement::CannotTell,
                Some((index, counts)) => self.judge_supply(wanted, index, counts),
            },
        }
    }

    fn judge_supply(&self, wanted: Confirmation, index: SupplyIndex, counts: Polarity) -> Judgement {
        let now = SupplySeen::of(self.snapshot, index, counts);
        let Some(now) = now else {
            return match wanted {
                Confirmation::SupplyMissing => Judgement::Met,
                _ => Judgement::NotYet("the machine says that the supply is not in"),
            };
        };
        if wanted == Confirmation::SupplyMissing {
            let taken = DetectedErrors::MARKER_SUPPLY_MISSING;
            return match self.snapshot.errors.contains(taken) {
                // It says that one is out, and not which.
                true => Judgement::Met,
                false => Judgement::NotYet("the machine says that the supply is still in"),
            };
        }
        self.is_new(&now)
    }

    fn is_new(&self, now: &SupplySeen) -> Judgement {
        let amount = |seen: &SupplySeen| seen.level.remaining.measured();
        let before = self.before.and_then(|before| Some((before, amount(before)?)));
        match (before, amount(now)) {
            (_, Some(_)) if self.was_missing => Judgement::Met,
            (Some((before, old)), Some(new)) => {
                let other = now.level.capacity != before.level.capacity
                    || now.level.measure != before.level.measure
                    || now.description != before.description;
                let bound = now.level.capacity.known().map_or(0.0, |capacity| NEW_UNIT_RISE * capacity);
                match other || new - old > bound.max(now.level.step) {
                    true => Judgement::Met,
                    false => Judgement::NotYet("the machine still tells the level of the old unit"),
                }
            }
            (None, Some(_)) if self.before.is_some() => Judgement::Met,
            (Some(_), None) => Judgement::NotYet("the machine does not tell a level yet"),
            (None, _) => Judgement::CannotTell,
        }
    }
}
