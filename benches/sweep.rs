//! What reading a crowd of printers costs, beside net-snmp's library, the sessions of a general crate and a
//! bare send and receive loop, on the same simulated printers in the same run.
//!
//! `cargo bench --bench sweep`. Needs a C compiler and, for net-snmp, its headers (Debian: libsnmp-dev); a
//! peer that cannot be built is left out, and said so. Rounds take turns, so that a machine that slows
//! down slows all; processor seconds are medians.

#[path = "peers/sessions.rs"]
mod sessions;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::net::{SocketAddr, UdpSocket};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use mock_agent::many::{Many, ManyPlan};

const PRINTERS: u32 = 10_000;
const WINDOW: &str = "256";
const ROUNDS: usize = 5;
const ULLAGE: &str = env!("CARGO_BIN_EXE_ullage");

fn main() -> Result<(), Box<dyn std::error::Error>> {
    // As a peer of itself, so that it is measured by itself.
    let words: Vec<String> = std::env::args().collect();
    if let [_, peer, list, what] = &words[..]
        && peer == "sessions"
    {
        return sessions::run(list, what == "repeat");
    }
    let itself = std::env::current_exe()?;
    let scratch = tempfile::tempdir()?;
    let bare = build(scratch.path(), "bare", &[]);
    let net_snmp = build(scratch.path(), "net_snmp", &["-lnetsnmp"]);
    let now = jiff::Timestamp::UNIX_EPOCH + jiff::SignedDuration::from_hours(24 * 20_000);
    let open = Many::bind(ManyPlan { printers: PRINTERS, ..ManyPlan::default() }, now)?;
    let secure = Many::bind(ManyPlan { printers: PRINTERS, secure: true, ..ManyPlan::default() }, now)?;
    let (open_list, secure_list) = (scratch.path().join("open"), scratch.path().join("secure"));
    let addresses = open.addresses()?;
    write_list(&open_list, &addresses)?;
    write_list(&secure_list, &secure.addresses()?)?;
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| open.serve(|| now, &stop));
        scope.spawn(|| secure.serve(|| now, &stop));
        let requests = record(addresses[0]);
        let mut figures: BTreeMap<&str, Vec<(f64, f64, f64)>> = BTreeMap::new();
        for _ in 0..ROUNDS {
            let mut run = |name, program: &Path, words: &[&str], line: usize| {
                if let Some(figure) = measure(program, words, line) {
                    figures.entry(name).or_default().push(figure);
                }
            };
            let (open, secure) = (text(&open_list), text(&secure_list));
            let ours = ["poll", "--summary", "json", "--repeat", "--window", WINDOW, "--targets"];
            let whole: Vec<&str> = ours.iter().copied().chain([open]).collect();
            run("a ullage, whole set", Path::new(ULLAGE), &whole, 0);
            run("e ullage, repeat", Path::new(ULLAGE), &whole, 1);
            let user = [
                "--user",
                "loft",
                "--auth-password",
                "velvet-curtain",
                "--privacy-password",
                "painted-forest",
            ];
            let v3: Vec<&str> = ours.iter().copied().chain([secure]).chain(user).collect();
            run("i ullage, whole set, version 3 authPriv", Path::new(ULLAGE), &v3, 0);
            run("j ullage, repeat, version 3 authPriv", Path::new(ULLAGE), &v3, 1);
            run("c sessions of a crate, whole set", &itself, &["sessions", open, "whole"], 0);
            run("g sessions of a crate, repeat", &itself, &["sessions", open, "repeat"], 0);
            if let Some(bare) = &bare {
                let digits: Vec<String> = requests.iter().map(|request| hex(request)).collect();
                let (last, first) = digits.split_last().expect("requests were recorded");
                let first: Vec<&str> =
                    [open, WINDOW].into_iter().chain(first.iter().map(String::as_str)).collect();
                run("d bare loop, whole set", bare, &first, 0);
                run("h bare loop, repeat", bare, &[open, WINDOW, last], 0);
            }
            if let Some(net_snmp) = &net_snmp {
                run("b net-snmp's library, whole set", net_snmp, &[open, WINDOW], 0);
                run("f net-snmp's library, repeat", net_snmp, &[open, WINDOW, "repeat"], 0);
            }
        }
        stop.store(true, Ordering::Relaxed);
        print(figures);
    });
    Ok(())
}

fn print(figures: BTreeMap<&str, Vec<(f64, f64, f64)>>) {
    println!("{PRINTERS} printers of 16 supplies, {WINDOW} under way, medians of {ROUNDS} rounds");
    println!(
        "{:<38} {:>13} {:>16} {:>18} {:>8}",
        "", "CPU-s / 1,000", "printers / CPU-s", "datagrams/printer", "RSS MB"
    );
    for (name, rounds) in figures {
        let median = |pick: fn(&(f64, f64, f64)) -> f64| {
            let mut values: Vec<f64> = rounds.iter().map(pick).collect();
            values.sort_by(f64::total_cmp);
            values[values.len() / 2]
        };
        let cpu = median(|round| round.0);
        println!(
            "{:<38} {:>13.4} {:>16.0} {:>18.2} {:>8.1}",
            &name[2..],
            cpu * 1_000.0 / f64::from(PRINTERS),
            f64::from(PRINTERS) / cpu,
            median(|round| round.1) / f64::from(PRINTERS),
            median(|round| round.2)
        );
    }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a temporary path is text")
}

fn write_list(path: &Path, addresses: &[SocketAddr]) -> std::io::Result<()> {
    let mut list = String::new();
    for address in addresses {
        let _ = writeln!(list, "{address}");
    }
    std::fs::write(path, list)
}

/// Compiles a peer, if this machine can.
fn build(scratch: &Path, name: &str, libraries: &[&str]) -> Option<PathBuf> {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("benches/peers/{name}.c"));
    let program = scratch.join(name);
    let compiled = Command::new("cc").arg("-O2").arg("-o").arg(&program).arg(source).args(libraries).output();
    if compiled.is_ok_and(|output| output.status.success()) {
        Some(program)
    } else {
        println!("{name} is left out: it cannot be compiled here");
        None
    }
}

/// Runs a program, and takes processor seconds, datagrams both ways and memory from the JSON on a line of it.
fn measure(program: &Path, words: &[&str], line: usize) -> Option<(f64, f64, f64)> {
    let output = Command::new(program).args(words).env("MIBS", "").output().ok()?;
    let printed = String::from_utf8_lossy(&output.stdout);
    let figures: serde_json::Value = serde_json::from_str(printed.lines().nth(line)?).ok()?;
    let number = |key: &str| figures.get(key).and_then(serde_json::Value::as_f64);
    if number("answered") != Some(f64::from(PRINTERS)) {
        println!("{} did not read every printer: {figures}", program.display());
        return None;
    }
    Some((
        number("cpu_s")?,
        number("datagrams_sent")? + number("datagrams_received")?,
        number("peak_rss_mb")?,
    ))
}

/// What we ask one printer, by standing in between: the datagrams of a whole reading, then of a repeat.
fn record(printer: SocketAddr) -> Vec<Vec<u8>> {
    let between = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    between.set_read_timeout(Some(Duration::from_millis(50))).expect("a timeout");
    let address = between.local_addr().expect("an address").to_string();
    let (seen, over) = (Mutex::new(Vec::new()), AtomicBool::new(false));
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let (mut bytes, mut asker) = (vec![0; 65_536], None);
            while !over.load(Ordering::Relaxed) {
                let Ok((length, from)) = between.recv_from(&mut bytes) else { continue };
                let to = if from == printer {
                    asker
                } else {
                    asker = Some(from);
                    seen.lock().expect("a whole list").push(bytes[..length].to_vec());
                    Some(printer)
                };
                let _ = to.map(|to| between.send_to(&bytes[..length], to));
            }
        });
        let mut poll = Command::new(ULLAGE);
        poll.args(["poll", "--summary", "json", "--repeat", "--targets", "-"]);
        let list = std::io::pipe().and_then(|(reader, mut writer)| {
            std::io::Write::write_all(&mut writer, address.as_bytes())?;
            Ok(reader)
        });
        let done = poll.stdin(list.expect("a pipe")).output();
        over.store(true, Ordering::Relaxed);
        assert!(done.is_ok_and(|output| output.status.success()), "one printer is read through a proxy");
    });
    seen.into_inner().expect("a whole list")
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}
