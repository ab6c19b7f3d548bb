//! The phrases that tasks are worded with.

use jiff::SignedDuration;
use jiff::civil::Date;

use crate::domain::outlook::Outlook;
use crate::domain::reading::Role;

/// What is left in a container, or how full a receptacle is.
pub(super) fn amount(outlook: &Outlook) -> String {
    let level = &outlook.level;
    match (outlook.slot.role, level.fraction(), level.remaining.measured()) {
        (Role::Filled, Some(room), _) => format!("{} full", room.complement()),
        (Role::Consumed, _, Some(left)) => format!("{left:.0} {} left", level.measure.symbol()),
        _ => "level unknown".to_owned(),
    }
}

pub(super) fn in_days(span: SignedDuration) -> String {
    let hours = span.as_hours();
    if hours < 48 { format!("{hours} hours") } else { format!("{} days", hours / 24) }
}

pub(in crate::domain) fn short(day: Date) -> String {
    day.strftime("%-d %b").to_string()
}

pub(in crate::domain) fn lower_first(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_lowercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// Several things as a sentence lists them: "1, 4 and 7".
pub(in crate::domain) fn enumerated(things: &[String]) -> String {
    match things {
        [] => String::new(),
        [only] => only.clone(),
        [some @ .., last] => format!("{} and {last}", some.join(", ")),
    }
}
