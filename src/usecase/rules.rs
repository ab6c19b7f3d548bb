//! The alert rules as people change them, and what a change would have told in the past.

mod past;
mod rehearsal;

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp};

pub use self::rehearsal::{Rehearsed, TellingLine, rehearse_change};
use super::pages::alert_line;
use super::view::AlertLine;
use crate::domain::alert::ruleset::{Patch, Place, RuleSet, Scope, Setting};
use crate::domain::alert::{Rule, Subject};
use crate::domain::ids::DeviceId;
use crate::domain::outlook::{Present, Slot};
use crate::domain::reading::Role;
use crate::domain::rules::Rules;
use crate::store::alert_rules::{PatchRow, WatchedRow};
use crate::store::alerts::WantedAlerts;
use crate::store::devices::DeviceRow;
use crate::store::outlooks::Wanted;
use crate::store::{Result, Store};

/// How far back a rule is looked at.
pub const PAST_DAYS: i64 = 90;
/// No more alerts than these are looked through for what a rule has told.
const ALERTS: i64 = 5000;

/// A rule as it holds.
#[derive(Debug, Clone)]
pub struct RuleLine {
    /// Which.
    pub rule: Rule,
    /// What it goes by where nothing narrower is said.
    pub everywhere: Setting,
    /// What it goes by where nobody changed it.
    pub built_in: Setting,
    /// What somebody changed, wider scopes first.
    pub changes: Vec<ChangeLine>,
}

/// What somebody changed about a rule.
#[derive(Debug, Clone)]
pub struct ChangeLine {
    /// Where it holds.
    pub scope: Scope,
    /// The same in words.
    pub place: String,
    /// What the rule goes by there.
    pub setting: Setting,
    /// When it was changed.
    pub changed_at: Timestamp,
    /// Who changed it.
    pub changed_by: String,
}

/// The page of one rule.
#[derive(Debug, Clone)]
pub struct RuleView {
    /// The rule.
    pub line: RuleLine,
    /// Where it can be changed, with the words for that.
    pub places: Vec<(Scope, String)>,
    /// What it has told in the last [`PAST_DAYS`] days, latest first.
    pub told: Vec<AlertLine>,
}

/// Why a change to a rule is not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RuleRefused {
    /// The figures do not go together.
    #[error("{0}")]
    Marks(String),
    /// There is no such place, or the rule cannot be changed for it alone.
    #[error("that is watched no longer, or the rule does not speak of it")]
    NoSuchPlace,
}

/// Every rule as it holds.
///
/// # Errors
/// If the store cannot be reached.
pub async fn rules(store: &Store, rules: &Rules) -> Result<Vec<RuleLine>> {
    let (room, patches) = (Room::load(store).await?, store.rule_patches().await?);
    Ok(Rule::ALL.into_iter().map(|rule| room.rule_line(rule, &patches, rules)).collect())
}

/// One rule, and what it has told.
///
/// # Errors
/// If the store cannot be reached.
pub async fn rule(store: &Store, rule: Rule, present: &Present, rules: &Rules) -> Result<RuleView> {
    let (room, patches) = (Room::load(store).await?, store.rule_patches().await?);
    let (from, _) = past(present);
    let wanted = WantedAlerts { limit: ALERTS, ..WantedAlerts::default() };
    let mut told: Vec<AlertLine> = store.wanted_alerts(wanted).await?.into_iter().map(alert_line).collect();
    told.retain(|line| line.alert.rule == rule && line.alert.opened_at >= from && !line.alert.folded);
    told.sort_by_key(|line| std::cmp::Reverse(line.alert.opened_at));
    Ok(RuleView { line: room.rule_line(rule, &patches, rules), places: room.places(rule), told })
}

/// Writes a change to a rule down, in place of the one for the same scope.
///
/// # Errors
/// If the store cannot be reached.
pub async fn keep(
    store: &Store,
    patch: &Patch,
    who: &str,
    present: &Present,
    rules: &Rules,
) -> Result<std::result::Result<(), RuleRefused>> {
    if let Some(refused) = Room::load(store).await?.refuses(patch, rules) {
        return Ok(Err(refused));
    }
    store.save_patch(patch, present.now, who).await?;
    Ok(Ok(()))
}

/// The span that is looked back over.
fn past(present: &Present) -> (Timestamp, Timestamp) {
    let from = present.now.checked_sub(SignedDuration::from_hours(24 * PAST_DAYS));
    (from.unwrap_or(Timestamp::MIN), present.now)
}

/// What rules can be changed for.
struct Room {
    devices: Vec<DeviceRow>,
    watched: BTreeMap<DeviceId, WatchedRow>,
    sites: BTreeMap<DeviceId, String>,
    /// Every slot with its device's name and its own label.
    slots: Vec<(Slot, String)>,
}

impl Room {
    async fn load(store: &Store) -> Result<Self> {
        let slots = store.outlooks(Wanted::All).await?.into_iter().map(|row| {
            let slot = row.outlook.slot;
            let name = format!("{}, {}", row.device_name, slot.label());
            (slot, name)
        });
        Ok(Self {
            slots: slots.collect(),
            devices: store.devices(None).await?,
            watched: store.watched().await?,
            sites: store.device_sites().await?,
        })
    }

    /// Where a rule's setting is to be looked up for what is about a device.
    fn place<'a>(&self, subject: Subject, row: &'a DeviceRow) -> Place<'a> {
        let site = self.watched.get(&row.id).map(|watched| watched.site);
        Place { subject, site, model: row.model.as_deref() }
    }

    /// Where a rule can be changed, wider scopes first.
    fn places(&self, rule: Rule) -> Vec<(Scope, String)> {
        let mut places = vec![(Scope::Everywhere, "everywhere".to_owned())];
        if rule == Rule::StockDate {
            return places;
        }
        let sites: BTreeMap<i64, &String> = self
            .watched
            .iter()
            .filter_map(|(device, watched)| Some((watched.site, self.sites.get(device)?)))
            .collect();
        let models: BTreeSet<&String> = self.devices.iter().filter_map(|row| row.model.as_ref()).collect();
        places.extend(sites.into_iter().map(|(site, name)| (Scope::Site(site), format!("at {name}"))));
        places.extend(
            models.into_iter().map(|model| (Scope::Model(model.clone()), format!("every “{model}”"))),
        );
        places.extend(self.devices.iter().map(|row| (Scope::Device(row.id), row.name.clone())));
        let slots = self.slots.iter().filter(|(slot, _)| speaks_of(rule, slot.role));
        places.extend(slots.map(|(slot, name)| (Scope::Slot(slot.id), name.clone())));
        places
    }

    fn refuses(&self, patch: &Patch, rules: &Rules) -> Option<RuleRefused> {
        let setting = patch.on(RuleSet::new(rules, Vec::new()).built_in(patch.rule));
        if let Some(fault) = setting.fault(patch.rule) {
            return Some(RuleRefused::Marks(fault));
        }
        let known = self.places(patch.rule).into_iter().any(|(scope, _)| scope == patch.scope);
        (!known).then_some(RuleRefused::NoSuchPlace)
    }

    fn rule_line(&self, rule: Rule, patches: &[PatchRow], rules: &Rules) -> RuleLine {
        let built_in = RuleSet::new(rules, Vec::new()).built_in(rule);
        let of_rule = || patches.iter().filter(|row| row.patch.rule == rule);
        let wide = of_rule().find(|row| row.patch.scope == Scope::Everywhere);
        let everywhere = wide.map_or(built_in, |row| row.patch.on(built_in));
        let places = self.places(rule);
        let gone = || "something that is watched no longer".to_owned();
        let change = |row: &PatchRow| ChangeLine {
            place: places
                .iter()
                .find(|(scope, _)| *scope == row.patch.scope)
                .map_or_else(gone, |(_, place)| place.clone()),
            setting: row.patch.on(everywhere),
            scope: row.patch.scope.clone(),
            changed_at: row.changed_at,
            changed_by: row.changed_by.clone(),
        };
        let mut changes: Vec<ChangeLine> = of_rule().map(change).collect();
        changes.sort_by(|a, b| a.scope.cmp(&b.scope));
        RuleLine { rule, everywhere, built_in, changes }
    }
}

/// Whether a rule speaks of single supplies of a role.
fn speaks_of(rule: Rule, role: Role) -> bool {
    match rule {
        Rule::WasteOrderPoint => role == Role::Filled,
        Rule::LowSupply | Rule::OrderBy => role == Role::Consumed,
        Rule::RunOut | Rule::ReplaceNow | Rule::SwapDue | Rule::Stale | Rule::ForecastOff => true,
        Rule::HeadWarranty | Rule::StockDate | Rule::Dark | Rule::DeviceError | Rule::PollFailing => false,
    }
}
