//! The program's ends: what it prints and how it fails.

// The lint's allowance for tests does not reach helper functions of an integration test.
#![allow(clippy::unwrap_used)]

use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_mock-agent"))
}

#[test]
fn errors_of_usage_end_with_2() {
    for wrong in
        [&["--bogus"][..], &["--listen", "0.0.0.0:161"], &["--speed", "fast"], &["--scenario", "/none.toml"]]
    {
        let output = program().args(wrong).output().unwrap();
        assert_eq!(output.status.code(), Some(2), "{wrong:?}");
        assert!(!output.stderr.is_empty());
    }
}

#[test]
fn the_list_names_every_printer() {
    let output = program().arg("--list").output().unwrap();
    assert!(output.status.success());
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(text.lines().count(), 6);
    assert!(text.contains("VO-0005-TAS") && text.contains("sha-256"), "{text}");
}

#[test]
fn it_says_where_each_printer_answers() {
    let mut child = program().args(["--days", "1"]).stdout(Stdio::piped()).spawn().unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let lines: Vec<String> = lines.take(6).map(Result::unwrap).collect();
    child.kill().unwrap();
    child.wait().unwrap();
    let (name, rest) = lines[0].split_once(' ').unwrap();
    let address = rest.split_whitespace().next().unwrap();
    assert_eq!(name, "Bobbin");
    assert!(address.parse::<std::net::SocketAddr>().unwrap().ip().is_loopback());
    assert!(lines[0].ends_with("v2c  community public"), "{}", lines[0]);
}
