//! One file of the spool: a line that says what it is, then frames.
//!
//! A frame is the length of its body and the CRC-32 of it (the one of ISO 3309, by crc32fast), each as four octets
//! with the least first, and the body: a [`Spooled`] as JSON.

use std::fs::{self, File};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use super::Spooled;

/// The first line of every file; another version begins otherwise.
const MARK: &[u8] = b"ullage spool 1\n";
/// No body is longer: a printer's tables are bounded long before.
const BODY_MOST: usize = 8 * 1024 * 1024;
const HEAD: usize = 8;

/// A file that is being added to.
#[derive(Debug)]
pub(super) struct Writer {
    file: File,
    length: u64,
}

impl Writer {
    /// Makes a new file; the directory's entry of it is on the disk when this returns.
    pub(super) fn create(dir: &Path, path: &Path) -> io::Result<Self> {
        let mut file = File::options().write(true).create_new(true).mode(0o600).open(path)?;
        let begun =
            file.write_all(MARK).and_then(|()| file.sync_data()).and_then(|()| File::open(dir)?.sync_all());
        if let Err(error) = begun {
            // Half a file is worth nothing, and would count as one that was damaged.
            let _ = fs::remove_file(path);
            return Err(error);
        }
        Ok(Self { file, length: MARK.len() as u64 })
    }

    /// Over a file that a test has opened.
    #[cfg(test)]
    pub(super) fn of(file: File) -> Self {
        Self { file, length: 0 }
    }

    /// Adds a frame, which is on the disk when this returns. After an error the file ends where it did before, as far
    /// as the disk allows; the writer is not to be used again.
    pub(super) fn add(&mut self, frame: &[u8]) -> io::Result<()> {
        let added = self.file.write_all(frame).and_then(|()| self.file.sync_data());
        match added {
            Ok(()) => self.length += frame.len() as u64,
            Err(_) => drop(self.file.set_len(self.length)),
        }
        added
    }

    pub(super) fn length(&self) -> u64 {
        self.length
    }
}

/// A poll as a frame.
pub(super) fn frame(spooled: &Spooled) -> io::Result<Vec<u8>> {
    let body = serde_json::to_vec(spooled)?;
    let length = u32::try_from(body.len()).ok().filter(|_| body.len() <= BODY_MOST).ok_or_else(|| {
        io::Error::other(format!("an answer of {} octets is too long to be kept", body.len()))
    })?;
    let mut frame = Vec::with_capacity(HEAD + body.len());
    frame.extend_from_slice(&length.to_le_bytes());
    frame.extend_from_slice(&crc32fast::hash(&body).to_le_bytes());
    frame.extend_from_slice(&body);
    Ok(frame)
}

/// What a file holds: every whole frame up to the first that is not, and whether there was one that is not. A file
/// that a crash tore off ends so; nothing behind the tear can be trusted.
pub(super) fn read(path: &Path) -> io::Result<(Vec<Spooled>, bool)> {
    let bytes = fs::read(path)?;
    let Some(mut rest) = bytes.strip_prefix(MARK) else { return Ok((Vec::new(), true)) };
    let mut found = Vec::new();
    while !rest.is_empty() {
        let Some((spooled, behind)) = first(rest) else { return Ok((found, true)) };
        found.push(spooled);
        rest = behind;
    }
    Ok((found, false))
}

fn first(bytes: &[u8]) -> Option<(Spooled, &[u8])> {
    let (length, rest) = bytes.split_first_chunk::<4>()?;
    let (sum, rest) = rest.split_first_chunk::<4>()?;
    let length = usize::try_from(u32::from_le_bytes(*length)).ok().filter(|length| *length <= BODY_MOST)?;
    let (body, behind) = rest.split_at_checked(length)?;
    if crc32fast::hash(body) != u32::from_le_bytes(*sum) {
        return None;
    }
    Some((serde_json::from_slice(body).ok()?, behind))
}
