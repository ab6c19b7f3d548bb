//! How a machine's time was spent, in plain words.

use jiff::{SignedDuration, Timestamp};

use super::format;
use crate::domain::care::{Availability, Cause};

/// The time of a span, told apart as far as the machine tells; nothing where it has never answered.
pub(crate) fn words(told: &Availability) -> Option<String> {
    let whole = told.whole.as_secs_f64();
    if whole <= 0.0 {
        return None;
    }
    let share = format::percent(told.answered().as_secs_f64() / whole);
    let mut text = format!("Of {}, it had power and could be reached for {share}", lasted(told.whole));
    let states =
        [(told.awake, "awake"), (told.asleep, "asleep"), (told.powered, "in a state it does not tell")];
    let states = states.iter().filter(|(span, _)| span.as_mins() > 0);
    let states: Vec<String> = states.map(|(span, state)| format!("{state} for {}", lasted(*span))).collect();
    if !states.is_empty() {
        text.push_str(&format!(": {}", states.join(", ")));
    }
    text.push('.');
    for (cause, meaning) in [
        (Cause::Restarted, "it was off, or was started again: its agent began anew"),
        (Cause::RanOn, "it had power and could not be reached: its agent ran on"),
        (Cause::Untold, "it was off or could not be reached: it does not tell which"),
        (Cause::Lasting, "it is off or cannot be reached, which cannot be told apart until it answers"),
    ] {
        let (count, span) = told.silences_by(cause);
        if count > 0 {
            let silences = if count == 1 { "one silence" } else { "silences" };
            let counted = if count == 1 { String::new() } else { format!("{} ", format::number_word(count)) };
            text.push_str(&format!(" In {counted}{silences}, {} in all, {meaning}.", lasted(span)));
        }
    }
    if told.awake + told.asleep > SignedDuration::ZERO {
        text.push_str(" Head care runs by itself while there is power, awake or asleep.");
    }
    Some(text)
}

fn lasted(span: SignedDuration) -> String {
    let begins = Timestamp::UNIX_EPOCH;
    format::span(begins, begins.checked_add(span).unwrap_or(begins))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::fixtures::now;
    use crate::site::heads_fixtures::availability;

    #[test]
    fn time_is_told_apart_as_far_as_it_can_be() {
        let from = now() - SignedDuration::from_hours(240);
        insta::assert_snapshot!(words(&availability(from)).unwrap().replace('\u{a0}', " "));
        assert_eq!(words(&Availability::default()), None);
    }
}
