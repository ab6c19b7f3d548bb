//! Finds client programs (`psql`, `pg_dump`, `pg_restore`) that are new enough for a server.

use std::path::{Path, PathBuf};

use super::binaries;
use super::error::ClusterError;
use super::fetch;

/// Finds `program` of major version `at_least` or newer: beside the server's own programs (`near`), on
/// PATH, among Debian's packages, then among what was fetched. An older `pg_dump` refuses a newer server.
///
/// # Errors
/// [`ClusterError::NoClient`] names the package to install.
pub fn find_client(program: &str, at_least: u32, near: Option<&Path>) -> Result<PathBuf, ClusterError> {
    let mut dirs: Vec<PathBuf> = near.map(Path::to_owned).into_iter().collect();
    if let Some(path) = std::env::var_os("PATH") {
        dirs.extend(std::env::split_paths(&path));
    }
    dirs.extend(binaries::packaged());
    dirs.push(fetch::bin_dir());
    dirs.into_iter()
        .map(|dir| dir.join(program))
        .filter(|file| file.is_file())
        .find(|file| binaries::ask_version(file, None).is_some_and(|version| version.major >= at_least))
        .ok_or_else(|| ClusterError::NoClient { program: program.to_owned(), at_least })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_client_that_nobody_has_is_asked_for_by_package() {
        let text = find_client("psql-of-nobody", 18, None).unwrap_err().to_string();
        assert_eq!(
            text,
            "no psql-of-nobody of version 18 or newer was found; install the Debian package \
             postgresql-client-18"
        );
    }
}
