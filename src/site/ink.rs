//! The letters and the colour that stand for an ink: the letters always, the colour only beside them.

use crate::domain::outlook::Slot;
use crate::domain::reading::Role;

/// How one supply is marked wherever it is shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Ink {
    /// The style sheet's class: `ink-cyan`.
    pub(crate) class: &'static str,
    /// One to three letters: `C`, `LM`, `PK`.
    pub(crate) code: String,
}

/// Word pieces of a colorant's name, the more particular ones first, with class and code.
const INKS: [(&[&str], &str, &str); 21] = [
    (&["photo", "black"], "ink-photo-black", "PK"),
    (&["matte", "black"], "ink-matte-black", "MK"),
    (&["matt", "black"], "ink-matte-black", "MK"),
    (&["light", "cyan"], "ink-light-cyan", "LC"),
    (&["light", "magenta"], "ink-light-magenta", "LM"),
    (&["light", "gr"], "ink-light-grey", "LG"),
    (&["cyan"], "ink-cyan", "C"),
    (&["magenta"], "ink-magenta", "M"),
    (&["yellow"], "ink-yellow", "Y"),
    (&["black"], "ink-black", "K"),
    (&["grey"], "ink-grey", "GY"),
    (&["gray"], "ink-grey", "GY"),
    (&["orange"], "ink-orange", "O"),
    (&["violet"], "ink-violet", "V"),
    (&["green"], "ink-green", "G"),
    (&["red"], "ink-red", "R"),
    (&["blue"], "ink-blue", "B"),
    (&["white"], "ink-white", "WH"),
    (&["protect"], "ink-protector", "P"),
    (&["clear"], "ink-protector", "CL"),
    (&["gloss"], "ink-protector", "GL"),
];

impl Ink {
    /// The mark of a slot.
    pub(crate) fn of(slot: &Slot) -> Self {
        match slot.role {
            Role::Filled => Self::waste(),
            Role::Consumed => Self::named(slot.colorant.as_deref().unwrap_or(&slot.description)),
        }
    }

    /// The mark of a supply of which only role and label are known.
    pub(crate) fn of_label(role: Role, label: &str) -> Self {
        match role {
            Role::Filled => Self::waste(),
            Role::Consumed => Self::named(label),
        }
    }

    fn waste() -> Self {
        Self { class: "ink-waste", code: "W".to_owned() }
    }

    /// From a colorant's name as a device gives it, in any case.
    fn named(name: &str) -> Self {
        let lower = name.to_lowercase();
        let words: Vec<&str> =
            lower.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
        let known =
            INKS.iter().find(|(pieces, ..)| pieces.iter().all(|p| words.iter().any(|w| w.starts_with(p))));
        match known {
            Some((_, class, code)) => Self { class, code: (*code).to_owned() },
            None => {
                let initials: String = words.iter().filter_map(|word| word.chars().next()).take(2).collect();
                let code = if initials.is_empty() { "?".to_owned() } else { initials.to_uppercase() };
                Self { class: "ink-unknown", code }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_any_make_find_their_letters() {
        let code = |name| Ink::named(name).code;
        assert_eq!(
            ["Cyan", "light magenta", "PHOTO BLACK", "matte-black", "Light Grey", "gray", "Grün", "", "<b>"]
                .map(code),
            ["C", "LM", "PK", "MK", "LG", "GY", "G", "?", "B"]
        );
        assert_eq!(Ink::named("coloured").class, "ink-unknown");
        assert_eq!(Ink::named("Cyan").class, "ink-cyan");
        assert_eq!(Ink::of_label(Role::Filled, "Black waste").code, "W");
    }
}
