//! Devices by the file, and what the set-up pages change.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::fmt::Write;

use crate::commands::said;
use crate::support::database::TestDatabase;
use crate::support::program::{finish, ullage};

#[tokio::test]
async fn a_file_of_devices_is_taken_whole_or_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let database = TestDatabase::new().await;
    let file = |name: &str, text: &str| std::fs::write(dir.path().join(name), text).unwrap();
    file(
        "room.csv",
        "address,name,cost_centre,poll_every,version,community,user,auth_password\n\
         10.0.0.7,Bobbin,Backdrops,5m,,backstage,,\n10.0.0.8,Thimble,,,,,,\n10.0.0.9:1161,,,,v3,,loft,velvet-curtain\n",
    );
    file(
        "wrong.csv",
        "address,name,credential,user,auth_password\n10.0.0.7,Thimble,,,\n10.0.0.10,,Loft,,\n10.0.0.11,Weft,,,\n\
         10.0.0.11,Weft,,loft,short\n",
    );
    file(
        "changed.csv",
        "address,name,poll_every,credential\n10.0.0.7,Bobbin,1h,\n10.0.0.8,Thimble,,Version 2c (2)\n10.0.0.12,=Weft,,\n",
    );
    file("empty.csv", "");
    let mut all = String::new();
    let commands: [&[&str]; 9] = [
        &["import", "room.csv", "--dry-run"],
        &["export"],
        &["import", "room.csv"],
        &["import", "wrong.csv"],
        &["import", "changed.csv"],
        &["import", "empty.csv"],
        &["import", "missing.csv"],
        &["export", "--out", "out.csv"],
        &["import", "out.csv"],
    ];
    for words in commands {
        let output =
            finish(ullage(dir.path()).arg("devices").args(words).env("DATABASE_URL", database.url()));
        writeln!(all, "$ ullage devices {}\n{}", words.join(" "), said(&output, &[])).unwrap();
    }
    let exported = std::fs::read_to_string(dir.path().join("out.csv")).unwrap();
    assert!(!exported.contains("backstage") && !exported.contains("velvet"), "{exported}");
    write!(all, "out.csv\n{}", exported.replace("\r\n", "\n")).unwrap();
    insta::assert_snapshot!(all);
}
