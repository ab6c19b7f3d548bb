//! What to swap before a night on which nobody is there.

use super::check::{Check, EVEN_ODDS, together};
use super::odds::{Band, Left};

/// A supply to swap before the queue begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Swap {
    /// Which, by its place in the machine's list.
    pub tank: usize,
    /// The chance that a fresh unit lasts.
    pub chance: f64,
}

/// What to swap, and what that comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Before {
    /// In this order.
    pub swaps: Vec<Swap>,
    /// The chance that nothing stops the queue once all of them are swapped; none where some supply's is not known.
    pub band: Option<Band>,
    /// Whether that is the chance that is asked for.
    pub enough: bool,
}

impl Before {
    /// Swaps those that are likeliest to end, one after the other, until the chance is what is asked for or no fresh
    /// unit makes it better. One that even a fresh unit would more likely end is not swapped beforehand, but on the
    /// way; and one of which nothing is known is looked at.
    #[must_use]
    pub fn new(check: &Check, enough: f64) -> Self {
        let mut tanks = check.tanks.clone();
        let mut swaps: Vec<Swap> = Vec::new();
        loop {
            let chances = tanks.iter().filter_map(|of| of.chance.as_ref().ok().copied());
            if Band::all_of(chances).low >= enough {
                break;
            }
            let next = tanks.iter().enumerate().filter_map(|(at, of)| {
                let (now, queue) = (*of.chance.as_ref().ok()?, of.queue.as_ref().ok()?);
                let chance = Left::exactly(of.tank.fresh?).covers(&queue.need());
                (chance > now + 1e-3 && chance >= EVEN_ODDS).then_some((now, Swap { tank: at, chance }))
            });
            let Some((_, swap)) = next.min_by(|a, b| a.0.total_cmp(&b.0)) else { break };
            tanks[swap.tank].chance = Ok(swap.chance);
            swaps.push(swap);
        }
        let band = together(&tanks);
        Self { swaps, band, enough: band.is_some_and(|band| band.low >= enough) }
    }
}

#[cfg(test)]
mod tests {
    use super::super::check::tests::tank;
    use super::super::check::{Inside, Tank};
    use super::*;

    fn before(tanks: Vec<Tank>, plan: &str) -> Before {
        Before::new(&Check::new(tanks, &[], &plan.parse().unwrap(), 0.95), 0.95)
    }

    #[test]
    fn no_more_is_swapped_than_has_to_be_and_the_worst_goes_first() {
        let tanks = || vec![tank("Cyan", 60.0, 0.8), tank("Magenta", 700.0, 0.9), tank("Yellow", 30.0, 0.9)];
        let swapped = |plan| before(tanks(), plan).swaps.iter().map(|swap| swap.tank).collect::<Vec<_>>();
        assert_eq!(swapped("60 m2 matte"), [2, 0]);
        assert_eq!(swapped("40 m2 matte"), [2]);
        assert!(swapped("9 m2 matte").is_empty());
        assert!(before(tanks(), "60 m2 matte").enough);
    }

    #[test]
    fn what_even_a_fresh_unit_does_not_carry_is_said() {
        let long = before(vec![tank("Cyan", 60.0, 0.8)], "2000 m2 matte");
        assert!(!long.enough && long.swaps.is_empty(), "{long:?}");
        let mut unknown = tank("Magenta", 0.0, 0.9);
        unknown.inside = Inside::Untold("not told".to_owned());
        let looked_at = before(vec![tank("Cyan", 20.0, 0.8), unknown], "60 m2 matte");
        assert_eq!((looked_at.swaps.len(), looked_at.band, looked_at.enough), (1, None, false));
    }
}
