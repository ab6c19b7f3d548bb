//! Finds the programs of PostgreSQL: `postgres` and `initdb`, of a major version that fits the data.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use super::account::Account;
use super::error::ClusterError;
use super::fetch;
use super::process;
use super::version::{PgVersion, SUPPORTED_MAJORS};

/// Where Debian's packages put each major version.
const PACKAGED: &str = "/usr/lib/postgresql";

/// A directory that holds `postgres` and `initdb`, with links resolved, so that both find their share
/// directory.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Binaries {
    pub(super) dir: PathBuf,
    pub(super) version: PgVersion,
}

/// Asks a program for its version.
type Probe = fn(&Path, Option<&Account>) -> Option<PgVersion>;

/// What to look for, and where.
#[derive(Debug)]
pub(super) struct Search<'a> {
    /// A directory that somebody named: nothing else will do then.
    pub(super) explicit: Option<&'a Path>,
    /// The major version of the data that exist.
    pub(super) data_major: Option<u32>,
    /// Whom the programs must be able to run as.
    pub(super) account: Option<&'a Account>,
    path: Vec<PathBuf>,
    packaged: PathBuf,
    cached: PathBuf,
    probe: Probe,
}

impl<'a> Search<'a> {
    /// A search of this machine.
    pub(super) fn here(
        explicit: Option<&'a Path>,
        data_major: Option<u32>,
        account: Option<&'a Account>,
    ) -> Self {
        Self {
            explicit,
            data_major,
            account,
            path: std::env::var_os("PATH").map(|p| std::env::split_paths(&p).collect()).unwrap_or_default(),
            packaged: PACKAGED.into(),
            cached: fetch::bin_dir(),
            probe: ask_version,
        }
    }

    /// Finds the programs: the explicit setting, then PATH, then Debian's packages with the newest first,
    /// then what was fetched before. `Ok(Err(notes))` says what was seen and would not do.
    pub(super) fn find(&self) -> Result<Result<Binaries, Vec<String>>, ClusterError> {
        if let Some(dir) = self.explicit {
            return self.check_explicit(dir);
        }
        let mut notes = Vec::new();
        for dir in self.candidates() {
            match self.examine(&dir) {
                Ok(found) => return Ok(Ok(found)),
                Err(note) => notes.extend(note.filter(|note| !notes.contains(note))),
            }
        }
        Ok(Err(notes))
    }

    fn candidates(&self) -> Vec<PathBuf> {
        let mut dirs: Vec<PathBuf> = self.path.clone();
        dirs.extend(packaged_newest_first(&self.packaged).into_iter().map(|(_, dir)| dir));
        dirs.push(self.cached.clone());
        dirs
    }

    /// `Err(None)` when there is nothing at all, `Err(Some(why))` when there is but it will not do.
    fn examine(&self, dir: &Path) -> Result<Binaries, Option<String>> {
        // /usr/local/bin/postgres may be a link into a package: initdb then lies beside its target.
        let Ok(postgres) = dir.join("postgres").canonicalize() else { return Err(None) };
        let real = postgres.parent().unwrap_or(dir).to_owned();
        if !real.join("initdb").exists() {
            return Err(Some(format!("{} has postgres but no initdb", real.display())));
        }
        let Some(version) = (self.probe)(&postgres, self.account) else {
            return Err(Some(format!("{} does not run", postgres.display())));
        };
        let fits = match self.data_major {
            Some(major) => version.major == major,
            None => SUPPORTED_MAJORS.contains(&version.major),
        };
        if fits {
            Ok(Binaries { dir: real, version })
        } else {
            Err(Some(ClusterError::describe_skip(&real, version)))
        }
    }

    /// Of the wrong version for the data is one fault, being of no use at all another.
    fn check_explicit(&self, dir: &Path) -> Result<Result<Binaries, Vec<String>>, ClusterError> {
        match self.examine(dir) {
            Ok(found) => Ok(Ok(found)),
            Err(Some(note)) if self.data_major.is_some() => Ok(Err(vec![note])),
            Err(note) => Err(ClusterError::BadBinaries {
                dir: dir.to_owned(),
                why: note.unwrap_or_else(|| "it has no postgres".to_owned()),
            }),
        }
    }
}

/// The packaged directories with their majors, the newest that the tool supports first.
pub(super) fn packaged_newest_first(root: &Path) -> Vec<(u32, PathBuf)> {
    let mut found: Vec<(u32, PathBuf)> = std::fs::read_dir(root)
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| {
            let major = entry.file_name().to_str()?.parse().ok()?;
            Some((major, entry.path().join("bin")))
        })
        .collect();
    found.sort_by_key(|(major, _)| (!SUPPORTED_MAJORS.contains(major), std::cmp::Reverse(*major)));
    found
}

/// The packaged directories of this machine.
pub(super) fn packaged() -> Vec<PathBuf> {
    packaged_newest_first(Path::new(PACKAGED)).into_iter().map(|(_, dir)| dir).collect()
}

/// Runs `program --version` as the user that it will have to run as.
pub(super) fn ask_version(program: &Path, account: Option<&Account>) -> Option<PgVersion> {
    let output =
        process::command(program, account, Path::new("/")).arg(OsStr::new("--version")).output().ok()?;
    PgVersion::from_banner(&String::from_utf8_lossy(&output.stdout))
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    /// A pretended installation: the file `postgres` holds what it would print.
    fn install(dir: &Path, version: &str) {
        fs::create_dir_all(dir).unwrap();
        fs::write(dir.join("postgres"), format!("postgres (PostgreSQL) {version}")).unwrap();
        fs::write(dir.join("initdb"), "").unwrap();
    }

    fn read_version(program: &Path, _: Option<&Account>) -> Option<PgVersion> {
        PgVersion::from_banner(&fs::read_to_string(program).ok()?)
    }

    fn search(top: &Path) -> Search<'static> {
        Search {
            explicit: None,
            data_major: None,
            account: None,
            path: vec![top.join("path")],
            packaged: top.join("packaged"),
            cached: top.join("cached"),
            probe: read_version,
        }
    }

    fn dir_found(search: &Search<'_>) -> PathBuf {
        search.find().unwrap().unwrap().dir
    }

    #[test]
    fn the_order_is_explicit_path_packaged_newest_first_cache() {
        let top = tempfile::tempdir().unwrap();
        let top = top.path().canonicalize().unwrap();
        let mut search = search(&top);
        assert_eq!(search.find().unwrap(), Err(vec![]));
        install(&top.join("cached"), "18.6");
        assert_eq!(dir_found(&search), top.join("cached"));
        install(&top.join("packaged/15/bin"), "15.18");
        install(&top.join("packaged/17/bin"), "17.2");
        install(&top.join("packaged/19/bin"), "19.0");
        assert_eq!(dir_found(&search), top.join("packaged/17/bin"));
        install(&top.join("path"), "16.1");
        assert_eq!(dir_found(&search), top.join("path"));
        let explicit = top.join("explicit");
        install(&explicit, "15.1");
        search.explicit = Some(&explicit);
        assert_eq!(dir_found(&search), explicit);
    }

    #[test]
    fn existing_data_choose_their_own_major_and_a_newer_one_is_refused() {
        let top = tempfile::tempdir().unwrap();
        let top = top.path().canonicalize().unwrap();
        install(&top.join("path"), "18.0");
        install(&top.join("packaged/16/bin"), "16.4");
        let mut search = search(&top);
        search.data_major = Some(16);
        assert_eq!(dir_found(&search), top.join("packaged/16/bin"));
        search.data_major = Some(17);
        let notes = search.find().unwrap().unwrap_err();
        assert_eq!(notes.len(), 2, "{notes:?}");
        let explicit = top.join("path");
        search.explicit = Some(&explicit);
        assert_eq!(
            search.find().unwrap().unwrap_err(),
            [format!("{} is PostgreSQL 18.0", explicit.display())]
        );
    }

    #[test]
    fn a_link_leads_to_the_programs_beside_its_target() {
        let top = tempfile::tempdir().unwrap();
        let top = top.path().canonicalize().unwrap();
        install(&top.join("packaged/15/bin"), "15.18");
        fs::create_dir(top.join("path")).unwrap();
        std::os::unix::fs::symlink(top.join("packaged/15/bin/postgres"), top.join("path/postgres")).unwrap();
        assert_eq!(dir_found(&search(&top)), top.join("packaged/15/bin"));
    }

    #[test]
    fn an_explicit_directory_that_will_not_do_is_named_with_the_reason() {
        let top = tempfile::tempdir().unwrap();
        let mut search = search(top.path());
        let empty = top.path().join("empty");
        search.explicit = Some(&empty);
        let text = search.find().unwrap_err().to_string();
        assert!(text.contains("empty cannot be used: it has no postgres; give"), "{text}");
        install(&empty, "12.3");
        let text = search.find().unwrap_err().to_string();
        assert!(text.contains("is PostgreSQL 12.3"), "{text}");
    }
}
