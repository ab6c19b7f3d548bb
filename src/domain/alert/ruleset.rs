//! Rules as data: what the program knows, changed by the settings, changed by rows for wider and narrower
//! scopes. The narrowest scope that says something has the last word.

use jiff::SignedDuration;

use super::rule::{Gauge, Rule};
use super::{Grade, Subject};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::rules::Rules;

/// A figure of 70 % that comes by way of a division must still count as 70 %.
const GRAIN: f64 = 1e-7;

/// What a rule goes by at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setting {
    /// Whether it is applied at all.
    pub on: bool,
    /// How grave its alerts are.
    pub grade: Grade,
    /// The figure at which an alert opens, in the rule's gauge.
    pub open_at: f64,
    /// The figure past which it clears again: the distance between the two keeps a wavering figure from
    /// opening twice.
    pub clear_at: f64,
    /// How long the figure must stand before an alert opens.
    pub lasting: SignedDuration,
}

impl Setting {
    /// Whether the rule is crossed at a figure, given whether it was.
    #[must_use]
    pub fn holds(&self, rule: Rule, figure: f64, was_open: bool) -> bool {
        let mark = if was_open { self.clear_at } else { self.open_at };
        if rule.gauge().rises() { figure >= mark - GRAIN } else { figure <= mark + GRAIN }
    }

    /// What is wrong with it, in a sentence without its full stop.
    #[must_use]
    pub fn fault(&self, rule: Rule) -> Option<String> {
        let (least, most) = rule.gauge().bounds();
        let within = |figure: f64| figure.is_finite() && (least..=most).contains(&figure);
        if !within(self.open_at) || !within(self.clear_at) {
            return Some(format!("both figures must lie between {least} and {most}"));
        }
        let backwards =
            if rule.gauge().rises() { self.clear_at > self.open_at } else { self.clear_at < self.open_at };
        backwards.then(|| {
            let side = if rule.gauge().rises() { "above" } else { "below" };
            format!("it cannot clear {side} the figure at which it opens")
        })
    }
}

/// Where a change to a rule holds.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scope {
    /// At every device, and on the shelf.
    Everywhere,
    /// At the devices of a site, by its number.
    Site(i64),
    /// At the devices of a model, as they name it themselves.
    Model(String),
    /// At one device.
    Device(DeviceId),
    /// At one supply.
    Slot(SlotId),
}

impl Scope {
    /// The word by which its kind is stored.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Self::Everywhere => "everywhere",
            Self::Site(_) => "site",
            Self::Model(_) => "model",
            Self::Device(_) => "device",
            Self::Slot(_) => "slot",
        }
    }

    /// Whether it holds at a place.
    #[must_use]
    pub fn holds_at(&self, place: &Place<'_>) -> bool {
        match self {
            Self::Everywhere => true,
            Self::Site(site) => place.site == Some(*site),
            Self::Model(model) => place.model == Some(model.as_str()),
            Self::Device(device) => place.subject.device() == Some(*device),
            Self::Slot(slot) => place.subject.slot() == Some(*slot),
        }
    }
}

/// A subject, with what decides which scopes it lies in.
#[derive(Debug, Clone, Copy)]
pub struct Place<'a> {
    /// What is judged.
    pub subject: Subject,
    /// The site of its device.
    pub site: Option<i64>,
    /// The model of its device.
    pub model: Option<&'a str>,
}

/// What somebody changed about a rule for a scope; what is `None` is left as it is more widely.
#[derive(Debug, Clone, PartialEq)]
pub struct Patch {
    /// Which rule.
    pub rule: Rule,
    /// Where.
    pub scope: Scope,
    /// Switches it on or off.
    pub on: Option<bool>,
    /// How grave.
    pub grade: Option<Grade>,
    /// Where it opens and clears.
    pub marks: Option<(f64, f64)>,
    /// How long it must stand.
    pub lasting: Option<SignedDuration>,
}

impl Patch {
    /// A setting with the change made.
    #[must_use]
    pub fn on(&self, setting: Setting) -> Setting {
        let (open_at, clear_at) = self.marks.unwrap_or((setting.open_at, setting.clear_at));
        Setting {
            on: self.on.unwrap_or(setting.on),
            grade: self.grade.unwrap_or(setting.grade),
            open_at,
            clear_at,
            lasting: self.lasting.unwrap_or(setting.lasting),
        }
    }
}

/// Every rule at every place.
#[derive(Debug, Clone)]
pub struct RuleSet {
    rules: Rules,
    /// Wider scopes first.
    patches: Vec<Patch>,
}

impl RuleSet {
    /// The program's own rules as the settings change them, and then what is stored.
    #[must_use]
    pub fn new(rules: &Rules, mut patches: Vec<Patch>) -> Self {
        patches.sort_by(|a, b| a.scope.cmp(&b.scope));
        Self { rules: rules.clone(), patches }
    }

    /// What a rule goes by where nothing is stored.
    #[must_use]
    pub fn built_in(&self, rule: Rule) -> Setting {
        let usual = rule.usual();
        let thresholds = &self.rules.thresholds;
        // A percentage that came by way of a share is shown as it was written.
        let percent = |share: f64| (share * 1e8).round() / 1e6;
        let (open_at, clear_at) = match rule {
            Rule::WasteOrderPoint => (percent(thresholds.waste_open), percent(thresholds.waste_clear)),
            Rule::LowSupply => (percent(thresholds.low_open), percent(thresholds.low_clear)),
            Rule::Dark => {
                let hours = self.rules.practice.dark_after.as_secs_f64() / 3600.0;
                (hours, hours)
            }
            _ => (usual.open_at, usual.clear_at),
        };
        Setting { open_at, clear_at, ..usual }
    }

    /// What a rule goes by at a place.
    #[must_use]
    pub fn at(&self, rule: Rule, place: &Place<'_>) -> Setting {
        self.patches
            .iter()
            .filter(|patch| patch.rule == rule && patch.scope.holds_at(place))
            .fold(self.built_in(rule), |setting, patch| patch.on(setting))
    }

    /// How long a device may be silent before it counts as dark; for ever where that rule is off.
    #[must_use]
    pub fn dark_after(&self, place: &Place<'_>) -> SignedDuration {
        let setting = self.at(Rule::Dark, place);
        let after = SignedDuration::try_from_secs_f64(setting.open_at * 3600.0).ok();
        after.filter(|_| setting.on).unwrap_or(SignedDuration::MAX)
    }

    /// What is stored, wider scopes first.
    #[must_use]
    pub fn patches(&self) -> &[Patch] {
        &self.patches
    }

    /// The same with a change made, in place of what was stored for that rule and scope.
    #[must_use]
    pub fn with(&self, patch: Patch) -> Self {
        let same = |other: &Patch| other.rule == patch.rule && other.scope == patch.scope;
        let mut patches: Vec<Patch> = self.patches.iter().filter(|other| !same(other)).cloned().collect();
        patches.push(patch);
        Self::new(&self.rules, patches)
    }
}

/// Whether a figure can be set for a rule at all.
#[must_use]
pub fn has_marks(rule: Rule) -> bool {
    rule.gauge() != Gauge::Said
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(subject: Subject) -> Place<'static> {
        Place { subject, site: Some(1), model: Some("Loft 44") }
    }

    fn patch(scope: Scope, marks: Option<(f64, f64)>, on: Option<bool>) -> Patch {
        Patch { rule: Rule::WasteOrderPoint, scope, on, grade: None, marks, lasting: None }
    }

    #[test]
    fn the_narrowest_scope_that_says_something_has_the_last_word() {
        let (bobbin, waste) = (DeviceId(1), SlotId(12));
        let set = RuleSet::new(
            &Rules::default(),
            vec![
                patch(Scope::Slot(waste), Some((55.0, 50.0)), None),
                patch(Scope::Device(bobbin), Some((60.0, 55.0)), Some(false)),
                patch(Scope::Model("Loft 44".to_owned()), Some((65.0, 60.0)), None),
                patch(Scope::Site(1), Some((75.0, 70.0)), None),
                patch(Scope::Everywhere, Some((80.0, 75.0)), None),
            ],
        );
        let at = |subject| set.at(Rule::WasteOrderPoint, &place(subject));
        let waste = at(Subject::Slot(bobbin, waste));
        assert_eq!((waste.open_at, waste.on), (55.0, false), "what a slot leaves unsaid, its device says");
        assert_eq!(at(Subject::Slot(DeviceId(2), SlotId(99))).open_at, 65.0);
        let other_model = Place { model: Some("Loft 24"), ..place(Subject::Device(DeviceId(4))) };
        assert_eq!(set.at(Rule::WasteOrderPoint, &other_model).open_at, 75.0);
        let elsewhere = Place { subject: Subject::Device(DeviceId(3)), site: None, model: None };
        assert_eq!(set.at(Rule::WasteOrderPoint, &elsewhere).open_at, 80.0);
        assert_eq!(set.at(Rule::LowSupply, &elsewhere), Rule::LowSupply.usual());
    }

    #[test]
    fn the_settings_file_moves_what_is_built_in() {
        let mut rules = Rules::default();
        rules.thresholds.waste_open = 0.55;
        rules.thresholds.waste_clear = 0.50;
        let set = RuleSet::new(&rules, Vec::new());
        assert_eq!(set.built_in(Rule::WasteOrderPoint).open_at, 55.0);
        assert_eq!(set.dark_after(&place(Subject::Device(DeviceId(1)))), rules.practice.dark_after);
    }

    #[test]
    fn a_rule_that_would_clear_before_it_opens_is_refused() {
        let waste = Setting { open_at: 60.0, clear_at: 65.0, ..Rule::WasteOrderPoint.usual() };
        assert!(waste.fault(Rule::WasteOrderPoint).is_some());
        let low = Setting { open_at: 20.0, clear_at: 15.0, ..Rule::LowSupply.usual() };
        assert!(low.fault(Rule::LowSupply).is_some());
        let wild = Setting { open_at: f64::NAN, ..Rule::LowSupply.usual() };
        assert!(wild.fault(Rule::LowSupply).is_some());
    }
}
