//! What is remembered of a device between polls, and what is made of the answer to its few changing values.

use std::collections::HashSet;
use std::sync::Arc;
use std::time::Duration;

use super::super::ask::{Values, push_name};
use super::tables::{ALERTS, Role, TABLES};
use super::{Manners, Outcome, Partial};

/// The most shapes that are held for sharing.
const MOST_SHAPES: usize = 4_096;
/// Headers around an answer's values.
const ENVELOPE: usize = 40;
/// How many octets more than its name and a null a value takes in an answer, at most: a counter's.
const GROWTH: usize = 5;
/// How far a device's clock may lag behind ours before it is taken for one that restarted: hundredths of a
/// second, and one part in so many of the time that passed.
const LAG: (u64, u64) = (3_000, 50);

/// The names of a printer that are asked at every poll. Printers of one kind have equal ones.
#[derive(Debug, PartialEq, Eq, Hash)]
pub(crate) struct Shape {
    /// Names with nulls, as a request carries them, in the order in which the values came at first.
    list: Box<[u8]>,
    roles: Box<[Role]>,
}

/// Shapes that many devices have in common.
#[derive(Debug, Default)]
pub struct Shapes(HashSet<Arc<Shape>>);

/// What is remembered of a device between polls.
#[derive(Debug, Clone)]
pub struct Warm {
    pub(super) manners: Manners,
    shape: Arc<Shape>,
    /// All that was read, as it stood in the answers.
    rows: Box<[u8]>,
    partial: Option<Partial>,
    heard: Heard,
    /// When that was, since whenever the one who asks began to count.
    read_at: Duration,
}

/// The values that decide what else has to be asked.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Heard {
    uptime: Option<u32>,
    /// Of all printers in the device together; only that it moves matters.
    config_changes: u32,
    alert_events: Option<u32>,
    levels: u32,
}

impl Heard {
    fn take(&mut self, role: Role, number: Option<u32>) {
        let Some(number) = number else { return };
        match role {
            Role::Uptime => self.uptime = Some(number),
            Role::ConfigChanges => self.config_changes = self.config_changes.wrapping_add(number),
            Role::AlertEvents => {
                self.alert_events = Some(self.alert_events.unwrap_or(0).wrapping_add(number));
            }
            Role::Level | Role::Plain => {}
        }
    }
}

/// What a reading knows when it is over.
pub(super) struct Read {
    pub(super) manners: Manners,
    pub(super) partial: Option<Partial>,
    pub(super) heard: Heard,
    pub(super) now: Duration,
    pub(super) keep: bool,
}

impl Warm {
    /// How many octets it takes, without the shape that it shares.
    #[must_use]
    pub fn octets(&self) -> usize {
        size_of::<Self>() + self.rows.len()
    }

    /// Makes equal shapes one, so that thousands of equal printers take the memory of one.
    pub fn share(&mut self, shapes: &mut Shapes) {
        if let Some(known) = shapes.0.get(&self.shape) {
            self.shape = Arc::clone(known);
        } else if shapes.0.len() < MOST_SHAPES {
            shapes.0.insert(Arc::clone(&self.shape));
        }
    }

    /// After a reading of everything.
    pub(super) fn first(read: &Read, rows: Vec<u8>, changing: &[(u32, Role)]) -> (Outcome, Self) {
        let mut heard = Heard::default();
        let mut list = Vec::with_capacity(changing.len() * 20);
        let mut roles = Vec::with_capacity(changing.len());
        for (start, role) in changing {
            let place = usize::try_from(*start).ok().and_then(|start| rows.get(start..));
            let Some(varbind) = place.and_then(|rest| Values::checked(rest).next()) else { continue };
            push_name(&mut list, &[varbind.name]);
            roles.push(*role);
            heard
                .take(*role, if matches!(role, Role::Plain | Role::Level) { None } else { varbind.number() });
            heard.levels += u32::from(*role == Role::Level);
        }
        let shape = Arc::new(Shape { list: list.into(), roles: roles.into() });
        let warm = Self {
            manners: read.manners,
            shape,
            rows: if read.keep { rows.as_slice().into() } else { Box::default() },
            partial: read.partial,
            heard,
            read_at: read.now,
        };
        let outcome = Outcome { rows, partial: read.partial, supplies: heard.levels, whole: true };
        (outcome, warm)
    }

    /// After a reading of what changes, and of the alerts if those were read.
    pub(super) fn renewed(self, read: &Read, changes: &[u8], alerts: Option<Vec<u8>>) -> (Outcome, Self) {
        let rows = if self.rows.is_empty() {
            [changes, alerts.as_deref().unwrap_or_default()].concat()
        } else {
            merged(&self.rows, changes, alerts.as_deref())
        };
        let warm = Self {
            manners: read.manners,
            rows: if read.keep { rows.as_slice().into() } else { Box::default() },
            partial: read.partial,
            heard: read.heard,
            read_at: read.now,
            ..self
        };
        let outcome = Outcome { rows, partial: read.partial, supplies: read.heard.levels, whole: false };
        (outcome, warm)
    }

    /// Whether the device broke no table off.
    pub(super) fn is_complete(&self) -> bool {
        self.partial.is_none()
    }

    /// How many names are asked.
    pub(super) fn names(&self) -> usize {
        self.shape.roles.len()
    }

    /// Writes the names from `asked` on, as many as an answer has room for, and says how many.
    pub(super) fn write(&self, asked: usize, manners: Manners, list: &mut Vec<u8>) -> usize {
        let most = manners.answer_octets.saturating_sub(ENVELOPE);
        let whole = self.shape.list.len() + GROWTH * self.names();
        if asked == 0 && whole <= most && self.names() <= manners.names.max(128) {
            list.extend_from_slice(&self.shape.list);
            return self.names();
        }
        let mut room = most;
        let mut names = 0;
        for varbind in Values::checked(&self.shape.list).skip(asked).take(manners.names.max(1)) {
            let cost = varbind.whole.len() + GROWTH;
            if cost > room && names > 0 {
                break;
            }
            room = room.saturating_sub(cost);
            list.extend_from_slice(varbind.whole);
            names += 1;
        }
        names
    }

    /// Whether values have the names that were asked, in their order.
    pub(super) fn same_names(&self, asked: usize, asking: usize, values: Values<'_>) -> bool {
        let mut names = Values::checked(&self.shape.list).skip(asked).take(asking);
        let same = values.into_iter().all(|value| names.next().is_some_and(|name| name.name == value.name));
        same && names.next().is_none()
    }

    /// Hears what decides about the rest. False if something is no longer there.
    pub(super) fn listen(&self, asked: usize, values: Values<'_>, heard: &mut Heard) -> bool {
        for (varbind, role) in values.zip(self.shape.roles.iter().skip(asked)) {
            if !varbind.is_present() {
                return false;
            }
            match role {
                Role::Plain => {}
                Role::Level => heard.levels += 1,
                role => heard.take(*role, varbind.number()),
            }
        }
        true
    }

    /// Whether the device restarted or was set up anew.
    pub(super) fn is_outdated(&self, heard: &Heard, now: Duration) -> bool {
        let passed = u64::try_from(now.saturating_sub(self.read_at).as_millis() / 10).unwrap_or(u64::MAX);
        let restarted = match (self.heard.uptime, heard.uptime) {
            (Some(before), Some(after)) => {
                // The clock wraps after 497 days; then it is expected to begin anew.
                let expected = u64::from(before).saturating_add(passed) % (1 << 32);
                u64::from(after) + LAG.0 + passed / LAG.1 < expected
            }
            (before, after) => before != after,
        };
        restarted || heard.config_changes != self.heard.config_changes
    }

    /// Whether the alert table has to be read: always, where the device does not count its alerts.
    pub(super) fn alerts_may_differ(&self, heard: &Heard) -> bool {
        heard.alert_events.is_none() || heard.alert_events != self.heard.alert_events
    }
}

/// What was read at first, with new values in place of old ones, and a new alert table if there is one.
fn merged(rows: &[u8], changes: &[u8], alerts: Option<&[u8]>) -> Vec<u8> {
    let mut merged = Vec::with_capacity(rows.len() + alerts.map_or(0, <[u8]>::len) + 64);
    let mut changes = Values::checked(changes).peekable();
    for old in Values::checked(rows) {
        if alerts.is_some() && old.name.starts_with(TABLES[ALERTS].base()) {
            continue;
        }
        // The changes were asked in the order in which the values came at first.
        let new = changes.next_if(|new| new.name == old.name);
        merged.extend_from_slice(new.map_or(old.whole, |new| new.whole));
    }
    merged.extend_from_slice(alerts.unwrap_or_default());
    merged
}
