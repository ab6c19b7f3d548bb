//! Alerts: the rules applied to what is the case, every change written down together with what is to be told of
//! it, and what people answer.

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp, ToSpan};

use super::advice::{Kept, states};
use crate::domain::alert::facts::{
    DeviceFacts, HeadFacts, JUDGED, RECENT_DAYS, Room, SupplyFacts, conditions, next_orders, warranty_day,
};
use crate::domain::alert::life::{Condition, Edge, Stands, judge};
use crate::domain::alert::recipient::{Hours, NoticeKind, on_clearing, on_opening, on_snooze};
use crate::domain::alert::ruleset::{Place, RuleSet};
use crate::domain::alert::snooze::Snooze;
use crate::domain::alert::{Alert, Grade, Rule, Subject};
use crate::domain::head::{Head, HeadOutlook};
use crate::domain::ids::{AlertId, DeviceId};
use crate::domain::outlook::Present;
use crate::domain::rules::Rules;
use crate::domain::shelf::Stock;
use crate::domain::task::Task;
use crate::store::alert_life::Opening;
use crate::store::outlooks::Wanted;
use crate::store::{Result, Store, Work};

/// What a transaction needs to know when it opens and clears alerts of one device.
pub(super) struct Bell<'a> {
    device: DeviceId,
    site: i64,
    model: Option<String>,
    /// The rules as they hold there.
    pub(super) rules: RuleSet,
    present: &'a Present,
    hours: Hours<'a>,
}

impl<'a> Bell<'a> {
    /// The bell of one device.
    pub(super) async fn of(
        work: &mut Work,
        device: DeviceId,
        present: &'a Present,
        rules: &'a Rules,
    ) -> Result<Self> {
        let (site, model, patches) = Store::rule_patches_at(work, device).await?;
        let hours = Hours { zone: &present.zone, calendar: &rules.practice.calendar };
        Ok(Self { device, site, model, rules: RuleSet::new(rules, patches), present, hours })
    }

    /// Where a rule's setting is to be looked up for one of its subjects.
    pub(super) fn place(&self, subject: Subject) -> Place<'_> {
        Place { subject, site: Some(self.site), model: self.model.as_deref() }
    }

    /// How long the device may be silent before it counts as dark.
    pub(super) fn dark_after(&self) -> SignedDuration {
        self.rules.dark_after(&self.place(Subject::Device(self.device)))
    }

    /// Opens an alert, and writes down who is to be told; nothing if it is open already.
    pub(super) async fn open(&self, work: &mut Work, opening: &Opening<'_>) -> Result<()> {
        open(work, opening, self.present.now, &self.hours).await
    }

    /// Clears an alert, and writes down who is to be told; nothing if it is not open.
    pub(super) async fn clear(
        &self,
        work: &mut Work,
        rule: Rule,
        subject: Subject,
        at: Timestamp,
    ) -> Result<()> {
        clear(work, (rule, subject, at), self.present.now, &self.hours).await
    }
}

async fn open(work: &mut Work, opening: &Opening<'_>, now: Timestamp, hours: &Hours<'_>) -> Result<()> {
    let Some(id) = Store::open_alert(work, opening).await? else { return Ok(()) };
    if opening.folded {
        return Ok(());
    }
    let alert = Alert {
        id,
        rule: opening.rule,
        grade: opening.grade,
        subject: opening.subject,
        opened_at: opening.at,
        cleared_at: None,
        summary: opening.summary.to_owned(),
        folded: false,
        told_at: None,
        seen: None,
        note: String::new(),
        snoozed_until: None,
    };
    tell_opening(work, &alert, now, hours).await
}

async fn tell_opening(work: &mut Work, alert: &Alert, now: Timestamp, hours: &Hours<'_>) -> Result<()> {
    let recipients = Store::recipients_in(work).await?;
    Store::add_notices(work, alert.id, now, &on_opening(alert, &recipients, now, hours)).await
}

async fn clear(
    work: &mut Work,
    (rule, subject, at): (Rule, Subject, Timestamp),
    now: Timestamp,
    hours: &Hours<'_>,
) -> Result<()> {
    let Some(id) = Store::clear_alert(work, rule, subject, at).await? else { return Ok(()) };
    // Whoever has not heard of it yet is left alone.
    let kinds = [NoticeKind::Opened, NoticeKind::Unseen, NoticeKind::Again];
    Store::drop_notices(work, id, &kinds, now).await?;
    let told = Store::told_of(work, id).await?;
    if told.is_empty() {
        return Ok(());
    }
    let recipients = Store::recipients_in(work).await?;
    Store::add_notices(work, id, now, &on_clearing(&recipients, &told, now, hours)).await
}

/// Applies every rule that does not hang on single polls. Doing it twice changes nothing the second time, and
/// neither does doing it from two programs at once. Returns how many changes there were.
///
/// # Errors
/// If the store cannot be reached; what was changed until then stays.
pub async fn judge_all(store: &Store, present: &Present, rules: &Rules) -> Result<usize> {
    judge_all_with(store, present, rules, &Kept::default()).await
}

/// The same, by what was advised the last time.
///
/// # Errors
/// If the store cannot be reached; what was changed until then stays.
pub async fn judge_all_with(store: &Store, present: &Present, rules: &Rules, kept: &Kept) -> Result<usize> {
    let patches = store.rule_patches().await?.into_iter().map(|row| row.patch).collect();
    let set = RuleSet::new(rules, patches);
    let facts = Facts::load(store, present, rules, kept).await?;
    let order_days = next_orders(&facts.tasks).into_iter().map(|(slot, task)| (slot, task.due)).collect();
    store.keep_order_days(&order_days, present.now).await?;
    let mut work = store.begin().await?;
    let stands = Store::stands(&mut work, None).await?;
    work.commit().await?;
    let conditions = facts.conditions(&stands, present, (&set, rules));
    let edges = judge(&conditions, &JUDGED, &stands, &set, present.now);
    let devices: BTreeSet<Option<DeviceId>> = edges.iter().map(|edge| subject_of(edge).device()).collect();
    let mut changes = 0;
    for device in devices {
        let here = |c: &&Condition| c.subject.device() == device;
        let conditions: Vec<Condition> = conditions.iter().filter(here).cloned().collect();
        changes += judge_one(store, device, &conditions, (&set, rules), present).await?;
    }
    Ok(changes)
}

/// Judges one device again, or the shelf, with what stands now that nobody else can change it.
async fn judge_one(
    store: &Store,
    device: Option<DeviceId>,
    conditions: &[Condition],
    (set, rules): (&RuleSet, &Rules),
    present: &Present,
) -> Result<usize> {
    let mut work = store.begin().await?;
    if let Some(device) = device {
        // One that is watched no longer keeps no alerts open; it has no row to lock either.
        Store::lock_device(&mut work, device).await?;
    }
    let mut stands = Store::stands(&mut work, device).await?;
    if device.is_none() {
        stands.open.retain(|open| open.subject.device().is_none());
        stands.waiting.retain(|waiting| waiting.subject.device().is_none());
    }
    let edges = judge(conditions, &JUDGED, &stands, set, present.now);
    let hours = Hours { zone: &present.zone, calendar: &rules.practice.calendar };
    for edge in &edges {
        apply(&mut work, edge, present.now, &hours).await?;
    }
    work.commit().await?;
    Ok(edges.len())
}

fn subject_of(edge: &Edge) -> Subject {
    match edge {
        Edge::Open { subject, .. } | Edge::Wait(_, subject) | Edge::Forget(_, subject) => *subject,
        Edge::Unfold(standing) | Edge::Clear(standing) => standing.subject,
    }
}

async fn apply(work: &mut Work, edge: &Edge, now: Timestamp, hours: &Hours<'_>) -> Result<()> {
    match edge {
        Edge::Open { rule, subject, grade, summary, folded } => {
            let (rule, subject, grade, folded) = (*rule, *subject, *grade, *folded);
            open(work, &Opening { rule, grade, subject, at: now, summary, folded }, now, hours).await
        }
        Edge::Unfold(standing) => {
            if !Store::unfold_alert(work, standing.id).await? {
                return Ok(());
            }
            match Store::alert_to_answer(work, standing.id).await? {
                Some(row) => tell_opening(work, &row.alert, now, hours).await,
                None => Ok(()),
            }
        }
        Edge::Clear(standing) => clear(work, (standing.rule, standing.subject, now), now, hours).await,
        Edge::Wait(rule, subject) => Store::begin_waiting(work, *rule, *subject, now).await,
        Edge::Forget(rule, subject) => Store::end_waiting(work, *rule, *subject).await,
    }
}

/// What is known of the whole print room, loaded once.
struct Facts {
    devices: Vec<DeviceFacts>,
    shelf: Vec<Stock>,
    tasks: Vec<Task>,
}

impl Facts {
    async fn load(store: &Store, present: &Present, rules: &Rules, kept: &Kept) -> Result<Self> {
        let rows = store.devices(None).await?;
        let room = super::advice::Room::load(store).await?;
        let states = states(store, &rows, store.outlooks(Wanted::All).await?).await?;
        let tasks = kept.plan(&states, &room, present, &rules.practice).tasks;
        let shelf = room.stocks;
        let watched = store.watched().await?;
        let today = present.today();
        let from = today.checked_sub(i64::from(RECENT_DAYS).days()).unwrap_or(today);
        let recent = store.recent_use(from, today).await?;
        let head_facts = |(head, said): &(Head, HeadOutlook)| HeadFacts {
            place: head.position.into(),
            warranty_ends: warranty_day(head, said, today),
        };
        let facts = |state: crate::domain::advice::DeviceState| {
            let watched = watched.get(&state.id)?;
            let supply = |(outlook, _): (crate::domain::outlook::Outlook, _)| {
                let (seen_at, used) = *recent.get(&outlook.slot.id)?;
                Some(SupplyFacts { seen_at, recent_use: used / f64::from(RECENT_DAYS), outlook })
            };
            Some(DeviceFacts {
                id: state.id,
                name: state.name,
                site: watched.site,
                model: state.model,
                last_poll_at: watched.last_poll_at,
                silent_since: state.silent_since,
                errors: state.errors,
                complaints: state.alerts,
                supplies: state.supplies.into_iter().filter_map(supply).collect(),
                heads: state.heads.iter().map(head_facts).collect(),
            })
        };
        Ok(Self { devices: states.into_iter().filter_map(facts).collect(), shelf, tasks })
    }

    fn conditions(
        &self,
        stands: &Stands,
        present: &Present,
        (set, rules): (&RuleSet, &Rules),
    ) -> Vec<Condition> {
        conditions(&Room {
            devices: &self.devices,
            shelf: &self.shelf,
            tasks: &self.tasks,
            open: &stands.open,
            present,
            calendar: &rules.practice.calendar,
            rules: set,
        })
    }
}

/// Why an answer to an alert is not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AnswerRefused {
    /// There is none of that number.
    #[error("there is no such alert")]
    NoSuchAlert,
    /// It has cleared in the meantime.
    #[error("it has cleared by itself in the meantime, and needs no answer")]
    Cleared,
}

/// Writes down that somebody has seen an alert, and whether they want to hear of it again later if it is open still.
/// Nobody is told any more that nobody looks.
///
/// # Errors
/// If the store cannot be reached.
pub async fn answer(
    store: &Store,
    id: AlertId,
    snooze: Option<Snooze>,
    (who, note): (&str, &str),
    (present, rules): (&Present, &Rules),
) -> Result<std::result::Result<(), AnswerRefused>> {
    let mut work = store.begin().await?;
    let Some(row) = Store::alert_to_answer(&mut work, id).await? else {
        return Ok(Err(AnswerRefused::NoSuchAlert));
    };
    if row.alert.cleared_at.is_some() {
        return Ok(Err(AnswerRefused::Cleared));
    }
    Store::mark_seen(&mut work, id, present.now, who, note).await?;
    Store::drop_notices(&mut work, id, &[NoticeKind::Unseen], present.now).await?;
    if let Some(snooze) = snooze {
        let hours = Hours { zone: &present.zone, calendar: &rules.practice.calendar };
        let until = snooze.until(present.now, &hours);
        let kinds = [NoticeKind::Opened, NoticeKind::Again];
        Store::drop_notices(&mut work, id, &kinds, present.now).await?;
        Store::snooze(&mut work, id, until).await?;
        let recipients = Store::recipients_in(&mut work).await?;
        let notices = on_snooze(&row.alert, &recipients, until, &hours);
        Store::add_notices(&mut work, id, present.now, &notices).await?;
    }
    work.commit().await?;
    Ok(Ok(()))
}

/// How grave a rule's alerts are at a device's subject, and whether one would follow from what is open.
pub(super) fn nature(bell: &Bell<'_>, stands: &Stands, rule: Rule, subject: Subject) -> (Grade, bool) {
    (bell.rules.at(rule, &bell.place(subject)).grade, stands.is_folded(rule, subject))
}
