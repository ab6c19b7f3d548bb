//! What is remembered of devices between polls, within bounds.

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use super::credential::Credential;
use super::pending::lock;
use super::plan::{Shapes, Warm};
use super::transport::Target;

/// The most octets of remembered rows, some ten thousand printers of sixteen supplies.
const MOST_OCTETS: usize = 64 << 20;

/// Plans by the address of their device.
#[derive(Default)]
pub(super) struct Plans(Mutex<Kept>);

#[derive(Default)]
struct Kept {
    plans: HashMap<SocketAddr, (Arc<Credential>, Box<Warm>)>,
    shapes: Shapes,
    octets: usize,
}

impl Kept {
    fn forget(&mut self, address: SocketAddr) {
        if let Some((_, old)) = self.plans.remove(&address) {
            self.octets = self.octets.saturating_sub(old.octets());
        }
    }
}

impl Plans {
    /// What is remembered of a device, as this user or community sees it.
    pub(super) fn of(&self, target: &Target) -> Option<Box<Warm>> {
        let kept = lock(&self.0);
        let (credential, warm) = kept.plans.get(&target.address)?;
        (*credential == target.credential).then(|| warm.clone())
    }

    /// Remembers a device. Where there is no room, others are forgotten, and then read as a whole once.
    pub(super) fn keep(&self, target: &Target, mut warm: Warm) {
        let mut kept = lock(&self.0);
        kept.forget(target.address);
        while kept.octets + warm.octets() > MOST_OCTETS
            && let Some(any) = kept.plans.keys().next().copied()
        {
            kept.forget(any);
        }
        warm.share(&mut kept.shapes);
        kept.octets += warm.octets();
        kept.plans.insert(target.address, (Arc::clone(&target.credential), Box::new(warm)));
    }

    /// Forgets a device that answered something else than it was asked.
    pub(super) fn forget(&self, address: SocketAddr) {
        lock(&self.0).forget(address);
    }
}
