//! Ranges of addresses that may be searched for printers.

use std::fmt;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::str::FromStr;

/// The most addresses that are searched at a time: those of a /16.
pub const MOST_ADDRESSES: u64 = 65_536;

/// The addresses that begin with the same bits (RFC 4632), or a single one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Range {
    /// The first address, with nothing behind the prefix.
    first: IpAddr,
    /// How many bits they have in common.
    prefix: u8,
}

/// Why a range is not searched, and what to write instead.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RangeFault {
    /// It is no range.
    #[error("'{0}' is no range of addresses: write it like 10.0.0.0/24, or 192.168.4.7 for one address")]
    NotARange(String),
    /// No device has such an address.
    #[error("'{0}' is no address that a device can have: write the network that the printers are in")]
    NotADevice(String),
    /// It is not inside what an administrator wrote down.
    #[error(
        "{asked} is not inside a range that may be searched, which {allowed}; whoever looks after the network adds \
         it to the settings file under [discover] as ranges = [\"{asked}\"]"
    )]
    NotAllowed {
        /// What was to be searched.
        asked: Range,
        /// What may be, in words.
        allowed: String,
    },
    /// It is too large.
    #[error(
        "{0} addresses are too many for one search: take a /16 ({MOST_ADDRESSES} addresses) or less at a time"
    )]
    TooMany(u64),
    /// Nothing was asked for.
    #[error("no range was given: write one like 10.0.0.0/24")]
    Nothing,
}

impl Range {
    /// One address alone.
    #[must_use]
    pub fn one(address: IpAddr) -> Self {
        Self::new(address, if address.is_ipv4() { 32 } else { 128 })
    }

    fn new(address: IpAddr, prefix: u8) -> Self {
        let first = match address {
            IpAddr::V4(ip) => {
                let mask = u32::MAX.checked_shl(32 - u32::from(prefix)).unwrap_or(0);
                IpAddr::V4(Ipv4Addr::from_bits(ip.to_bits() & mask))
            }
            IpAddr::V6(ip) => {
                let mask = u128::MAX.checked_shl(128 - u32::from(prefix)).unwrap_or(0);
                IpAddr::V6(Ipv6Addr::from_bits(ip.to_bits() & mask))
            }
        };
        Self { first, prefix }
    }

    /// How many bits an address of its family has.
    fn width(&self) -> u8 {
        if self.first.is_ipv4() { 32 } else { 128 }
    }

    /// Whether every address of another range is one of this.
    #[must_use]
    pub fn contains(&self, other: &Self) -> bool {
        self.prefix <= other.prefix
            && self.first.is_ipv4() == other.first.is_ipv4()
            && Self::new(other.first, self.prefix).first == self.first
    }

    /// Whether all of it is this machine itself.
    #[must_use]
    pub fn is_loopback(&self) -> bool {
        let own =
            [Self::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8), Self::new(IpAddr::V6(Ipv6Addr::LOCALHOST), 128)];
        own.iter().any(|own| own.contains(self))
    }

    /// How many addresses there are, those that stand for the network and for all of it not counted.
    #[must_use]
    pub fn count(&self) -> u64 {
        let all = 1_u64.checked_shl(u32::from(self.width() - self.prefix)).unwrap_or(u64::MAX);
        if self.has_edges() { all - 2 } else { all }
    }

    /// Whether the first address stands for the network and the last for everybody in it.
    fn has_edges(&self) -> bool {
        self.first.is_ipv4() && self.prefix <= 30
    }

    /// The addresses, one after the other.
    pub fn addresses(&self) -> impl Iterator<Item = IpAddr> + Send + use<> {
        let (first, skipped) = (self.first, u64::from(self.has_edges()));
        (0..self.count()).map(move |n| match first {
            #[allow(clippy::cast_possible_truncation, reason = "a range of 32 bits has no more")]
            IpAddr::V4(ip) => IpAddr::V4(Ipv4Addr::from_bits(ip.to_bits() + (n + skipped) as u32)),
            IpAddr::V6(ip) => IpAddr::V6(Ipv6Addr::from_bits(ip.to_bits() + u128::from(n))),
        })
    }

    /// Whether these may be searched: each inside one of `allowed` or on this machine, and not too many in all.
    ///
    /// # Errors
    /// What is wrong, and who can change it how.
    pub fn check(asked: &[Self], allowed: &[Self]) -> Result<(), RangeFault> {
        if asked.is_empty() {
            return Err(RangeFault::Nothing);
        }
        let may = |one: &Self| one.is_loopback() || allowed.iter().any(|range| range.contains(one));
        if let Some(one) = asked.iter().find(|one| !may(one)) {
            let allowed: Vec<String> = allowed.iter().map(Self::to_string).collect();
            let allowed = match &allowed[..] {
                [] => "nobody has written down so far".to_owned(),
                some => format!("are {}", some.join(", ")),
            };
            return Err(RangeFault::NotAllowed { asked: *one, allowed });
        }
        match asked.iter().fold(0, |sum: u64, one| sum.saturating_add(one.count())) {
            many if many > MOST_ADDRESSES => Err(RangeFault::TooMany(many)),
            _ => Ok(()),
        }
    }
}

impl From<IpAddr> for Range {
    fn from(address: IpAddr) -> Self {
        Self::new(address, if address.is_ipv4() { 32 } else { 128 })
    }
}

impl FromStr for Range {
    type Err = RangeFault;

    fn from_str(text: &str) -> Result<Self, RangeFault> {
        let shown = || text.chars().take(60).collect::<String>();
        let wrong = || RangeFault::NotARange(shown());
        let (address, prefix) = match text.trim().split_once('/') {
            Some((address, prefix)) => (address, Some(prefix)),
            None => (text.trim(), None),
        };
        let address: IpAddr = address.parse().map_err(|_| wrong())?;
        let width: u8 = if address.is_ipv4() { 32 } else { 128 };
        let prefix = match prefix {
            None => width,
            Some(digits) if digits.len() <= 3 && digits.bytes().all(|byte| byte.is_ascii_digit()) => {
                digits.parse().ok().filter(|bits| *bits <= width).ok_or_else(wrong)?
            }
            Some(_) => return Err(wrong()),
        };
        let range = Self::new(address, prefix);
        let everybody = matches!(range.first, IpAddr::V4(ip) if ip.is_broadcast());
        if range.first.is_unspecified() || range.first.is_multicast() || everybody {
            return Err(RangeFault::NotADevice(shown()));
        }
        Ok(range)
    }
}

impl fmt::Display for Range {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.first)?;
        if self.prefix < self.width() { write!(f, "/{}", self.prefix) } else { Ok(()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn range(text: &str) -> Range {
        text.parse().unwrap()
    }

    #[test]
    fn a_range_is_its_prefix_and_one_address_is_a_range() {
        assert_eq!(range("10.0.0.77/24").to_string(), "10.0.0.0/24");
        assert_eq!(range(" 192.168.4.7 ").to_string(), "192.168.4.7");
        assert_eq!(range("fd00::12/120").to_string(), "fd00::/120");
        let all = |text: &str| range(text).addresses().map(|ip| ip.to_string()).collect::<Vec<_>>();
        assert_eq!(all("10.0.0.0/29"), (1..=6).map(|n| format!("10.0.0.{n}")).collect::<Vec<_>>());
        assert_eq!(all("10.0.0.4/31"), ["10.0.0.4", "10.0.0.5"]);
        assert_eq!(all("10.0.0.4"), ["10.0.0.4"]);
        assert_eq!(all("fd00::/126").len(), 4);
        assert_eq!(range("10.1.0.0/16").count(), 65_534);
        assert_eq!(range("fd00::/16").count(), u64::MAX);
    }

    #[test]
    fn what_is_no_range_is_refused() {
        for wrong in
            ["", "printer", "10.0.0", "10.0.0.0/", "10.0.0.0/33", "10.0.0.0/+8", "10.0.0.0/8/8", "10.0.0.0-9"]
        {
            assert!(matches!(wrong.parse::<Range>(), Err(RangeFault::NotARange(_))), "{wrong}");
        }
        for nobody in ["0.0.0.0/0", "0.0.0.0", "::/0", "224.0.0.0/24", "255.255.255.255", "ff02::1"] {
            assert!(matches!(nobody.parse::<Range>(), Err(RangeFault::NotADevice(_))), "{nobody}");
        }
    }

    #[test]
    fn only_what_was_written_down_is_searched() {
        let allowed = [range("10.0.0.0/8"), range("192.168.4.0/24")];
        let check = |asked: &[&str], allowed: &[Range]| {
            Range::check(&asked.iter().map(|text| range(text)).collect::<Vec<_>>(), allowed)
        };
        assert_eq!(check(&["10.7.0.0/16"], &allowed), Ok(()));
        assert_eq!(check(&["192.168.4.7", "10.0.0.0/24"], &allowed), Ok(()));
        // This machine may always be tried out on, and what only looks like it may not.
        assert_eq!(check(&["127.0.0.0/24", "::1"], &[]), Ok(()));
        for wrong in ["192.168.4.0/23", "192.168.5.1", "11.0.0.1", "::ffff:10.0.0.1", "126.0.0.0/7", "::/127"]
        {
            let Ok(asked) = wrong.parse::<Range>() else { continue };
            let fault = Range::check(&[asked], &allowed).unwrap_err();
            assert!(matches!(fault, RangeFault::NotAllowed { .. }), "{wrong}: {fault}");
        }
        assert_eq!(check(&["10.0.0.0/16", "10.1.0.0/24"], &allowed), Err(RangeFault::TooMany(65_788)));
        assert_eq!(check(&[], &allowed), Err(RangeFault::Nothing));
        let told = check(&["10.0.0.0/24"], &[]).unwrap_err().to_string();
        assert!(told.contains("ranges = [\"10.0.0.0/24\"]"), "{told}");
    }
}
