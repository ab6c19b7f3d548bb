//! What a person has to look at: machines that are silent, and machines that complain.

use jiff::civil::Date;

use super::DeviceState;
use super::words::{enumerated, in_days, lower_first, short};
use crate::domain::head::Head;
use crate::domain::life::{Bound, Warranty, is_near, is_past};
use crate::domain::outlook::{Outlook, Present};
use crate::domain::reading::Role;
use crate::domain::rules::Practice;
use crate::domain::task::{Task, TaskKind};

pub(super) fn silence_task(device: &DeviceState, present: &Present, practice: &Practice) -> Option<Task> {
    let since = device.silent_since?;
    let silent = present.now.duration_since(since);
    // Nobody misses a machine that is silent while the room is closed.
    let missed = practice.calendar.open_time(since, present.now, &present.zone);
    (missed >= practice.dark_after).then(|| Task {
        due: present.today(),
        kind: TaskKind::Check,
        what: format!("Switch {} on, or find out why it does not answer", device.name),
        why: format!("silent for {}; automatic head care only runs on a powered machine", in_days(silent)),
        device: Some(device.id),
        slot: None,
        part: None,
    })
}

pub(super) fn error_task(device: &DeviceState, present: &Present) -> Option<Task> {
    if device.silent_since.is_some() || !device.errors.needs_person() {
        return None;
    }
    let words: Vec<String> = device.errors.labels().map(|label| label.replace('_', " ")).collect();
    Some(Task {
        due: present.today(),
        kind: TaskKind::Check,
        what: format!("See to {}", device.name),
        why: format!("it reports: {}", words.join(", ")),
        device: Some(device.id),
        slot: None,
        part: None,
    })
}

/// Heads whose warranties end soon are looked at while they last, all of a machine in one go: by their dates, or by
/// the ink through them.
pub(super) fn warranty_task(device: &DeviceState, present: &Present, practice: &Practice) -> Option<Task> {
    let today = present.today();
    let mut ending: Vec<(Date, &Head, String)> = Vec::new();
    for (head, outlook) in &device.heads {
        let Warranty::Ends { days, bound, .. } = Warranty::of(head, outlook, today) else { continue };
        if is_near(days.middle.max(today), today, practice.expiry_ahead_days) {
            let through = outlook.ml.map(|ml| format!("{ml:.0} of {:.0} ml", head.limit_ml));
            let ends = match bound {
                Bound::Limit => format!("its limit about {}", short(days.middle)),
                Bound::Date => format!("its date on {}", days.middle.strftime("%-d %b %Y")),
            };
            let why = through.into_iter().chain([ends]).collect::<Vec<_>>().join(", ");
            ending.push((days.early.max(today), head, why));
        }
    }
    ending.sort_by_key(|(due, head, _)| (*due, head.position));
    let (due, ..) = ending.first()?;
    let mut places: Vec<_> = ending.iter().map(|(_, head, _)| head.position).collect();
    places.sort_unstable();
    let names: Vec<String> = places.iter().map(ToString::to_string).collect();
    let whys: Vec<String> =
        ending.iter().map(|(_, head, why)| format!("head {}: {why}", head.position)).collect();
    let (heads, their) =
        if ending.len() == 1 { ("head", "its warranty ends") } else { ("heads", "their warranties end") };
    Some(Task {
        due: *due,
        kind: TaskKind::Check,
        what: format!("Check {heads} {} of {} before {their}", enumerated(&names), device.name),
        why: whys.join("; "),
        device: Some(device.id),
        slot: None,
        part: None,
    })
}

/// Ink in a machine that passes its date before it is used up.
pub(super) fn unit_task(
    device: &DeviceState,
    outlook: &Outlook,
    present: &Present,
    practice: &Practice,
) -> Option<Task> {
    let unit = device.units.get(&outlook.slot.id).filter(|_| outlook.slot.role == Role::Consumed)?;
    let (until, today) = (unit.good_until()?, present.today());
    let past = is_past(Some(until), today);
    let ends = outlook.forecast.horizon();
    let used_up = ends.is_some_and(|ends| ends.late <= until);
    if used_up || !(past || is_near(until, today, practice.expiry_ahead_days)) {
        return None;
    }
    let label = lower_first(&outlook.slot.label());
    let use_up = ends.map_or_else(String::new, |ends| format!("; used up about {}", short(ends.middle)));
    Some(Task {
        due: until.max(today),
        kind: TaskKind::Check,
        what: match past {
            true => format!("Watch the {label} in {}: it is past its date", device.name),
            false => format!("Use up the {label} in {} before its date", device.name),
        },
        why: format!(
            "{}, made {}, {} good until {}{use_up}",
            unit.part,
            unit.made_on.strftime("%b %Y"),
            if past { "was" } else { "is" },
            until.strftime("%-d %b %Y")
        ),
        device: Some(device.id),
        slot: Some(outlook.slot.id),
        part: None,
    })
}
