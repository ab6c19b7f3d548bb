//! `ullage discover` against simulated machines on loopback: printers, a machine that is none, and nobody.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::fmt::Write;
use std::io::{BufRead, BufReader};
use std::net::{SocketAddr, UdpSocket};
use std::process::Stdio;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use jiff::Timestamp;
use mock_agent::many::{Many, ManyPlan};
use mock_agent::{AgentServer, Bind, Room, Scenario};
use rustix::process::{Pid, Signal, kill_process};

use crate::support::database::TestDatabase;
use crate::support::program::said;
use crate::support::program::{finish, ullage};

/// Two printers of different versions, one that wants a user, and a till.
const FOYER: &str = r#"
name = "Vellmoor Opera foyer"
time_zone = "Europe/Lisbon"

[[printer]]
name = "Bobbin"
location = "Print loft"
description = "Wide-format aqueous ink printer, 64 inch"
serial = "VO-0001-BOB"
media_width_mm = 1524
snmp = { version = "v2c", community = "loft" }
ink = [{ colour = "Cyan", ml_per_m2 = 0.8, stands_at = 0.5 }]

[[printer]]
name = "Thimble"
description = "Wide-format aqueous ink printer, 44 inch"
serial = "VO-0002-THI"
media_width_mm = 1118
device_index = 3
snmp = { version = "v2c", community = "public" }
ink = [{ colour = "Cyan", ml_per_m2 = 0.8, stands_at = 0.5 }]

[[printer]]
name = "Till"
description = "Box office till"
printer_mib = false
media_width_mm = 100
snmp = { version = "v2c", community = "public" }
ink = [{ colour = "Cyan", ml_per_m2 = 0.8, stands_at = 0.5 }]

[[printer]]
name = "Tassel"
description = "Wide-format aqueous ink printer, 44 inch"
serial = "VO-0004-TAS"
media_width_mm = 1118
snmp = { version = "v3", user = { name = "loft", auth = "sha-256", auth_password = "velvet-curtain", privacy = "aes-128", privacy_password = "footlight-row" } }
ink = [{ colour = "Cyan", ml_per_m2 = 0.8, stands_at = 0.5 }]
"#;

fn now() -> Timestamp {
    "2026-10-20T09:00:00Z".parse().unwrap()
}

/// Starts the machines of the foyer.
pub(crate) async fn foyer() -> AgentServer {
    let room = Room::new(&Scenario::parse(FOYER).unwrap(), "2026-10-19T23:00:00Z".parse().unwrap(), 0);
    AgentServer::start(Arc::new(Mutex::new(room)), Arc::new(now), Bind::AnyPort).await.unwrap()
}

/// Their addresses with the names that stand for them in what is compared.
fn named(agents: &AgentServer, mute: SocketAddr) -> Vec<(String, &'static str)> {
    let mut all: Vec<_> = agents.addresses().iter().map(ToString::to_string).collect();
    all.push(mute.to_string());
    all.into_iter().zip(["BOBBIN", "THIMBLE", "TILL", "TASSEL", "MUTE"]).collect()
}

fn sorted(told: &str) -> String {
    // Ports decide the order, and are anybody's.
    let mut lines: Vec<&str> = told.lines().collect();
    lines.sort_unstable();
    lines.join("\n")
}

#[tokio::test(flavor = "multi_thread")]
async fn printers_are_found_told_apart_and_added() {
    let dir = tempfile::tempdir().unwrap();
    let database = TestDatabase::new().await;
    let agents = foyer().await;
    let mute = UdpSocket::bind("127.0.0.1:0").unwrap();
    let names = named(&agents, mute.local_addr().unwrap());
    let addresses: Vec<&str> = names.iter().map(|(address, _)| address.as_str()).collect();
    let mut all = String::new();
    let secret =
        ["--user", "loft", "--auth-password", "velvet-curtain", "--privacy-password", "footlight-row"];
    let wrong = ["--user", "nobody", "--auth-password", "velvet-curtain"];
    let runs: [&[&str]; 6] = [
        &[],
        &["--also-community", "loft"],
        &secret,
        &wrong,
        &["--community", "loft", "--add", "--cost-centre", "Foyer"],
        &["--also-community", "loft", "--add", "--json"],
    ];
    for words in runs {
        let fixed = ["discover", "--rate", "1000", "--timeout", "0.5", "--retries", "1"];
        let output = finish(
            ullage(dir.path()).args(fixed).args(&addresses).args(words).env("DATABASE_URL", database.url()),
        );
        let mut told = said(&output, &[]);
        for (address, name) in &names {
            told = told.replace(&format!("{address:<22}"), &format!("{name:<8}")).replace(address, name);
        }
        writeln!(all, "$ ullage discover … {}\n{}\n", words.join(" "), sorted(&told)).unwrap();
    }
    insta::assert_snapshot!(all);
    let list = finish(ullage(dir.path()).args(["devices", "list"]).env("DATABASE_URL", database.url()));
    let list = said(&list, &[]);
    assert_eq!(list.matches("not asked yet").count(), 2, "{list}");
    assert_eq!(agents.sets_seen(), 0, "a search only reads");
    agents.stop().await;
}

#[test]
fn what_may_not_be_searched_is_refused_before_anything_is_asked() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(
        dir.path().join("ullage.toml"),
        "[discover]\nranges = [\"10.0.0.0/8\", \"192.168.4.0/24\"]\n",
    )
    .unwrap();
    let empty = tempfile::tempdir().unwrap();
    let mut all = String::new();
    let runs: [(&std::path::Path, &[&str]); 9] = [
        (empty.path(), &["10.0.0.0/24"]),
        (dir.path(), &["192.168.0.0/16"]),
        (dir.path(), &["10.0.0.0/15"]),
        (dir.path(), &["192.168.4.7", "172.16.0.1:1161"]),
        (dir.path(), &["loft"]),
        (dir.path(), &["224.0.0.0/24"]),
        (dir.path(), &["127.0.0.1", "--user", "loft", "--also-community", "public"]),
        (dir.path(), &["127.0.0.1", "--rate", "5000"]),
        (dir.path(), &[]),
    ];
    for (place, words) in runs {
        let told = said(&finish(ullage(place).arg("discover").args(words)), &[]);
        assert!(told.starts_with("status 2\n"), "{words:?}: {told}");
        writeln!(all, "$ ullage discover {}\n{told}", words.join(" ")).unwrap();
    }
    insta::assert_snapshot!(all);
}

#[test]
fn a_range_is_searched_address_by_address_and_ctrl_c_prints_what_was_found() {
    let dir = tempfile::tempdir().unwrap();
    let many = Many::bind(ManyPlan { printers: 12, supplies: 2, ..ManyPlan::default() }, now()).unwrap();
    let addresses = many.addresses().unwrap();
    let port = addresses[0].port().to_string();
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| many.serve(now, &stop));
        // 127.1.0.1 to 127.1.0.6 answer; nobody has asked to be left out of 127.1.0.0/29.
        let output =
            finish(ullage(dir.path()).args(["discover", "127.1.0.0/29", "--rate", "1000", "--port", &port]));
        let told = said(&output, &[]);
        assert_eq!(told.matches(" printer    ").count(), 6, "{told}");
        assert!(told.contains("6 addresses were asked: 6 printers"), "{told}");

        // Most of these keep silent, so that the search would take minutes.
        let slow = ["discover", "127.1.0.0/24", "--rate", "20", "--timeout", "30", "--json", "--port", &port];
        let mut search =
            ullage(dir.path()).args(slow).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let said = BufReader::new(search.stderr.take().unwrap()).lines().map_while(Result::ok);
        let mut said = said.skip_while(|line| !line.ends_with(" 1 found"));
        assert!(said.next().is_some(), "it tells that it found one");
        kill_process(Pid::from_raw(i32::try_from(search.id()).unwrap()).unwrap(), Signal::INT).unwrap();
        let rest: Vec<String> = said.collect();
        let output = search.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{rest:?}");
        assert!(rest.iter().any(|line| line.contains("the search was stopped")), "{rest:?}");
        let found = String::from_utf8(output.stdout).unwrap();
        assert!(!found.is_empty());
        for line in found.lines() {
            let told: serde_json::Value = serde_json::from_str(line).unwrap();
            assert_eq!((&told["kind"], &told["added"]), (&"printer".into(), &false.into()));
        }
        stop.store(true, Ordering::Relaxed);
    });
}
