//! What a change to a rule would have told: the past of every place that it holds for, walked by the domain.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::past::{Past, Want};
use super::{Room, RuleRefused, past, speaks_of};
use crate::domain::alert::rehearsal::{Path, rehearse};
use crate::domain::alert::ruleset::{Patch, Place, RuleSet};
use crate::domain::alert::{Rule, Subject};
use crate::domain::ids::{DeviceId, PartId};
use crate::domain::outlook::{Present, Slot};
use crate::domain::rules::Rules;
use crate::domain::shelf::Stock;
use crate::store::devices::DeviceRow;
use crate::store::heads::{HeadRow, Heads};
use crate::store::{Result, Store};

/// After so many places others have their turn: the past of a large room takes some seconds to walk.
const AT_A_STRETCH: usize = 32;
/// What is kept from less than this after the span begins is kept from its beginning, for all that a person can tell.
const NEARLY: SignedDuration = SignedDuration::from_hours(24);

/// What a change to a rule would have told.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Rehearsed {
    /// The alerts that there would have been, latest first.
    pub tellings: Vec<TellingLine>,
    /// Since when what the rule goes by is kept, where that is not from the beginning of the days looked back over.
    pub since: Option<Timestamp>,
    /// How many places were looked at.
    pub looked_at: usize,
    /// How many were not, because the past of all of them is too much to look through.
    pub left_out: usize,
}

/// An alert that there would have been.
#[derive(Debug, Clone, PartialEq)]
pub struct TellingLine {
    /// What about.
    pub subject: Subject,
    /// The number of the part, if it is about one.
    pub part: Option<String>,
    /// The same in words: "Bobbin, Waste receptacle".
    pub about: String,
    /// When it would have opened.
    pub opened_at: Timestamp,
    /// When it would have cleared, if it would have by now.
    pub cleared_at: Option<Timestamp>,
    /// The figure at which it would have opened.
    pub figure: f64,
}

/// Something that a rule speaks of.
pub(super) struct Target<'a> {
    pub(super) place: Place<'a>,
    /// Its device, if it is about one.
    pub(super) row: Option<&'a DeviceRow>,
    /// Its slot, if it is about one, with the words for it.
    pub(super) slot: Option<&'a (Slot, String)>,
    /// Its part, if it is about one.
    pub(super) stock: Option<&'a Stock>,
}

impl Target<'_> {
    fn about(&self) -> String {
        let device = self.row.map_or("", |row| row.name.as_str());
        match (self.place.subject, self.slot, self.stock) {
            (Subject::Head(_, place), ..) => format!("{device}, head {place}"),
            (_, Some((_, name)), _) => name.clone(),
            (_, _, Some(stock)) => format!("{} ({})", stock.part.label(), stock.part.number),
            _ => device.to_owned(),
        }
    }
}

/// What a change would have told in the last [`super::PAST_DAYS`] days where it holds.
///
/// # Errors
/// If the store cannot be reached.
pub async fn rehearse_change(
    store: &Store,
    patch: &Patch,
    present: &Present,
    rules: &Rules,
) -> Result<std::result::Result<Rehearsed, RuleRefused>> {
    let room = Room::load(store).await?;
    if let Some(refused) = room.refuses(patch, rules) {
        return Ok(Err(refused));
    }
    let rule = patch.rule;
    let patches = store.rule_patches().await?.into_iter().map(|row| row.patch).collect();
    let set = RuleSet::new(rules, patches).with(patch.clone());
    let heads = if rule == Rule::HeadWarranty { store.heads(Heads::All).await? } else { Vec::new() };
    let stocks = match rule {
        Rule::HeadWarranty | Rule::StockDate => store.stocks(None).await?,
        _ => Vec::new(),
    };
    let mut targets = targets(&room, rule, &heads, &stocks);
    targets.retain(|target| patch.scope.holds_at(&target.place));
    let span = past(present);
    let want = Want { rule, room: &room, targets: &targets, heads: &heads, stocks: &stocks, set: &set };
    let loaded = Past::load(store, &want, span, (present, rules)).await?;

    let mut told = Rehearsed::default();
    let mut kept_since: Option<Timestamp> = None;
    for (n, target) in targets.iter().enumerate() {
        if n % AT_A_STRETCH == AT_A_STRETCH - 1 {
            tokio::task::yield_now().await;
        }
        let Some(figures) = loaded.figures(rule, target) else {
            told.left_out += 1;
            continue;
        };
        told.looked_at += 1;
        let first = figures.iter().find(|(_, figure)| figure.is_some()).map_or(present.now, |(at, _)| *at);
        kept_since = Some(kept_since.map_or(first, |known| known.min(first)));
        let path = Path { place: target.place, figures };
        for telling in rehearse(rule, &set, &path, span) {
            told.tellings.push(TellingLine {
                subject: target.place.subject,
                part: target.stock.map(|stock| stock.part.number.clone()),
                about: target.about(),
                opened_at: telling.opened_at,
                cleared_at: telling.cleared_at,
                figure: telling.figure,
            });
        }
    }
    told.tellings.sort_by(|a, b| (b.opened_at, &a.about).cmp(&(a.opened_at, &b.about)));
    told.since = kept_since.filter(|since| since.duration_since(span.0) > NEARLY);
    Ok(Ok(told))
}

/// Everything that a rule speaks of, device by device.
fn targets<'a>(room: &'a Room, rule: Rule, heads: &[HeadRow], stocks: &'a [Stock]) -> Vec<Target<'a>> {
    let rows: BTreeMap<DeviceId, &DeviceRow> = room.devices.iter().map(|row| (row.id, row)).collect();
    let at = |row: &'a DeviceRow, subject, slot| Target {
        place: room.place(subject, row),
        row: Some(row),
        slot,
        stock: None,
    };
    let mut all = Vec::new();
    if matches!(rule, Rule::Dark | Rule::PollFailing | Rule::DeviceError | Rule::Stale) {
        all.extend(room.devices.iter().map(|row| at(row, Subject::Device(row.id), None)));
    }
    for slot in room.slots.iter().filter(|(slot, _)| speaks_of(rule, slot.role)) {
        let Some(row) = rows.get(&slot.0.device) else { continue };
        all.push(at(row, Subject::Slot(row.id, slot.0.id), Some(slot)));
    }
    // The latest of a place comes first; one is enough for the place.
    let mut places: Vec<(DeviceId, u8)> =
        heads.iter().map(|row| (row.head.device, row.head.position.into())).collect();
    places.dedup();
    for (device, place) in places {
        let Some(row) = rows.get(&device) else { continue };
        all.push(at(row, Subject::Head(device, place), None));
    }
    if rule == Rule::StockDate {
        let part = |id: PartId| Place { subject: Subject::Part(id), site: None, model: None };
        let dated = stocks.iter().filter(|stock| stock.part.shelf_life_months.is_some());
        all.extend(dated.map(|stock| Target {
            place: part(stock.id),
            row: None,
            slot: None,
            stock: Some(stock),
        }));
    }
    all
}
