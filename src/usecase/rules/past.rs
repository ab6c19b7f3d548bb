//! What rules went by in the past, loaded for all places at once: one query for each kind, and no more rows of it than
//! can be looked through while somebody waits.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};

use super::Room;
use super::rehearsal::Target;
use crate::domain::alert::facts::{asks_for, hours};
use crate::domain::alert::rehearsal::{
    Figure, HEAD_MEMORY_DAYS, HeadTurn, OrderDay, Path, Piled, PollRun, Span, always, answered,
    error_figures, forecast_figures, late_figures, level_figures, off_figures, order_figures, rehearse,
    replace_figures, seen, silence_figures, silences, stock_figures, warranty_figures, while_answering,
};
use crate::domain::alert::ruleset::{Place, RuleSet};
use crate::domain::alert::{Rule, Subject};
use crate::domain::flow::{Scale, daily};
use crate::domain::ids::{DeviceId, PartId, SlotId};
use crate::domain::outlook::{Present, Slot};
use crate::domain::part::Part;
use crate::domain::plumbing::{Map, is_ink};
use crate::domain::reading::{Polarity, Reading};
use crate::domain::rightness::KeptForecast;
use crate::domain::rules::Rules;
use crate::domain::shelf::Stock;
use crate::domain::standard::DetectedErrors;
use crate::store::devices::DeviceRow;
use crate::store::heads::HeadRow;
use crate::store::rehearsal::{Complained, DayUse, Followed, Found};
use crate::store::{Result, Store};

/// No more rows than these of one kind are looked through.
const MOST_ROWS: i64 = 400_000;

/// What is to be loaded.
pub(super) struct Want<'a> {
    pub(super) rule: Rule,
    pub(super) room: &'a Room,
    pub(super) targets: &'a [Target<'a>],
    pub(super) heads: &'a [HeadRow],
    pub(super) stocks: &'a [Stock],
    pub(super) set: &'a RuleSet,
}

/// The heads of one place of a device, and the ink through it per day.
type HeadPlace = (Vec<HeadTurn>, BTreeMap<Date, f64>);

/// What was loaded; what a rule does not go by is empty.
pub(super) struct Past<'a> {
    span: (Timestamp, Timestamp),
    present: &'a Present,
    rules: &'a Rules,
    set: &'a RuleSet,
    runs: Found<DeviceId, PollRun>,
    complaints: Found<DeviceId, Complained>,
    errors: Found<DeviceId, (Timestamp, DetectedErrors)>,
    followed: BTreeMap<SlotId, Followed>,
    readings: Found<SlotId, Reading>,
    gaps: Found<SlotId, Span>,
    forecasts: Found<SlotId, KeptForecast>,
    order_days: Found<SlotId, OrderDay>,
    orders_since: Option<Timestamp>,
    opened: Found<(SlotId, &'static str), Span>,
    opened_since: Option<Timestamp>,
    piled: Found<PartId, Piled>,
    /// None where not all of the ink through it was read.
    heads: BTreeMap<(DeviceId, u8), Option<HeadPlace>>,
}

impl<'a> Past<'a> {
    /// Loads what a rule goes by at some places.
    pub(super) async fn load(
        store: &Store,
        want: &Want<'a>,
        span: (Timestamp, Timestamp),
        (present, rules): (&'a Present, &'a Rules),
    ) -> Result<Self> {
        let mut past = Self::empty(span, want.set, (present, rules));
        let (from, most) = (span.0, MOST_ROWS);
        let first_day = present.date(from);
        let devices: BTreeSet<DeviceId> =
            want.targets.iter().filter_map(|target| target.row).map(|row| row.id).collect();
        // In the order of the places, so that what is read of many is read of the first of them.
        let devices: Vec<DeviceId> = devices.into_iter().collect();
        let slots: Vec<SlotId> =
            want.targets.iter().filter_map(|t| t.slot).map(|(slot, _)| slot.id).collect();
        let rule = want.rule;
        if !matches!(rule, Rule::HeadWarranty | Rule::StockDate) {
            past.runs = store.past_runs(&devices, span, most).await?;
        }
        if matches!(rule, Rule::ReplaceNow | Rule::SwapDue | Rule::DeviceError) {
            past.complaints = store.past_complaints(&devices, from, most).await?;
        }
        if matches!(rule, Rule::WasteOrderPoint | Rule::LowSupply | Rule::ReplaceNow | Rule::SwapDue) {
            past.readings = store.past_readings((&devices, &slots), span, most).await?;
        }
        if matches!(rule, Rule::RunOut | Rule::SwapDue | Rule::ForecastOff) {
            past.forecasts = store.past_forecasts(&slots, first_day, most).await?;
        }
        match rule {
            Rule::Dark | Rule::PollFailing | Rule::RunOut | Rule::ForecastOff => {}
            Rule::WasteOrderPoint | Rule::LowSupply | Rule::ReplaceNow | Rule::SwapDue | Rule::Stale => {
                past.followed = store.followed(&slots).await?;
            }
            Rule::DeviceError => past.errors = store.past_errors(&devices, from, most).await?,
            Rule::OrderBy => {
                (past.order_days, past.orders_since) = store.past_order_days(&slots, from, most).await?;
            }
            Rule::StockDate => past.piled = store.piled_since(from, most).await?,
            Rule::HeadWarranty => past.heads = heads(store, want, &devices, first_day).await?,
        }
        match rule {
            Rule::Stale => past.gaps = store.past_gaps(&slots, from, most).await?,
            Rule::SwapDue => {
                let causes = [Rule::ReplaceNow, Rule::RunOut];
                (past.opened, past.opened_since) = store.open_spans(causes, from, most).await?;
            }
            _ => {}
        }
        Ok(past)
    }

    fn empty(
        span: (Timestamp, Timestamp),
        set: &'a RuleSet,
        (present, rules): (&'a Present, &'a Rules),
    ) -> Self {
        Self {
            span,
            present,
            rules,
            set,
            runs: Found::default(),
            complaints: Found::default(),
            errors: Found::default(),
            followed: BTreeMap::new(),
            readings: Found::default(),
            gaps: Found::default(),
            forecasts: Found::default(),
            order_days: Found::default(),
            orders_since: None,
            opened: Found::default(),
            opened_since: None,
            piled: Found::default(),
            heads: BTreeMap::new(),
        }
    }

    /// The figures of a rule at a place; `None` where not all was read that it went by there.
    pub(super) fn figures(&self, rule: Rule, target: &Target<'_>) -> Option<Vec<Figure>> {
        let (span, zone) = (self.span, &self.present.zone);
        match (target.place.subject, target.row, target.slot) {
            (Subject::Part(part), ..) => {
                let months = target.stock.and_then(|stock| stock.part.shelf_life_months);
                Some(always(stock_figures(months, self.piled.of_place(&part)?, span, zone)))
            }
            (Subject::Head(device, place), ..) => {
                let (turns, daily) = self.heads.get(&(device, place))?.as_ref()?;
                Some(warranty_figures(turns, daily, span, zone))
            }
            (Subject::Slot(..), Some(row), Some((slot, _))) => {
                self.slot_figures(rule, row, slot, &target.place)
            }
            (_, Some(row), _) => self.device_figures(rule, row, &target.place),
            _ => None,
        }
    }

    fn device_figures(&self, rule: Rule, row: &DeviceRow, place: &Place<'_>) -> Option<Vec<Figure>> {
        let runs = self.runs.of_place(&row.id)?;
        if rule == Rule::DeviceError {
            let (errors, complaints) = (self.errors.of_place(&row.id)?, self.complaints.of_place(&row.id)?);
            return Some(while_answering(&error_figures(errors, complaints), &silences(runs)));
        }
        let (calendar, zone) = (&self.rules.practice.calendar, &self.present.zone);
        let setting = self.set.at(rule, place);
        let told = |figure| setting.holds(rule, figure, false);
        if rule == Rule::Stale {
            let polled: Vec<_> = runs.iter().map(|run| (run.from, run.to)).collect();
            let unpolled = |from, at: Timestamp| hours(at.duration_since(from));
            return Some(always(silence_figures(&polled, self.span.1, unpolled, told)));
        }
        let silent = |from, at| hours(calendar.open_time(from, at, zone));
        Some(always(silence_figures(&answered(runs), self.span.1, silent, told)))
    }

    fn slot_figures(
        &self,
        rule: Rule,
        row: &DeviceRow,
        slot: &Slot,
        place: &Place<'_>,
    ) -> Option<Vec<Figure>> {
        let (span, zone, calendar) = (self.span, &self.present.zone, &self.rules.practice.calendar);
        let runs = self.runs.of_place(&row.id)?;
        let figures = match rule {
            Rule::RunOut => forecast_figures(self.forecasts.of_place(&slot.id)?, calendar, zone),
            Rule::ForecastOff => off_figures(self.forecasts.of_place(&slot.id)?, zone),
            Rule::OrderBy => match self.orders_since {
                None => Vec::new(),
                Some(since) => {
                    let kept = (span.0.max(since), span.1);
                    order_figures(self.order_days.of_place(&slot.id)?, kept, zone)
                }
            },
            Rule::Stale => {
                let setting = self.set.at(rule, place);
                let missing_since = self.followed.get(&slot.id).and_then(|followed| followed.missing_since);
                let gaps = self.gaps.of_place(&slot.id)?.iter().copied();
                let gaps: Vec<Span> = gaps.chain(missing_since.map(|since| (since, None))).collect();
                let missing = |from, at: Timestamp| hours(at.duration_since(from));
                let told = |figure| setting.holds(rule, figure, false);
                silence_figures(&seen(&answered(runs), &gaps), span.1, missing, told)
            }
            Rule::SwapDue => {
                let asked = self.open_spans(Rule::ReplaceNow, row, slot, place)?;
                let foretold = self.open_spans(Rule::RunOut, row, slot, place)?;
                let ahead = self.set.at(Rule::RunOut, place).open_at;
                late_figures(&asked, (&foretold, ahead), span, calendar, zone)
            }
            _ => self.levels(rule, row, slot)?,
        };
        Some(while_answering(&figures, &silences(runs)))
    }

    /// The figures of the rules about a level, and about what a device says of it.
    fn levels(&self, rule: Rule, row: &DeviceRow, slot: &Slot) -> Option<Vec<(Timestamp, f64)>> {
        let readings = self.readings.of_place(&slot.id)?;
        let counts = self.followed.get(&slot.id).map_or(Polarity::Remaining, |followed| followed.counts);
        let seen_until = row.last_answer_at.unwrap_or(self.span.0);
        let figures = level_figures(slot.role, counts, readings, seen_until, &self.present.zone);
        if rule != Rule::ReplaceNow {
            return Some(figures);
        }
        let asks = self.complaints.of_place(&row.id)?.iter().filter(|(row, ..)| asks_for(slot, row));
        let asked: Vec<Span> = asks.map(|(_, since, until)| (*since, *until)).collect();
        Some(replace_figures(slot.role, &figures, &asked))
    }

    /// From when to when alerts of a rule about a slot were open: those that there were, and before there were any of
    /// them anywhere, those that there would have been.
    fn open_spans(&self, rule: Rule, row: &DeviceRow, slot: &Slot, place: &Place<'_>) -> Option<Vec<Span>> {
        let figures = match rule {
            Rule::RunOut => {
                let (calendar, zone) = (&self.rules.practice.calendar, &self.present.zone);
                forecast_figures(self.forecasts.of_place(&slot.id)?, calendar, zone)
            }
            _ => self.levels(rule, row, slot)?,
        };
        let figures = while_answering(&figures, &silences(self.runs.of_place(&row.id)?));
        let until = self.opened_since.unwrap_or(self.span.1);
        let before = rehearse(rule, self.set, &Path { place: *place, figures }, self.span);
        let before = before.into_iter().filter(|telling| telling.opened_at < until);
        let clipped = |to: Option<Timestamp>| match self.opened_since {
            Some(since) => Some(to.map_or(since, |to| to.min(since))),
            None => to,
        };
        let mut spans: Vec<Span> =
            before.map(|telling| (telling.opened_at, clipped(telling.cleared_at))).collect();
        spans.extend(self.opened.of_place(&(slot.id, rule.word()))?);
        Some(spans)
    }
}

/// The heads of every place, and the ink through it per day.
async fn heads(
    store: &Store,
    want: &Want<'_>,
    devices: &[DeviceId],
    first_day: Date,
) -> Result<BTreeMap<(DeviceId, u8), Option<HeadPlace>>> {
    let plumbings = store.plumbings().await?;
    let parts: Vec<&Part> = want.stocks.iter().map(|stock| &stock.part).collect();
    let mut slots: BTreeMap<DeviceId, Vec<&Slot>> = BTreeMap::new();
    for (slot, _) in want.room.slots.iter().filter(|(slot, _)| devices.binary_search(&slot.device).is_ok()) {
        slots.entry(slot.device).or_default().push(slot);
    }
    let inks: Vec<SlotId> =
        slots.values().flatten().filter(|slot| is_ink(slot)).map(|slot| slot.id).collect();
    let from = first_day.checked_sub(HEAD_MEMORY_DAYS.days()).unwrap_or(first_day);
    let used = store.past_use(&inks, from, MOST_ROWS).await?;

    let mut turns: BTreeMap<(DeviceId, u8), Vec<HeadTurn>> = BTreeMap::new();
    for row in want.heads {
        let turn = HeadTurn { head: row.head.clone(), ml: row.outlook.as_ref().and_then(|said| said.ml) };
        turns.entry((row.head.device, row.head.position.into())).or_default().push(turn);
    }
    let mut places = BTreeMap::new();
    for target in want.targets {
        let (Subject::Head(device, place), Some(row)) = (target.place.subject, target.row) else { continue };
        let slots = slots.get(&device).map_or(&[][..], Vec::as_slice);
        let written = row.model.as_ref().and_then(|model| plumbings.get(model)).cloned();
        let map = Map::of(written, slots.iter().copied());
        let turns = turns.remove(&(device, place)).unwrap_or_default();
        let position = turns.first().map(|turn| turn.head.position);
        let through = position.and_then(|position| {
            let Some(plumbing) = map.plumbing() else { return Some(BTreeMap::new()) };
            let inks = slots.iter().filter(|slot| is_ink(slot));
            let in_ml = inks.map(|slot| {
                Some((*slot, millilitres(slot, row.model.as_deref(), used.of_place(&slot.id)?, &parts)))
            });
            let in_ml: Vec<(&Slot, BTreeMap<Date, f64>)> = in_ml.collect::<Option<_>>()?;
            Some(daily(plumbing, position, in_ml.iter().map(|(slot, days)| (*slot, 1.0, days))))
        });
        places.insert((device, place), through.map(|through| (turns, through)));
    }
    Ok(places)
}

/// Millilitres that went from a slot per day.
fn millilitres(slot: &Slot, model: Option<&str>, used: &[DayUse], parts: &[&Part]) -> BTreeMap<Date, f64> {
    let mut days: BTreeMap<Date, f64> = BTreeMap::new();
    let mut scale = None;
    for went in used {
        if scale.as_ref().is_none_or(|(measure, _)| *measure != went.measure) {
            scale = Some((went.measure, Scale::of(slot, model, went.measure, parts)));
        }
        let each = scale.as_ref().and_then(|(measure, scale)| scale.ml_each(*measure, went.capacity));
        *days.entry(went.day).or_default() += went.used * each.unwrap_or(0.0);
    }
    days
}
