//! Numbers of requests that nobody outside can foresee, and whose requests they are.

use std::hash::{BuildHasher, RandomState};

/// The places of a table, by the lower bits of the numbers. A thousand requests fill it to one in sixty.
const SIZE: usize = 1 << 16;
const FREE: u32 = u32::MAX;

/// Numbers under way.
pub(crate) struct Ids {
    secret: RandomState,
    count: u64,
    places: Vec<u32>,
}

impl Ids {
    pub(crate) fn new() -> Self {
        Self { secret: RandomState::new(), count: 0, places: vec![FREE; SIZE] }
    }

    /// A new number for the request of this place.
    pub(crate) fn take(&mut self, place: u32) -> i32 {
        loop {
            self.count += 1;
            #[allow(clippy::cast_possible_truncation, reason = "31 bits are wanted")]
            let id = (self.secret.hash_one(self.count) & 0x7fff_ffff) as i32;
            if let Some(slot) = self.places.get_mut(index(id))
                && *slot == FREE
            {
                *slot = place;
                return id;
            }
        }
    }

    /// Whose number this may be; only the lower bits are looked at here.
    pub(crate) fn place(&self, id: i32) -> Option<u32> {
        self.places.get(index(id)).copied().filter(|place| *place != FREE)
    }

    /// Gives a number back, if it is this place's.
    pub(crate) fn free(&mut self, id: i32, place: u32) {
        if let Some(slot) = self.places.get_mut(index(id))
            && *slot == place
        {
            *slot = FREE;
        }
    }
}

#[allow(clippy::cast_sign_loss, reason = "the lower bits are wanted")]
fn index(id: i32) -> usize {
    id as u32 as usize % SIZE
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_lead_back_to_their_places() {
        let mut ids = Ids::new();
        let taken: Vec<i32> = (0..9_000).map(|place| ids.take(place)).collect();
        for (place, id) in (0..).zip(&taken) {
            assert_eq!(ids.place(*id), Some(place));
            ids.free(*id, place + 1);
            assert_eq!(ids.place(*id), Some(place), "not its to give back");
            ids.free(*id, place);
            assert_eq!(ids.place(*id), None);
        }
        assert!(taken.iter().all(|id| *id >= 0) && taken[..9] != *(0..9).collect::<Vec<i32>>());
    }
}
