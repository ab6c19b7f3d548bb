//! Which devices a poller takes and lets go, where several share them. Pure: every poller works out the same from the
//! same rows, so that nobody has to lead.

use std::collections::{HashMap, HashSet};

use crate::config::sharing::Scope;
use crate::domain::ids::{DeviceId, RunId};

/// A poller that is at work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Peer {
    /// Which.
    pub run: RunId,
    /// What it is there for.
    pub scope: Scope,
}

/// A device that is watched, and who polls it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// Which.
    pub device: DeviceId,
    /// The name of its site.
    pub site: String,
    /// Its host name or address.
    pub host: String,
    /// Whose it is for now.
    pub holder: Option<RunId>,
}

/// What a poller does next.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Change {
    /// Devices to take, as far as nobody is faster.
    pub take: Vec<DeviceId>,
    /// Devices to let go, for another that has less than its part.
    pub let_go: Vec<DeviceId>,
}

/// What a poller takes and lets go. Its part is what it gets when devices are dealt out one after the other, each to
/// whoever may poll it and has least so far; which devices make up the part does not matter, so that few change
/// hands. What nobody has taken for a while (`overdue`) it takes beyond its part, or a device would wait for a poller
/// that has died or cannot come to it.
#[must_use]
pub fn share(me: RunId, peers: &[Peer], devices: &[Standing], overdue: &HashSet<DeviceId>) -> Change {
    let parts = deal(peers, devices);
    let part = parts.values().filter(|run| **run == me).count();
    let is_mine = |device: &DeviceId| parts.get(device) == Some(&me);
    let served: HashSet<DeviceId> = peers
        .iter()
        .filter(|peer| peer.run == me)
        .flat_map(|peer| devices.iter().filter(|one| peer.scope.serves(&one.site, &one.host)))
        .map(|one| one.device)
        .collect();
    let mut held: HashMap<RunId, usize> = HashMap::new();
    for holder in devices.iter().filter_map(|one| one.holder) {
        *held.entry(holder).or_default() += 1;
    }
    let mut wanted: HashMap<RunId, usize> = HashMap::new();
    for run in parts.values() {
        *wanted.entry(*run).or_default() += 1;
    }
    let mut change = Change::default();
    let mut have = held.get(&me).copied().unwrap_or(0);
    for one in devices.iter().filter(|one| one.holder == Some(me)) {
        let other = parts.get(&one.device).filter(|run| **run != me);
        let other_has = other.map_or(0, |run| held.get(run).copied().unwrap_or(0));
        let other_wants = other.is_some_and(|run| other_has < wanted.get(run).copied().unwrap_or(0));
        if !served.contains(&one.device) || (have > part && other_wants) {
            have -= 1;
            if let Some(run) = other {
                *held.entry(*run).or_default() += 1;
            }
            change.let_go.push(one.device);
        }
    }
    let mut free: Vec<DeviceId> = devices
        .iter()
        .filter(|one| one.holder.is_none() && served.contains(&one.device))
        .map(|one| one.device)
        .collect();
    free.sort_by_key(|device| (!is_mine(device), *device));
    for device in free {
        if have < part || overdue.contains(&device) {
            have += 1;
            change.take.push(device);
        }
    }
    change
}

/// Deals devices out: those that fewest may poll first, each to whoever may and has least so far.
fn deal(peers: &[Peer], devices: &[Standing]) -> HashMap<DeviceId, RunId> {
    let may = |one: &Standing| -> Vec<RunId> {
        let served = peers.iter().filter(|peer| peer.scope.serves(&one.site, &one.host));
        served.map(|peer| peer.run).collect()
    };
    let mut open: Vec<(DeviceId, Vec<RunId>)> = devices.iter().map(|one| (one.device, may(one))).collect();
    open.sort_by_key(|(device, may)| (may.len(), *device));
    let mut load: HashMap<RunId, usize> = HashMap::new();
    let mut dealt = HashMap::new();
    for (device, may) in open {
        let least = may.into_iter().min_by_key(|run| (load.get(run).copied().unwrap_or(0), *run));
        if let Some(run) = least {
            *load.entry(run).or_default() += 1;
            dealt.insert(device, run);
        }
    }
    dealt
}

#[cfg(test)]
mod tests {
    use super::*;

    fn peer(run: i64, sites: &[&str]) -> Peer {
        let sites = sites.iter().map(|&site| site.to_owned()).collect();
        Peer { run: RunId(run), scope: Scope { sites, networks: Vec::new() } }
    }

    fn room(count: i64, site: &str) -> Vec<Standing> {
        let one = |n| Standing {
            device: DeviceId(n),
            site: site.to_owned(),
            host: format!("10.0.0.{n}"),
            holder: None,
        };
        (1..=count).map(one).collect()
    }

    /// Lets every poller have its turn once, one after the other.
    fn round(peers: &[Peer], devices: &mut [Standing], overdue: &HashSet<DeviceId>) -> usize {
        let mut changes = 0;
        for peer in peers {
            let change = share(peer.run, peers, devices, overdue);
            changes += change.take.len() + change.let_go.len();
            for one in devices.iter_mut() {
                if change.let_go.contains(&one.device) {
                    assert_eq!(one.holder, Some(peer.run));
                    one.holder = None;
                }
                if change.take.contains(&one.device) {
                    assert_eq!(one.holder, None);
                    one.holder = Some(peer.run);
                }
            }
        }
        changes
    }

    fn held(devices: &[Standing], run: i64) -> usize {
        devices.iter().filter(|one| one.holder == Some(RunId(run))).count()
    }

    #[test]
    fn who_comes_gets_a_part_with_as_few_changes_as_can_be_and_who_goes_leaves_it() {
        let nobody = HashSet::new();
        let mut devices = room(12, "Loft");
        let mut peers = vec![peer(1, &[])];
        assert_eq!(round(&peers, &mut devices, &nobody), 12);
        peers.push(peer(2, &[]));
        assert_eq!(round(&peers, &mut devices, &nobody), 12, "six let go, six taken");
        peers.push(peer(3, &[]));
        round(&peers, &mut devices, &nobody);
        assert_eq!([1, 2, 3].map(|run| held(&devices, run)), [4, 4, 4]);
        assert_eq!(round(&peers, &mut devices, &nobody), 0, "and then it stays so");
        peers.remove(0);
        for one in devices.iter_mut().filter(|one| one.holder == Some(RunId(1))) {
            one.holder = None;
        }
        assert_eq!(round(&peers, &mut devices, &nobody), 4);
        assert_eq!([2, 3].map(|run| held(&devices, run)), [6, 6]);
    }

    #[test]
    fn what_only_one_may_poll_is_polled_by_it_and_what_nobody_may_by_nobody() {
        let mut devices = room(4, "Loft");
        devices[1].site = "Annex".to_owned();
        devices[2].site = "Cellar".to_owned();
        let peers = [peer(1, &["Loft"]), peer(2, &["Loft", "Annex"])];
        while round(&peers, &mut devices, &HashSet::new()) > 0 {}
        let holders: Vec<Option<i64>> = devices.iter().map(|one| one.holder.map(|run| run.0)).collect();
        assert_eq!((holders[1], holders[2]), (Some(2), None));
        assert_eq!((held(&devices, 1), held(&devices, 2)), (2, 1));
        // A device moves to another site.
        devices[0].site = "Annex".to_owned();
        while round(&peers, &mut devices, &HashSet::new()) > 0 {}
        assert_eq!(devices[0].holder, Some(RunId(2)));
    }

    #[test]
    fn what_a_poller_leaves_lying_is_taken_beyond_the_part() {
        let (mut devices, peers) = (room(2, "Loft"), [peer(1, &[]), peer(2, &[])]);
        let one =
            |devices: &[Standing], overdue: &HashSet<DeviceId>| share(RunId(1), &peers, devices, overdue);
        let change = one(&devices, &HashSet::new());
        assert_eq!((change.take.len(), change.let_go.len()), (1, 0));
        devices[0].holder = Some(RunId(1));
        assert_eq!(one(&devices, &HashSet::new()), Change::default());
        let change = one(&devices, &HashSet::from([DeviceId(2)]));
        assert_eq!(change.take, [DeviceId(2)]);
    }
}
