//! What opens an alert, and what clears it again.
//!
//! Every rule is edge triggered with hysteresis: a supply that wavers about its threshold is one crossing,
//! and one crossing is one alert.

use jiff::Timestamp;

use super::ids::{AlertId, DeviceId, SlotId};
use super::reading::Role;
use super::units::Fraction;

/// A rule of ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Rule {
    /// A receptacle has reached the fill at which the next one is ordered.
    WasteOrderPoint,
    /// A container is nearly used up.
    LowSupply,
    /// A device has not answered for long.
    Dark,
}

impl Rule {
    /// Every rule.
    pub const ALL: [Self; 3] = [Self::WasteOrderPoint, Self::LowSupply, Self::Dark];

    /// The word by which the rule is stored and exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::WasteOrderPoint => "waste_order_point",
            Self::LowSupply => "low_supply",
            Self::Dark => "dark",
        }
    }

    /// From its stored word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|rule| rule.word() == word)
    }
}

/// Where the rules about levels stand.
///
/// The order point of 70 % is common practice, no source; so is the low level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    /// A receptacle opens an alert at this fill.
    pub waste_open: f64,
    /// and clears it below this fill.
    pub waste_clear: f64,
    /// A container opens an alert at this share left.
    pub low_open: f64,
    /// and clears it above this share left.
    pub low_clear: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self { waste_open: 0.70, waste_clear: 0.65, low_open: 0.10, low_clear: 0.15 }
    }
}

impl Thresholds {
    /// Which rule watches a supply of this role.
    #[must_use]
    pub fn rule(role: Role) -> Rule {
        match role {
            Role::Consumed => Rule::LowSupply,
            Role::Filled => Rule::WasteOrderPoint,
        }
    }

    /// Whether the alert is open after this level, given whether it was open before. `remaining` is what is
    /// left, or the room left.
    #[must_use]
    pub fn is_open(&self, role: Role, remaining: Fraction, was_open: bool) -> bool {
        // A figure of 70 % that comes by way of a division must still count as 70 %.
        const GRAIN: f64 = 1e-9;
        match role {
            Role::Filled => {
                let fill = remaining.complement().value();
                if was_open { fill >= self.waste_clear - GRAIN } else { fill >= self.waste_open - GRAIN }
            }
            Role::Consumed => {
                let left = remaining.value();
                if was_open { left <= self.low_clear + GRAIN } else { left <= self.low_open + GRAIN }
            }
        }
    }

    /// The crossings along a level's path: `true` opens, `false` clears.
    #[must_use]
    pub fn crossings(
        &self,
        role: Role,
        path: impl IntoIterator<Item = (Timestamp, Fraction)>,
        mut open: bool,
    ) -> Vec<(Timestamp, bool, Fraction)> {
        let mut crossings = Vec::new();
        for (at, remaining) in path {
            let now = self.is_open(role, remaining, open);
            if now != open {
                crossings.push((at, now, remaining));
                open = now;
            }
        }
        crossings
    }
}

/// An alert that a rule of ours opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alert {
    /// Its identity here.
    pub id: AlertId,
    /// Which rule.
    pub rule: Rule,
    /// At which device.
    pub device: DeviceId,
    /// For which supply, if it is about one.
    pub slot: Option<SlotId>,
    /// When the rule was crossed.
    pub opened_at: Timestamp,
    /// When it was crossed back, if it was.
    pub cleared_at: Option<Timestamp>,
    /// What was the case, in a sentence without its full stop.
    pub summary: String,
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn path(fills: &[f64]) -> Vec<(Timestamp, Fraction)> {
        let at = |n: usize| Timestamp::from_second(n as i64 * 900).unwrap();
        fills.iter().enumerate().map(|(n, fill)| (at(n), Fraction::of(1.0 - fill, 1.0).unwrap())).collect()
    }

    /// The 70 % order point: common practice, no source.
    #[test]
    fn a_receptacle_that_wavers_about_its_order_point_opens_once() {
        let fills = [0.66, 0.69, 0.70, 0.69, 0.71, 0.68, 0.72, 0.95, 0.02, 0.05];
        let crossings = Thresholds::default().crossings(Role::Filled, path(&fills), false);
        let edges: Vec<_> = crossings.iter().map(|(at, open, _)| (at.as_second() / 900, *open)).collect();
        assert_eq!(edges, [(2, true), (8, false)]);
    }

    #[test]
    fn a_path_walked_in_two_halves_crosses_as_often_as_in_one() {
        let fills = [0.1, 0.5, 0.7, 0.69, 0.71, 0.9];
        let whole = Thresholds::default().crossings(Role::Filled, path(&fills), false).len();
        let first = Thresholds::default().crossings(Role::Filled, path(&fills[..3]), false);
        let open = first.last().is_some_and(|crossing| crossing.1);
        let second = Thresholds::default().crossings(Role::Filled, path(&fills[3..]), open);
        assert_eq!(whole, first.len() + second.len());
    }

    proptest! {
        #[test]
        fn openings_and_clearings_take_turns(fills in proptest::collection::vec(0.0..1.0f64, 0..60)) {
            for role in [Role::Filled, Role::Consumed] {
                let crossings = Thresholds::default().crossings(role, path(&fills), false);
                for (n, (_, open, _)) in crossings.iter().enumerate() {
                    prop_assert_eq!(*open, n % 2 == 0);
                }
            }
        }
    }
}
