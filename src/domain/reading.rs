//! Raw supply rows to readings: the standard's sentinels, units and polarity, each dealt with once.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::snapshot::SupplyRow;
use super::standard::{SupplyClass, SupplyKind, SupplyUnit};
use super::units::{Fraction, Measure, conversion};

/// Whether a supply is used up or filled up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// A container: its level is what is left in it.
    Consumed,
    /// A receptacle: its level is the room left in it.
    Filled,
}

impl Role {
    /// From the standard's class; where a device says "other", or files its waste under what is consumed,
    /// the kind decides.
    #[must_use]
    pub fn of(class: SupplyClass, kind: SupplyKind) -> Self {
        if class == SupplyClass::Filled || kind.is_waste() { Self::Filled } else { Self::Consumed }
    }
}

/// What a device counts in a slot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Polarity {
    /// What is left, or the room left: what RFC 3805 §6 asks for, of containers and receptacles alike.
    Remaining,
    /// How much a receptacle has taken up (common practice of some devices, no source).
    Filled,
}

impl Polarity {
    /// The word by which it is stored and exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Remaining => "remaining",
            Self::Filled => "filled",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Remaining, Self::Filled].into_iter().find(|polarity| polarity.word() == word)
    }
}

/// How much a supply can hold, in its measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Capacity {
    /// This much.
    Known(f64),
    /// The device sets no limit (-1).
    Unlimited,
    /// The device does not say (-2), or says nonsense.
    Unknown,
}

impl Capacity {
    /// The figure, where there is one.
    #[must_use]
    pub fn known(self) -> Option<f64> {
        match self {
            Self::Known(amount) => Some(amount),
            Self::Unlimited | Self::Unknown => None,
        }
    }
}

/// How much is left in a container, or how much room is left in a receptacle, in the supply's measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Amount {
    /// A figure that the device gave.
    Measured(f64),
    /// Some is left, or there is some room left, but the device cannot say how much (-3).
    SomeLeft,
    /// The device does not say (-2), or says nonsense.
    Unknown,
    /// The device sets no limit (-1).
    Unlimited,
}

impl Amount {
    /// The figure, where there is one.
    #[must_use]
    pub fn measured(self) -> Option<f64> {
        match self {
            Self::Measured(amount) => Some(amount),
            Self::SomeLeft | Self::Unknown | Self::Unlimited => None,
        }
    }

    /// How good the amount is, in a word: `measured`, `some_left`, `unknown` or `unlimited`.
    #[must_use]
    pub fn quality(self) -> &'static str {
        match self {
            Self::Measured(_) => "measured",
            Self::SomeLeft => "some_left",
            Self::Unknown => "unknown",
            Self::Unlimited => "unlimited",
        }
    }
}

/// Why a row's figures are kept raw and not believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Oddity {
    /// The level is above the capacity.
    LevelAboveCapacity,
    /// A number below every sentinel that the standard knows.
    NegativeNonsense,
}

/// One supply's level, as far as it means anything.
///
/// The figure follows RFC 3805 §6 for both roles: what is left in a container, the room left in a receptacle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// What the amounts are counted in.
    pub measure: Measure,
    /// How much the supply can hold.
    pub capacity: Capacity,
    /// What is left, or the room left.
    pub remaining: Amount,
    /// The smallest difference that the row's unit can express, in the measure.
    pub step: f64,
    /// Why the figures are not believed, if they are not.
    pub oddity: Option<Oddity>,
}

impl Level {
    /// Reads a row's unit, capacity and level as they came.
    ///
    /// The standard's units "other" and "unknown" leave only the ratio, which becomes hundredths of the
    /// capacity. A device that counts in percent and gives no capacity is taken to mean that full is 100.
    #[must_use]
    pub fn from_raw(unit: SupplyUnit, max_capacity: i32, level: i32) -> Self {
        let (measure, factor) = match conversion(unit) {
            Some(conversion) => conversion,
            None if max_capacity > 0 => (Measure::Percent, 100.0 / f64::from(max_capacity)),
            None => return Self::sentinels_only(max_capacity, level),
        };
        let scaled = |raw: i32| f64::from(raw) * factor;
        let capacity = match max_capacity {
            -1 => Capacity::Unlimited,
            1.. => Capacity::Known(scaled(max_capacity)),
            _ if unit == SupplyUnit::Percent => Capacity::Known(100.0),
            _ => Capacity::Unknown,
        };
        let mut oddity = (max_capacity < -2 || level < -3).then_some(Oddity::NegativeNonsense);
        let mut remaining = match level {
            -1 => Amount::Unlimited,
            -3 => Amount::SomeLeft,
            0.. => Amount::Measured(scaled(level)),
            _ => Amount::Unknown,
        };
        if let (Capacity::Known(capacity), Amount::Measured(amount)) = (capacity, remaining)
            && amount > capacity * (1.0 + 1e-9)
        {
            oddity = Some(Oddity::LevelAboveCapacity);
            remaining = Amount::Unknown;
        }
        Self { measure, capacity, remaining, step: factor, oddity }
    }

    /// A row whose unit has no size and whose capacity is no figure: only the sentinels mean anything.
    fn sentinels_only(max_capacity: i32, level: i32) -> Self {
        let nonsense = max_capacity < -2 || level < -3;
        Self {
            measure: Measure::Percent,
            capacity: if max_capacity == -1 { Capacity::Unlimited } else { Capacity::Unknown },
            remaining: match level {
                -1 => Amount::Unlimited,
                -3 => Amount::SomeLeft,
                _ => Amount::Unknown,
            },
            step: 1.0,
            oddity: nonsense.then_some(Oddity::NegativeNonsense),
        }
    }

    /// The level of a row.
    #[must_use]
    pub fn of(row: &SupplyRow) -> Self {
        Self::from_raw(row.unit, row.max_capacity, row.level)
    }

    /// What is left, or the room left, as a share of the capacity.
    #[must_use]
    pub fn fraction(&self) -> Option<Fraction> {
        Fraction::of(self.remaining.measured()?, self.capacity.known()?)
    }

    /// The level as it means where the device counts `polarity`: a receptacle's fill becomes its room. Where
    /// the capacity is unknown, so is the room.
    #[must_use]
    pub fn counted_as(self, polarity: Polarity) -> Self {
        let remaining = match (polarity, self.remaining) {
            (Polarity::Filled, Amount::Measured(fill)) => match self.capacity.known() {
                Some(capacity) => Amount::Measured((capacity - fill).max(0.0)),
                None => Amount::Unknown,
            },
            // -3 then says that it is filled by some unknown part.
            (Polarity::Filled, Amount::SomeLeft) => Amount::Unknown,
            (_, same) => same,
        };
        Self { remaining, ..self }
    }

    /// What a receptacle has taken up, or what a container has given.
    #[must_use]
    pub fn filled(&self) -> Option<f64> {
        Some(self.capacity.known()? - self.remaining.measured()?)
    }
}

/// One observation of a slot: the figures that came, and the last poll before them.
///
/// Only changes are kept. Between `previous_at` and `at` the slot went from the reading before to this one;
/// up to the next reading's `previous_at` every answered poll said the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When the device said it.
    pub at: Timestamp,
    /// When the device last answered before that, if it ever did.
    pub previous_at: Option<Timestamp>,
    /// What it said.
    pub level: Level,
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn ml(max: i32, level: i32) -> Level {
        Level::from_raw(SupplyUnit::TenthsOfMilliliters, max, level)
    }

    #[test]
    fn tenths_of_millilitres_become_millilitres() {
        let level = ml(7750, 1938);
        assert_eq!(level.capacity, Capacity::Known(775.0));
        assert_eq!(level.remaining.measured().map(|ml| (ml * 10.0).round()), Some(1938.0));
        assert!((level.fraction().unwrap().value() - 1938.0 / 7750.0).abs() < 1e-12);
    }

    /// RFC 3805 §6, prtMarkerSuppliesLevel: for a receptacle the level is the remaining space.
    #[test]
    fn a_receptacle_reading_zero_is_full() {
        let level = ml(15000, 0);
        assert_eq!(level.filled(), Some(1500.0));
        assert_eq!(Role::of(SupplyClass::Filled, SupplyKind::WasteInk), Role::Filled);
        assert_eq!(Role::of(SupplyClass::Consumed, SupplyKind::WasteInk), Role::Filled);
        assert_eq!(Role::of(SupplyClass::Consumed, SupplyKind::InkCartridge), Role::Consumed);
    }

    /// RFC 3805 §2.4: -1 other or no limit, -2 unknown, -3 some left.
    #[test]
    fn sentinels_are_no_figures() {
        assert_eq!(ml(7750, -3).remaining, Amount::SomeLeft);
        assert_eq!(ml(7750, -2).remaining, Amount::Unknown);
        assert_eq!(ml(-1, -1).remaining, Amount::Unlimited);
        assert_eq!(ml(-1, -1).capacity, Capacity::Unlimited);
        assert_eq!(ml(-2, 400).capacity, Capacity::Unknown);
        assert_eq!(ml(-2, 400).remaining, Amount::Measured(40.0));
        assert_eq!(ml(-2, 400).fraction(), None);
    }

    #[test]
    fn units_without_a_size_leave_the_ratio() {
        let level = Level::from_raw(SupplyUnit::Unknown, 255, 51);
        assert_eq!(level.measure, Measure::Percent);
        assert!((level.remaining.measured().unwrap() - 20.0).abs() < 1e-9);
        assert_eq!(Level::from_raw(SupplyUnit::Other, -2, 51).remaining, Amount::Unknown);
        assert_eq!(Level::from_raw(SupplyUnit::Other, -2, -3).remaining, Amount::SomeLeft);
        assert_eq!(Level::from_raw(SupplyUnit::Unknown, -1, -1).capacity, Capacity::Unlimited);
        assert_eq!(Level::from_raw(SupplyUnit::Percent, -2, 51).capacity, Capacity::Known(100.0));
    }

    #[test]
    fn nonsense_is_marked_and_gives_no_figure() {
        assert_eq!(ml(7750, 7751).oddity, Some(Oddity::LevelAboveCapacity));
        assert_eq!(ml(7750, 7751).remaining, Amount::Unknown);
        assert_eq!(ml(7750, -4).oddity, Some(Oddity::NegativeNonsense));
        assert_eq!(ml(0, 5).capacity, Capacity::Unknown);
    }

    proptest! {
        #[test]
        fn any_row_gives_finite_figures_within_the_capacity(unit in 0..25i32, max: i32, level: i32) {
            let level = Level::from_raw(SupplyUnit::from_number(unit), max, level);
            if let Some(amount) = level.remaining.measured() {
                prop_assert!(amount.is_finite() && amount >= 0.0);
                if let Some(capacity) = level.capacity.known() {
                    prop_assert!(amount <= capacity * (1.0 + 1e-9));
                }
            }
        }
    }
}
