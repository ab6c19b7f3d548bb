//! Devices as comma-separated values (RFC 4180), out and in.
//!
//! The first row names the columns, as in the files of the shelf ([`super::shelf_csv`]). A file is taken whole or
//! not at all. A device that is watched at a row's address is changed, and what the row leaves empty stays as it
//! is; any other is added.
//!
//! | column | what it holds |
//! | --- | --- |
//! | `address` * | its host name or IP address |
//! | `port` | the UDP port; empty: 161 |
//! | `name` | what the print room calls it; empty: its address |
//! | `cost_centre` | whom its ink is charged to |
//! | `poll_every` | how often it is polled, such as `15m` or `1h`, from 10s to 24h; empty: as `poll.every` says |
//! | `credential` | the name of the kept credential that it is asked with |
//! | `version` | in place of that: `v1`, `v2c` or `v3`; all empty: `v2c` with the community `public` |
//! | `community` | the read community of `v1` and `v2c`; empty: `public` |
//! | `user` | the user of `v3` |
//! | `auth_protocol`, `auth_password` | how the user's messages are signed; a protocol needs a password; empty protocol: `sha256` |
//! | `privacy_protocol`, `privacy_password` | how they are encrypted; empty protocol: `aes128` |
//!
//! What is written names the credential and holds no community, user or password.

use jiff::SignedDuration;

use super::rows::{Row, RowFault, read, write};
use super::text;
use crate::usecase::discover::read_address;
use crate::usecase::setup::{
    AskedBy, CredentialRow, DeviceEntry, LEAST_POLL_S, LONGEST_NAME, MOST_POLL_S, Watched,
};

/// The columns of a file of devices.
pub const DEVICE_COLUMNS: [&str; 13] = [
    "address",
    "port",
    "name",
    "cost_centre",
    "poll_every",
    "credential",
    "version",
    "community",
    "user",
    "auth_protocol",
    "auth_password",
    "privacy_protocol",
    "privacy_password",
];

/// The devices as the bytes of a file: UTF-8, rows ended by CR LF.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn write_devices(devices: &[Watched]) -> Result<Vec<u8>, csv::Error> {
    let rows = devices.iter().map(|Watched { row, credential_name, .. }| {
        let mut cells = [const { String::new() }; DEVICE_COLUMNS.len()];
        let said = [
            text(&row.host),
            row.port.to_string(),
            text(&row.name),
            text(row.cost_centre.as_deref().unwrap_or_default()),
            poll_every(row.poll_every_s),
            text(credential_name),
        ];
        for (cell, said) in cells.iter_mut().zip(said) {
            *cell = said;
        }
        cells
    });
    write(&DEVICE_COLUMNS, rows)
}

/// A length of time as it is written and read: `15m`.
#[must_use]
pub fn poll_every(seconds: u32) -> String {
    format!("{:#}", SignedDuration::from_secs(i64::from(seconds)))
}

/// Reads a length of time between polls, such as `15m`; `None` if it is none from 10s to 24h.
#[must_use]
pub fn read_poll_every(text: &str) -> Option<u32> {
    let span: SignedDuration = text.trim().parse().ok()?;
    let seconds = u32::try_from(span.as_secs()).ok()?;
    (span.subsec_nanos() == 0 && (LEAST_POLL_S..=MOST_POLL_S).contains(&seconds)).then_some(seconds)
}

/// The devices of a file.
///
/// # Errors
/// Every line that is wrong.
pub fn read_devices(bytes: &[u8]) -> Result<Vec<DeviceEntry>, Vec<RowFault>> {
    read(bytes, &DEVICE_COLUMNS, &["address"], |row| {
        let address = row.needed("address").and_then(|address| match read_address(&address) {
            Ok(split) => Some(split),
            Err(fault) => {
                row.fault(fault);
                None
            }
        });
        let port: Option<u16> = row.number("port", "a port from 1 to 65535", |port| *port > 0);
        let name = row.cell("name");
        if name.as_ref().is_some_and(|name| name.chars().count() > LONGEST_NAME) {
            row.fault(format!("name is longer than {LONGEST_NAME} letters"));
        }
        let poll_every_s = row.cell("poll_every").and_then(|text| {
            let seconds = read_poll_every(&text);
            if seconds.is_none() {
                row.fault(format!("poll_every '{text}' is not a time from 10s to 24h, such as 15m"));
            }
            seconds
        });
        let asked_by = asked_by(row);
        let (host, written) = address?;
        Some(DeviceEntry {
            line: row.line,
            host,
            port: port.unwrap_or(written),
            name,
            cost_centre: row.cell("cost_centre"),
            poll_every_s,
            asked_by,
        })
    })
}

/// How a row says that its device is asked.
fn asked_by(row: &mut Row<'_>) -> Option<AskedBy> {
    let [version, community, user] = ["version", "community", "user"].map(|column| row.cell(column));
    let auth = pair(row, "auth", "sha256");
    let privacy = pair(row, "privacy", "aes128");
    let open = community.is_some();
    let secure = user.is_some() || auth.is_some() || privacy.is_some();
    if let Some(name) = row.cell("credential") {
        if version.is_some() || open || secure {
            row.fault(
                "a credential is named, so that version, community, user and the rest stay empty".to_owned(),
            );
        }
        return Some(AskedBy::Kept(name));
    }
    let version = match version.as_deref() {
        None if !open && !secure => return None,
        None if secure => "v3",
        None => "v2c",
        Some(word @ ("v1" | "v2c" | "v3")) => word,
        Some(other) => {
            row.fault(format!("version '{other}' is none of v1, v2c and v3"));
            return None;
        }
    };
    match (version, open, secure) {
        ("v3", true, _) => row.fault("community belongs to v1 and v2c, and this row is v3".to_owned()),
        ("v3", ..) if user.is_none() => row.fault("v3 needs a user".to_owned()),
        ("v1" | "v2c", _, true) => {
            row.fault(format!("user and passwords belong to v3, and this row is {version}"));
        }
        _ => {}
    }
    let community = (version != "v3").then(|| community.unwrap_or_else(|| "public".to_owned()));
    Some(AskedBy::New(CredentialRow {
        version: version.to_owned(),
        community,
        user_name: user,
        auth,
        privacy,
    }))
}

fn pair(row: &mut Row<'_>, which: &str, usual: &str) -> Option<(String, String)> {
    let [protocol, password] = ["protocol", "password"].map(|what| row.cell(&format!("{which}_{what}")));
    if protocol.is_some() && password.is_none() {
        row.fault(format!("{which}_protocol is given without {which}_password"));
    }
    password.map(|password| (protocol.unwrap_or_else(|| usual.to_owned()), password))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(text: &str) -> String {
        let faults = read_devices(text.as_bytes()).unwrap_err();
        faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
    }

    #[test]
    fn a_row_says_as_much_as_it_has_to() {
        let text = "address,name,poll_every,community,version,credential,port\n\
                    10.0.0.7,Bobbin,15m,backstage,,,\n10.0.0.8,,,,v1,,1161\n[fe80::1]:1161,,1h,,,Loft,\n\n10.0.0.9,,,,,,\n";
        let read = read_devices(text.as_bytes()).unwrap();
        assert_eq!(read.iter().map(|entry| entry.line).collect::<Vec<_>>(), [2, 3, 4, 6]);
        let community = |word: &str, version: &str| {
            Some(AskedBy::New(CredentialRow {
                version: version.to_owned(),
                community: Some(word.to_owned()),
                ..CredentialRow::default()
            }))
        };
        assert_eq!((read[0].poll_every_s, &read[0].asked_by), (Some(900), &community("backstage", "v2c")));
        assert_eq!((read[1].port, &read[1].asked_by), (1161, &community("public", "v1")));
        assert_eq!((read[2].host.as_str(), read[2].port), ("fe80::1", 1161));
        assert_eq!(read[2].asked_by, Some(AskedBy::Kept("Loft".to_owned())));
        assert_eq!((read[3].name.as_ref(), &read[3].asked_by), (None, &None));
    }

    #[test]
    fn every_bad_row_is_told_with_its_line() {
        insta::assert_snapshot!(faults(
            "address,port,poll_every,credential,version,community,user,auth_protocol,auth_password\n\
             ,,,,,,,,\n\
             a b,0,soon,,,,,,\n\
             10.0.0.7,161,5s,Loft,v2c,,,,\n\
             10.0.0.8,,,,v4,,,,\n\
             10.0.0.9,,,,v3,public,,sha256,\n\
             10.0.0.10,,,,v1,,loft,,velvet-curtain\n\
             10.0.0.11,,\n"
        ));
        insta::assert_snapshot!(faults("name,adress\nBobbin,10.0.0.7\n"));
    }

    #[test]
    fn times_are_read_as_they_are_written() {
        for seconds in [10, 60, 90, 900, 3600, 5400, 86_400] {
            assert_eq!(read_poll_every(&poll_every(seconds)), Some(seconds), "{}", poll_every(seconds));
        }
        assert_eq!(poll_every(900), "15m");
        for wrong in ["", "9s", "25h", "15", "-15m", "10.5s"] {
            assert_eq!(read_poll_every(wrong), None, "{wrong}");
        }
    }
}
