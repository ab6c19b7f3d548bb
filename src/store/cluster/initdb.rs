//! Makes a new database directory: under another name first, so that a half-made one is never used.

use std::fs;
use std::io;
use std::os::unix::fs::DirBuilderExt;
use std::path::Path;

use rustix::process::Signal;

use super::account::Account;
use super::binaries::Binaries;
use super::datadir::DataDir;
use super::error::ClusterError;
use super::process;

/// The database's superuser, and the only role: who may open the socket is settled by its directory.
pub(super) const ROLE: &str = "ullage";

/// Runs `initdb` and moves the result into place. Blocks for a second or so.
pub(super) fn make(
    data: &DataDir,
    binaries: &Binaries,
    account: Option<&Account>,
    durable: bool,
) -> Result<(), ClusterError> {
    let new = data.pgdata_in_the_making();
    match fs::remove_dir_all(&new) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            return Err(ClusterError::io(format!("remove the half-made {}", new.display()))(error));
        }
        _ => {}
    }
    make_dir(&new, account).map_err(ClusterError::io(format!("make {}", new.display())))?;
    let mut command = process::command(&binaries.dir.join("initdb"), account, Path::new("/"));
    command
        .arg("--pgdata")
        .arg(&new)
        .args(["--username", ROLE, "--auth", "trust", "--encoding", "UTF8", "--locale", "C.UTF-8"])
        .args(["--data-checksums", "--no-instructions"]);
    if !durable {
        command.arg("--no-sync");
    }
    process::bind_to_our_life(&mut command, Signal::KILL);
    let output = command.output().map_err(ClusterError::io("run initdb"))?;
    if !output.status.success() {
        let text = [&output.stdout[..], &output.stderr[..]].concat();
        return Err(ClusterError::Initdb { dir: new, said: complaint(&String::from_utf8_lossy(&text)) });
    }
    let place = data.pgdata();
    fs::rename(&new, &place).map_err(ClusterError::io(format!("move {} into place", new.display())))?;
    if durable {
        let sync = fs::File::open(data.root()).and_then(|dir| dir.sync_all());
        sync.map_err(ClusterError::io(format!("write out {}", data.root().display())))?;
    }
    Ok(())
}

fn make_dir(dir: &Path, account: Option<&Account>) -> io::Result<()> {
    fs::DirBuilder::new().mode(0o700).create(dir)?;
    match account {
        Some(account) => std::os::unix::fs::lchown(dir, Some(account.uid), Some(account.gid)),
        None => Ok(()),
    }
}

/// What initdb complains of, on one line.
fn complaint(output: &str) -> String {
    let lines: Vec<&str> = output
        .lines()
        .map(str::trim)
        .filter(|line| ["error:", "FATAL:", "hint:", "detail:"].iter().any(|word| line.contains(word)))
        .collect();
    match lines.as_slice() {
        [] => output.lines().rev().map(str::trim).find(|l| !l.is_empty()).unwrap_or("nothing").to_owned(),
        lines => lines.join(" "),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_complaint_is_one_line() {
        let output = "The files...\n\ninitdb: error: could not create directory \"/x\": No space left\n\
                      initdb: removing contents\n";
        assert_eq!(complaint(output), "initdb: error: could not create directory \"/x\": No space left");
        assert_eq!(complaint("odd\n\n"), "odd");
        assert_eq!(complaint(""), "nothing");
    }
}
