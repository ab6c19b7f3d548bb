//! Which movement of the shelf brought which unit into a slot.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};

use super::ids::{LotId, MovementId, PartId, SlotId};
use super::install::Arrival;

/// A unit is put in no longer than this after it was issued ...
const ISSUED_BEFORE: SignedDuration = SignedDuration::from_hours(14 * 24);
/// ... or it is booked no longer than this after it went in.
const BOOKED_AFTER: SignedDuration = SignedDuration::from_hours(2 * 24);

/// A movement that brought a unit to a slot.
#[derive(Debug, Clone, PartialEq)]
pub struct Issue {
    /// Which movement.
    pub movement: MovementId,
    /// To which slot.
    pub slot: SlotId,
    /// When.
    pub at: Timestamp,
    /// Of which part.
    pub part: PartId,
    /// From which lot.
    pub lot: LotId,
    /// When that was made.
    pub made_on: Date,
    /// Where it lies.
    pub place: String,
}

/// Where a unit came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// A person said: by this movement, or not from the shelf.
    Told(Option<MovementId>),
    /// This movement went to the slot at about the time.
    Issued(MovementId),
    /// It was there when watching began.
    Found,
    /// Nobody has said.
    Unknown,
}

/// Where each unit of a slot came from. `units` and `issues` are earliest first; `told` is what people said,
/// by the moment that a unit was first seen. No movement brings two units.
#[must_use]
pub fn origins(
    units: &[(Timestamp, Arrival)],
    issues: &[(MovementId, Timestamp)],
    told: &BTreeMap<Timestamp, Option<MovementId>>,
) -> Vec<Origin> {
    let mut taken: BTreeSet<MovementId> = told.values().copied().flatten().collect();
    let mut origin = |(from, arrival): &(Timestamp, Arrival)| {
        if let Some(said) = told.get(from) {
            return Origin::Told(*said);
        }
        if *arrival == Arrival::Found {
            return Origin::Found;
        }
        let near = issues.iter().filter(|(movement, at)| {
            let after = from.duration_since(*at);
            !taken.contains(movement) && after <= ISSUED_BEFORE && after >= -BOOKED_AFTER
        });
        match near.min_by_key(|(movement, at)| (from.duration_since(*at).abs(), *movement)) {
            Some((movement, _)) => {
                taken.insert(*movement);
                Origin::Issued(*movement)
            }
            None => Origin::Unknown,
        }
    };
    units.iter().map(&mut origin).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_issue_near_in_time_answers_once_and_what_people_say_counts_first() {
        let at = |day: i64| Timestamp::from_second(1_764_000_000 + day * 86_400).unwrap();
        let units = [(at(0), Arrival::Found), (at(30), Arrival::Risen), (at(31), Arrival::Risen)];
        let issue = |id, day| (MovementId(id), at(day));
        let none = BTreeMap::new();
        assert_eq!(
            origins(&units, &[issue(1, 25)], &none),
            [Origin::Found, Origin::Issued(MovementId(1)), Origin::Unknown]
        );
        assert_eq!(origins(&units, &[issue(1, 10), issue(2, 34)], &none)[1..], [Origin::Unknown; 2]);
        let told = BTreeMap::from([(at(30), None), (at(31), Some(MovementId(1)))]);
        assert_eq!(
            origins(&units, &[issue(1, 29), issue(2, 30)], &told)[1..],
            [Origin::Told(None), Origin::Told(Some(MovementId(1)))]
        );
    }
}
