//! The alert rules as people change them, and what a change would have told in the past.

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp};

use super::pages::alert_line;
use super::view::AlertLine;
use crate::domain::alert::facts::asks_for;
use crate::domain::alert::rehearsal::{
    Path, can_be_rehearsed, forecast_figures, level_figures, rehearse, replace_figures, silence_figures,
};
use crate::domain::alert::ruleset::{Patch, Place, RuleSet, Scope, Setting};
use crate::domain::alert::{Rule, Subject};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::outlook::Present;
use crate::domain::reading::Role;
use crate::domain::rightness::KeptForecast;
use crate::domain::rules::Rules;
use crate::store::alert_rules::{PatchRow, WatchedRow};
use crate::store::alerts::WantedAlerts;
use crate::store::devices::DeviceRow;
use crate::store::forecasts::Kept;
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
    /// Whether what a change would have told can be worked out.
    pub can_be_rehearsed: bool,
}

/// An alert that there would have been.
#[derive(Debug, Clone, PartialEq)]
pub struct TellingLine {
    /// At which device.
    pub device: DeviceId,
    /// About which of its supplies.
    pub slot: Option<SlotId>,
    /// The same in words: "Bobbin, Waste receptacle".
    pub about: String,
    /// When it would have opened.
    pub opened_at: Timestamp,
    /// When it would have cleared, if it would have by now.
    pub cleared_at: Option<Timestamp>,
    /// The figure at which it would have opened.
    pub figure: f64,
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
    Ok(RuleView {
        line: room.rule_line(rule, &patches, rules),
        places: room.places(rule),
        told,
        can_be_rehearsed: can_be_rehearsed(rule),
    })
}

/// What a change would have told in the last [`PAST_DAYS`] days where it holds, latest first; nothing of a rule whose
/// past is not kept.
///
/// # Errors
/// If the store cannot be reached.
pub async fn rehearse_change(
    store: &Store,
    patch: &Patch,
    present: &Present,
    rules: &Rules,
) -> Result<std::result::Result<Vec<TellingLine>, RuleRefused>> {
    let room = Room::load(store).await?;
    if let Some(refused) = room.refuses(patch, rules) {
        return Ok(Err(refused));
    }
    let patches = store.rule_patches().await?.into_iter().map(|row| row.patch).collect();
    let set = RuleSet::new(rules, patches).with(patch.clone());
    let mut paths: Vec<Path<'_>> = Vec::new();
    let mut abouts = Vec::new();
    if can_be_rehearsed(patch.rule) {
        for row in &room.devices {
            for (slot, subject, figures) in figures(store, patch.rule, row, present, rules).await? {
                let place = room.place(subject, row);
                if patch.scope.holds_at(&place) {
                    paths.push(Path { place, figures });
                    let about = slot
                        .as_ref()
                        .map_or_else(|| row.name.clone(), |(_, label)| format!("{}, {label}", row.name));
                    abouts.push((row.id, slot.map(|(id, _)| id), about));
                }
            }
        }
    }
    let tellings = rehearse(patch.rule, &set, &paths, past(present));
    let telling_line = |telling: crate::domain::alert::rehearsal::Telling| {
        let (device, slot, about) = abouts.get(telling.path)?.clone();
        Some(TellingLine {
            device,
            slot,
            about,
            opened_at: telling.opened_at,
            cleared_at: telling.cleared_at,
            figure: telling.figure,
        })
    };
    Ok(Ok(tellings.into_iter().filter_map(telling_line).collect()))
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

/// A slot with its label, where a figure is one of a slot.
type Named = Option<(SlotId, String)>;

/// The figures of a rule at a device over the past, by what they are about.
async fn figures(
    store: &Store,
    rule: Rule,
    row: &DeviceRow,
    present: &Present,
    rules: &Rules,
) -> Result<Vec<(Named, Subject, Vec<(Timestamp, f64)>)>> {
    let (from, to) = past(present);
    if matches!(rule, Rule::Dark | Rule::PollFailing) {
        let answered = store.answered_spans(row.id, from, to).await?;
        let figures = silence_figures(&answered, to, &rules.practice.calendar, &present.zone);
        return Ok(vec![(None, Subject::Device(row.id), figures)]);
    }
    if rule == Rule::RunOut {
        return forecasts(store, row, present, rules).await;
    }
    let complained = match rule {
        Rule::ReplaceNow => store.complaints_since(row.id, from).await?,
        _ => Vec::new(),
    };
    let seen_until = row.last_answer_at.unwrap_or(from);
    let slots = store.readings_between(row.id, from, to).await?;
    let slots = slots.into_iter().filter(|(slot, ..)| speaks_of(rule, slot.role));
    Ok(slots
        .map(|(slot, (counts, _), readings)| {
            let mut figures = level_figures(slot.role, counts, &readings, seen_until, &present.zone);
            if rule == Rule::ReplaceNow {
                let asks = complained.iter().filter(|(complaint, ..)| asks_for(&slot, complaint));
                let asked: Vec<_> = asks.map(|(_, since, until)| (*since, *until)).collect();
                figures = replace_figures(slot.role, &figures, &asked);
            }
            (Some((slot.id, slot.label())), Subject::Slot(row.id, slot.id), figures)
        })
        .collect())
}

/// The same of the rule about ends that are near, which goes by the forecasts that were made.
async fn forecasts(
    store: &Store,
    row: &DeviceRow,
    present: &Present,
    rules: &Rules,
) -> Result<Vec<(Named, Subject, Vec<(Timestamp, f64)>)>> {
    let (from, to) = past(present);
    let (from, to) = (present.date(from), present.date(to));
    let mut kept: BTreeMap<SlotId, Vec<KeptForecast>> = BTreeMap::new();
    for forecast in store.kept_forecasts(Kept::OfDevice(row.id, from, to)).await? {
        kept.entry(forecast.kept.slot).or_default().push(forecast.kept);
    }
    let outlooks = store.outlooks(Wanted::Device(row.id)).await?;
    let figures = outlooks.into_iter().map(|line| {
        let slot = line.outlook.slot;
        let kept = kept.remove(&slot.id).unwrap_or_default();
        let figures = forecast_figures(&kept, &rules.practice.calendar, &present.zone);
        (Some((slot.id, slot.label())), Subject::Slot(row.id, slot.id), figures)
    });
    Ok(figures.collect())
}

/// What rules can be changed for.
struct Room {
    devices: Vec<DeviceRow>,
    watched: BTreeMap<DeviceId, WatchedRow>,
    sites: BTreeMap<DeviceId, String>,
    /// Every slot with its role, its device's name and its own label.
    slots: Vec<(SlotId, Role, String)>,
}

impl Room {
    async fn load(store: &Store) -> Result<Self> {
        let slots = store.outlooks(Wanted::All).await?.into_iter().map(|row| {
            let slot = row.outlook.slot;
            (slot.id, slot.role, format!("{}, {}", row.device_name, slot.label()))
        });
        Ok(Self {
            slots: slots.collect(),
            devices: store.devices(None).await?,
            watched: store.watched().await?,
            sites: store.device_sites().await?,
        })
    }

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
        let slots = self.slots.iter().filter(|(_, role, _)| speaks_of(rule, *role));
        places.extend(slots.map(|(slot, _, name)| (Scope::Slot(*slot), name.clone())));
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
