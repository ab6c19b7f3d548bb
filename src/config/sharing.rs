//! Which devices a process polls, where several share one database.

use std::net::IpAddr;
use std::time::Duration;

use super::ranges::Range;
use super::read::Reader;

/// The devices that a poller is there for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Scope {
    /// Those of these sites, by name; of all, if none is named.
    pub sites: Vec<String>,
    /// Those at addresses in these ranges; at all, if none is named. A device that is watched by a name and not by its
    /// address is in no range.
    pub networks: Vec<Range>,
}

impl Scope {
    /// Whether a device of a site, at a host, is one of them.
    #[must_use]
    pub fn serves(&self, site: &str, host: &str) -> bool {
        let near = |range: &Range| host.parse::<IpAddr>().is_ok_and(|ip| range.contains(&Range::one(ip)));
        (self.sites.is_empty() || self.sites.iter().any(|own| own == site))
            && (self.networks.is_empty() || self.networks.iter().any(near))
    }
}

/// How a process that polls shares the devices with others.
#[derive(Debug, Clone)]
pub struct SharingSettings {
    /// What it is called.
    pub name: String,
    /// The devices that it is there for.
    pub scope: Scope,
    /// How long a device stays its own if nothing is heard of it.
    pub lease: Duration,
}

pub(super) fn sharing(reader: &mut Reader<'_>) -> SharingSettings {
    let host = || rustix::system::uname().nodename().to_string_lossy().into_owned();
    let bounds = (Duration::from_secs(4), Duration::from_mins(10));
    SharingSettings {
        name: reader.text("poll.name").unwrap_or_else(host),
        scope: Scope {
            sites: reader.list("poll.sites", "[\"Annex\"]"),
            networks: reader.list("poll.networks", "[\"10.0.0.0/24\"]"),
        },
        lease: reader.duration("poll.lease", Duration::from_secs(20), bounds),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scope_is_sites_and_networks_together() {
        let networks = vec!["10.0.0.0/24".parse().unwrap()];
        let scope = Scope { sites: vec!["Annex".to_owned()], networks };
        assert!(scope.serves("Annex", "10.0.0.7"));
        for (site, host) in [("Loft", "10.0.0.7"), ("Annex", "10.0.1.7"), ("Annex", "bobbin.loft.example")] {
            assert!(!scope.serves(site, host), "{site} {host}");
        }
        assert!(Scope::default().serves("Loft", "bobbin.loft.example"));
    }
}
