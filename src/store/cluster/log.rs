//! The server's log: one file and the one before it, never more than a few megabytes.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The size at which the log is put aside.
const MAX_BYTES: u64 = 8 * 1024 * 1024;
/// How often its size is looked at.
const PERIOD: Duration = Duration::from_secs(60);

/// A place in the log: what comes after it was said by the present server.
#[derive(Debug)]
pub(super) struct Mark {
    pub(super) path: PathBuf,
    bytes: u64,
}

impl Mark {
    /// The present end of the log.
    pub(super) fn at_end(path: PathBuf) -> Self {
        let bytes = fs::metadata(&path).map_or(0, |data| data.len());
        Self { path, bytes }
    }

    /// The last fatal line, or else the last line at all, after the mark.
    pub(super) fn last_complaint(&self) -> Option<String> {
        let mut file = File::open(&self.path).ok()?;
        file.seek(SeekFrom::Start(self.bytes)).ok()?;
        let mut text = Vec::new();
        file.take(1024 * 1024).read_to_end(&mut text).ok()?;
        let text = String::from_utf8_lossy(&text);
        let fatal = |line: &&str| ["FATAL:", "PANIC:", "could not"].iter().any(|word| line.contains(word));
        let lines = || text.lines().rev().map(str::trim).filter(|line| !line.is_empty());
        lines().find(fatal).or_else(|| lines().next()).map(str::to_owned)
    }
}

/// Keeps the log small for as long as it is polled.
pub(super) async fn keep_small(path: PathBuf) {
    let mut tick = tokio::time::interval(PERIOD);
    loop {
        tick.tick().await;
        let path = path.clone();
        match tokio::task::spawn_blocking(move || put_aside(&path, MAX_BYTES)).await {
            Ok(Err(error)) => tracing::warn!(%error, "the database's log could not be put aside"),
            Ok(Ok(())) => {}
            Err(_) => return,
        }
    }
}

/// Copies a log that has grown beyond `max_bytes` to `.1` and empties it. The server goes on writing to
/// the same file, always at its end, so a rename would not do.
fn put_aside(path: &Path, max_bytes: u64) -> io::Result<()> {
    if fs::metadata(path)?.len() <= max_bytes {
        return Ok(());
    }
    fs::copy(path, path.with_extension("log.1"))?;
    File::options().write(true).open(path)?.set_len(0)
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn a_log_too_long_is_put_aside_and_written_on_from_its_start() {
        let top = tempfile::tempdir().unwrap();
        let path = top.path().join("postgres.log");
        let mut writer = File::options().create(true).append(true).open(&path).unwrap();
        writer.write_all(b"0123456789").unwrap();
        put_aside(&path, 10).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().len(), 10);
        put_aside(&path, 9).unwrap();
        writer.write_all(b"ab").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"ab");
        assert_eq!(fs::read(top.path().join("postgres.log.1")).unwrap(), b"0123456789");
    }

    #[test]
    fn only_complaints_after_the_mark_are_quoted() {
        let top = tempfile::tempdir().unwrap();
        let path = top.path().join("postgres.log");
        fs::write(&path, "FATAL:  an old one\n").unwrap();
        let mark = Mark::at_end(path.clone());
        assert_eq!(mark.last_complaint(), None);
        let mut text = fs::read_to_string(&path).unwrap();
        text.push_str("FATAL:  a new one\nLOG:  database system is shut down\n");
        fs::write(&path, text).unwrap();
        assert_eq!(mark.last_complaint().as_deref(), Some("FATAL:  a new one"));
    }
}
