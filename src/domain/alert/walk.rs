//! A rule walked along the path of one figure: where it opens, where it clears.
//!
//! Every rule is edge triggered with hysteresis: a figure that wavers about its mark is one crossing, and one
//! crossing is one alert. A walk can be broken off anywhere and taken up again with what it left behind.

use jiff::Timestamp;

use super::Rule;
use super::ruleset::Setting;
use crate::domain::reading::Role;
use crate::domain::units::Fraction;

/// Where a walk stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Stand {
    /// On the quiet side.
    #[default]
    Quiet,
    /// Crossed since then, and not yet for long enough.
    Waiting(Timestamp),
    /// Crossed: an alert is open.
    Open,
}

impl Stand {
    /// Whether an alert is open.
    #[must_use]
    pub fn is_open(self) -> bool {
        self == Self::Open
    }
}

/// An alert that opened or cleared along the way, with the figure that did it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// When.
    pub at: Timestamp,
    /// Opened; else cleared.
    pub opens: bool,
    /// The figure, in the rule's gauge.
    pub figure: f64,
}

/// One step: where the walk stands after a figure, and whether an alert opened (true) or cleared (false).
#[must_use]
pub fn step(
    rule: Rule,
    setting: &Setting,
    stand: Stand,
    (at, figure): (Timestamp, f64),
) -> (Stand, Option<bool>) {
    if !setting.on {
        return (Stand::Quiet, stand.is_open().then_some(false));
    }
    match (stand, setting.holds(rule, figure, stand.is_open())) {
        (Stand::Open, true) => (Stand::Open, None),
        (Stand::Open, false) => (Stand::Quiet, Some(false)),
        (_, false) => (Stand::Quiet, None),
        (before, true) => {
            let since = match before {
                Stand::Waiting(since) => since.min(at),
                _ => at,
            };
            if at.duration_since(since) >= setting.lasting {
                (Stand::Open, Some(true))
            } else {
                (Stand::Waiting(since), None)
            }
        }
    }
}

/// The crossings along a path, earliest first, and where the walk stands at its end.
#[must_use]
pub fn walk(
    rule: Rule,
    setting: &Setting,
    mut stand: Stand,
    path: impl IntoIterator<Item = (Timestamp, f64)>,
) -> (Stand, Vec<Crossing>) {
    let mut crossings = Vec::new();
    for (at, figure) in path {
        let (next, edge) = step(rule, setting, stand, (at, figure));
        crossings.extend(edge.map(|opens| Crossing { at, opens, figure }));
        stand = next;
    }
    (stand, crossings)
}

/// Which rule watches the level of a supply of this role, and the rule's figure at a level; `remaining` is what
/// is left, or the room left.
#[must_use]
pub fn level_figure(role: Role, remaining: Fraction) -> (Rule, f64) {
    match role {
        Role::Consumed => (Rule::LowSupply, remaining.value() * 100.0),
        Role::Filled => (Rule::WasteOrderPoint, remaining.complement().value() * 100.0),
    }
}

/// The rule that watches the level of a supply of this role.
#[must_use]
pub fn level_rule(role: Role) -> Rule {
    match role {
        Role::Consumed => Rule::LowSupply,
        Role::Filled => Rule::WasteOrderPoint,
    }
}

#[cfg(test)]
mod tests {
    use jiff::SignedDuration;
    use proptest::prelude::*;

    use super::*;

    fn path(figures: &[f64]) -> Vec<(Timestamp, f64)> {
        let at = |n: usize| Timestamp::from_second(n as i64 * 900).unwrap();
        figures.iter().enumerate().map(|(n, figure)| (at(n), *figure)).collect()
    }

    fn places(crossings: &[Crossing]) -> Vec<(i64, bool)> {
        crossings.iter().map(|crossing| (crossing.at.as_second() / 900, crossing.opens)).collect()
    }

    /// The 70 % order point: common practice, no source.
    #[test]
    fn a_receptacle_that_wavers_about_its_order_point_opens_once() {
        let fills = [66.0, 69.0, 70.0, 69.0, 71.0, 68.0, 72.0, 95.0, 2.0, 5.0];
        let setting = Rule::WasteOrderPoint.usual();
        let (stand, crossings) = walk(Rule::WasteOrderPoint, &setting, Stand::Quiet, path(&fills));
        assert_eq!(places(&crossings), [(2, true), (8, false)]);
        assert_eq!(stand, Stand::Quiet);
    }

    #[test]
    fn what_has_to_last_opens_only_once_it_has_and_starts_anew_after_a_lull() {
        let setting = Setting { lasting: SignedDuration::from_mins(30), ..Rule::LowSupply.usual() };
        let (_, crossings) =
            walk(Rule::LowSupply, &setting, Stand::Quiet, path(&[9.0, 9.0, 12.0, 9.0, 9.0, 9.0, 9.0]));
        assert_eq!(places(&crossings), [(5, true)]);
    }

    #[test]
    fn a_rule_that_is_switched_off_clears_what_it_had_opened() {
        let setting = Setting { on: false, ..Rule::LowSupply.usual() };
        assert_eq!(
            step(Rule::LowSupply, &setting, Stand::Open, (Timestamp::UNIX_EPOCH, 1.0)),
            (Stand::Quiet, Some(false))
        );
        assert_eq!(
            step(Rule::LowSupply, &setting, Stand::Quiet, (Timestamp::UNIX_EPOCH, 1.0)),
            (Stand::Quiet, None)
        );
    }

    fn any_setting() -> impl Strategy<Value = (Rule, Setting)> {
        (0..Rule::ALL.len(), 0.0..100.0f64, 0.0..20.0f64, 0..4i64).prop_map(
            |(n, open_at, apart, quarters)| {
                let rule = Rule::ALL[n];
                let clear_at = if rule.gauge().rises() { open_at - apart } else { open_at + apart };
                let lasting = SignedDuration::from_mins(15 * quarters);
                (rule, Setting { open_at, clear_at, lasting, ..rule.usual() })
            },
        )
    }

    proptest! {
        #[test]
        fn openings_and_clearings_take_turns(
            (rule, setting) in any_setting(),
            figures in proptest::collection::vec(0.0..100.0f64, 0..60),
        ) {
            let (stand, crossings) = walk(rule, &setting, Stand::Quiet, path(&figures));
            for (n, crossing) in crossings.iter().enumerate() {
                prop_assert_eq!(crossing.opens, n % 2 == 0);
            }
            prop_assert_eq!(stand.is_open(), crossings.len() % 2 == 1);
        }

        #[test]
        fn a_walk_broken_off_anywhere_crosses_as_the_whole_one(
            (rule, setting) in any_setting(),
            figures in proptest::collection::vec(0.0..100.0f64, 0..60),
            cut in 0..60usize,
        ) {
            let path = path(&figures);
            let cut = cut.min(path.len());
            let whole = walk(rule, &setting, Stand::Quiet, path.clone());
            let (stand, mut crossings) = walk(rule, &setting, Stand::Quiet, path[..cut].to_vec());
            let (stand, more) = walk(rule, &setting, stand, path[cut..].to_vec());
            crossings.extend(more);
            prop_assert_eq!(whole, (stand, crossings));
        }

        #[test]
        fn the_same_figure_heard_again_crosses_nothing_new(
            (rule, setting) in any_setting(),
            figures in proptest::collection::vec(0.0..100.0f64, 1..40),
        ) {
            // Two pollers hear every figure twice at the same moment.
            let once = path(&figures);
            let twice: Vec<_> = once.iter().flat_map(|point| [*point, *point]).collect();
            prop_assert_eq!(
                walk(rule, &setting, Stand::Quiet, once),
                walk(rule, &setting, Stand::Quiet, twice)
            );
        }

        #[test]
        fn jitter_within_the_distance_of_the_marks_opens_once(
            wobble in proptest::collection::vec(-2.4..2.4f64, 20..80),
        ) {
            let rise = wobble.iter().enumerate().map(|(n, wobble)| 60.0 + n as f64 * 0.5 + wobble);
            let fills: Vec<f64> = rise.collect();
            let setting = Rule::WasteOrderPoint.usual();
            let (_, crossings) = walk(Rule::WasteOrderPoint, &setting, Stand::Quiet, path(&fills));
            let reached = fills.iter().any(|fill| *fill >= 70.0);
            prop_assert_eq!(crossings.len(), usize::from(reached));
        }
    }
}
