//! What a person is told of, once: what opens an alert, what clears it, who is told and when.
//!
//! All of it is state in, edges out. A crossing is one alert, whatever flickers, restarts or polls twice.

pub mod facts;
pub mod life;
pub mod recipient;
pub mod rehearsal;
pub mod rule;
pub mod ruleset;
pub mod said;
pub mod snooze;
pub mod walk;

use jiff::Timestamp;

pub use rule::Rule;

use super::ids::{AlertId, DeviceId, PartId, SlotId};

/// How grave an alert is, by the words of RFC 3805 (`PrtAlertSeverityLevelTC`); the least grave first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Grade {
    /// Worth knowing.
    Other,
    /// Something has to be done in time.
    Warning,
    /// Printing stops, or a machine may be damaged.
    Critical,
}

impl Grade {
    /// Every grade, the gravest first.
    pub const ALL: [Self; 3] = [Self::Critical, Self::Warning, Self::Other];

    /// The word by which it is stored, exchanged and shown.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Other => "other",
            Self::Warning => "warning",
            Self::Critical => "critical",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|grade| grade.word() == word)
    }
}

/// What an alert is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Subject {
    /// A device as a whole.
    Device(DeviceId),
    /// One of its supplies.
    Slot(DeviceId, SlotId),
    /// The print head in a place of it, counted from 1.
    Head(DeviceId, u8),
    /// A part on the shelf.
    Part(PartId),
}

impl Subject {
    /// The device, if it is about one.
    #[must_use]
    pub fn device(self) -> Option<DeviceId> {
        match self {
            Self::Device(device) | Self::Slot(device, _) | Self::Head(device, _) => Some(device),
            Self::Part(_) => None,
        }
    }

    /// The slot, if it is about one.
    #[must_use]
    pub fn slot(self) -> Option<SlotId> {
        match self {
            Self::Slot(_, slot) => Some(slot),
            Self::Device(_) | Self::Head(..) | Self::Part(_) => None,
        }
    }
}

/// That somebody has seen an alert.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    /// When.
    pub at: Timestamp,
    /// Who.
    pub by: String,
}

/// An alert that a rule of ours opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alert {
    /// Its identity.
    pub id: AlertId,
    /// Which rule.
    pub rule: Rule,
    /// How grave, by the rule as it stood then.
    pub grade: Grade,
    /// What it is about.
    pub subject: Subject,
    /// When the rule was crossed.
    pub opened_at: Timestamp,
    /// When it was crossed back, if it was.
    pub cleared_at: Option<Timestamp>,
    /// What was the case, in a sentence without its full stop.
    pub summary: String,
    /// It follows from another alert that was open, and is told of only if it outlasts that.
    pub folded: bool,
    /// When the first message about it had been handed over.
    pub told_at: Option<Timestamp>,
    /// Whether somebody has seen it.
    pub seen: Option<Seen>,
    /// What was noted by whoever saw it or put it off.
    pub note: String,
    /// Until when it has been put off.
    pub snoozed_until: Option<Timestamp>,
}

impl Alert {
    /// Where it stands in its life, in a word.
    #[must_use]
    pub fn stage(&self, now: Timestamp) -> Stage {
        match self {
            Self { cleared_at: Some(_), .. } => Stage::Cleared,
            Self { snoozed_until: Some(until), .. } if *until > now => Stage::Snoozed,
            Self { seen: Some(_), .. } => Stage::Seen,
            Self { told_at: Some(_), .. } => Stage::Told,
            _ => Stage::Opened,
        }
    }
}

/// Where an alert stands in its life.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// The rule was crossed, and nobody has been told yet.
    Opened,
    /// A message about it has been handed over.
    Told,
    /// Somebody has seen it.
    Seen,
    /// Somebody put it off, and it is still put off.
    Snoozed,
    /// The rule was crossed back.
    Cleared,
}

impl Stage {
    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Opened => "opened",
            Self::Told => "told",
            Self::Seen => "seen",
            Self::Snoozed => "snoozed",
            Self::Cleared => "cleared",
        }
    }
}
