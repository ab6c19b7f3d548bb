//! Runs a program in the foreground: it gets the signals meant for us, and we outlive it to clean up.

use std::io::{self, IsTerminal};
use std::os::unix::process::ExitStatusExt;
use std::process::ExitStatus;
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use tokio::process::Command;
use tokio::signal::unix::{self, SignalKind};

/// The signals by which people and systems end programs; listening keeps them from ending us.
pub(super) struct Signals {
    interrupt: unix::Signal,
    terminate: unix::Signal,
    hangup: unix::Signal,
}

impl Signals {
    pub(super) fn listen() -> io::Result<Self> {
        Ok(Self {
            interrupt: unix::signal(SignalKind::interrupt())?,
            terminate: unix::signal(SignalKind::terminate())?,
            hangup: unix::signal(SignalKind::hangup())?,
        })
    }

    async fn next(&mut self) -> Signal {
        tokio::select! {
            _ = self.interrupt.recv() => Signal::INT,
            _ = self.terminate.recv() => Signal::TERM,
            _ = self.hangup.recv() => Signal::HUP,
        }
    }

    /// The exit status for a signal that came before there was a program to pass it to.
    pub(super) async fn already_come(&mut self) -> Option<u8> {
        let signal = tokio::time::timeout(Duration::ZERO, self.next()).await.ok()?;
        Some(status_of_signal(signal.as_raw()))
    }
}

/// Runs the command to its end and returns its exit status, as a shell would put it.
pub(super) async fn run(mut command: Command, signals: &mut Signals) -> io::Result<u8> {
    let mut child = command.spawn()?;
    // It may hold our end of a pipe; the program is to be the only one that reads from it.
    drop(command);
    let pid = child.id().and_then(|id| i32::try_from(id).ok()).and_then(Pid::from_raw);
    // A terminal sends Ctrl-C to the program as well; to send it again would make it count twice.
    let from_terminal = io::stdin().is_terminal();
    loop {
        tokio::select! {
            status = child.wait() => return Ok(status_of(status?)),
            signal = signals.next() => {
                // Until `wait` has returned, the id cannot have been given to another process.
                if let Some(pid) = pid.filter(|_| signal != Signal::INT || !from_terminal)
                    && let Err(error) = kill_process(pid, signal) {
                        tracing::warn!(?signal, %error, "the signal could not be passed on");
                    }
            }
        }
    }
}

fn status_of(status: ExitStatus) -> u8 {
    match (status.code(), status.signal()) {
        (Some(code), _) => u8::try_from(code).unwrap_or(1),
        (None, Some(signal)) => status_of_signal(signal),
        (None, None) => 1,
    }
}

fn status_of_signal(signal: i32) -> u8 {
    u8::try_from(128 + signal).unwrap_or(u8::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    async fn status(script: &str) -> u8 {
        let mut command = Command::new("sh");
        command.args(["-c", script]);
        run(command, &mut Signals::listen().unwrap()).await.unwrap()
    }

    #[tokio::test]
    async fn the_exit_status_is_the_programs_own() {
        assert_eq!(status("exit 0").await, 0);
        assert_eq!(status("exit 7").await, 7);
        assert_eq!(status("kill -KILL $$").await, 137);
    }
}
