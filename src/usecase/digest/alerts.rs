//! The rules about levels, walked over the levels that are new.

use jiff::Timestamp;

use crate::domain::alert::facts::level_summary;
use crate::domain::alert::life::Stands;
use crate::domain::alert::walk::{Stand, level_figure, level_rule, walk as walk_along};
use crate::domain::alert::{Rule, Subject};
use crate::domain::stream::Event;
use crate::domain::units::Fraction;
use crate::store::alert_life::Opening;
use crate::store::history::Undigested;
use crate::store::{Result, Store, Work};
use crate::usecase::alerts::{Bell, nature};

/// Walks the rule about a slot's level over the levels that are new since it last walked.
pub(super) async fn walk(
    work: &mut Work,
    slot: &Undigested,
    events: &[Event],
    stands: &Stands,
    device_name: &str,
    bell: &Bell<'_>,
) -> Result<()> {
    let new = |at: Timestamp| slot.digested_to.is_none_or(|to| at > to);
    let path: Vec<(Timestamp, Fraction)> = events
        .iter()
        .filter_map(|event| match event {
            Event::Believed { at, remaining, capacity } if new(*at) => {
                Some((*at, Fraction::of(*remaining, (*capacity)?)?))
            }
            _ => None,
        })
        .collect();
    let rule = level_rule(slot.slot.role);
    let subject = Subject::Slot(slot.slot.device, slot.slot.id);
    let setting = bell.rules.at(rule, &bell.place(subject));
    let before = stands.stand(rule, subject);
    let figures = path.iter().map(|(at, remaining)| (*at, level_figure(slot.slot.role, *remaining).1));
    let (after, crossings) = walk_along(rule, &setting, before, figures);
    for crossing in crossings {
        if !crossing.opens {
            bell.clear(work, rule, subject, crossing.at).await?;
            continue;
        }
        let (grade, folded) = nature(bell, stands, rule, subject);
        let left = path.iter().find(|(at, _)| *at == crossing.at).map(|(_, remaining)| *remaining);
        let summary = left.map_or_else(String::new, |left| level_summary(&slot.slot, left, device_name));
        let opening = Opening { rule, grade, subject, at: crossing.at, summary: &summary, folded };
        bell.open(work, &opening).await?;
    }
    save_waiting(work, (rule, subject), before, after).await?;
    let believed = |event: &Event| match event {
        Event::Believed { at, .. } => Some(*at),
        _ => None,
    };
    match events.iter().rev().find_map(believed) {
        Some(last) => Store::save_digested(work, slot.slot.id, last).await,
        None => Ok(()),
    }
}

async fn save_waiting(
    work: &mut Work,
    (rule, subject): (Rule, Subject),
    before: Stand,
    after: Stand,
) -> Result<()> {
    if before == after {
        return Ok(());
    }
    if matches!(before, Stand::Waiting(_)) {
        Store::end_waiting(work, rule, subject).await?;
    }
    match after {
        Stand::Waiting(since) => Store::begin_waiting(work, rule, subject, since).await,
        Stand::Quiet | Stand::Open => Ok(()),
    }
}
