//! The server as our child: started, watched until it is ready, signalled, and waited for.

use std::fs::{self, File};
use std::future::ready;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rustix::process::{Pid, Signal, WaitId, WaitIdOptions, kill_process, waitid};
use tokio::sync::{oneshot, watch};

use super::datadir::DataDir;
use super::error::ClusterError;
use super::log;
use super::orphan::wait_until;

/// How long a start may take. After a crash on a slow disk the server reads its log again first.
const START_PATIENCE: Duration = Duration::from_secs(300);
/// How long an orderly stop may take.
const STOP_PATIENCE: Duration = Duration::from_secs(60);
/// How long a disorderly one may take after that.
const QUIT_PATIENCE: Duration = Duration::from_secs(10);

/// The first process of the server. Dropping it asks the server to stop, without waiting.
#[derive(Debug)]
pub(super) struct Postmaster {
    pid: Pid,
    /// Empty once the process has been collected: its id may then be anybody's.
    alive: Arc<Mutex<Option<Pid>>>,
    ended: watch::Receiver<Option<String>>,
}

impl Postmaster {
    /// Starts the command on a thread of its own, which waits for it and holds the data directory until
    /// it has ended. The kernel ends the server when the thread that started it ends: this one never does
    /// before the server.
    pub(super) async fn spawn(command: Command, held: DataDir) -> Result<Self, ClusterError> {
        let (started, starting) = oneshot::channel();
        let (tell_ended, ended) = watch::channel(None);
        let alive = Arc::new(Mutex::new(None));
        let shared = Arc::clone(&alive);
        std::thread::Builder::new()
            .name("ullage-postgres".into())
            .spawn(move || live_with(command, held, &shared, started, &tell_ended))
            .map_err(ClusterError::io("start a thread for the database"))?;
        let pid = starting
            .await
            .unwrap_or_else(|_| Err(std::io::Error::other("its thread ended")))
            .map_err(ClusterError::io("start postgres"))?;
        Ok(Self { pid, alive, ended })
    }

    pub(super) fn pid(&self) -> i32 {
        self.pid.as_raw_nonzero().get()
    }

    /// How the server ended, when it has.
    fn end(&self) -> Option<String> {
        self.ended.borrow().clone()
    }

    /// Waits until the server has ended, and says how.
    pub(super) async fn ended(&self) -> String {
        let mut ended = self.ended.clone();
        let end = ended.wait_for(Option::is_some).await;
        end.ok().and_then(|end| end.clone()).unwrap_or_else(|| "its thread ended".to_owned())
    }

    /// Waits until the server says in `postmaster.pid` that it takes connections.
    pub(super) async fn wait_ready(&self, pgdata: &Path, log: &log::Mark) -> Result<(), ClusterError> {
        let file = pgdata.join("postmaster.pid");
        let pid = self.pid().to_string();
        let seen =
            wait_until(START_PATIENCE, || ready(says_ready(&file, &pid) || self.end().is_some())).await;
        let why = match self.end() {
            None if seen => return Ok(()),
            None => format!("it was not ready after {} s", START_PATIENCE.as_secs()),
            Some(end) => log.last_complaint().map_or(end.clone(), |said| format!("{said} ({end})")),
        };
        self.signal(Signal::QUIT);
        Err(ClusterError::NotReady { why, log: log.path.clone() })
    }

    /// Stops the server: connections are ended, everything is written out. If that takes too long it is
    /// told to drop everything; the data are safe then too, but the next start has to recover.
    pub(super) async fn stop(self) -> Result<(), ClusterError> {
        for (signal, patience) in [(Signal::INT, STOP_PATIENCE), (Signal::QUIT, QUIT_PATIENCE)] {
            self.signal(signal);
            if tokio::time::timeout(patience, self.ended()).await.is_ok() {
                return Ok(());
            }
            tracing::warn!(pid = self.pid(), ?signal, patience_s = patience.as_secs(), "the database stays");
        }
        let seconds = (STOP_PATIENCE + QUIT_PATIENCE).as_secs();
        Err(ClusterError::NotStopped { pid: self.pid(), seconds })
    }

    fn signal(&self, signal: Signal) {
        let alive = self.alive.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(pid) = *alive
            && let Err(error) = kill_process(pid, signal)
        {
            tracing::warn!(pid = self.pid(), ?signal, %error, "the database could not be signalled");
        }
    }
}

impl Drop for Postmaster {
    fn drop(&mut self) {
        self.signal(Signal::INT);
    }
}

fn live_with(
    mut command: Command,
    held: DataDir,
    alive: &Mutex<Option<Pid>>,
    started: oneshot::Sender<std::io::Result<Pid>>,
    ended: &watch::Sender<Option<String>>,
) {
    let mut child = match command.spawn() {
        Ok(child) => child,
        Err(error) => {
            drop(held);
            // The receiver waits for this; if it is gone, nobody wants to know.
            let _ = started.send(Err(error));
            return;
        }
    };
    let Some(pid) = i32::try_from(child.id()).ok().and_then(Pid::from_raw) else { return };
    *alive.lock().unwrap_or_else(PoisonError::into_inner) = Some(pid);
    let wanted = started.send(Ok(pid)).is_ok();
    if !wanted && kill_process(pid, Signal::INT).is_err() {
        tracing::warn!(pid = child.id(), "a database that nobody waits for could not be stopped");
    }
    let status = collect(&mut child, pid, alive);
    drop(held);
    ended.send_replace(Some(match status {
        Ok(status) => format!("postgres ended with {status}"),
        Err(error) => format!("postgres was lost: {error}"),
    }));
}

/// Waits for the child in two steps, so that no signal is ever sent to an id that has been given away.
fn collect(child: &mut Child, pid: Pid, alive: &Mutex<Option<Pid>>) -> std::io::Result<ExitStatus> {
    while let Err(rustix::io::Errno::INTR) =
        waitid(WaitId::Pid(pid), WaitIdOptions::EXITED | WaitIdOptions::NOWAIT)
    {}
    let mut alive = alive.lock().unwrap_or_else(PoisonError::into_inner);
    *alive = None;
    child.wait()
}

/// Line 1 of the file is the server's id, line 8 its state: `pg_ctl` waits for the same.
fn says_ready(file: &Path, pid: &str) -> bool {
    fs::read_to_string(file).is_ok_and(|text| {
        let mut lines = text.lines().map(str::trim);
        lines.next() == Some(pid) && lines.nth(6) == Some("ready")
    })
}

/// Sends what the server prints to the end of its log.
pub(super) fn print_into(command: &mut Command, log: &PathBuf) -> std::io::Result<()> {
    let file = File::options().create(true).append(true).open(log)?;
    command.stdout(file.try_clone()?).stderr(file);
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_eighth_line_of_our_own_server_counts() {
        let top = tempfile::tempdir().unwrap();
        let file = top.path().join("postmaster.pid");
        assert!(!says_ready(&file, "77"));
        fs::write(&file, "77\n/d\n1\n5432\n/s\n\n  1 2\nstarting\n").unwrap();
        assert!(!says_ready(&file, "77"));
        fs::write(&file, "77\n/d\n1\n5432\n/s\n\n  1 2\nready   \n").unwrap();
        assert!(says_ready(&file, "77"));
        assert!(!says_ready(&file, "78"));
    }

    #[tokio::test]
    async fn a_child_that_ends_by_itself_is_noticed_and_gives_up_the_data_directory() {
        let top = tempfile::tempdir().unwrap();
        let held = DataDir::hold(top.path()).unwrap();
        let child = Postmaster::spawn(Command::new("false"), held).await.unwrap();
        assert_eq!(child.ended().await, "postgres ended with exit status: 1");
        DataDir::hold(top.path()).unwrap();
        child.stop().await.unwrap();
    }

    #[tokio::test]
    async fn a_program_that_cannot_be_started_is_an_error() {
        let top = tempfile::tempdir().unwrap();
        let held = DataDir::hold(top.path()).unwrap();
        let error = Postmaster::spawn(Command::new("/nowhere/postgres"), held).await.unwrap_err();
        assert!(error.to_string().starts_with("cannot start postgres: "), "{error}");
        DataDir::hold(top.path()).unwrap();
    }
}
