//! Units of supply amounts, and the factors that bring the standard's units to them.
//!
//! Factors: the international inch, foot and avoirdupois ounce, and the US fluid ounce, as in NIST SP 811
//! (2008), appendix B.8. RFC 3805 says only "ounces": which ones is our reading of it, stated here.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::standard::{CapacityUnit, SupplyUnit};

/// What an amount is counted in once it is inside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Measure {
    /// Millilitres.
    #[serde(rename = "ml")]
    Millilitres,
    /// Grams.
    #[serde(rename = "g")]
    Grams,
    /// Metres.
    #[serde(rename = "m")]
    Metres,
    /// Hundredths of what the supply holds when full.
    #[serde(rename = "percent")]
    Percent,
    /// Impressions.
    #[serde(rename = "impressions")]
    Impressions,
    /// Sheets.
    #[serde(rename = "sheets")]
    Sheets,
    /// Hours.
    #[serde(rename = "hours")]
    Hours,
    /// Pieces.
    #[serde(rename = "items")]
    Items,
}

impl Measure {
    /// Every unit.
    pub const ALL: [Self; 8] = [
        Self::Millilitres,
        Self::Grams,
        Self::Metres,
        Self::Percent,
        Self::Impressions,
        Self::Sheets,
        Self::Hours,
        Self::Items,
    ];

    /// From the word by which it is stored and exchanged.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|measure| measure.word() == word)
    }

    /// The word or symbol that stands behind a number: `ml`, `g`, `%`.
    #[must_use]
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Millilitres => "ml",
            Self::Grams => "g",
            Self::Metres => "m",
            Self::Percent => "%",
            Self::Impressions => "impressions",
            Self::Sheets => "sheets",
            Self::Hours => "h",
            Self::Items => "items",
        }
    }

    /// The word by which this unit is stored and exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Millilitres => "ml",
            Self::Grams => "g",
            Self::Metres => "m",
            Self::Percent => "percent",
            Self::Impressions => "impressions",
            Self::Sheets => "sheets",
            Self::Hours => "hours",
            Self::Items => "items",
        }
    }
}

/// How one of the standard's units becomes one of ours: multiply by `factor`.
///
/// `None` for the units "other" and "unknown", where only the ratio of level to capacity means anything.
#[must_use]
pub fn conversion(unit: SupplyUnit) -> Option<(Measure, f64)> {
    Some(match unit {
        SupplyUnit::TenThousandthsOfInches => (Measure::Metres, 2.54e-6),
        SupplyUnit::Micrometers => (Measure::Metres, 1e-6),
        SupplyUnit::Impressions => (Measure::Impressions, 1.0),
        SupplyUnit::Sheets => (Measure::Sheets, 1.0),
        SupplyUnit::Hours => (Measure::Hours, 1.0),
        SupplyUnit::ThousandthsOfOunces => (Measure::Grams, 0.028_349_523_125),
        SupplyUnit::TenthsOfGrams => (Measure::Grams, 0.1),
        SupplyUnit::HundredthsOfFluidOunces => (Measure::Millilitres, 0.295_735_295_625),
        SupplyUnit::TenthsOfMilliliters => (Measure::Millilitres, 0.1),
        SupplyUnit::Feet => (Measure::Metres, 0.3048),
        SupplyUnit::Meters => (Measure::Metres, 1.0),
        SupplyUnit::Items => (Measure::Items, 1.0),
        SupplyUnit::Percent => (Measure::Percent, 1.0),
        SupplyUnit::Other | SupplyUnit::Unknown | SupplyUnit::Unlisted(_) => return None,
    })
}

/// Metres in one of a unit of media; none for units that are no lengths.
#[must_use]
pub fn metres_each(unit: CapacityUnit) -> Option<f64> {
    Some(match unit {
        CapacityUnit::TenThousandthsOfInches => 2.54e-6,
        CapacityUnit::Micrometers => 1e-6,
        CapacityUnit::Feet => 0.3048,
        CapacityUnit::Meters => 1.0,
        _ => return None,
    })
}

/// A share of a whole: 0 is none of it, 1 is all of it. Never rounded before it is shown.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Fraction(f64);

impl Fraction {
    /// `part` of `whole`, kept between 0 and 1; `None` unless `whole` is above zero and both are finite.
    #[must_use]
    pub fn of(part: f64, whole: f64) -> Option<Self> {
        (whole > 0.0 && whole.is_finite() && part.is_finite()).then(|| Self((part / whole).clamp(0.0, 1.0)))
    }

    /// The number itself.
    #[must_use]
    pub fn value(self) -> f64 {
        self.0
    }

    /// What lacks of the whole.
    #[must_use]
    pub fn complement(self) -> Self {
        Self(1.0 - self.0)
    }
}

impl fmt::Display for Fraction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.0} %", self.0 * 100.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fraction_is_kept_between_none_and_all() {
        assert_eq!(Fraction::of(3.0, 4.0).unwrap().value(), 0.75);
        assert_eq!(Fraction::of(9.0, 4.0).unwrap().value(), 1.0);
        assert_eq!(Fraction::of(1.0, 0.0), None);
        assert_eq!(Fraction::of(f64::NAN, 4.0), None);
        assert_eq!(Fraction::of(28.0, 100.0).unwrap().complement().to_string(), "72 %");
    }

    /// NIST SP 811 (2008), appendix B.8: fluid ounce (U.S.) 2.957 353 E-05 m³, ounce (avoirdupois)
    /// 2.834 952 E-02 kg, foot 3.048 E-01 m, inch 2.54 E-02 m.
    #[test]
    fn factors_agree_with_nist_sp_811() {
        let factor = |unit| conversion(unit).unwrap().1;
        assert!((factor(SupplyUnit::HundredthsOfFluidOunces) * 100.0 - 29.573_53).abs() < 1e-5);
        assert!((factor(SupplyUnit::ThousandthsOfOunces) * 1000.0 - 28.349_52).abs() < 1e-5);
        assert_eq!(factor(SupplyUnit::Feet), 0.3048);
        assert!((factor(SupplyUnit::TenThousandthsOfInches) * 10_000.0 - 0.0254).abs() < 1e-15);
    }
}
