//! A copy of the store in one file, and the way back into an empty store.

use std::fs::{self, File};
use std::io::Read;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, bail};

use super::Store;
use super::foreground::{self, Signals};
use crate::clock::Clock;
use crate::store::cluster::nature;

/// Writes the copy under another name and renames it when it is whole: a half file never has the name.
pub(super) async fn dump(store: &Store, out: Option<PathBuf>) -> anyhow::Result<ExitCode> {
    let out = out.unwrap_or_else(default_name);
    if out.exists() {
        bail!("{} exists already; give another file with --out, or move it away", out.display());
    }
    let partial = partial_name(&out)?;
    // Made beforehand so that only we can read it: the copy holds everything.
    File::options()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(&partial)
        .with_context(|| format!("{} cannot be written", partial.display()))?;
    let mut signals = Signals::listen()?;
    let result = write_copy(store, &partial, &mut signals).await.and_then(|()| {
        fs::rename(&partial, &out).with_context(|| format!("the copy cannot be named {}", out.display()))
    });
    if let Err(error) = result {
        if let Err(also) = fs::remove_file(&partial) {
            tracing::warn!(path = %partial.display(), error = %also, "the unfinished copy stays");
        }
        return Err(error);
    }
    println!("{}", out.display());
    Ok(ExitCode::SUCCESS)
}

async fn write_copy(store: &Store, partial: &Path, signals: &mut Signals) -> anyhow::Result<()> {
    let mut command = store.client("pg_dump", 0)?;
    command.args(["--format=custom", "--no-owner", "--no-privileges", "--file"]).arg(partial);
    let status = foreground::run(command, signals).await.context("pg_dump could not be run")?;
    if status != 0 {
        bail!("pg_dump ended with status {status}; no copy of {} was written", store.place);
    }
    // On the disk before it has its name, or a power cut could leave the name with half the copy.
    let sync = File::open(partial).and_then(|file| file.sync_all());
    sync.with_context(|| format!("{} cannot be written out", partial.display()))
}

fn default_name() -> PathBuf {
    format!("ullage-{}.dump", Clock::system().now().strftime("%Y-%m-%dT%H%MZ")).into()
}

fn partial_name(out: &Path) -> anyhow::Result<PathBuf> {
    let name = out.file_name().with_context(|| format!("{} does not name a file", out.display()))?;
    Ok(out.with_file_name(format!(".{}.partial-{}", name.to_string_lossy(), std::process::id())))
}

/// A file that `pg_dump` wrote in its custom format.
#[derive(Debug)]
pub(super) struct Archive {
    path: PathBuf,
    /// The oldest major version of `pg_restore` that reads it.
    reader_major: u32,
}

impl Archive {
    /// Looks at the start of the file: a wrong one is refused before anything else happens.
    pub(super) fn open(path: &Path) -> anyhow::Result<Self> {
        let mut head = Vec::new();
        File::open(path)
            .and_then(|file| file.take(7).read_to_end(&mut head))
            .with_context(|| format!("{} cannot be read", path.display()))?;
        let reader_major = reader_of(&head).with_context(|| {
            format!("{} is not a copy of a store; give a file that `ullage db dump` wrote", path.display())
        })?;
        Ok(Self { path: path.to_owned(), reader_major })
    }
}

/// The format's version stands after its mark: 1.14 is read by PostgreSQL 12 and later, 1.15 by 16, 1.16 by
/// 17 (PostgreSQL's source, src/bin/pg_dump/pg_backup_archiver.h).
fn reader_of(head: &[u8]) -> Option<u32> {
    match head.strip_prefix(b"PGDMP")? {
        [1, ..=14] => Some(15),
        [1, 15] => Some(16),
        [1, 16] => Some(17),
        [_, _] => Some(18),
        _ => None,
    }
}

/// Brings the copy in as one transaction.
pub(super) async fn restore(store: &Store, archive: &Archive) -> anyhow::Result<ExitCode> {
    let found = nature(&store.connect_options()?, &store.place).await?;
    if found.relations > 0 {
        bail!(
            "the store in {} is not empty (it has {} tables, views and sequences); a copy is only brought into \
             an empty one: give a new --data-dir or a new database",
            store.place,
            found.relations
        );
    }
    let mut command = store.client("pg_restore", archive.reader_major)?;
    command.args(["--single-transaction", "--exit-on-error", "--no-owner", "--no-privileges"]);
    command.arg(&archive.path);
    let mut signals = Signals::listen()?;
    let status = foreground::run(command, &mut signals).await.context("pg_restore could not be run")?;
    if status != 0 {
        bail!("pg_restore ended with status {status}; the store in {} is still empty", store.place);
    }
    Ok(ExitCode::SUCCESS)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_archives_are_restored() {
        assert_eq!(reader_of(b"PGDMP\x01\x0e"), Some(15));
        assert_eq!(reader_of(b"PGDMP\x01\x10"), Some(17));
        assert_eq!(reader_of(b"PGDMP\x01\x11"), Some(18));
        assert_eq!(reader_of(b"PGDMP"), None);
        assert_eq!(reader_of(b"-- SQL "), None);
        assert_eq!(reader_of(b""), None);
    }

    #[test]
    fn the_unfinished_copy_lies_beside_the_finished_one() {
        let partial = partial_name(Path::new("/backups/loft.dump")).unwrap();
        assert_eq!(partial.parent(), Some(Path::new("/backups")));
        assert!(partial_name(Path::new("/")).is_err());
    }
}
