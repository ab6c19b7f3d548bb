//! `ullage people`: who may come in to the pages. It works without coming in, for whoever has the store: the way
//! back when nobody remembers a password.

use std::process::ExitCode;

use anyhow::Context as _;

use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::access::Role;
use crate::store::Store;
use crate::store::people::Person;
use crate::store::reach::WhenInUse;
use crate::usecase::access::{Key, openid, people};

/// What to do about people.
#[derive(Debug, clap::Subcommand)]
pub enum PeopleCommand {
    /// Show who may come in
    List,
    /// Let somebody come in, and print the link by which they choose a password
    Add {
        /// What they come in under
        name: String,
        /// reader, operator or administrator
        #[arg(long, value_parser = role)]
        role: Role,
    },
    /// Give somebody another role
    Role {
        /// Their name
        name: String,
        /// reader, operator or administrator
        #[arg(value_parser = role)]
        role: Role,
    },
    /// Print a link by which somebody chooses another password
    Link {
        /// Their name
        name: String,
    },
    /// Forget who somebody is at the provider of sign-ins: whoever it names so next is them
    Forget {
        /// Their name here
        name: String,
    },
    /// Let somebody come in no longer; what they did stays under their name
    Retire {
        /// Their name
        name: String,
    },
}

fn role(word: &str) -> Result<Role, String> {
    Role::from_word(word).ok_or_else(|| "write reader, operator or administrator".to_owned())
}

/// Does it.
///
/// # Errors
/// If the store cannot be reached, or refuses.
pub async fn run(command: PeopleCommand, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let result = act(&open.store, command, &config).await;
    open.close_after(result).await
}

async fn act(store: &Store, command: PeopleCommand, config: &Config) -> anyhow::Result<ExitCode> {
    let now = clock().now();
    match command {
        PeopleCommand::List => {
            let everybody = store.people().await?;
            if everybody.is_empty() {
                println!("Nobody yet; only this machine may look, and nobody is asked for a name.");
            }
            for one in everybody {
                let waits = if one.has_password { "" } else { ", has not chosen a password yet" };
                println!("{}, {}{waits}", one.name, one.role);
            }
        }
        PeopleCommand::Add { name, role } => {
            // Whoever came first could otherwise lock everybody out of the set-up.
            anyhow::ensure!(
                role == Role::Administrator || store.has_people().await?,
                "the first to come in has to be an administrator; say --role administrator"
            );
            let key = people::add(store, &name, role, now).await??;
            tell_link(&name, &key, config);
        }
        PeopleCommand::Role { name, role } => {
            let name = people::change_role(store, named(store, &name).await?.id, role).await??;
            println!("{name} has the role of {role} now.");
        }
        PeopleCommand::Link { name } => {
            let (name, key) = people::link(store, named(store, &name).await?.id, now).await??;
            tell_link(&name, &key, config);
        }
        PeopleCommand::Forget { name } => {
            let one = named(store, &name).await?;
            anyhow::ensure!(
                openid::forget(store, one.id).await?,
                "nobody at a provider comes in as {}",
                one.name
            );
            println!("{}: whoever the provider names so next is them; every visit has ended.", one.name);
        }
        PeopleCommand::Retire { name } => {
            let name = people::retire(store, named(store, &name).await?.id, now).await??;
            println!("{name} comes in no longer.");
        }
    }
    Ok(ExitCode::SUCCESS)
}

async fn named(store: &Store, name: &str) -> anyhow::Result<Person> {
    let found = store.people().await?.into_iter().find(|one| one.name.to_lowercase() == name.to_lowercase());
    found.with_context(|| format!("nobody is named {name}; see `ullage people list`"))
}

fn tell_link(name: &str, key: &Key, config: &Config) {
    println!("Give {name} this link; it works once, and for two days:");
    println!("{}/link/{}", config.deliver.link.as_str().trim_end_matches('/'), key.letters());
}
