//! Who may do what, how long a visit lasts, and how guessing gets slow.

use std::fmt;

use jiff::{SignedDuration, Timestamp};

/// What somebody may do. Each may do what those before it may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// Sees everything but the set-up, and changes nothing.
    Reader,
    /// Books, orders, answers and silences: the daily work.
    Operator,
    /// Says what is watched, by which secrets, who is told, and who may come in.
    Administrator,
}

impl Role {
    /// All of them, the least first.
    pub const ALL: [Self; 3] = [Self::Reader, Self::Operator, Self::Administrator];

    /// What it is called, here and in the store.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Reader => "reader",
            Self::Operator => "operator",
            Self::Administrator => "administrator",
        }
    }

    /// The role of a name.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.word() == word)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// A password that somebody chose. It is never shown, and gone from here once its hash is made.
#[derive(Clone, PartialEq, Eq)]
pub struct Password(String);

/// Why a password is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BadPassword {
    /// It is too short to withstand guessing.
    #[error("write at least {} letters; several words make a good one", Password::LEAST)]
    Short,
    /// It is longer than anything that a person types.
    #[error("write {} letters or fewer", Password::MOST)]
    Long,
    /// It is the person's own name, over and over.
    #[error("choose one that is not made of the name")]
    OwnName,
}

impl Password {
    /// The fewest letters, as OWASP ASVS 4.0.3 asks in 2.1.1.
    pub const LEAST: usize = 12;
    /// The most letters: 2.1.2 asks that 64 are taken and more than 128 are not.
    pub const MOST: usize = 128;

    /// A password as it was typed, for somebody of this name. Every letter counts, blanks too; nothing is cut off.
    ///
    /// # Errors
    /// If it is too short, too long, or made of the name.
    pub fn chosen(text: &str, name: &str) -> Result<Self, BadPassword> {
        let letters = text.chars().count();
        let name = name.to_lowercase();
        let rest = if name.is_empty() { text.to_owned() } else { text.to_lowercase().replace(&name, "") };
        match letters {
            _ if letters < Self::LEAST => Err(BadPassword::Short),
            _ if letters > Self::MOST => Err(BadPassword::Long),
            _ if rest.chars().count() < 4 => Err(BadPassword::OwnName),
            _ => Ok(Self(text.to_owned())),
        }
    }

    /// What was typed by somebody who wants to come in: any text.
    #[must_use]
    pub fn typed(text: &str) -> Self {
        Self(text.chars().take(Self::MOST + 1).collect())
    }

    /// The letters, for the function that makes the hash.
    #[must_use]
    pub fn letters(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Password {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Password(…)")
    }
}

/// How long a visit lasts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Without a request.
    pub idle: SignedDuration,
    /// However busy it is.
    pub at_most: SignedDuration,
}

impl Limits {
    /// OWASP ASVS 4.0.3 asks at level 2 (3.3.2) for a new entry after twelve hours, or thirty minutes without use.
    /// A page that hangs in a print room all day is left open by its reader, so what is usual here is longer without
    /// use: a working day. Both are settings.
    pub const USUAL: Self =
        Self { idle: SignedDuration::from_hours(12), at_most: SignedDuration::from_hours(7 * 24) };

    /// How long the same token is carried before the browser is given another.
    pub const TURN: SignedDuration = SignedDuration::from_hours(1);

    /// How long the token before the last turn is taken from requests that were under way.
    pub const GRACE: SignedDuration = SignedDuration::from_mins(1);

    /// Whether a visit that began and was last seen at these moments still lasts. A clock that was put back ends
    /// nothing.
    #[must_use]
    pub fn last(&self, begun: Timestamp, seen: Timestamp, now: Timestamp) -> bool {
        now.duration_since(begun) < self.at_most && now.duration_since(seen) < self.idle
    }
}

/// How often in a row entry failed under one name, or from one address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tries {
    /// Failures since the last entry.
    pub failures: u32,
    /// The last of them.
    pub last: Option<Timestamp>,
}

impl Tries {
    /// Failures under one name that cost nothing: fingers slip.
    pub const FREE_UNDER_A_NAME: u32 = 5;
    /// Failures from one address that cost nothing: many people may share it.
    pub const FREE_FROM_AN_ADDRESS: u32 = 50;
    /// The longest wait between two tries.
    pub const LONGEST: SignedDuration = SignedDuration::from_mins(15);
    /// Failures are forgotten after so long.
    pub const FORGOTTEN: SignedDuration = SignedDuration::from_hours(24);

    /// How long the next try has to wait from now on: nothing for those that are free, then a second, doubling.
    #[must_use]
    pub fn wait(&self, free: u32, now: Timestamp) -> SignedDuration {
        let Some(last) = self.last else { return SignedDuration::ZERO };
        let Some(beyond) = self.failures.checked_sub(free) else { return SignedDuration::ZERO };
        let wait = SignedDuration::from_secs(1_i64 << beyond.min(20)).min(Self::LONGEST);
        // A clock that was put back makes nobody wait longer than the rule says.
        let passed = now.duration_since(last).max(SignedDuration::ZERO);
        (wait - passed).max(SignedDuration::ZERO)
    }

    /// With one more failure.
    #[must_use]
    pub fn failed(self, now: Timestamp) -> Self {
        let stale = self.last.is_some_and(|last| now.duration_since(last) >= Self::FORGOTTEN);
        let failures = if stale { 0 } else { self.failures };
        Self { failures: failures.saturating_add(1), last: Some(now) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FREE: u32 = Tries::FREE_UNDER_A_NAME;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_790_000_000 + second).unwrap()
    }

    #[test]
    fn each_role_may_do_what_those_before_it_may() {
        assert!(Role::Administrator > Role::Operator && Role::Operator > Role::Reader);
        for role in Role::ALL {
            assert_eq!(Role::from_word(role.word()), Some(role));
        }
        assert_eq!(Role::from_word("owner"), None);
    }

    #[test]
    fn a_password_is_long_and_not_the_name() {
        assert_eq!(Password::chosen("short", "Ida"), Err(BadPassword::Short));
        assert_eq!(Password::chosen(&"x".repeat(129), "Ida"), Err(BadPassword::Long));
        assert_eq!(Password::chosen("velourvelour1", "Velour"), Err(BadPassword::OwnName));
        let good = Password::chosen("four ink wells and a cask", "Ida").unwrap();
        assert_eq!(format!("{good:?}"), "Password(…)");
        // Letters are counted, not bytes.
        assert!(Password::chosen("øøøøøøøøøøøø", "").is_ok());
    }

    #[test]
    fn a_visit_ends_idle_or_old() {
        let limits = Limits::USUAL;
        assert!(limits.last(at(0), at(0), at(3600)));
        assert!(!limits.last(at(0), at(0), at(12 * 3600)));
        assert!(!limits.last(at(0), at(7 * 86_400 - 1), at(7 * 86_400)));
        assert!(limits.last(at(0), at(0), at(-50)));
    }

    #[test]
    fn guessing_gets_slow_and_is_forgotten() {
        let mut tries = Tries::default();
        for _ in 0..FREE {
            assert_eq!(tries.wait(FREE, at(0)), SignedDuration::ZERO);
            tries = tries.failed(at(0));
        }
        assert_eq!(tries.wait(FREE, at(0)), SignedDuration::from_secs(1));
        assert_eq!(tries.failed(at(1)).wait(FREE, at(1)), SignedDuration::from_secs(2));
        assert_eq!(tries.wait(FREE, at(1)), SignedDuration::ZERO);
        let many = Tries { failures: u32::MAX, last: Some(at(0)) };
        assert_eq!(many.wait(FREE, at(0)), Tries::LONGEST);
        assert_eq!(many.wait(FREE, at(-3600)), Tries::LONGEST);
        assert_eq!(many.failed(at(86_400)).failures, 1);
    }
}
