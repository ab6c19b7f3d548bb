//! Versions of PostgreSQL as its programs state them.

use std::fmt;

/// The majors that the tool's SQL is written for and tested on.
pub(super) const SUPPORTED_MAJORS: std::ops::RangeInclusive<u32> = 15..=18;

/// A version of PostgreSQL, such as 15.18.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct PgVersion {
    /// The part that decides whether a data directory fits.
    pub major: u32,
    /// The bug-fix level; 0 for a development or beta version.
    pub minor: u32,
}

impl PgVersion {
    /// Reads the line that `postgres --version` and its siblings print, for example
    /// `postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)`.
    #[must_use]
    pub fn from_banner(banner: &str) -> Option<Self> {
        let rest = banner.split_once("(PostgreSQL)")?.1.trim_start();
        let (major, rest) = leading_number(rest)?;
        let minor = rest.strip_prefix('.').and_then(leading_number).map_or(0, |(minor, _)| minor);
        Some(Self { major, minor })
    }

    /// Reads the server's `server_version_num`: 150018 is 15.18.
    #[must_use]
    pub fn from_number(number: u32) -> Self {
        Self { major: number / 10_000, minor: number % 10_000 }
    }
}

impl fmt::Display for PgVersion {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}.{}", self.major, self.minor)
    }
}

fn leading_number(text: &str) -> Option<(u32, &str)> {
    let end = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    let (digits, rest) = text.split_at(end);
    Some((digits.parse().ok()?, rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn banners_of_packages_betas_and_clients_are_read() {
        let read = |text| PgVersion::from_banner(text).map(|v| (v.major, v.minor));
        assert_eq!(read("postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n"), Some((15, 18)));
        assert_eq!(read("pg_dump (PostgreSQL) 18.6"), Some((18, 6)));
        assert_eq!(read("postgres (PostgreSQL) 19beta1"), Some((19, 0)));
        assert_eq!(read("postgres (PostgreSQL) 17devel"), Some((17, 0)));
        assert_eq!(read("postgres (SomethingElse) 15.1"), None);
        assert_eq!(read("postgres (PostgreSQL) "), None);
        assert_eq!(read("postgres (PostgreSQL) 99999999999999.1"), None);
        assert_eq!(read(""), None);
    }

    #[test]
    fn server_version_numbers_are_split() {
        assert_eq!(PgVersion::from_number(150_018).to_string(), "15.18");
        assert!(PgVersion::from_number(180_006) > PgVersion::from_number(170_011));
    }
}
