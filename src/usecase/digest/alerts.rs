//! The alert rules, walked over the levels that are new.

use jiff::Timestamp;

use crate::domain::alert::{Rule, Thresholds};
use crate::domain::outlook::Slot;
use crate::domain::reading::Role;
use crate::domain::rules::Rules;
use crate::domain::stream::Event;
use crate::domain::units::Fraction;
use crate::store::history::Undigested;
use crate::store::{Result, Store, Work};

/// Walks the alert rules over the levels that are new since they last walked.
pub(super) async fn walk(
    work: &mut Work,
    slot: &Undigested,
    events: &[Event],
    open: bool,
    device_name: &str,
    rules: &Rules,
) -> Result<()> {
    let new = |at: Timestamp| slot.digested_to.is_none_or(|to| at > to);
    let path = events.iter().filter_map(|event| match event {
        Event::Believed { at, remaining, capacity } if new(*at) => {
            Some((*at, Fraction::of(*remaining, (*capacity)?)?))
        }
        _ => None,
    });
    let rule = Thresholds::rule(slot.slot.role);
    for (at, opens, remaining) in rules.thresholds.crossings(slot.slot.role, path, open) {
        let subject = (slot.slot.device, Some(slot.slot.id));
        if opens {
            let summary = summary(rule, &slot.slot, remaining, device_name);
            Store::open_alert(work, rule, subject, at, &summary).await?;
        } else {
            Store::clear_alert(work, rule, subject, at).await?;
        }
    }
    let believed = |event: &Event| match event {
        Event::Believed { at, .. } => Some(*at),
        _ => None,
    };
    match events.iter().rev().find_map(believed) {
        Some(last) => Store::save_digested(work, slot.slot.id, last).await,
        None => Ok(()),
    }
}

fn summary(rule: Rule, slot: &Slot, remaining: Fraction, device_name: &str) -> String {
    let label = slot.label();
    match (rule, slot.role) {
        (Rule::WasteOrderPoint, _) | (_, Role::Filled) => {
            format!("{label} of {device_name} is {} full: order the next one", remaining.complement())
        }
        (Rule::LowSupply | Rule::Dark, Role::Consumed) => {
            format!("{label} of {device_name} is down to {remaining}")
        }
    }
}
