//! What a person has to look at: machines that are silent, and machines that complain, of themselves or of the air.

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

/// A machine that stopped and waits. Once it has waited for as long as a silent one is called dark, that is said.
pub(super) fn error_task(device: &DeviceState, present: &Present, practice: &Practice) -> Option<Task> {
    if device.silent_since.is_some() || !device.errors.needs_person() {
        return None;
    }
    let words: Vec<String> = device.errors.labels().map(|label| label.replace('_', " ")).collect();
    let waited = device.stopped_since.map(|since| (since, present.now.duration_since(since)));
    let waited = waited.filter(|(since, _)| {
        practice.calendar.open_time(*since, present.now, &present.zone) >= practice.dark_after
    });
    let long = waited.map_or_else(String::new, |(_, waited)| {
        format!(", for {}; in error, a machine may not care for its heads", in_days(waited))
    });
    Some(Task {
        due: present.today(),
        kind: TaskKind::Check,
        what: format!("See to {}", device.name),
        why: format!("it reports: {}{long}", words.join(", ")),
        device: Some(device.id),
        slot: None,
        part: None,
    })
}

/// Colours that nothing was taken of for long, all of a machine in one go: pigments settle, and channels dry. That a
/// print or a cleaning helps is common practice, no source.
pub(super) fn unused_task(device: &DeviceState, present: &Present, practice: &Practice) -> Option<Task> {
    if device.silent_since.is_some() {
        return None;
    }
    let days = |outlook: &Outlook| {
        let last = device.last_used.get(&outlook.slot.id)?;
        let days = last.until(present.date(outlook.as_of)).ok()?.get_days();
        u32::try_from(days).ok().filter(|days| *days >= practice.unused_after_days)
    };
    let inks = device.supplies.iter().filter(|(outlook, _)| outlook.slot.role == Role::Consumed);
    let standing: Vec<_> = inks.filter_map(|(outlook, _)| Some((outlook, days(outlook)?))).collect();
    let (longest, least) =
        (standing.iter().map(|(_, days)| *days).max()?, standing.iter().map(|(_, days)| *days).min()?);
    let names: Vec<String> = standing.iter().map(|(outlook, _)| lower_first(&outlook.slot.label())).collect();
    let span = if least == longest { format!("{longest}") } else { format!("{least} to {longest}") };
    Some(Task {
        due: present.today(),
        kind: TaskKind::Check,
        what: format!("Print something with the {} of {}", enumerated(&names), device.name),
        why: format!(
            "nothing was taken of it for {span} days; ink that stands may settle, see the maker's manual"
        ),
        device: Some(device.id),
        slot: match standing.as_slice() {
            [(outlook, _)] => Some(outlook.slot.id),
            _ => None,
        },
        part: None,
    })
}

/// Air that a machine reports and that is not as it is to be: ink that is too warm ages, and heads in dry air clog, as
/// is common practice to say, no source. Where the report is a day old, nothing is said.
pub(super) fn climate_task(device: &DeviceState, present: &Present, practice: &Practice) -> Option<Task> {
    let report = device.climate.filter(|report| report.is_good(present.now))?;
    let strays = report.climate.strays(&practice.comfort);
    let how: Vec<String> = strays.iter().map(|stray| stray.how.to_owned()).collect();
    let figures: Vec<String> = strays.iter().map(ToString::to_string).collect();
    let at = present.zone.to_datetime(report.at);
    (!strays.is_empty()).then(|| Task {
        due: present.today(),
        kind: TaskKind::Check,
        what: format!("See to the room of {}: {}", device.name, enumerated(&how)),
        why: format!(
            "on {} it reported {}; the maker's manual comes first",
            at.strftime("%-d %b at %H:%M"),
            enumerated(&figures)
        ),
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
