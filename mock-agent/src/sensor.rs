//! How an exact level becomes the whole number that a printer tells.

use serde::{Deserialize, Serialize};

use crate::demand::{mix, unit};
use crate::scenario::SensorPlan;

/// The level "unknown" (RFC 3805 section 2.4).
const UNKNOWN: i32 = -2;
/// The level "some is left, nobody knows how much".
const SOME_LEFT: i32 = -3;
/// Ink of 1.05 grams a millilitre; an invented density, so that grams differ from millilitres.
const GRAMS_PER_ML: f64 = 1.05;
/// Millilitres in a hundredth of a US fluid ounce (29.5735295625 ml).
const ML_PER_HUNDREDTH_OUNCE: f64 = 0.295_735_295_625;

/// Units of PrtMarkerSuppliesSupplyUnitTC (RFC 3805 section 6) that an ink printer uses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unit {
    /// 13, for ink of 1.05 grams a millilitre.
    TenthsOfGrams,
    /// 14, of a US fluid ounce (29.5735295625 ml).
    HundredthsOfFluidOunces,
    /// 15.
    TenthsOfMillilitres,
    /// 19.
    Percent,
}

/// How an exact level becomes a whole number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rounding {
    /// Down.
    Floor,
    /// To the nearest.
    Nearest,
    /// Up.
    Ceil,
}

/// Which way a receptacle's level goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Polarity {
    /// The level is the room left, as RFC 3805 section 6 says.
    #[default]
    Remaining,
    /// The level is what has been filled in.
    Filled,
}

impl Unit {
    /// Its number in PrtMarkerSuppliesSupplyUnitTC.
    pub fn number(self) -> i32 {
        match self {
            Self::TenthsOfGrams => 13,
            Self::HundredthsOfFluidOunces => 14,
            Self::TenthsOfMillilitres => 15,
            Self::Percent => 19,
        }
    }

    fn per_ml(self, capacity_ml: f64) -> f64 {
        match self {
            Self::TenthsOfGrams => 10.0 * GRAMS_PER_ML,
            Self::HundredthsOfFluidOunces => 1.0 / ML_PER_HUNDREDTH_OUNCE,
            Self::TenthsOfMillilitres => 10.0,
            Self::Percent => 100.0 / capacity_ml,
        }
    }
}

/// prtMarkerSuppliesMaxCapacity of a supply.
pub(crate) fn capacity(sensor: &SensorPlan, capacity_ml: f64) -> i32 {
    (capacity_ml * sensor.unit.per_ml(capacity_ml)).round() as i32
}

/// Which supply is read, when.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Look {
    pub(crate) seed: u64,
    pub(crate) place: u64,
    pub(crate) slot: u32,
    pub(crate) polarity: Polarity,
}

/// prtMarkerSuppliesLevel of a supply with `level_ml` left.
pub(crate) fn level(sensor: &SensorPlan, capacity_ml: f64, level_ml: f64, look: Look) -> i32 {
    if level_ml > 0.0 && level_ml / capacity_ml < sensor.some_left_below {
        return SOME_LEFT;
    }
    let told = match look.polarity {
        Polarity::Remaining => level_ml,
        Polarity::Filled => capacity_ml - level_ml,
    };
    let step = f64::from(sensor.step);
    let mut steps = told * sensor.unit.per_ml(capacity_ml) / step;
    if sensor.jitter > 0.0 {
        steps += (2.0 * unit(&[look.seed, look.place, u64::from(look.slot)]) - 1.0) * sensor.jitter;
    }
    let steps = match sensor.rounding {
        Rounding::Floor => steps.floor(),
        Rounding::Nearest => steps.round(),
        Rounding::Ceil => steps.ceil(),
    };
    ((steps * step) as i32).clamp(0, capacity(sensor, capacity_ml))
}

/// The level told in a slot that falls into a spell of unknown readings.
pub(crate) fn spell(sensor: &SensorPlan, seed: u64, slot: u32) -> Option<i32> {
    if sensor.unknown_spell_chance <= 0.0 {
        return None;
    }
    let (day, place) = (u64::from(slot / 96), slot % 96);
    let drawn = mix(&[seed, 2, day]);
    if unit(&[seed, 3, day]) >= sensor.unknown_spell_chance {
        return None;
    }
    let from = (drawn % 88) as u32;
    let length = 2 + ((drawn >> 32) % 7) as u32;
    (from..from + length).contains(&place).then_some(UNKNOWN)
}
