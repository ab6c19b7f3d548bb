//! The built program, started as a person would start it.

use std::fmt::Write;
use std::io::{BufRead, BufReader, Read};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, ChildStdout, Command, ExitStatus, Output, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

use super::DEADLINE;
use super::database::KEY;

/// The program in an empty directory, with nothing of the test's own settings, and the key of the tests' stores.
pub(crate) fn ullage(dir: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ullage"));
    command.current_dir(dir).stdin(Stdio::null()).env_remove("DATABASE_URL").env("TZ", "Europe/Lisbon");
    for (name, _) in std::env::vars() {
        if name.starts_with("ULLAGE_") {
            command.env_remove(name);
        }
    }
    command.env("ULLAGE_STORE_KEY", KEY);
    command
}

/// Runs a program to its end. One that does not come to an end is killed, and the test fails.
pub(crate) fn finish(command: &mut Command) -> Output {
    let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let pid = Pid::from_raw(i32::try_from(child.id()).unwrap()).unwrap();
    let (done, ended) = mpsc::channel();
    let waiting = std::thread::spawn(move || done.send(child.wait_with_output()));
    let Ok(output) = ended.recv_timeout(DEADLINE) else {
        let _ = kill_process(pid, Signal::TERM);
        let _ = waiting.join();
        panic!("it goes on and on: {command:?}");
    };
    output.unwrap()
}

/// Runs the commands of one topic against a database, one after the other, and says what became of each.
pub(crate) fn transcript(dir: &Path, url: &str, topic: &str, commands: &[&[&str]]) -> String {
    let mut all = String::new();
    for words in commands {
        let mut command = ullage(dir);
        let output =
            finish(command.arg(topic).args(*words).env("DATABASE_URL", url).env("USER", "print room"));
        let told = said(&output, &[]);
        writeln!(all, "$ ullage {topic} {}\n{told}", words.join(" ")).unwrap();
    }
    all
}

/// Status, standard output and standard error as one text, with what changes from run to run left out.
pub(crate) fn said(output: &Output, hide: &[(&str, &str)]) -> String {
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(!err.contains("panicked"), "{err}");
    let mut text = format!("status {}\n", output.status.code().unwrap());
    for (name, part) in [("out", out), ("err", err)] {
        for line in part.lines() {
            writeln!(text, "{name}: {line}").unwrap();
        }
    }
    for (what, name) in hide {
        text = text.replace(what, name);
    }
    text
}

/// A program that goes on until it is told to stop. It is killed with the value.
pub(crate) struct Background {
    child: Child,
    lines: mpsc::Receiver<String>,
}

impl Background {
    /// Starts it.
    pub(crate) fn start(command: &mut Command) -> Self {
        Self::start_saying_to(command, Stdio::piped())
    }

    /// Starts it with its standard error elsewhere: a pipe that nobody reads is full before long.
    pub(crate) fn start_saying_to(command: &mut Command, stderr: impl Into<Stdio>) -> Self {
        let mut child = command.stdout(Stdio::piped()).stderr(stderr).spawn().unwrap();
        let stdout: ChildStdout = child.stdout.take().unwrap();
        let (said, lines) = mpsc::channel();
        std::thread::spawn(move || {
            BufReader::new(stdout).lines().map_while(Result::ok).all(|line| said.send(line).is_ok())
        });
        Self { child, lines }
    }

    /// The process.
    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    /// The address of the pages, as soon as the program tells it, with how long that took.
    pub(crate) fn address(&mut self) -> (SocketAddr, Duration) {
        let begun = Instant::now();
        loop {
            let left = DEADLINE.saturating_sub(begun.elapsed());
            let Ok(line) = self.lines.recv_timeout(left) else {
                let status = self.child.try_wait();
                let _ = self.child.kill();
                let mut said = String::new();
                let _ = self.child.stderr.take().map(|mut stderr| stderr.read_to_string(&mut said));
                panic!("no address was told; status {status:?}: {said}");
            };
            if let Some((_, rest)) = line.split_once("http://") {
                let address = rest.split('/').next().and_then(|address| address.parse().ok());
                return (address.expect("an address behind http://"), begun.elapsed());
            }
        }
    }

    /// Sends it a signal and waits for its end: its status, and what it said on standard error.
    pub(crate) fn end(self, signal: Signal) -> (ExitStatus, String) {
        let pid = Pid::from_raw(i32::try_from(self.child.id()).unwrap()).unwrap();
        kill_process(pid, signal).unwrap();
        self.ended()
    }

    /// Waits for its end, which something else brings about.
    pub(crate) fn ended(mut self) -> (ExitStatus, String) {
        let (done, ended) = mpsc::channel();
        let stderr = self.child.stderr.take();
        std::thread::spawn(move || {
            let mut said = String::new();
            let _ = stderr.map(|mut stderr| stderr.read_to_string(&mut said));
            done.send(said)
        });
        // Whoever inherited standard error keeps it open: its end is the end of all of them.
        let said = ended.recv_timeout(DEADLINE).expect("it ends, and nothing of it goes on");
        (self.child.wait().unwrap(), said)
    }
}

impl Drop for Background {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
