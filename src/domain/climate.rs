//! The air around a machine, where the machine has sensors for it: from a row of the standard's sensor table to
//! degrees and percent, and whether that suits ink, heads and media.
//!
//! The Printer MIB (RFC 3805) has no such object; `entPhySensorTable` of RFC 3433 does. It says what a sensor measures,
//! and not where: a first sensor that sits beside a heater tells of the heater. The range is a setting for that reason
//! too.

use std::fmt;
use std::str::FromStr;

use jiff::{SignedDuration, Timestamp};

/// `EntitySensorDataType`: degrees Celsius.
const CELSIUS: i64 = 8;
/// `EntitySensorDataType`: percent of relative humidity.
const PERCENT_RH: i64 = 9;
/// `EntitySensorStatus`: the agent can obtain the value.
const OK: i64 = 1;
/// Degrees beyond these are no print room's, whatever a sensor says.
const BELIEVED_CELSIUS: Bounds = Bounds { least: -50.0, most: 100.0 };
/// By RFC 3433, percentRH(9) ranges from 0 to 100.
const BELIEVED_PERCENT: Bounds = Bounds { least: 0.0, most: 100.0 };
/// A report that is older says nothing of the air now.
const GOOD_FOR: SignedDuration = SignedDuration::from_hours(24);

/// A row of `entPhySensorTable`, its numbers as they came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SensorRow {
    /// `entPhysicalIndex`.
    pub index: u32,
    /// `entPhySensorType`.
    pub kind: i64,
    /// `entPhySensorScale`.
    pub scale: i64,
    /// `entPhySensorPrecision`.
    pub precision: i64,
    /// `entPhySensorValue`.
    pub value: i64,
    /// `entPhySensorOperStatus`.
    pub status: i64,
}

impl SensorRow {
    /// Whether it measures the air at all, in order or not.
    #[must_use]
    pub fn is_of_air(&self) -> bool {
        matches!(self.kind, CELSIUS | PERCENT_RH)
    }

    /// What a sensor of this kind measures; `None` where it is of another kind or not in order, or where its value is
    /// none that can be believed.
    fn measures(&self, kind: i64, believed: Bounds) -> Option<f64> {
        let is_ok = self.kind == kind && self.status == OK;
        self.amount().filter(|amount| is_ok && believed.hold(*amount))
    }

    /// The value in the units of its kind, by RFC 3433: a fixed-point number with as many decimal places as the precision
    /// says, times the scale's power of ten. A negative precision counts accurate digits and moves no point.
    fn amount(&self) -> Option<f64> {
        let places = match self.precision {
            places @ 1..=9 => places,
            -8..=0 => 0,
            _ => return None,
        };
        // yocto(1) to tera(13) go by thousands around units(9). Air has no use for larger ones, and the RFC names
        // the next two, exa(14) and peta(15), the wrong way round.
        let scale = (1..=13).contains(&self.scale).then_some(3 * (self.scale - 9))?;
        let power = i32::try_from(scale - places).ok()?;
        let value = self.value as f64;
        // Division by a power that is exact gives the decimal fraction that was meant.
        Some(if power < 0 { value / 10f64.powi(-power) } else { value * 10f64.powi(power) })
    }
}

/// What the sensors of a machine say of the air.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Climate {
    /// Degrees Celsius.
    pub celsius: Option<f64>,
    /// Percent of relative humidity.
    pub humidity_percent: Option<f64>,
}

impl Climate {
    /// Of several sensors of a kind, the first by its index that is in order and can be believed; `None` without any.
    #[must_use]
    pub fn of(rows: &[SensorRow]) -> Option<Self> {
        let first = |kind, believed| {
            let usable = rows.iter().filter_map(|row| Some((row.index, row.measures(kind, believed)?)));
            usable.min_by_key(|(index, _)| *index).map(|(_, amount)| amount)
        };
        let climate = Self {
            celsius: first(CELSIUS, BELIEVED_CELSIUS),
            humidity_percent: first(PERCENT_RH, BELIEVED_PERCENT),
        };
        (climate != Self::default()).then_some(climate)
    }

    /// What is not as it is to be, with the figure and the range that it is out of.
    #[must_use]
    pub fn strays(&self, comfort: &Comfort) -> Vec<Stray> {
        let stray = |amount: Option<f64>, range: Bounds, [below, above]: [&'static str; 2], unit| {
            let amount = amount.filter(|amount| !range.hold(*amount))?;
            Some(Stray { how: if amount < range.least { below } else { above }, amount, range, unit })
        };
        let celsius = stray(self.celsius, comfort.celsius, ["too cold", "too warm"], "°C");
        let (percent, range) = (self.humidity_percent, comfort.humidity_percent);
        let humidity = stray(percent, range, ["too dry", "too damp"], "% relative humidity");
        celsius.into_iter().chain(humidity).collect()
    }
}

impl fmt::Display for Climate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let celsius = self.celsius.map(|celsius| format!("{celsius} °C"));
        let humidity = self.humidity_percent.map(|percent| format!("{percent} % relative humidity"));
        let told: Vec<String> = celsius.into_iter().chain(humidity).collect();
        f.write_str(&told.join(" and "))
    }
}

/// A figure that is out of its range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stray {
    /// In a word or two: "too dry".
    pub how: &'static str,
    /// What was measured.
    pub amount: f64,
    /// What it is to lie between.
    pub range: Bounds,
    /// The unit of both.
    pub unit: &'static str,
}

impl fmt::Display for Stray {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} (wanted: {})", self.amount, self.unit, self.range)
    }
}

/// What a machine last reported of the air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Report {
    /// When.
    pub at: Timestamp,
    /// What.
    pub climate: Climate,
}

impl Report {
    /// Whether it still says something of the air now.
    #[must_use]
    pub fn is_good(&self, now: Timestamp) -> bool {
        now.duration_since(self.at) <= GOOD_FOR
    }
}

/// The air that is wanted around machines: common practice, no source; the maker's manual comes first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comfort {
    /// Degrees Celsius.
    pub celsius: Bounds,
    /// Percent of relative humidity.
    pub humidity_percent: Bounds,
}

impl Default for Comfort {
    fn default() -> Self {
        Self {
            celsius: Bounds { least: 15.0, most: 30.0 },
            humidity_percent: Bounds { least: 30.0, most: 70.0 },
        }
    }
}

/// Two numbers and all that lies between them, themselves too.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounds {
    least: f64,
    most: f64,
}

impl Bounds {
    /// Whether a number lies within.
    #[must_use]
    pub fn hold(self, number: f64) -> bool {
        (self.least..=self.most).contains(&number)
    }
}

/// As a sentence has it; it is written with two dots.
impl fmt::Display for Bounds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.least, self.most)
    }
}

/// A text that is no range.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is no range: write two numbers with dots between them, the lower one first, like 15..30")]
pub struct NoRange(String);

impl FromStr for Bounds {
    type Err = NoRange;

    fn from_str(text: &str) -> Result<Self, NoRange> {
        let number = |text: &str| text.trim().parse::<f64>().ok().filter(|number| number.is_finite());
        let bounds = text.split_once("..").and_then(|(least, most)| {
            Some(Self { least: number(least)?, most: number(most)? }).filter(|both| both.least < both.most)
        });
        bounds.ok_or_else(|| NoRange(text.chars().take(40).collect()))
    }
}

#[cfg(test)]
mod tests;
