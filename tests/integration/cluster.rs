//! The managed database against the real PostgreSQL of this machine: started, killed and started again.
//! `ULLAGE_TEST_BINARIES` chooses another PostgreSQL than the first one found.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::fs;
use std::io::{BufRead, BufReader, Lines};
use std::os::unix::fs::MetadataExt;
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, ExitCode, Stdio};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use sqlx::{ConnectOptions, Connection as _, PgConnection};
use ullage::cli::db::{self, DbCommand};
use ullage::store::cluster::{Cluster, ClusterError, ClusterOptions, Connection, ThrowawayDir};
use ullage::store::reach::StoreAt;

const DEADLINE: Duration = Duration::from_secs(30);
const HELPER_DIR: &str = "ULLAGE_TEST_HELPER_DIR";

fn options(dir: &Path) -> ClusterOptions {
    ClusterOptions {
        data_dir: dir.to_owned(),
        binaries: std::env::var_os("ULLAGE_TEST_BINARIES").map(PathBuf::from),
        throwaway: false,
        allow_fetch: false,
    }
}

async fn start(dir: &Path) -> Cluster {
    Cluster::start(options(dir)).await.unwrap()
}

async fn connect(cluster: &Cluster) -> PgConnection {
    cluster.connect_options().connect().await.unwrap()
}

async fn fill(cluster: &Cluster, rows: i64) {
    let mut db = connect(cluster).await;
    sqlx::raw_sql("CREATE TABLE reading (id bigint PRIMARY KEY, level float8 NOT NULL)")
        .execute(&mut db)
        .await
        .unwrap();
    sqlx::query("INSERT INTO reading SELECT n, sqrt(n) FROM generate_series(1, $1) n")
        .bind(rows)
        .execute(&mut db)
        .await
        .unwrap();
    db.close().await.unwrap();
}

/// How many rows there are, and a digest of all of them.
async fn contents(cluster: &Cluster) -> (i64, String) {
    let mut db = connect(cluster).await;
    let found = sqlx::query_as(
        "SELECT count(*), coalesce(md5(string_agg(id || ':' || level, ',' ORDER BY id)), '') FROM reading",
    )
    .fetch_one(&mut db)
    .await
    .unwrap();
    db.close().await.unwrap();
    found
}

fn postmaster(dir: &Path) -> Pid {
    let text = fs::read_to_string(dir.join("pgdata/postmaster.pid")).unwrap();
    Pid::from_raw(text.lines().next().unwrap().trim().parse().unwrap()).unwrap()
}

async fn within_deadline(condition: impl Fn() -> bool) {
    let watch = async {
        let mut tick = tokio::time::interval(Duration::from_millis(5));
        while !condition() {
            tick.tick().await;
        }
    };
    tokio::time::timeout(DEADLINE, watch).await.unwrap();
}

fn same_status(code: ExitCode, wanted: u8) -> bool {
    format!("{code:?}") == format!("{:?}", ExitCode::from(wanted))
}

/// This test binary once more, as a process that holds a cluster and writes numbered rows until it is
/// killed. It prints each number after its commit.
struct Helper {
    child: Child,
    lines: Lines<BufReader<ChildStdout>>,
}

impl Helper {
    fn start(dir: &Path) -> Self {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "cluster::helper_that_writes_until_killed", "--ignored", "--nocapture"])
            .env(HELPER_DIR, dir)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        Self { child, lines }
    }

    fn next_number(&mut self) -> Option<i64> {
        self.lines.by_ref().find_map(|line| line.ok()?.strip_prefix("committed ")?.parse().ok())
    }

    /// Kills it and returns the last number that it had printed.
    fn kill(mut self) -> i64 {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        let mut last = 0;
        while let Some(number) = self.next_number() {
            last = number;
        }
        last
    }
}

#[tokio::test]
#[ignore = "not a test: other tests run it as a process of its own"]
async fn helper_that_writes_until_killed() {
    let Some(dir) = std::env::var_os(HELPER_DIR) else { return };
    let cluster = start(Path::new(&dir)).await;
    let mut db = connect(&cluster).await;
    sqlx::raw_sql("CREATE TABLE reading (id bigint PRIMARY KEY, level float8 NOT NULL)")
        .execute(&mut db)
        .await
        .unwrap();
    for number in 1_i64.. {
        sqlx::query("INSERT INTO reading VALUES ($1, 0)").bind(number).execute(&mut db).await.unwrap();
        println!("committed {number}");
    }
}

#[tokio::test]
async fn a_restart_keeps_the_data_and_leaves_nothing_running() {
    let dir = ThrowawayDir::new().unwrap();
    let cluster = start(dir.path()).await;
    assert!(cluster.version().major >= 15);
    fill(&cluster, 1000).await;
    let before = contents(&cluster).await;
    assert_eq!(before.0, 1000);
    cluster.stop().await.unwrap();
    assert!(!dir.path().join("pgdata/postmaster.pid").exists());
    assert!(!dir.path().join("connection").exists());

    let again = start(dir.path()).await;
    assert_eq!(contents(&again).await, before);
    let mut db = connect(&again).await;
    let settings: (String, String, String, String) = sqlx::query_as(
        "SELECT current_setting('listen_addresses'), current_setting('TimeZone'), current_setting('fsync'), \
         datcollate FROM pg_database WHERE datname = current_database()",
    )
    .fetch_one(&mut db)
    .await
    .unwrap();
    assert_eq!(settings, (String::new(), "UTC".into(), "on".into(), "C.UTF-8".into()));
    db.close().await.unwrap();
    again.stop().await.unwrap();
}

#[tokio::test]
async fn a_second_process_is_refused_and_the_first_goes_on() {
    let dir = ThrowawayDir::new().unwrap();
    let mut helper = Helper::start(dir.path());
    assert_eq!(helper.next_number(), Some(1));
    let error = Cluster::start(options(dir.path())).await.unwrap_err();
    let pid = helper.child.id();
    assert!(matches!(error, ClusterError::InUse { pid: Some(found), .. } if found == pid), "{error}");
    assert!(!error.to_string().contains('\n'));
    // Those that only want to look are let in.
    let other = Connection::of_running(dir.path()).await.unwrap();
    assert_eq!(other.pid, pid);
    let shell = |sql: &str| DbCommand::Shell { write: false, arguments: vec!["-qc".into(), sql.into()] };
    let source = || StoreAt::Managed(options(dir.path()));
    assert!(same_status(db::run(shell("SELECT 1/1"), source()).await.unwrap(), 0));
    assert!(same_status(db::run(shell("CREATE TABLE t ()"), source()).await.unwrap(), 1));
    let next = helper.next_number();
    assert!(next > Some(1), "{next:?}");

    // Nobody stops the database of a killed service, and yet it ends.
    let server = PathBuf::from(format!("/proc/{}/cwd", postmaster(dir.path()).as_raw_nonzero()));
    assert!(server.exists());
    helper.kill();
    within_deadline(|| !server.exists()).await;
}

#[tokio::test]
async fn a_killed_server_is_noticed_and_recovers_complete() {
    let dir = ThrowawayDir::new().unwrap();
    let cluster = start(dir.path()).await;
    fill(&cluster, 5000).await;
    let before = contents(&cluster).await;
    kill_process(postmaster(dir.path()), Signal::KILL).unwrap();
    let end = tokio::time::timeout(DEADLINE, cluster.ended()).await.unwrap();
    assert!(end.contains("signal: 9"), "{end}");
    cluster.stop().await.unwrap();
    let again = start(dir.path()).await;
    assert_eq!(contents(&again).await, before);
    again.stop().await.unwrap();
}

#[tokio::test]
async fn a_killed_service_leaves_complete_data_and_the_next_start_takes_over() {
    let dir = ThrowawayDir::new().unwrap();
    let mut helper = Helper::start(dir.path());
    while helper.next_number().unwrap() < 50 {}
    let last = helper.kill();
    let cluster = start(dir.path()).await;
    let (rows, _) = contents(&cluster).await;
    // The one after the last may have been committed without having been told.
    assert!(rows == last.max(50) || rows == last.max(50) + 1, "{rows} rows, {last} was the last told");
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn a_server_that_outlived_its_service_is_stopped_first() {
    let dir = ThrowawayDir::new().unwrap();
    let cluster = start(dir.path()).await;
    fill(&cluster, 100).await;
    let before = contents(&cluster).await;
    let program = cluster.connection().binaries.join("postgres");
    cluster.stop().await.unwrap();

    // Nothing ties this one to anybody's life.
    let pgdata = dir.path().join("pgdata");
    let owner = fs::metadata(&pgdata).unwrap();
    let mut command = Command::new(program);
    command.arg("-D").arg(&pgdata).args(["-c", "listen_addresses=", "-k"]).arg(dir.path().join("socket"));
    command.current_dir(&pgdata).stderr(Stdio::null()).stdin(Stdio::null());
    if owner.uid() != rustix::process::geteuid().as_raw() {
        command.gid(owner.gid()).uid(owner.uid());
    }
    let mut orphan = command.spawn().unwrap();
    within_deadline(|| {
        fs::read_to_string(pgdata.join("postmaster.pid")).is_ok_and(|text| text.contains("ready"))
    })
    .await;

    let again = start(dir.path()).await;
    assert_eq!(contents(&again).await, before);
    let end = orphan.wait().unwrap();
    assert_eq!((end.code(), end.signal()), (Some(0), None), "it was stopped in order");
    again.stop().await.unwrap();
}

#[tokio::test]
async fn data_of_another_major_are_refused_and_not_touched() {
    let dir = ThrowawayDir::new().unwrap();
    let pgdata = dir.path().join("pgdata");
    fs::create_dir(&pgdata).unwrap();
    fs::write(pgdata.join("PG_VERSION"), "11\n").unwrap();
    let error = Cluster::start(options(dir.path())).await.unwrap_err();
    assert!(matches!(error, ClusterError::WrongMajor { data_major: 11, .. }), "{error}");
    let left: Vec<_> = fs::read_dir(&pgdata).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left, ["PG_VERSION"]);
}

#[tokio::test]
async fn a_dump_restores_to_equal_rows_and_only_into_an_empty_store() {
    let (from, to, files) =
        (ThrowawayDir::new().unwrap(), ThrowawayDir::new().unwrap(), tempfile::tempdir().unwrap());
    let cluster = start(from.path()).await;
    fill(&cluster, 2000).await;
    let before = contents(&cluster).await;
    let file = files.path().join("loft.dump");
    // While the service runs …
    let managed = |dir: &ThrowawayDir| StoreAt::Managed(options(dir.path()));
    db::run(DbCommand::Dump { out: Some(file.clone()) }, managed(&from)).await.unwrap();
    let url = cluster.url();
    // … and never over a file that exists, or into a store that has something in it.
    let again = db::run(DbCommand::Dump { out: Some(file.clone()) }, managed(&from)).await.unwrap_err();
    assert!(again.to_string().contains("exists already"), "{again}");
    let full = db::run(DbCommand::Restore { file: file.clone() }, StoreAt::Server(url)).await.unwrap_err();
    assert!(full.to_string().contains("is not empty"), "{full}");
    let held = db::run(DbCommand::Restore { file: file.clone() }, managed(&from)).await.unwrap_err();
    assert!(held.to_string().contains("is in use by process"), "{held}");
    assert_eq!(contents(&cluster).await, before);
    cluster.stop().await.unwrap();

    db::run(DbCommand::Restore { file }, managed(&to)).await.unwrap();
    let restored = start(to.path()).await;
    assert_eq!(contents(&restored).await, before);
    restored.stop().await.unwrap();
    let names: Vec<_> = fs::read_dir(files.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names, ["loft.dump"], "no unfinished file stays");
}

#[tokio::test]
async fn a_command_gets_a_throwaway_database_and_its_status_comes_back() {
    let files = tempfile::tempdir().unwrap();
    let out = files.path().join("url");
    let script = format!("printf %s \"$DATABASE_URL\" > {}; exit 7", out.display());
    let command = DbCommand::With { throwaway: true, command: vec!["sh".into(), "-c".into(), script.into()] };
    // The data directory of the source is left alone.
    let source = StoreAt::Managed(options(&files.path().join("untouched")));
    assert!(same_status(db::run(command, source).await.unwrap(), 7));
    assert!(!files.path().join("untouched").exists());
    let url = fs::read_to_string(out).unwrap();
    let socket = url.split(['@', ':']).nth(2).unwrap().replace("%2F", "/");
    assert!(socket.starts_with('/'), "{url}");
    assert!(!Path::new(&socket).exists(), "the directory {socket} is gone with the database");
}
