//! What tells of a swap besides the level: the device's own word, names, covers, and what other slots did.
//!
//! None of it is a swap by itself. It makes a step of the level more or less likely to be one, and decides
//! where the step alone leaves it open. Only what was seen from the last level before the step up to the
//! first one after it counts, so that nothing depends on how often a slot was looked at.

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::install::Fall;
use super::snapshot::{DeviceAlert, Snapshot};
use super::standard::{AlertCode, AlertGroup, CoverStatus, DetectedErrors};

/// A cover that has stood open for longer than this tells nothing any more.
const OPEN_TELLS: SignedDuration = SignedDuration::from_hours(24);

/// What was seen at a poll and not at the one before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Sign {
    /// The row's description or the device's serial number is another.
    Renamed,
    /// The device's alert table says of this unit that it is missing, was removed or was added, or no longer
    /// says so.
    Handled,
    /// Several slots of the device rose at once, as when a set is exchanged.
    Together,
    /// A cover or an interlock stands open.
    Opened,
    /// All of them are closed again.
    Closed,
    /// The device's agent has started anew.
    Restarted,
}

impl Sign {
    const ALL: [Self; 6] =
        [Self::Renamed, Self::Handled, Self::Together, Self::Opened, Self::Closed, Self::Restarted];

    /// The word by which it is stored.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Renamed => "renamed",
            Self::Handled => "handled",
            Self::Together => "together",
            Self::Opened => "opened",
            Self::Closed => "closed",
            Self::Restarted => "restarted",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|sign| sign.word() == word)
    }
}

/// Whether an alert of the device says that somebody had a unit of the supplies table in his hands.
#[must_use]
pub(super) fn tells_of_handling(alert: &DeviceAlert) -> bool {
    let code = matches!(alert.code, AlertCode::SubunitAdded | AlertCode::SubunitRemoved);
    is_missing(alert) || (alert.group == AlertGroup::MarkerSupplies && code)
}

/// Whether an alert of the device says that a unit of the supplies table is not in.
#[must_use]
pub(super) fn is_missing(alert: &DeviceAlert) -> bool {
    alert.group == AlertGroup::MarkerSupplies
        && matches!(
            alert.code,
            AlertCode::SubunitMissing
                | AlertCode::MarkerTonerCartridgeMissing
                | AlertCode::MarkerCleanerMissing
                | AlertCode::MarkerDeveloperMissing
                | AlertCode::MarkerFuserMissing
                | AlertCode::MarkerInkMissing
                | AlertCode::MarkerOpcMissing
                | AlertCode::MarkerPrintRibbonMissing
                | AlertCode::MarkerSupplyMissing
                | AlertCode::MarkerWasteMissing
                | AlertCode::MarkerWasteInkReceptacleMissing
                | AlertCode::MarkerWasteTonerReceptacleMissing
                | AlertCode::MarkerTonerMissing
        )
}

/// Whether a device stands open, by its covers, its alerts or its error bits.
#[must_use]
pub(super) fn stands_open(snapshot: &Snapshot) -> bool {
    let cover = |status| matches!(status, CoverStatus::CoverOpen | CoverStatus::InterlockOpen);
    let alert = |code| matches!(code, AlertCode::CoverOpen | AlertCode::InterlockOpen);
    snapshot.covers.iter().any(|row| cover(row.status))
        || snapshot.alerts.iter().any(|row| alert(row.code))
        || snapshot.errors.contains(DetectedErrors::DOOR_OPEN)
}

/// When each sign was last seen.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Signs {
    renamed: Option<Timestamp>,
    handled: Option<Timestamp>,
    together: Option<Timestamp>,
    opened: Option<Timestamp>,
    closed: Option<Timestamp>,
    restarted: Option<Timestamp>,
}

impl Signs {
    /// Notes a sign. One that was noted before changes nothing.
    pub(super) fn note(&mut self, sign: Sign, at: Timestamp) {
        let seen = match sign {
            Sign::Renamed => &mut self.renamed,
            Sign::Handled => &mut self.handled,
            Sign::Together => &mut self.together,
            Sign::Opened => &mut self.opened,
            Sign::Closed => &mut self.closed,
            Sign::Restarted => &mut self.restarted,
        };
        *seen = (*seen).max(Some(at));
    }

    /// What they say of a step that came after `since` and was there at `at`.
    pub(super) fn about(&self, since: Timestamp, at: Timestamp) -> Evidence {
        let within = |sign: Option<Timestamp>| sign.is_some_and(|seen| seen >= since && seen <= at);
        let open = self.opened.is_some_and(|opened| {
            let closed = self.closed.filter(|closed| *closed >= opened);
            opened <= at
                && closed.is_none_or(|closed| closed >= since)
                && at.duration_since(opened) <= OPEN_TELLS
        });
        Evidence {
            renamed: within(self.renamed),
            handled: within(self.handled),
            together: within(self.together),
            opened: open,
            restarted: within(self.restarted),
        }
    }
}

/// What speaks for or against a swap, besides the size of the step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(super) struct Evidence {
    pub(super) renamed: bool,
    pub(super) handled: bool,
    together: bool,
    opened: bool,
    restarted: bool,
}

impl Evidence {
    /// Whether anything says that somebody was at the machine's units.
    fn speaks_for(self) -> bool {
        self.renamed || self.handled || self.together || self.opened
    }

    /// Whether the device stood open meanwhile.
    pub(super) fn stood_open(self) -> bool {
        self.opened
    }

    /// What a fall was, in its light. A fall that came with a start of the device and with nothing else may
    /// be the device counting anew: a person should say.
    pub(super) fn judge(self, fall: Fall) -> Fall {
        match fall {
            Fall::Doubtful if self.speaks_for() => Fall::Swap,
            Fall::Use if self.handled => Fall::Doubtful,
            Fall::Swap if self.restarted && !self.speaks_for() => Fall::Doubtful,
            same => same,
        }
    }

    /// How sure a swap is, in its light. The shares are our own judgement, no source.
    pub(super) fn weigh(self, confidence: f64) -> f64 {
        let less = [(self.renamed, 0.05), (self.handled, 0.1), (self.together, 0.3), (self.opened, 0.5)];
        let told = less.iter().filter(|(seen, _)| *seen);
        let doubt = told.fold(1.0 - confidence, |doubt, (_, share)| doubt * share);
        let doubt = if self.restarted && !self.speaks_for() { (3.0 * doubt).min(0.5) } else { doubt };
        (1.0 - doubt).clamp(0.0, 0.999)
    }
}

#[cfg(test)]
mod tests;
