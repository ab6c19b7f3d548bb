//! What is said of one supply: what is left, and when it runs out.

use jiff::Timestamp;
use jiff::civil::Date;

use super::ids::{DeviceId, SlotId, SupplyIndex};
use super::reading::{Level, Role};
use super::standard::SupplyKind;

/// The place a supply sits in, with what a person calls it.
#[derive(Debug, Clone, PartialEq)]
pub struct Slot {
    /// Its identity here.
    pub id: SlotId,
    /// The device it belongs to.
    pub device: DeviceId,
    /// Its row in the device's own table.
    pub index: SupplyIndex,
    /// Used up or filled up.
    pub role: Role,
    /// The standard's kind.
    pub kind: SupplyKind,
    /// The colorant's name as the device gives it.
    pub colorant: Option<String>,
    /// The device's own description.
    pub description: String,
}

impl Slot {
    /// What a person calls the supply: the colorant if there is one, else the description, else the kind.
    #[must_use]
    pub fn label(&self) -> String {
        let name = match (&self.colorant, self.description.as_str()) {
            (Some(colorant), _) if self.role == Role::Consumed && !colorant.is_empty() => colorant.clone(),
            (_, "") => self.kind.to_string().replace('_', " "),
            (_, description) => description.to_owned(),
        };
        let mut letters = name.chars();
        match letters.next() {
            Some(first) => first.to_uppercase().chain(letters).collect(),
            None => name,
        }
    }
}

/// When a supply runs out, or fills up: one chance in ten before `early`, even odds by `middle`, nine in
/// ten by `late`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Horizon {
    /// P10.
    pub early: Date,
    /// P50.
    pub middle: Date,
    /// P90.
    pub late: Date,
}

/// A horizon, or the reason why there is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Forecast {
    /// The spread of days.
    Known(Horizon),
    /// Why no date can be given honestly yet, as a sentence without its full stop.
    NotYet(String),
}

impl Forecast {
    /// The spread, where there is one.
    #[must_use]
    pub fn horizon(&self) -> Option<Horizon> {
        match self {
            Self::Known(horizon) => Some(*horizon),
            Self::NotYet(_) => None,
        }
    }
}

/// What is said of one supply as of a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Outlook {
    /// Which supply.
    pub slot: Slot,
    /// When the device last confirmed the level.
    pub as_of: Timestamp,
    /// The level that is believed: swaps followed, passing flickers left out.
    pub level: Level,
    /// Use per day over the forecast's memory, in the level's measure.
    pub daily_use: Option<f64>,
    /// When it runs out or fills up.
    pub forecast: Forecast,
}
