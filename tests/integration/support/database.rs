//! A database of its own for every test: a copy of a template that is migrated once per set of migrations.

use std::str::FromStr;
use std::sync::atomic::{AtomicU32, Ordering};

use sha2::{Digest, Sha256};
use sqlx::postgres::PgConnectOptions;
use sqlx::{ConnectOptions, Connection, PgConnection};
use ullage::store::seal::{KeyRing, KeySource};
use ullage::store::{MIGRATOR, Store};

/// Whoever makes the template holds this advisory lock: each test is a process of its own.
const TEMPLATE_LOCK: i64 = 1_887_112_500;
/// What secrets are sealed with in the tests, unless a test is about just that.
pub(crate) const KEY: &str = "5eca5eca5eca5eca5eca5eca5eca5eca5eca5eca5eca5eca5eca5eca5eca5eca";
/// Connections of one test's store. Many tests run beside each other.
const CONNECTIONS: u32 = 5;

/// A database that is dropped with the value.
#[derive(Debug)]
pub(crate) struct TestDatabase {
    name: String,
    server: PgConnectOptions,
}

impl TestDatabase {
    /// A new database with the schema and no rows.
    pub(crate) async fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let server = server();
        let mut admin = server.connect().await.expect("the server of DATABASE_URL answers");
        let template = template(&server, &mut admin).await;
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("ullage_test_{}_{count}", std::process::id());
        // One of that name can only have been left by a test that was killed.
        execute(&mut admin, &format!("drop database if exists {name} with (force)")).await;
        execute(&mut admin, &format!("create database {name} template {template} strategy file_copy")).await;
        admin.close().await.unwrap();
        Self { name, server }
    }

    /// A store on it, with connections of its own.
    pub(crate) async fn store(&self) -> Store {
        Store::connect(self.options(), CONNECTIONS).await.unwrap().with_keys(keys()).unwrap()
    }

    /// How to connect to it.
    pub(crate) fn options(&self) -> PgConnectOptions {
        self.server.clone().database(&self.name)
    }

    /// Its address, for a program that is started on it.
    pub(crate) fn url(&self) -> String {
        self.options().to_url_lossy().to_string()
    }
}

impl Drop for TestDatabase {
    fn drop(&mut self) {
        let (server, name) = (self.server.clone(), self.name.clone());
        // A value that is dropped cannot wait, and the test's own runtime may be ending.
        let dropping = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let mut admin = server.connect().await.unwrap();
                execute(&mut admin, &format!("drop database if exists {name} with (force)")).await;
                admin.close().await.unwrap();
            });
        });
        assert!(dropping.join().is_ok() || std::thread::panicking(), "{} stays", self.name);
    }
}

/// The keys of the tests' stores.
pub(crate) fn keys() -> KeySource {
    KeySource::Given(KeyRing::parse(KEY).unwrap())
}

/// The server that the tests run on.
fn server() -> PgConnectOptions {
    let url = std::env::var("DATABASE_URL").ok().filter(|url| !url.is_empty());
    let url = url.expect("DATABASE_URL names no server to test on; start these tests with: tests/run rust");
    PgConnectOptions::from_str(&url).unwrap()
}

/// The name of a migrated, empty database that nobody connects to.
async fn template(server: &PgConnectOptions, admin: &mut PgConnection) -> String {
    let mut hash = Sha256::new();
    for migration in MIGRATOR.iter() {
        hash.update(&migration.checksum);
    }
    let hash: String = hash.finalize().iter().take(6).map(|byte| format!("{byte:02x}")).collect();
    let name = format!("ullage_template_{hash}");
    sqlx::query("select pg_advisory_lock($1)").bind(TEMPLATE_LOCK).execute(&mut *admin).await.unwrap();
    let ready: bool =
        sqlx::query_scalar("select exists (select from pg_database where datname = $1 and datistemplate)")
            .bind(&name)
            .fetch_one(&mut *admin)
            .await
            .unwrap();
    if !ready {
        execute(admin, &format!("drop database if exists {name} with (force)")).await;
        execute(admin, &format!("create database {name}")).await;
        let store = Store::open(server.clone().database(&name), 1, keys()).await.unwrap();
        store.close().await;
        execute(admin, &format!("alter database {name} with is_template true allow_connections false")).await;
    }
    sqlx::query("select pg_advisory_unlock($1)").bind(TEMPLATE_LOCK).execute(&mut *admin).await.unwrap();
    name
}

async fn execute(admin: &mut PgConnection, sql: &str) {
    sqlx::raw_sql(sqlx::AssertSqlSafe(sql.to_owned())).execute(admin).await.unwrap();
}
