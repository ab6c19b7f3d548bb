//! A copy of the store in one file, and the way back into an empty store.

use std::fs::{self, File};
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};

use anyhow::{Context, bail};

use super::client;
use super::foreground::{self, Signals};
use crate::clock::Clock;
use crate::store::cluster::{find_client, nature};
use crate::store::reach::Reached;

/// Writes the copy under another name and renames it when it is whole: a half file never has the name.
pub(super) async fn dump(store: &Reached, out: Option<PathBuf>) -> anyhow::Result<ExitCode> {
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

async fn write_copy(store: &Reached, partial: &Path, signals: &mut Signals) -> anyhow::Result<()> {
    let mut command = client(store, "pg_dump", 0)?;
    command.args(["--format=custom", "--no-owner", "--no-privileges"]);
    // Who polls what is of this moment: a copy would wait for processes that are not there.
    command
        .args(["poller", "device_lease", "device_ask"].map(|table| format!("--exclude-table-data={table}")));
    command.arg("--file").arg(partial);
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

/// Brings the copy in as one transaction, into a server of any version that the tool supports.
pub(super) async fn restore(store: &Reached, archive: &Archive) -> anyhow::Result<ExitCode> {
    let found = nature(&store.connect_options()?, &store.place).await?;
    if found.relations > 0 {
        bail!(
            "the store in {} is not empty (it has {} tables, views and sequences); a copy is only brought into \
             an empty one: give a new --data-dir or a new database",
            store.place,
            found.relations
        );
    }
    let script = script_of(store, archive)?;
    let mut psql = client(store, "psql", script.major)?;
    psql.args(["--no-psqlrc", "--quiet", "--set=ON_ERROR_STOP=1", "--file=-"]);
    let (reader, writer) = std::io::pipe().context("no pipe between pg_restore and psql")?;
    psql.stdin(reader).stdout(Stdio::null());
    let mut signals = Signals::listen()?;
    let feeding = tokio::task::spawn_blocking(move || feed(script.command, writer));
    let status = foreground::run(psql, &mut signals).await.context("psql could not be run")?;
    let fed = feeding.await.context("the copy could not be read")?;
    if status != 0 {
        bail!("psql ended with status {status}; the store in {} is still empty", store.place);
    }
    fed.with_context(|| format!("the copy could not be read; the store in {} is still empty", store.place))?;
    Ok(ExitCode::SUCCESS)
}

struct Script {
    command: Command,
    major: u32,
}

/// The copy as SQL. `pg_restore` can also talk to a server itself, but refuses one older than the
/// store that the copy came from.
fn script_of(store: &Reached, archive: &Archive) -> anyhow::Result<Script> {
    let major = archive.reader_major.max(store.version.major);
    let mut command = Command::new(find_client("pg_restore", major, store.binaries.as_deref())?);
    command.args(["--no-owner", "--no-privileges", "--file=-"]).arg(&archive.path);
    Ok(Script { command, major })
}

/// Passes the script on inside one transaction, which is committed only if the whole copy was read: an
/// end that comes too early leaves nothing.
fn feed(mut pg_restore: Command, mut to: impl Write) -> anyhow::Result<()> {
    let mut child = pg_restore.stdin(Stdio::null()).stdout(Stdio::piped()).spawn()?;
    let from = child.stdout.take().context("pg_restore has no output")?;
    let passed = pass_on(BufReader::new(from), &mut to);
    // Its output is closed by now, so that it ends even if psql has gone before it.
    let status = child.wait()?;
    passed?;
    if !status.success() {
        bail!("pg_restore ended with {status}");
    }
    Ok(to.write_all(b"COMMIT;\n")?)
}

fn pass_on(mut from: impl BufRead, to: &mut impl Write) -> std::io::Result<()> {
    to.write_all(b"BEGIN;\n")?;
    let mut line = Vec::new();
    loop {
        line.clear();
        if from.read_until(b'\n', &mut line)? == 0 {
            return Ok(());
        }
        let words = line.trim_ascii();
        // PostgreSQL 17 and later write this setting, and those before do not know it.
        if words != b"SET transaction_timeout = 0;" {
            to.write_all(&line)?;
        }
        let preamble = [&b"--"[..], b"SET ", b"SELECT pg_catalog.set_config(", b"\\restrict "];
        if !words.is_empty() && !preamble.iter().any(|start| words.starts_with(start)) {
            break;
        }
    }
    std::io::copy(&mut from, to).map(drop)
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

    fn fed(script: &str) -> (bool, String) {
        let mut command = Command::new("sh");
        command.args(["-c", script]);
        let mut out = Vec::new();
        let ok = feed(command, &mut out).is_ok();
        (ok, String::from_utf8(out).unwrap())
    }

    #[test]
    fn a_copy_is_committed_only_when_it_was_read_to_its_end() {
        assert_eq!(fed("echo 'CREATE TABLE a ();'"), (true, "BEGIN;\nCREATE TABLE a ();\nCOMMIT;\n".into()));
        assert_eq!(fed("echo 'CREATE TABLE a ();'; exit 1"), (false, "BEGIN;\nCREATE TABLE a ();\n".into()));
    }

    #[test]
    fn a_setting_that_older_servers_do_not_know_is_left_out_of_the_preamble_alone() {
        let setting = "SET transaction_timeout = 0;";
        let script = format!("--\n\nSET a = 0;\n{setting}\nSET b = 0;\nCOPY t FROM stdin;\n{setting}\n\\.\n");
        let mut out = Vec::new();
        pass_on(script.as_bytes(), &mut out).unwrap();
        let wanted = format!("BEGIN;\n--\n\nSET a = 0;\nSET b = 0;\nCOPY t FROM stdin;\n{setting}\n\\.\n");
        assert_eq!(String::from_utf8(out).unwrap(), wanted);
    }

    #[test]
    fn the_unfinished_copy_lies_beside_the_finished_one() {
        let partial = partial_name(Path::new("/backups/loft.dump")).unwrap();
        assert_eq!(partial.parent(), Some(Path::new("/backups")));
        assert!(partial_name(Path::new("/")).is_err());
    }
}
