//! Servers left behind: when the service is killed, its database may outlive it for a moment, or for
//! good. Before a new one starts, the old one is stopped and its traces are removed.

use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};

use super::error::ClusterError;

/// How long an orphan may take to stop when asked.
const PATIENCE: Duration = Duration::from_secs(30);
/// How long it may take when told to drop everything.
const LAST_PATIENCE: Duration = Duration::from_secs(5);

/// Makes sure that no server works in `pgdata` and that none seems to. Call it only while holding the
/// data directory.
pub(super) async fn settle(pgdata: &Path) -> Result<(), ClusterError> {
    let left = processes_in(pgdata).await;
    let written = postmaster_pid(pgdata);
    if !left.is_empty() {
        let first = left.iter().copied().find(|pid| Some(*pid) == written);
        tracing::warn!(dir = %pgdata.display(), "stopping a database that an earlier run left behind");
        stop(pgdata, first).await?;
    }
    if let Some(pid) = written {
        // PostgreSQL takes a dead process that nobody has collected yet, or another with the same id, for a
        // live server. Neither works in the directory, so the file says nothing any more.
        if hides_its_directory(pid) {
            return Err(ClusterError::Orphan { dir: pgdata.to_owned(), pid: pid.as_raw_nonzero().get() });
        }
        let file = pgdata.join("postmaster.pid");
        match fs::remove_file(&file) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(ClusterError::io(format!("remove {}", file.display()))(error));
            }
            _ => {}
        }
    }
    Ok(())
}

/// Stops the server; without its first process the others end by themselves, as a rule.
async fn stop(pgdata: &Path, first: Option<Pid>) -> Result<(), ClusterError> {
    if let Some(pid) = first {
        signal(pid, Signal::INT);
    }
    if wait_until(PATIENCE, || is_deserted(pgdata)).await {
        return Ok(());
    }
    for pid in processes_in(pgdata).await {
        signal(pid, Signal::QUIT);
    }
    if wait_until(LAST_PATIENCE, || is_deserted(pgdata)).await {
        return Ok(());
    }
    match processes_in(pgdata).await.first() {
        Some(pid) => Err(ClusterError::Orphan { dir: pgdata.to_owned(), pid: pid.as_raw_nonzero().get() }),
        None => Ok(()),
    }
}

fn signal(pid: Pid, signal: Signal) {
    if let Err(error) = kill_process(pid, signal) {
        tracing::debug!(pid = pid.as_raw_nonzero().get(), %error, "a process left behind is gone already");
    }
}

async fn is_deserted(pgdata: &Path) -> bool {
    processes_in(pgdata).await.is_empty()
}

/// The server's processes that work in `pgdata`: every one of them has it as its working directory,
/// which, unlike the id in a file, cannot be mistaken for another's.
pub(super) async fn processes_in(pgdata: &Path) -> Vec<Pid> {
    let dir = pgdata.to_owned();
    tokio::task::spawn_blocking(move || scan(&dir)).await.unwrap_or_default()
}

fn scan(pgdata: &Path) -> Vec<Pid> {
    let Ok(wanted) = fs::metadata(pgdata) else { return Vec::new() };
    let Ok(entries) = fs::read_dir("/proc") else { return Vec::new() };
    entries
        .flatten()
        .filter_map(|entry| {
            let pid = Pid::from_raw(entry.file_name().to_str()?.parse().ok()?)?;
            let cwd = fs::metadata(entry.path().join("cwd")).ok()?;
            let same = (cwd.dev(), cwd.ino()) == (wanted.dev(), wanted.ino());
            // A person's shell may stand in the directory too.
            let postgres =
                fs::read_to_string(entry.path().join("comm")).is_ok_and(|c| c.trim() == "postgres");
            (same && postgres).then_some(pid)
        })
        .collect()
}

fn postmaster_pid(pgdata: &Path) -> Option<Pid> {
    let text = fs::read_to_string(pgdata.join("postmaster.pid")).ok()?;
    Pid::from_raw(text.lines().next()?.trim().parse().ok()?)
}

/// Whether the process is a server whose working directory we may not see: it could be the one.
fn hides_its_directory(pid: Pid) -> bool {
    let of_process = PathBuf::from(format!("/proc/{}", pid.as_raw_nonzero()));
    let denied = fs::metadata(of_process.join("cwd"))
        .is_err_and(|error| error.kind() == io::ErrorKind::PermissionDenied);
    denied && is_postgres(&of_process)
}

fn is_postgres(of_process: &Path) -> bool {
    fs::read_to_string(of_process.join("comm")).is_ok_and(|name| name.trim() == "postgres")
}

/// Waits for a condition; false when it does not come within `patience`.
pub(super) async fn wait_until<F: Future<Output = bool>>(
    patience: Duration,
    mut condition: impl FnMut() -> F,
) -> bool {
    let watch = async {
        let mut tick = tokio::time::interval(Duration::from_millis(5));
        loop {
            tick.tick().await;
            if condition().await {
                return;
            }
        }
    };
    tokio::time::timeout(patience, watch).await.is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn the_traces_of_a_dead_server_are_removed_even_if_its_id_lives_on() {
        let top = tempfile::tempdir().unwrap();
        // This very process has the id, but neither the name nor the working directory of a server.
        fs::write(top.path().join("postmaster.pid"), format!("{}\n/x\n", std::process::id())).unwrap();
        settle(top.path()).await.unwrap();
        assert!(!top.path().join("postmaster.pid").exists());
    }
}
