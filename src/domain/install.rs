//! One physical unit in a slot, and what tells a swap from everything that looks like one.
//!
//! Between two swaps a level only falls, so a robust step test with persistence finds the swaps in one pass:
//! a rise that is too large for jitter, or a fall that is too fast for printing, is held back until it has
//! lasted. What does not last was a flicker and is left out. The bounds below were set by measurement on
//! simulated series; the flow of ink and the size of a cleaning are common practice, no source.

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::falls::pace;
use super::ledger::Run;
use super::sign::Evidence;
use super::units::Measure;

/// A rise must exceed this many steps of the unit ...
const RISE_STEPS: f64 = 2.5;
/// ... or this share of the capacity, whichever is larger.
const RISE_SHARE: f64 = 0.01;
/// A rise that comes with another description or serial number need only exceed this many steps.
const NAMED_RISE_STEPS: f64 = 1.0;
/// A rise that comes when the device says that the unit was handled need only exceed this share of the bound.
const HANDLED_RISE: f64 = 0.6;
/// Jitter and rounding at both ends of a fall, in steps of the unit.
const FALL_STEPS: f64 = 2.0;
/// The fastest that ink can go, as a share of a full unit in a minute: 2 ml of 775 ml.
const FASTEST_SHARE_A_MINUTE: f64 = 2.0 / 775.0;
/// What may go at once besides, as a share of a full unit: a cleaning, a start-up.
const LUMP_SHARE: f64 = 0.01;
/// A fall past the fastest printing by less than this share of a full unit may still be an unusual job.
const DOUBTFUL_SHARE: f64 = 0.005;
/// In a silence, a fall is strange when it exceeds this share of a full unit ...
const STRANGE_SHARE: f64 = 0.1;
/// ... and this many times the usual use.
const STRANGE_TIMES: f64 = 6.0;
/// How long a step must last to be believed: three polls at the usual quarter of an hour.
pub(super) const LASTING: SignedDuration = SignedDuration::from_mins(25);
/// A fall after a longer silence than this is use that nobody watched, not a swap.
const WATCHED: SignedDuration = SignedDuration::from_mins(60);
/// How much larger than the first unit a full one may be: a starter of 225 ml comes before 775 ml.
const FULL_OF_STARTER: f64 = 775.0 / 225.0;

/// How a unit came to be seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Arrival {
    /// It was there when watching began.
    Found,
    /// The level rose further than jitter can, and stayed.
    Risen,
    /// The capacity, or the unit it is counted in, changed.
    Resized,
    /// The level fell faster than printing can, and stayed: a part-used unit took its place.
    Fallen,
    /// Its description or the serial number changed, and the level rose.
    Renamed,
}

impl Arrival {
    /// The word by which it is stored and exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Found => "found",
            Self::Risen => "risen",
            Self::Resized => "resized",
            Self::Fallen => "fallen",
            Self::Renamed => "renamed",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        let all = [Self::Found, Self::Risen, Self::Resized, Self::Fallen, Self::Renamed];
        all.into_iter().find(|arrival| arrival.word() == word)
    }
}

/// One physical unit in a slot. Amounts are in its measure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Install {
    /// When it was first seen.
    pub from: Timestamp,
    /// When it was last seen, if another has taken its place.
    pub to: Option<Timestamp>,
    /// How it is known that it took the place of another.
    pub arrival: Arrival,
    /// How sure it is that a unit went in then, from 0 to 1.
    pub confidence: f64,
    /// What the amounts are counted in.
    pub measure: Measure,
    /// What it can hold, where that is known.
    pub capacity: Option<f64>,
    /// The smallest difference the device can express.
    pub step: f64,
    /// What was in it, or the room it had, when it went in.
    pub start: f64,
    /// What is left in it, or the room it has: when it came out, or now.
    pub end: f64,
}

/// A fall that may have been a swap or an unusual job. It is booked as use until a person says otherwise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Question {
    /// When the lower level was first seen.
    pub at: Timestamp,
    /// When the higher one was last seen.
    pub since: Timestamp,
    /// The level before.
    pub from: f64,
    /// The level after.
    pub to: f64,
    /// What the levels are counted in.
    pub measure: Measure,
}

/// What a person said of a [`Question`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// Another unit went in.
    Swap,
    /// It was a large job, a cleaning, or anything else that used it.
    Job,
}

impl Answer {
    /// The word by which it is stored and exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Swap => "swap",
            Self::Job => "job",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Swap, Self::Job].into_iter().find(|answer| answer.word() == word)
    }
}

/// A question that was answered, and how.
#[derive(Debug, Clone, PartialEq)]
pub struct Answered {
    /// The question.
    pub question: Question,
    /// What it was.
    pub answer: Answer,
    /// Who said so.
    pub who: String,
    /// When.
    pub at: Timestamp,
}

/// Why a level does not follow from the one before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Suspicion {
    /// Another capacity or unit of measure.
    Resized,
    /// Too high for jitter.
    Risen,
    /// Higher, and under another name.
    Renamed,
    /// Lower: a flicker, a large job, use in a silence, or a part-used unit.
    Fallen,
}

/// What a fall was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fall {
    /// Printing and cleaning.
    Use,
    /// More than these explain, but not by much: a person should say.
    Doubtful,
    /// A part-used unit that took the place of a fuller one.
    Swap,
}

impl Suspicion {
    /// Whether what has been seen for this long is believed.
    pub(super) fn has_lasted(self, lasted: SignedDuration) -> bool {
        match self {
            Self::Resized => lasted > SignedDuration::ZERO,
            Self::Risen | Self::Renamed | Self::Fallen => lasted >= LASTING,
        }
    }
}

/// The sizes that a step is measured against, all in the install's measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Yardstick {
    /// The smallest difference the device can express.
    pub(super) step: f64,
    /// What the unit holds; where that is unknown, the highest level seen.
    pub(super) size: f64,
    /// What a full unit of the slot holds: the flow through a machine does not depend on a starter's size.
    pub(super) full: f64,
}

impl Yardstick {
    /// From what is known of a unit. `full` is what a full unit holds, where that was given.
    pub(super) fn new(step: f64, capacity: Option<f64>, full: Option<f64>, first: bool, level: f64) -> Self {
        let size = capacity.unwrap_or(level);
        let presumed = if first { size * FULL_OF_STARTER } else { size };
        Self { step, size, full: full.unwrap_or(presumed).max(size) }
    }

    /// The smallest rise that jitter cannot explain.
    pub(super) fn rise(&self) -> f64 {
        (RISE_STEPS * self.step).max(RISE_SHARE * self.full)
    }

    /// The largest fall within `wait` that printing and cleaning can explain.
    pub(super) fn fall(&self, wait: SignedDuration) -> f64 {
        let minutes = wait.as_secs_f64().max(0.0) / 60.0;
        FALL_STEPS * self.step + self.full * (minutes * FASTEST_SHARE_A_MINUTE + LUMP_SHARE)
    }

    /// Whether a `level` that comes after `last` is suspicious, and of what. Rises are told by `reference`.
    pub(super) fn suspicion(
        &self,
        last: f64,
        reference: f64,
        level: f64,
        evidence: Evidence,
    ) -> Option<Suspicion> {
        if evidence.renamed && level > last + NAMED_RISE_STEPS * self.step {
            return Some(Suspicion::Renamed);
        }
        let share = if evidence.handled { HANDLED_RISE } else { 1.0 };
        if level > last.max(reference) + share * self.rise() {
            return Some(Suspicion::Risen);
        }
        (level < last - self.rise()).then_some(Suspicion::Fallen)
    }

    /// What a fall that has lasted means. It came `wait` after the level before it, and `usual` is what the
    /// slot uses in that time.
    pub(super) fn judge(&self, fall: f64, wait: SignedDuration, usual: f64) -> Fall {
        if wait > WATCHED {
            let strange = self.fall(WATCHED) + STRANGE_SHARE * self.full + STRANGE_TIMES * usual;
            return if fall > strange { Fall::Doubtful } else { Fall::Use };
        }
        match fall - self.fall(wait) {
            excess if excess > DOUBTFUL_SHARE * self.full => Fall::Swap,
            excess if excess > 0.0 => Fall::Doubtful,
            _ => Fall::Use,
        }
    }

    /// How fast a fall was that came `wait` after the level before it, as a share of a full unit in a minute; none
    /// where nobody watched.
    pub(super) fn pace(&self, fall: f64, wait: SignedDuration) -> Option<f64> {
        if wait <= WATCHED { pace(fall, self.step, self.full, wait) } else { None }
    }

    /// How sure a step of this size is a swap, from 0 to 1.
    pub(super) fn confidence(&self, suspicion: Suspicion, step: f64, wait: SignedDuration) -> f64 {
        let (bound, at_bound) = match suspicion {
            Suspicion::Resized | Suspicion::Renamed => return 0.999,
            Suspicion::Risen => (self.rise(), 0.9),
            Suspicion::Fallen => (self.fall(wait), 0.8),
        };
        let excess = (step / bound.max(f64::MIN_POSITIVE) - 1.0).max(0.0);
        (1.0 - (1.0 - at_bound) * (-2.0 * excess).exp()).min(0.999)
    }
}

/// A step that has not lasted long enough yet. Amounts are as the device counts them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Pending {
    pub(super) suspicion: Suspicion,
    /// What else was seen when it came.
    pub(super) evidence: Evidence,
    pub(super) runs: Vec<Run>,
    /// Lower levels that had not lasted when a rise came: the last of the old unit, if there was a swap.
    pub(super) before: Vec<Run>,
    /// Whether the last run may still go on.
    pub(super) open: bool,
}

/// More runs than this are pooled while a step waits to be believed.
const PENDING_RUNS: usize = 16;

impl Pending {
    /// A step that has just been seen; `before` is the one that waited until then.
    pub(super) fn new(suspicion: Suspicion, evidence: Evidence, before: Option<Self>) -> Self {
        let before = match before {
            Some(fall) if suspicion != Suspicion::Fallen && fall.suspicion == Suspicion::Fallen => fall.runs,
            _ => Vec::new(),
        };
        Self { suspicion, evidence, runs: Vec::new(), before, open: false }
    }

    pub(super) fn push(&mut self, run: Run) {
        if self.runs.len() >= PENDING_RUNS
            && let Some(last) = self.runs.last_mut()
        {
            last.until = run.until;
        } else {
            self.runs.push(run);
        }
        self.open = true;
    }

    pub(super) fn lasted(&self) -> SignedDuration {
        match (self.runs.first(), self.runs.last()) {
            (Some(first), Some(last)) => last.until.duration_since(first.from),
            _ => SignedDuration::ZERO,
        }
    }

    /// The highest of its amounts: a job may go on while a fall waits to be believed.
    pub(super) fn highest(&self) -> f64 {
        self.runs.iter().map(|run| run.amount).fold(f64::NEG_INFINITY, f64::max)
    }

    /// The middle one of its amounts.
    pub(super) fn median(&self) -> f64 {
        let mut amounts: Vec<f64> = self.runs.iter().map(|run| run.amount).collect();
        amounts.sort_by(f64::total_cmp);
        amounts.get(amounts.len() / 2).copied().unwrap_or_default()
    }
}
