//! Polls that the store cannot take for now, on this machine's disk, until it can.
//!
//! The spool is a directory of files that are only ever added to. A poll that was put in is on the disk (fdatasync)
//! before it counts as kept; a file that a crash tore off loses its torn end and nothing else. What is taken out is
//! removed only after the store has committed it, so that a crash in between brings it in again, and the store passes
//! over what it has: each poll counts once. There is a bound: where it is reached, the oldest file goes, and how many
//! polls that cost is counted and told.

mod segment;

use std::collections::VecDeque;
use std::fs::{self, DirBuilder, File, TryLockError};
use std::io;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use tracing::warn;

use crate::domain::ids::DeviceId;
use crate::domain::poll::Poll;
use segment::Writer;

/// A full spool loses a sixteenth of what it holds, and a file is no larger than this.
const FILE_MOST: u64 = 4 * 1024 * 1024;
const FILES: u64 = 16;
const ENDING: &str = "polls";

/// A poll of a device that waits for the store.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spooled {
    /// Whose.
    pub device: DeviceId,
    /// What the device was called.
    pub name: String,
    /// When it was and what came of it.
    pub poll: Poll,
}

/// Why a poll could not be put into the spool, or the spool not be opened.
#[derive(Debug, thiserror::Error)]
pub enum SpoolError {
    /// Another process has it.
    #[error(
        "{0} is in use by another process; give every process that polls a directory of its own with poll.spool_dir"
    )]
    InUse(PathBuf),
    /// The disk or the system refused.
    #[error(
        "polls cannot be kept in {0}: {1}; make room or mend its permissions, or name another with poll.spool_dir"
    )]
    Disk(PathBuf, io::Error),
}

/// How full the spool is, and what it has lost since the service started.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Depth {
    /// Polls that wait.
    pub polls: u64,
    /// Octets on the disk.
    pub bytes: u64,
    /// When the first of them was.
    pub since: Option<Timestamp>,
    /// Polls that went because there was no more room.
    pub dropped: u64,
    /// Files of which not all could be read.
    pub damaged: u64,
    /// Polls that could not be put in, for the disk was full or gone.
    pub refused: u64,
}

/// The spool. Copies are the same one.
#[derive(Debug, Clone)]
pub struct Spool(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    dir: PathBuf,
    bytes_most: u64,
    state: Mutex<State>,
    /// Kept open: closing it gives the directory up.
    _lock: File,
}

#[derive(Debug, Default)]
struct State {
    /// Finished files, oldest first, then the one that is added to.
    files: VecDeque<Kept>,
    writer: Option<Writer>,
    next: u64,
    dropped: u64,
    damaged: u64,
    refused: u64,
}

#[derive(Debug)]
struct Kept {
    number: u64,
    polls: u64,
    bytes: u64,
    since: Option<Timestamp>,
}

/// Polls taken out, oldest first; they stay in the spool until [`Spool::done`].
#[derive(Debug)]
pub struct Batch {
    number: u64,
    /// The polls.
    pub polls: Vec<Spooled>,
}

impl Spool {
    /// Opens the spool in a directory, which is made if absent; it holds at most so many octets.
    ///
    /// # Errors
    /// See [`SpoolError`].
    pub fn open(dir: &Path, bytes_most: u64) -> Result<Self, SpoolError> {
        let disk = |error| SpoolError::Disk(dir.to_owned(), error);
        DirBuilder::new().recursive(true).mode(0o700).create(dir).map_err(disk)?;
        let options = || File::options().write(true).create(true).truncate(false).mode(0o600).to_owned();
        let lock = options().open(dir.join("lock")).map_err(disk)?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(SpoolError::InUse(dir.to_owned())),
            Err(TryLockError::Error(error)) => return Err(disk(error)),
        }
        let mut state = State::default();
        for number in numbers(dir).map_err(disk)? {
            state.take_over(dir, number).map_err(disk)?;
        }
        state.next = state.files.back().map_or(0, |kept| kept.number + 1);
        Ok(Self(Arc::new(Inner { dir: dir.to_owned(), bytes_most, state: Mutex::new(state), _lock: lock })))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether nothing waits.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.state().files.is_empty()
    }

    /// How full it is.
    #[must_use]
    pub fn depth(&self) -> Depth {
        let state = self.state();
        Depth {
            polls: state.files.iter().map(|kept| kept.polls).sum(),
            bytes: state.bytes(),
            since: state.files.iter().filter_map(|kept| kept.since).min(),
            dropped: state.dropped,
            damaged: state.damaged,
            refused: state.refused,
        }
    }

    /// Puts a poll in. It is on the disk when this returns. Blocks.
    ///
    /// # Errors
    /// If the disk refuses; then the poll is counted as refused, and what was there before stays.
    pub fn put(&self, spooled: &Spooled) -> Result<(), SpoolError> {
        let mut state = self.state();
        let put = segment::frame(spooled).and_then(|frame| {
            state.make_room(&self.0.dir, frame.len() as u64, self.0.bytes_most);
            state.add(&self.0.dir, &frame, spooled.poll.at, self.file_most())
        });
        if put.is_err() {
            state.refused += 1;
            // What a failed write left may be torn: the next poll begins a new file.
            state.writer = None;
        }
        put.map_err(|error| SpoolError::Disk(self.0.dir.clone(), error))
    }

    fn file_most(&self) -> u64 {
        (self.0.bytes_most / FILES).min(FILE_MOST)
    }

    /// The polls of the oldest file, in the order in which they were put in. Blocks.
    ///
    /// # Errors
    /// If the disk refuses.
    pub fn oldest(&self) -> Result<Option<Batch>, SpoolError> {
        let mut state = self.state();
        let Some(number) = state.files.front().map(|kept| kept.number) else { return Ok(None) };
        if state.files.len() == 1 {
            // What comes from now on goes into another file, so that this one is read whole.
            state.writer = None;
        }
        let read = segment::read(&file(&self.0.dir, number));
        let (polls, _) = read.map_err(|error| SpoolError::Disk(self.0.dir.clone(), error))?;
        Ok(Some(Batch { number, polls }))
    }

    /// The polls of a batch are in the store: they leave the spool. Blocks.
    ///
    /// # Errors
    /// If the disk refuses; the batch then comes again.
    pub fn done(&self, batch: &Batch) -> Result<(), SpoolError> {
        let mut state = self.state();
        match fs::remove_file(file(&self.0.dir, batch.number)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(SpoolError::Disk(self.0.dir.clone(), error));
            }
            _ => {}
        }
        state.files.retain(|kept| kept.number != batch.number);
        Ok(())
    }
}

impl State {
    fn bytes(&self) -> u64 {
        self.files.iter().map(|kept| kept.bytes).sum()
    }

    /// Takes a file over that an earlier run left.
    fn take_over(&mut self, dir: &Path, number: u64) -> io::Result<()> {
        let path = file(dir, number);
        let (polls, damaged) = segment::read(&path)?;
        if damaged {
            self.damaged += 1;
            warn!(path = %path.display(), polls = polls.len(), "a file of kept polls is torn off: what is whole comes in");
        }
        let bytes = fs::metadata(&path)?.len();
        let since = polls.iter().map(|spooled| spooled.poll.at).min();
        self.files.push_back(Kept { number, polls: polls.len() as u64, bytes, since });
        Ok(())
    }

    /// Drops the oldest files until so many octets more have room.
    fn make_room(&mut self, dir: &Path, more: u64, most: u64) {
        while self.bytes() + more > most && self.files.len() > 1 {
            let Some(oldest) = self.files.pop_front() else { return };
            self.dropped += oldest.polls;
            warn!(polls = oldest.polls, since = ?oldest.since, "no more room for polls that wait: the oldest are dropped");
            if let Err(error) = fs::remove_file(file(dir, oldest.number)) {
                warn!("a file of dropped polls stays in {}: {error}", dir.display());
            }
        }
    }

    fn add(&mut self, dir: &Path, frame: &[u8], at: Timestamp, most: u64) -> io::Result<()> {
        let is_full = |writer: &Writer| writer.length() + frame.len() as u64 > most;
        let mut writer = match self.writer.take().filter(|writer| !is_full(writer)) {
            Some(writer) => writer,
            None => {
                let number = self.next;
                self.next += 1;
                let writer = Writer::create(dir, &file(dir, number))?;
                self.files.push_back(Kept { number, polls: 0, bytes: writer.length(), since: None });
                writer
            }
        };
        let added = writer.add(frame);
        if let Some(kept) = self.files.back_mut() {
            kept.bytes = writer.length();
            if added.is_ok() {
                kept.polls += 1;
                kept.since = Some(kept.since.map_or(at, |since| since.min(at)));
            }
        }
        self.writer = Some(writer);
        added
    }
}

fn file(dir: &Path, number: u64) -> PathBuf {
    dir.join(format!("{number:020}.{ENDING}"))
}

/// The numbers of the files that are there, least first.
fn numbers(dir: &Path) -> io::Result<Vec<u64>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(dir)? {
        let path = entry?.path();
        if path.extension().is_some_and(|ending| ending == ENDING) {
            found.extend(path.file_stem().and_then(|stem| stem.to_str()?.parse::<u64>().ok()));
        }
    }
    found.sort_unstable();
    Ok(found)
}

#[cfg(test)]
mod tests;
