//! Which way a receptacle's device counts: the room that is left, as the standard asks, or the fill.
//!
//! Between two swaps a receptacle only fills, so the sign of a slot's slow drift tells. Until it has drifted
//! far enough both readings are followed side by side, and nothing is lost by the wait.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::ids::{DeviceId, SlotId};
use super::reading::{Amount, Level, Polarity, Reading, Role};
use super::sign::Sign;
use super::stream::{Event, Known, Tracker, View};

/// The drift that tells, in steps of the unit ...
const TELLING_STEPS: f64 = 4.0;
/// ... or as a share of the capacity, whichever is larger.
const TELLING_SHARE: f64 = 0.03;
/// A move by more than this share of the capacity is a swap, a flicker or a silence, and no drift.
const LARGEST_MOVE: f64 = 0.05;
/// No more events of the reading that is not believed are kept.
const KEPT_EVENTS: usize = 32;

/// Why a polarity is believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Ground {
    /// A container: only what is left makes sense.
    Container,
    /// A person said so.
    Pinned,
    /// The slot has drifted that way.
    Drift,
    /// Nothing has told yet; RFC 3805 asks for the room that is left.
    Standard,
}

impl Ground {
    /// The word by which it is stored.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Container => "container",
            Self::Pinned => "pinned",
            Self::Drift => "drift",
            Self::Standard => "standard",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        let all = [Self::Container, Self::Pinned, Self::Drift, Self::Standard];
        all.into_iter().find(|ground| ground.word() == word)
    }

    /// The reason, as a sentence without its full stop.
    #[must_use]
    pub fn reason(self, polarity: Polarity) -> &'static str {
        match (self, polarity) {
            (Self::Container, _) => "a container's level is what is left in it",
            (Self::Pinned, _) => "it was set by hand",
            (Self::Drift, Polarity::Remaining) => "the level falls as it fills, so it is the room left",
            (Self::Drift, Polarity::Filled) => "the level rises as it fills, so it is the fill",
            (Self::Standard, _) => {
                "it has not moved far enough to tell; the standard asks for the room that is left"
            }
        }
    }
}

/// Of what a person says that it counts one way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PinScope {
    /// Of one slot.
    Slot(SlotId),
    /// Of all receptacles of a device.
    Device(DeviceId),
    /// Of all receptacles of all devices of a model, as they name themselves.
    Model(String),
}

/// What a person said of the way to count.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pin {
    /// Of what.
    pub scope: PinScope,
    /// What the device counts.
    pub polarity: Polarity,
    /// Who said so.
    pub who: String,
    /// When.
    pub at: Timestamp,
}

/// The slow drift of a slot's levels.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Drift {
    last: Option<(f64, f64)>,
    net: f64,
}

impl Drift {
    /// Takes in a level as the device counts it; which way it counts, once that is clear.
    fn push(&mut self, level: &Level) -> Option<Polarity> {
        let (Amount::Measured(amount), Some(capacity)) = (level.remaining, level.capacity.known()) else {
            return None;
        };
        if let Some((last, of)) = self.last
            && of == capacity
            && (amount - last).abs() <= LARGEST_MOVE * capacity
        {
            self.net += (amount - last) / capacity;
        }
        self.last = Some((amount, capacity));
        let telling = (TELLING_STEPS * level.step / capacity).max(TELLING_SHARE);
        match self.net {
            net if net >= telling => Some(Polarity::Filled),
            net if net <= -telling => Some(Polarity::Remaining),
            _ => None,
        }
    }
}

/// Follows one slot, whichever way its device counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Watch {
    polarity: Polarity,
    ground: Ground,
    believed: Tracker,
    /// The other way to read it, and what it told, while nothing has told which is right.
    other: Option<(Tracker, Vec<Event>)>,
    drift: Drift,
}

impl Watch {
    /// Begins to follow a slot. A person may have `pinned` which way its device counts.
    #[must_use]
    pub fn new(role: Role, pinned: Option<Polarity>, known: Known) -> Self {
        let (polarity, ground) = match (role, pinned) {
            (Role::Consumed, _) => (Polarity::Remaining, Ground::Container),
            (Role::Filled, Some(polarity)) => (polarity, Ground::Pinned),
            (Role::Filled, None) => (Polarity::Remaining, Ground::Standard),
        };
        let other = (ground == Ground::Standard).then(|| (Tracker::new(known.clone()), Vec::new()));
        Self { polarity, ground, believed: Tracker::new(known), other, drift: Drift::default() }
    }

    /// Which way the device is taken to count, and why.
    #[must_use]
    pub fn polarity(&self) -> (Polarity, Ground) {
        (self.polarity, self.ground)
    }

    /// The way to count that a person set.
    #[must_use]
    pub fn pinned(&self) -> Option<Polarity> {
        (self.ground == Ground::Pinned).then_some(self.polarity)
    }

    /// Takes in a reading as the device gave it.
    pub fn push(&mut self, reading: &Reading, zone: &TimeZone, tell: &mut impl FnMut(Event)) {
        let read_as = |polarity: Polarity| Reading { level: reading.level.counted_as(polarity), ..*reading };
        self.believed.push(&read_as(self.polarity), zone, tell);
        let Some((other, told)) = &mut self.other else { return };
        other.push(&read_as(Polarity::Filled), zone, &mut |event| keep(told, event));
        match self.drift.push(&reading.level) {
            Some(Polarity::Filled) => {
                if let Some((other, told)) = self.other.take() {
                    self.believed = other;
                    self.polarity = Polarity::Filled;
                    self.ground = Ground::Drift;
                    tell(Event::Reversed);
                    told.into_iter().for_each(tell);
                }
            }
            Some(Polarity::Remaining) => {
                self.ground = Ground::Drift;
                self.other = None;
            }
            None => {}
        }
    }

    /// The slot said at `at` what it last said.
    pub fn seen(&mut self, at: Timestamp, zone: &TimeZone, tell: &mut impl FnMut(Event)) {
        self.believed.seen(at, zone, tell);
        if let Some((other, told)) = &mut self.other {
            other.seen(at, zone, &mut |event| keep(told, event));
        }
    }

    /// Notes what was seen at a poll besides the level, before the reading of that poll is taken in.
    pub fn note(&mut self, sign: Sign, at: Timestamp) {
        self.believed.note(sign, at);
        if let Some((other, _)) = &mut self.other {
            other.note(sign, at);
        }
    }

    /// Takes in readings and what was seen beside them, both earliest first. Signs later than the last
    /// reading are left for the next one.
    pub fn follow(
        &mut self,
        readings: &[Reading],
        signs: &[(Timestamp, Sign)],
        zone: &TimeZone,
        tell: &mut impl FnMut(Event),
    ) {
        let mut signs = signs.iter().peekable();
        for reading in readings {
            while let Some((at, sign)) = signs.next_if(|(at, _)| *at <= reading.at) {
                self.note(*sign, *at);
            }
            self.push(reading, zone, tell);
        }
    }

    /// Whether a step waits to be believed, so that hearing the same again would tell something.
    #[must_use]
    pub fn is_waiting(&self) -> bool {
        self.believed.is_waiting() || self.other.as_ref().is_some_and(|(other, _)| other.is_waiting())
    }

    /// The last reading as it is believed, and when it began.
    #[must_use]
    pub fn latest(&self) -> Option<(Level, Timestamp)> {
        self.believed.latest()
    }

    /// When the slot last said anything.
    #[must_use]
    pub fn seen_at(&self) -> Option<Timestamp> {
        self.believed.seen_at()
    }

    /// What is known as of the last reading; `None` before the first level.
    #[must_use]
    pub fn view(&self, zone: &TimeZone) -> Option<View> {
        self.believed.view(zone)
    }

    /// When the unit that is in was first seen.
    #[must_use]
    pub fn unit_from(&self) -> Option<Timestamp> {
        self.believed.unit_from()
    }

    /// The last level that no later reading makes anything else of.
    #[must_use]
    pub fn settled_until(&self) -> Option<Timestamp> {
        self.believed.settled_until()
    }

    /// People or the catalogue say something else of the slot: from here on that counts.
    pub fn learn(&mut self, known: Known) {
        if let Some((other, _)) = &mut self.other {
            other.learn(known.clone());
        }
        self.believed.learn(known);
    }

    /// Puts the run that is going on back to its first poll: see [`Tracker::rewind`].
    pub fn rewind(&mut self) {
        self.believed.rewind();
        if let Some((other, _)) = &mut self.other {
            other.rewind();
        }
    }

    /// The first day whose use may still change; `None` while all of the current unit's may.
    #[must_use]
    pub fn first_open_day(&self, zone: &TimeZone) -> Option<Date> {
        self.believed.first_open_day(zone)
    }

    /// Forgets the days that are final, which a [`View`] has told.
    pub fn forget_final_days(&mut self, zone: &TimeZone) {
        self.believed.forget_final_days(zone);
    }
}

/// Levels need not be kept: they are told again by the readings that follow.
fn keep(told: &mut Vec<Event>, event: Event) {
    if told.len() < KEPT_EVENTS && !matches!(event, Event::Believed { .. }) {
        told.push(event);
    }
}
