//! The sentences that alerts say, without their full stops.

use jiff::civil::Date;

use crate::domain::advice::short;
use crate::domain::outlook::Slot;
use crate::domain::reading::Role;
use crate::domain::units::Fraction;

/// What an alert about a level says; `remaining` is what is left, or the room left.
#[must_use]
pub fn level_summary(slot: &Slot, remaining: Fraction, device_name: &str) -> String {
    let label = slot.label();
    match slot.role {
        Role::Filled => {
            format!("{label} of {device_name} is {} full: order the next one", remaining.complement())
        }
        Role::Consumed => format!("{label} of {device_name} is down to {remaining}"),
    }
}

/// What an alert about a forecast says.
pub(super) fn forecast_summary(slot: &Slot, middle: Date, device_name: &str) -> String {
    let verb = if slot.role == Role::Filled { "be full" } else { "run out" };
    format!("{} of {device_name} is likely to {verb} about {}", slot.label(), short(middle))
}
