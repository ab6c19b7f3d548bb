//! What a search for printers found, and which of it is put under watch.

use std::collections::BTreeSet;

use crate::domain::snapshot::Identity;
use crate::store::Store;
use crate::store::devices::DeviceRow;

/// Who answered at an address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The address, as a device is kept by it.
    pub host: String,
    /// The UDP port.
    pub port: u16,
    /// What it is.
    pub kind: FoundKind,
    /// Who it says it is.
    pub identity: Identity,
    /// Which of the credentials it let read, counted from 0.
    pub credential: usize,
}

/// What a device that was found is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FoundKind {
    /// A printer.
    Printer,
    /// Something else that speaks SNMP.
    Other,
    /// Something that speaks SNMP and let none of the credentials read; why, as a sentence without its full stop.
    Refused(String),
}

impl FoundKind {
    /// The word for it in output: `printer`, `other` or `refused`.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Self::Printer => "printer",
            Self::Other => "other",
            Self::Refused(_) => "refused",
        }
    }
}

impl Found {
    /// The address as people write it.
    #[must_use]
    pub fn address(&self) -> String {
        shown_address(&self.host, self.port)
    }

    /// What it calls itself.
    #[must_use]
    pub fn own_name(&self) -> Option<&str> {
        let Identity { printer_name, system_name, .. } = &self.identity;
        printer_name.as_deref().or(system_name.as_deref())
    }

    /// What kind of machine it says it is.
    #[must_use]
    pub fn model(&self) -> Option<&str> {
        self.identity.model.as_deref().or(self.identity.description.as_deref())
    }

    /// The name under which it is watched already: at this address, or with this serial number at another.
    #[must_use]
    pub fn watched_as<'a>(&self, devices: &'a [DeviceRow]) -> Option<&'a str> {
        let here = |row: &&DeviceRow| row.host == self.host && row.port == self.port;
        let same = |row: &&DeviceRow| self.identity.serial.is_some() && row.serial == self.identity.serial;
        let found = devices.iter().find(here).or_else(|| devices.iter().find(same));
        found.map(|row| row.name.as_str())
    }
}

/// An address as people write it: 161 goes without saying, and IPv6 stands in brackets before a port.
#[must_use]
pub fn shown_address(host: &str, port: u16) -> String {
    match (port, host.contains(':')) {
        (161, _) => host.to_owned(),
        (_, true) => format!("[{host}]:{port}"),
        (_, false) => format!("{host}:{port}"),
    }
}

/// Splits an address into host and port; 161 if no port is given.
///
/// # Errors
/// What is wrong with it.
pub fn read_address(text: &str) -> Result<(String, u16), String> {
    let wrong =
        || format!("'{text}' is no address: write it like 10.0.0.7, printer.example:1161 or [::1]:161");
    let port = |port: &str| port.parse::<u16>().ok().filter(|port| *port != 0).ok_or_else(wrong);
    let (host, port) = if let Some(rest) = text.strip_prefix('[') {
        let (host, tail) = rest.split_once(']').ok_or_else(wrong)?;
        (host, tail.strip_prefix(':').map_or(if tail.is_empty() { Ok(161) } else { Err(wrong()) }, port)?)
    } else if text.matches(':').count() == 1 {
        let (host, tail) = text.split_once(':').ok_or_else(wrong)?;
        (host, port(tail)?)
    } else {
        (text, 161)
    };
    let odd = |c: char| c.is_whitespace() || c.is_control() || "/@,;'\"".contains(c);
    if host.is_empty() || host.len() > 255 || host.contains(odd) {
        Err(wrong())
    } else {
        Ok((host.to_owned(), port))
    }
}

/// A name for each of these that no other device has: what it calls itself, else its address; with its address
/// behind it where the name is taken.
#[must_use]
pub fn names(found: &[&Found], taken: impl IntoIterator<Item = String>) -> Vec<String> {
    let mut taken: BTreeSet<String> = taken.into_iter().collect();
    let name = |one: &&Found| {
        let address = one.address();
        let own = one.own_name().map_or_else(|| address.clone(), |own| own.chars().take(100).collect());
        let name = if taken.contains(&own) { format!("{own} ({address})") } else { own };
        taken.insert(name.clone());
        name
    };
    found.iter().map(name).collect()
}

/// The names that devices have.
///
/// # Errors
/// If the store cannot be reached.
pub async fn taken_names(store: &Store) -> crate::store::Result<Vec<String>> {
    Ok(store.devices(None).await?.into_iter().map(|row| row.name).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(host: &str, name: Option<&str>) -> Found {
        let printer_name = name.map(str::to_owned);
        Found {
            host: host.to_owned(),
            port: 161,
            kind: FoundKind::Printer,
            identity: Identity { printer_name, ..Identity::default() },
            credential: 0,
        }
    }

    #[test]
    fn no_two_devices_get_one_name() {
        let all = [
            found("10.0.0.7", Some("Bobbin")),
            found("10.0.0.8", Some("Bobbin")),
            found("10.0.0.9", None),
            found("10.0.0.10", Some("Thimble")),
        ];
        let named = names(&all.iter().collect::<Vec<_>>(), ["Thimble".to_owned()]);
        assert_eq!(named, ["Bobbin", "Bobbin (10.0.0.8)", "10.0.0.9", "Thimble (10.0.0.10)"]);
    }

    #[test]
    fn addresses_are_split_or_refused() {
        let ok = |text| read_address(text).unwrap();
        assert_eq!(ok("10.0.0.7"), ("10.0.0.7".to_owned(), 161));
        assert_eq!(ok("loft.example:1161"), ("loft.example".to_owned(), 1161));
        assert_eq!(ok("[::1]:1161"), ("::1".to_owned(), 1161));
        assert_eq!(ok("[fe80::1]"), ("fe80::1".to_owned(), 161));
        assert_eq!(ok("fe80::1"), ("fe80::1".to_owned(), 161));
        for wrong in ["", "a b", "host:", "host:0", "host:99999", "host:x", "[::1", "[::1]x", "http://host"] {
            assert!(read_address(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn addresses_are_written_as_they_are_read() {
        assert_eq!(shown_address("10.0.0.7", 161), "10.0.0.7");
        assert_eq!(shown_address("fe80::1", 161), "fe80::1");
        assert_eq!(shown_address("fe80::1", 1161), "[fe80::1]:1161");
    }
}
