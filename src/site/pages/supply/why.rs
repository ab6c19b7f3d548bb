//! Why a forecast says what it says, in sentences.

use jiff::civil::Date;

use crate::domain::outlook::Forecast;
use crate::domain::reading::Role;
use crate::domain::units::Measure;
use crate::site::format;
use crate::usecase::supply::view::Said;

const WEEKDAYS: [&str; 7] =
    ["Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays"];

/// When it ends, as a sentence without its full stop.
pub(super) fn ends(said: Option<&Said>, role: Role, today: Date) -> String {
    match said.map(|said| &said.outlook.forecast) {
        Some(Forecast::Known(horizon)) => format::capital(&format::horizon(*horizon, role, today)),
        Some(Forecast::NotYet(why)) => format!("No date yet: {why}"),
        None => "No date yet".to_owned(),
    }
}

/// When to order, as a sentence without its full stop.
pub(super) fn order(said: Option<&Said>, role: Role, today: Date) -> Option<String> {
    let said = said?;
    let share = format::percent(said.order_fill);
    Some(match (role, said.order_point, said.order_by) {
        (Role::Filled, Some(day), _) if day <= today => {
            format!("It is past its order point, {share} full: have the next one at hand")
        }
        (Role::Filled, Some(day), _) => {
            format!("It reaches its order point, {share} full, about {}", format::weekday(day, today))
        }
        (_, _, Some(day)) if day < today => {
            format!("Without one at hand, the next was to be ordered by {}", format::weekday(day, today))
        }
        (_, _, Some(day)) => {
            format!("Without one at hand, order the next by {}", format::weekday(day, today))
        }
        _ => return None,
    })
}

/// What the forecast rests on, a sentence each.
pub(super) fn grounds(said: Option<&Said>, role: Role, measure: Measure, today: Date) -> Vec<String> {
    let Some(said) = said else { return Vec::new() };
    let grounds = &said.grounds;
    let rate = |amount: f64| format!("{} a day", format::rate(amount, measure));
    let mut why = Vec::new();
    match (grounds.history_days, grounds.mean) {
        (0, _) | (_, None) => why.push("No finished day of its own use is known yet.".to_owned()),
        (days, Some(mean)) => {
            let lately = match grounds.lately {
                Some(lately) => format!(", and {} over the last four weeks", rate(lately)),
                None => String::new(),
            };
            let days =
                if days == 1 { "one finished day".to_owned() } else { format!("{days} finished days") };
            why.push(format!("It rests on {days} of its own use: {} on average{lately}.", rate(mean)));
        }
    }
    if let Some(borrowed) = &grounds.borrowed {
        why.push(format!(
            "That is little to go by, so {} other supplies like it lend theirs: {} in the middle.",
            format::number_word(borrowed.lenders),
            rate(borrowed.rate)
        ));
    }
    if let Some(ahead) = grounds.rate {
        why.push(format!(
            "For an average day ahead it reckons with {}; lately counts more than long ago.",
            rate(ahead)
        ));
    }
    why.extend(grounds.week.as_ref().and_then(week));
    match grounds.shut_ahead {
        0 => {}
        1 => why.push("One day until the late date is shut, and takes a fraction of a usual one.".to_owned()),
        days => why.push(format!(
            "{} days until the late date are shut, and take a fraction of a usual one.",
            format::capital(&format::number_word(days))
        )),
    }
    if let Forecast::Known(horizon) = &said.outlook.forecast {
        let ends = if role == Role::Filled { "it is full" } else { "it has run out" };
        why.push(format!(
            "One chance in ten that {ends} before {}, even odds by {}, nine in ten by {}. Its days differ as much \
             as they did so far, and large jobs come when they come: that is the width of the band.",
            format::day(horizon.early, today),
            format::day(horizon.middle, today),
            format::day(horizon.late, today)
        ));
    }
    why
}

/// Which days of the week take most and least, where they differ.
fn week(week: &[f64; 7]) -> Option<String> {
    let days = || WEEKDAYS.iter().zip(week);
    let (most, high) = days().max_by(|a, b| a.1.total_cmp(b.1))?;
    let (least, low) = days().min_by(|a, b| a.1.total_cmp(b.1))?;
    (high - low > 0.2)
        .then(|| format!("{most} take most, {high:.1} times an average day; {least} least, {low:.1} times."))
}
