//! The settings that the managed server runs with: one small service on one machine.

use std::path::Path;

/// Arguments for `postgres`. They win over postgresql.conf; everything not named here is left to it.
pub(super) fn arguments(socket_dir: &Path, throwaway: bool) -> Vec<String> {
    let mut settings = vec![
        // Only the socket, and only for those who may enter its directory.
        "listen_addresses=".to_owned(),
        format!("unix_socket_directories={}", quoted_list_item(socket_dir)),
        "unix_socket_permissions=0700".to_owned(),
        format!("port={}", super::socket::PORT),
        "timezone=UTC".to_owned(),
        "log_timezone=UTC".to_owned(),
        // The store of a print room fits; the rest is the system's page cache.
        "shared_buffers=32MB".to_owned(),
        "max_wal_size=256MB".to_owned(),
        // Compiling a query costs more than any of ours takes.
        "jit=off".to_owned(),
        // Into the file that the process starts with, which the service keeps small.
        "logging_collector=off".to_owned(),
        "log_destination=stderr".to_owned(),
        "log_line_prefix=%m [%p] ".to_owned(),
        "log_checkpoints=off".to_owned(),
        "cluster_name=ullage".to_owned(),
    ];
    if throwaway {
        settings.extend(["fsync=off", "full_page_writes=off", "synchronous_commit=off"].map(str::to_owned));
        settings.extend(["autovacuum=off", "max_connections=200"].map(str::to_owned));
    }
    settings.into_iter().flat_map(|setting| ["-c".to_owned(), setting]).collect()
}

/// The setting is a list in the style of SQL identifiers: quotes keep commas and spaces.
fn quoted_list_item(path: &Path) -> String {
    format!("\"{}\"", path.display().to_string().replace('"', "\"\""))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_throwaway_server_trades_safety_for_speed() {
        let safe = arguments(Path::new("/d/socket"), false).join(" ");
        assert!(!safe.contains("fsync") && !safe.contains("full_page_writes"), "{safe}");
        assert!(safe.contains("-c listen_addresses= -c"), "{safe}");
        assert!(arguments(Path::new("/d"), true).contains(&"fsync=off".to_owned()));
    }

    #[test]
    fn a_socket_directory_with_commas_stays_one() {
        let all = arguments(Path::new("/a, b"), false);
        assert!(all.contains(&"unix_socket_directories=\"/a, b\"".to_owned()));
    }
}
