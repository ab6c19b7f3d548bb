//! The key file: only its owner may read it, it is made once, and replaced as a whole.

use std::fs::{self, DirBuilder, File};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, OpenOptionsExt as _, fchown};
use std::path::{Path, PathBuf};

use zeroize::Zeroizing;

use super::KeyFault;
use super::key::{Key, KeyRing};

/// What stands above the keys in a file that is made here.
const HEAD: &str = "# The keys that secrets in Ullage's database are sealed with, the newest first. Keep a copy of this\n\
                    # file apart from copies of the database: without it communities and passwords are lost.\n";
/// No key file is longer.
const LONGEST: u64 = 65_536;

/// The keys of a file; `None` if there is no such file.
pub(super) fn read(path: &Path) -> Result<Option<KeyRing>, KeyFault> {
    let fault = |doing: &'static str| move |error| KeyFault::File { doing, path: path.to_owned(), error };
    let file = match File::open(path) {
        Ok(file) => file,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(fault("read")(error)),
    };
    let mode = file.metadata().map_err(fault("look at"))?.mode();
    if mode & 0o077 != 0 {
        return Err(KeyFault::Open { path: path.to_owned(), mode: mode & 0o777 });
    }
    let mut text = Zeroizing::new(String::new());
    file.take(LONGEST).read_to_string(&mut text).map_err(fault("read"))?;
    let ring = KeyRing::parse(&text);
    ring.map(Some).map_err(|what| KeyFault::NotKeys { path: path.to_owned(), what })
}

/// Makes a file with a new key unless there is one by now, and reads it.
pub(super) fn make(path: &Path) -> Result<KeyRing, KeyFault> {
    let fault = |error| KeyFault::File { doing: "make", path: path.to_owned(), error };
    if let Some(dir) = path.parent().filter(|dir| !dir.as_os_str().is_empty()) {
        DirBuilder::new().recursive(true).mode(0o700).create(dir).map_err(fault)?;
    }
    let written = write_beside(path, &KeyRing::of(Key::fresh()?)).map_err(fault)?;
    // A link is made only where there is nothing yet, and what it leads to is whole.
    let linked = fs::hard_link(&written, path);
    fs::remove_file(&written).map_err(fault)?;
    match linked {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(fault(error)),
        _ => sync_dir(path).map_err(fault)?,
    }
    read(path)?.ok_or_else(|| fault(io::ErrorKind::NotFound.into()))
}

/// Puts a ring in place of what a file holds. Whoever is killed in the middle leaves the old one. The file keeps its
/// owner, so that root may do it for a service.
pub(super) fn replace(path: &Path, ring: &KeyRing) -> Result<(), KeyFault> {
    let replace = || -> io::Result<()> {
        // A link to the file stays a link.
        let path = match path.canonicalize() {
            Err(error) if error.kind() == io::ErrorKind::NotFound => path.to_owned(),
            found => found?,
        };
        let written = write_beside(&path, ring)?;
        fs::rename(&written, &path)?;
        sync_dir(&path)
    };
    replace().map_err(|error| KeyFault::File { doing: "write", path: path.to_owned(), error })
}

fn write_beside(path: &Path, ring: &KeyRing) -> io::Result<PathBuf> {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.new", std::process::id()));
    let beside = path.with_file_name(name);
    // What was left by a program that was killed is in the way.
    fs::remove_file(&beside).or_else(|error| match error.kind() {
        io::ErrorKind::NotFound => Ok(()),
        _ => Err(error),
    })?;
    let mut file = File::options().write(true).create_new(true).mode(0o600).open(&beside)?;
    if let Ok(old) = fs::metadata(path)
        && old.uid() != rustix::process::geteuid().as_raw()
    {
        fchown(&file, Some(old.uid()), Some(old.gid()))?;
    }
    let mut text = Zeroizing::new(HEAD.to_owned());
    for key in ring.keys() {
        text.push_str(&key.digits());
        text.push('\n');
    }
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    Ok(beside)
}

fn sync_dir(path: &Path) -> io::Result<()> {
    let dir = path.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(dir)?.sync_all()
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;

    #[test]
    fn a_file_is_made_once_for_its_owner_alone_and_replaced_whole() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("new/secrets.key");
        assert!(read(&path).unwrap().is_none());
        let first = make(&path).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().mode() & 0o777, 0o600);
        assert_eq!(make(&path).unwrap().first().id(), first.first().id(), "it is not made anew");
        let newer = first.with_first(Key::fresh().unwrap());
        replace(&path, &newer).unwrap();
        let ids = |ring: &KeyRing| ring.keys().map(Key::id).collect::<Vec<_>>();
        assert_eq!(ids(&read(&path).unwrap().unwrap()), ids(&newer));
        assert_eq!(fs::metadata(&path).unwrap().mode() & 0o777, 0o600);
        assert_eq!(fs::read_dir(path.parent().unwrap()).unwrap().count(), 1, "nothing else is left");
    }

    #[test]
    fn what_others_may_read_and_what_holds_no_key_is_refused_in_a_sentence() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("secrets.key");
        make(&path).unwrap();
        for mode in [0o640, 0o604, 0o620] {
            fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
            let fault = read(&path).unwrap_err().to_string();
            assert!(fault.contains("chmod 600") && fault.contains(&format!("{mode:o}")), "{fault}");
        }
        fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
        fs::write(&path, "velvet-curtain\n").unwrap();
        let fault = read(&path).unwrap_err().to_string();
        assert!(fault.contains("line 1") && !fault.contains("velvet"), "{fault}");
        // A killed rotation leaves this.
        fs::write(path.with_file_name(format!("secrets.key.{}.new", std::process::id())), "half").unwrap();
        replace(&path, &KeyRing::of(Key::fresh().unwrap())).unwrap();
        assert!(read(&path).unwrap().is_some());
    }
}
