//! How the programs of PostgreSQL are started: as whom, with which environment, and bound to our life.

use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Command, Stdio};

use rustix::io::Errno;
use rustix::process::Signal;

use super::account::Account;

/// A command that runs as `account` in `cwd`, without the caller's PostgreSQL settings and without input.
pub(super) fn command(program: &Path, account: Option<&Account>, cwd: &Path) -> Command {
    let mut command = Command::new(program);
    for (name, _) in std::env::vars_os() {
        // PGDATA, PGPORT, PGOPTIONS and their like would lead it somewhere else.
        if name.as_encoded_bytes().starts_with(b"PG") {
            command.env_remove(name);
        }
    }
    command.env("LC_ALL", "C.UTF-8").env("TZ", "UTC").stdin(Stdio::null()).current_dir(cwd);
    if let Some(account) = account {
        account.apply(&mut command);
    }
    command
}

/// Puts the command into a process group of its own, so that Ctrl-C reaches us alone and we stop it in
/// order, and has the kernel send it `signal` when the thread that spawns it ends, however that comes.
pub(super) fn bind_to_our_life(command: &mut Command, signal: Signal) {
    command.process_group(0);
    let parent = i32::try_from(std::process::id()).ok();
    #[allow(unsafe_code, reason = "std offers no other way to act between fork and exec")]
    // SAFETY: the closure runs in the forked child and makes two system calls, both safe after a fork; it
    // allocates nothing and takes no lock. It runs after the change of user, which would undo the setting.
    unsafe {
        command.pre_exec(move || {
            rustix::process::set_parent_process_death_signal(Some(signal))?;
            // The parent may have died before the setting was made, and then nothing would ever be sent.
            let now = rustix::process::getppid().map(|pid| pid.as_raw_nonzero().get());
            if now == parent { Ok(()) } else { Err(Errno::SRCH.into()) }
        });
    }
}
