//! What was proposed for each part before, and from what: it is worked out anew only where that has changed.
//!
//! A reading changes the parts that its machine takes, a booking changes one part, midnight changes all. Everything a
//! proposal rests on is kept beside it and compared, so that a proposal from here is always the one that would be
//! worked out.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::{Demand, Held, Proposal, Terms, propose};
use crate::domain::ids::PartId;

/// A proposal, or that none is due, with all that it rests on.
#[derive(Debug)]
struct Kept {
    demand: Demand,
    held: Held,
    terms: Terms,
    proposal: Option<Proposal>,
}

/// The proposals that were made last. A copy costs little: it shares what is in it.
#[derive(Debug, Clone, Default)]
pub struct Memo {
    kept: BTreeMap<PartId, Arc<Kept>>,
    worked_out: usize,
}

impl Memo {
    /// What [`propose`] says, worked out only if it is not the same question as before.
    pub fn propose(&mut self, part: PartId, demand: &Demand, held: Held, terms: &Terms) -> Option<Proposal> {
        if let Some(kept) = self.kept.get(&part)
            && (&kept.demand, &kept.held, &kept.terms) == (demand, &held, terms)
        {
            return kept.proposal;
        }
        let proposal = propose(demand, &held, terms);
        self.worked_out += 1;
        let kept = Kept { demand: demand.clone(), held, terms: *terms, proposal };
        self.kept.insert(part, Arc::new(kept));
        proposal
    }

    /// Forgets every part that `stays` does not hold for.
    pub fn retain(&mut self, stays: impl Fn(PartId) -> bool) {
        self.kept.retain(|part, _| stays(*part));
    }

    /// How many proposals were worked out so far, and not looked up.
    #[must_use]
    pub fn worked_out(&self) -> usize {
        self.worked_out
    }
}
