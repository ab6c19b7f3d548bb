//! The rules of the house that the compiler does not know: who may import whom, where SQL and the clock
//! live, how long a file may get.
//!
//! The sources are read as tokens, so that comments and strings break no rule and a grouped `use` hides
//! none. Every rule is also shown a planted breach, or a check that never fails would go unnoticed.

use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};

/// Lines after which a file is refused, and after which it is only named.
const LINES_AT_MOST: usize = 600;
const LINES_WANTED: usize = 400;

/// A module at the top of the library and what it may not import. `domain` and `snmp` are stricter: they
/// may import only what `ALLOWED` names.
const FORBIDDEN: &[(&str, &[&str])] = &[
    ("store", &["app", "cli", "jobs", "notify", "poller", "report", "site", "snmp", "usecase"]),
    ("poller", &["site"]),
    ("site", &["poller", "snmp"]),
    ("notify", &["poller", "snmp"]),
    ("report", &["poller", "snmp"]),
];
const ALLOWED: &[(&str, &[&str])] =
    &[("domain", &["domain"]), ("snmp", &["domain", "snmp"]), ("spool", &["domain", "spool"])];

/// Crates and parts of the standard library that would bring I/O, time or chance into `domain`.
const IMPURE: &[&[&str]] = &[
    &["sqlx"],
    &["tokio"],
    &["axum"],
    &["snmp2"],
    &["rand"],
    &["std", "env"],
    &["std", "fs"],
    &["std", "net"],
    &["std", "process"],
    &["std", "thread"],
    &["std", "time", "Instant"],
    &["std", "time", "SystemTime"],
];

/// One broken rule, as a person reads it.
#[derive(Debug, PartialEq)]
struct Breach {
    file: String,
    line: usize,
    what: String,
}

impl fmt::Display for Breach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: {}", self.file, self.line, self.what)
    }
}

/// A piece of Rust that matters for paths.
#[derive(Debug, PartialEq)]
enum Token {
    Word(String),
    Separator,
    Open,
    Close,
    Comma,
    Star,
    Other,
}

/// The tokens of a source text with their lines, without comments, strings and characters.
fn tokens(source: &str) -> Vec<(usize, Token)> {
    let chars: Vec<char> = source.chars().collect();
    let at = |i: usize| chars.get(i).copied().unwrap_or('\0');
    let (mut found, mut i, mut line) = (Vec::new(), 0, 1);
    while i < chars.len() {
        let start = i;
        match chars[i] {
            '/' if at(i + 1) == '/' => {
                while i < chars.len() && chars[i] != '\n' {
                    i += 1;
                }
            }
            '/' if at(i + 1) == '*' => {
                i += 2;
                while i < chars.len() && !(chars[i] == '*' && at(i + 1) == '/') {
                    i += 1;
                }
                i += 2;
            }
            '"' => i = end_of_string(&chars, i),
            'r' if raw_string_hashes(&chars, i).is_some() => i = end_of_raw_string(&chars, i),
            '\'' if at(i + 1) == '\\' || at(i + 2) == '\'' => {
                i += if at(i + 1) == '\\' { 3 } else { 2 };
                while i < chars.len() && chars[i] != '\'' {
                    i += 1;
                }
                i += 1;
            }
            c if c.is_alphanumeric() || c == '_' => {
                while i < chars.len() && (chars[i].is_alphanumeric() || chars[i] == '_') {
                    i += 1;
                }
                found.push((line, Token::Word(chars[start..i].iter().collect())));
            }
            ':' if at(i + 1) == ':' => {
                i += 2;
                found.push((line, Token::Separator));
            }
            c => {
                i += 1;
                match c {
                    '{' => found.push((line, Token::Open)),
                    '}' => found.push((line, Token::Close)),
                    ',' => found.push((line, Token::Comma)),
                    '*' => found.push((line, Token::Star)),
                    c if c.is_whitespace() => {}
                    _ => found.push((line, Token::Other)),
                }
            }
        }
        line += chars[start..i.min(chars.len())].iter().filter(|c| **c == '\n').count();
    }
    found
}

/// Where a string that opens at `i` is over.
fn end_of_string(chars: &[char], mut i: usize) -> usize {
    i += 1;
    while i < chars.len() && chars[i] != '"' {
        i += if chars[i] == '\\' { 2 } else { 1 };
    }
    i + 1
}

/// How many `#` stand between the `r` at `i` and its quote, if this opens a raw string at all.
fn raw_string_hashes(chars: &[char], i: usize) -> Option<usize> {
    let hashes = chars[i + 1..].iter().take_while(|c| **c == '#').count();
    let inside_word = i > 0 && (chars[i - 1].is_alphanumeric() && chars[i - 1] != 'b' || chars[i - 1] == '_');
    (!inside_word && chars.get(i + 1 + hashes) == Some(&'"')).then_some(hashes)
}

/// Where a raw string that opens at `i` is over.
fn end_of_raw_string(chars: &[char], mut i: usize) -> usize {
    let hashes = raw_string_hashes(chars, i).unwrap_or(0);
    i += hashes + 2;
    while i < chars.len() && !(chars[i] == '"' && chars[i + 1..].iter().take(hashes).all(|c| *c == '#')) {
        i += 1;
    }
    i + 1 + hashes
}

/// Every path in a source text, a grouped one as many: `a::{b, c::d}` is `a::b` and `a::c::d`.
fn paths(source: &str) -> Vec<(usize, Vec<String>)> {
    let tokens = tokens(source);
    let (mut found, mut i) = (Vec::new(), 0);
    while i < tokens.len() {
        match tokens[i].1 {
            Token::Word(_) => i = read_path(&tokens, i, &[], &mut found),
            _ => i += 1,
        }
    }
    found
}

/// Reads the path at `i` behind `prefix` and returns where it is over.
fn read_path(
    tokens: &[(usize, Token)],
    mut i: usize,
    prefix: &[String],
    found: &mut Vec<(usize, Vec<String>)>,
) -> usize {
    let mut path = prefix.to_vec();
    let line = tokens[i].0;
    loop {
        match tokens.get(i).map(|token| &token.1) {
            Some(Token::Word(word)) => path.push(word.clone()),
            Some(Token::Star) => path.push("*".to_owned()),
            Some(Token::Open) => return read_group(tokens, i + 1, &path, found),
            _ => break,
        }
        i += 1;
        if tokens.get(i).map(|token| &token.1) != Some(&Token::Separator) {
            break;
        }
        i += 1;
    }
    found.push((line, path));
    i
}

/// Reads the paths of a group up to its closing brace and returns where it is over.
fn read_group(
    tokens: &[(usize, Token)],
    mut i: usize,
    prefix: &[String],
    found: &mut Vec<(usize, Vec<String>)>,
) -> usize {
    while let Some((_, token)) = tokens.get(i) {
        match token {
            Token::Close => return i + 1,
            Token::Word(_) | Token::Star => i = read_path(tokens, i, prefix, found),
            _ => i += 1,
        }
    }
    i
}

/// The module at the top of the library that a path leads to, seen from a file `depth` modules deep.
///
/// `super` inside an inline module climbs one less than it seems to; such a path is counted when it could
/// leave the module and the next word names a module at the top.
fn top_module<'a>(path: &'a [String], depth: usize, tops: &[String]) -> Option<&'a str> {
    let first = path.first()?.as_str();
    let rest = match first {
        "crate" | "ullage" => &path[1..],
        "super" => {
            let climbs = path.iter().take_while(|word| *word == "super").count();
            if climbs < depth {
                return None;
            }
            &path[climbs..]
        }
        _ => return None,
    };
    rest.first().map(String::as_str).filter(|word| tops.iter().any(|top| top == word))
}

/// Breaches of the import rules, of the place of SQL and of the clock, in one file of `src`.
fn breaches(file: &str, source: &str, tops: &[String]) -> Vec<Breach> {
    let inner = file.trim_start_matches("src/").trim_end_matches(".rs");
    let modules: Vec<&str> =
        inner.split('/').filter(|part| !matches!(*part, "mod" | "lib" | "main")).collect();
    let own = modules.first().copied().unwrap_or("");
    let mut found = Vec::new();
    let mut report = |line, what| found.push(Breach { file: file.to_owned(), line, what });
    for (line, path) in paths(source) {
        let shown = path.join("::");
        if let Some(top) = top_module(&path, modules.len(), tops) {
            let forbidden = FORBIDDEN.iter().any(|(from, to)| *from == own && to.contains(&top));
            let not_allowed = ALLOWED.iter().any(|(from, to)| *from == own && !to.contains(&top));
            if forbidden || not_allowed {
                report(line, format!("`{own}` must not import `{top}` ({shown})"));
            }
        }
        let begins =
            |start: &&&[&str]| start.iter().zip(&path).filter(|(a, b)| *a == b).count() == start.len();
        if own == "domain" && (IMPURE.iter().any(|start| begins(&start)) || path == ["async"]) {
            report(line, format!("`domain` is pure: no I/O, clock, chance or async ({shown})"));
        }
        if own != "store" && path.len() > 1 && path[0] == "sqlx" && path[1].starts_with("query") {
            report(line, format!("SQL lives in `store` ({shown})"));
        }
        let reads_clock = path.ends_with(&["Timestamp".into(), "now".into()])
            || path.ends_with(&["Zoned".into(), "now".into()])
            || path.ends_with(&["SystemTime".into(), "now".into()]);
        if reads_clock && own != "clock" {
            report(line, format!("only src/clock.rs reads the clock ({shown})"));
        }
    }
    found
}

/// A breach where a file is longer than a person wants to read.
fn too_long(file: &str, source: &str) -> Option<Breach> {
    let lines = source.lines().count();
    if lines > LINES_WANTED {
        eprintln!("{file}: {lines} lines; above {LINES_WANTED} think about splitting it");
    }
    (lines > LINES_AT_MOST).then(|| Breach {
        file: file.to_owned(),
        line: lines,
        what: format!("{lines} lines: split it, {LINES_AT_MOST} is the most"),
    })
}

/// Breaches where a text names a folder of the machine it was written on.
fn machine_paths(file: &str, text: &str) -> Vec<Breach> {
    let names = [["/wo", "rk/"].concat(), ["/tmp", "/wt/"].concat(), ["/ro", "ot/"].concat()];
    text.lines()
        .enumerate()
        .filter_map(|(at, line)| {
            let name = names.iter().find(|name| line.contains(name.as_str()))?;
            let what = format!("names {name}, a folder of one machine");
            Some(Breach { file: file.to_owned(), line: at + 1, what })
        })
        .collect()
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// The texts under a folder of the project as (path from the project's root, text), sorted by path.
fn texts(folder: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut waiting = vec![root().join(folder)];
    while let Some(dir) = waiting.pop() {
        let Ok(entries) = fs::read_dir(&dir) else { continue };
        for path in entries.flatten().map(|entry| entry.path()) {
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            if path.is_symlink() || matches!(name.as_str(), "target" | ".git" | "node_modules") {
                continue;
            }
            if path.is_dir() {
                waiting.push(path);
            } else if let Ok(text) = fs::read_to_string(&path) {
                found.push((shown(&path), text));
            }
        }
    }
    found.sort();
    found
}

fn shown(path: &Path) -> String {
    path.strip_prefix(root()).unwrap_or(path).to_string_lossy().into_owned()
}

fn rust_files(folder: &str) -> Vec<(String, String)> {
    let files: Vec<_> = texts(folder).into_iter().filter(|(file, _)| file.ends_with(".rs")).collect();
    assert!(!files.is_empty(), "no Rust files under {folder}: is this test run from the project?");
    files
}

/// The modules at the top of the library.
fn top_modules(files: &[(String, String)]) -> Vec<String> {
    let mut tops: Vec<String> = files
        .iter()
        .filter_map(|(file, _)| file.strip_prefix("src/")?.split('/').next())
        .map(|name| name.trim_end_matches(".rs").to_owned())
        .filter(|name| name != "lib" && name != "main")
        .collect();
    tops.dedup();
    tops
}

fn assert_none(breaches: &[Breach]) {
    let list: Vec<String> = breaches.iter().map(Breach::to_string).collect();
    assert!(list.is_empty(), "{} broken rule(s):\n{}", list.len(), list.join("\n"));
}

#[test]
fn imports_sql_and_clock_stay_where_they_belong() {
    let files = rust_files("src");
    let tops = top_modules(&files);
    assert!(tops.iter().any(|top| top == "domain") && tops.iter().any(|top| top == "store"), "{tops:?}");
    let found: Vec<Breach> = files.iter().flat_map(|(file, source)| breaches(file, source, &tops)).collect();
    assert_none(&found);
}

#[test]
fn no_source_file_is_too_long() {
    let folders = ["src", "mock-agent", "tests"];
    let files: Vec<_> = folders.iter().flat_map(|folder| rust_files(folder)).collect();
    let found: Vec<Breach> = files.iter().filter_map(|(file, source)| too_long(file, source)).collect();
    assert_none(&found);
}

#[test]
fn no_file_names_a_folder_of_one_machine() {
    let found: Vec<Breach> = texts("").iter().flat_map(|(file, text)| machine_paths(file, text)).collect();
    assert_none(&found);
}

#[test]
fn planted_breaches_are_found() {
    let tops: Vec<String> =
        ["clock", "domain", "poller", "site", "snmp", "store"].iter().map(|&top| top.to_owned()).collect();
    let count = |file: &str, source: &str| breaches(file, source, &tops).len();
    assert_eq!(count("src/domain/life.rs", "use crate::store::Db;"), 1);
    assert_eq!(count("src/domain/life.rs", "use crate::{domain::ids, clock::Clock};"), 1);
    assert_eq!(count("src/domain/life.rs", "use super::super::store::Db;"), 1);
    assert_eq!(count("src/domain/life.rs", "fn f() { let x = crate::snmp::get(); }"), 1);
    assert_eq!(count("src/domain/life.rs", "use std::{fmt, time::{Duration, Instant}};"), 1);
    assert_eq!(count("src/domain/life.rs", "async fn f() {}"), 1);
    assert_eq!(count("src/site/pages/today.rs", "use crate::{domain::*, poller::{schedule, worker}};"), 2);
    assert_eq!(count("src/poller/mod.rs", "use super::site;"), 1);
    assert_eq!(count("src/snmp/plan.rs", "use crate::clock::Clock;"), 1);
    assert_eq!(count("src/usecase/ingest.rs", "sqlx::query!(\"SELECT 1\")"), 1);
    assert_eq!(count("src/usecase/ingest.rs", "use sqlx::{PgPool, query_as};"), 1);
    assert_eq!(count("src/site/mod.rs", "let now = jiff::Timestamp::now();"), 1);
    assert!(too_long("src/a.rs", &"\n".repeat(LINES_AT_MOST + 1)).is_some());
    assert_eq!(machine_paths("a.md", &["see /wo", "rk/shared"].concat()).len(), 1);
}

#[test]
fn what_the_rules_allow_is_no_breach() {
    let tops: Vec<String> =
        ["clock", "domain", "poller", "site", "snmp", "store"].map(str::to_owned).to_vec();
    let count = |file: &str, source: &str| breaches(file, source, &tops).len();
    assert_eq!(
        count("src/domain/life.rs", "// use crate::store::Db;\nconst A: &str = \"crate::store::Db\";"),
        0
    );
    assert_eq!(
        count("src/domain/life.rs", "const A: &str = r#\"a \" crate::store::Db\"#; /* sqlx::query */"),
        0
    );
    assert_eq!(
        count("src/domain/life.rs", "fn f<'a>(x: &'a str) -> char { '\"' } use super::ids::DeviceId;"),
        0
    );
    assert_eq!(
        count("src/domain/life.rs", "use std::time::Duration; mod tests { use super::super::units; }"),
        0
    );
    assert_eq!(count("src/store/devices.rs", "sqlx::query!(\"SELECT 1\"); use crate::domain::ids;"), 0);
    assert_eq!(count("src/clock.rs", "Kind::System => Timestamp::now(),"), 0);
    assert_eq!(count("src/poller/probe.rs", "use crate::snmp::plan; use crate::store;"), 0);
}

#[test]
fn a_breach_is_shown_with_its_line() {
    let tops = ["domain".to_owned(), "store".to_owned()];
    let found = breaches(
        "src/domain/life.rs",
        "//! Text.\n\nuse crate::{\n    domain::ids,\n    store::Db,\n};\n",
        &tops,
    );
    assert_eq!(found.len(), 1);
    assert_eq!(
        found[0].to_string(),
        "src/domain/life.rs:5: `domain` must not import `store` (crate::store::Db)"
    );
}
