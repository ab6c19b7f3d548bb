//! Reads one key after the other from a table and the environment, and gathers the faults.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use jiff::SignedDuration;
use jiff::tz::TimeZone;
use toml::{Table, Value};

use super::{Fault, Faults};
use crate::domain::calendar::{Calendar, Closed};

/// A key that lies within this many letters of a known one was probably meant to be it.
const CLOSE: usize = 5;

/// A reader of keys like `poll.every`.
pub(super) struct Reader<'a> {
    table: Table,
    environment: &'a dyn Fn(&str) -> Option<String>,
    known: BTreeSet<&'static str>,
    faults: Vec<Fault>,
}

impl<'a> Reader<'a> {
    /// Reads a file's text.
    pub(super) fn new(text: &str, environment: &'a dyn Fn(&str) -> Option<String>) -> Self {
        let mut reader =
            Self { table: Table::new(), environment, known: BTreeSet::new(), faults: Vec::new() };
        match text.parse::<Table>() {
            Ok(table) => reader.table = table,
            Err(error) => {
                let line = error.span().map_or(1, |span| 1 + text[..span.start].matches('\n').count());
                reader
                    .fault("the settings file", &format!("is not TOML at line {line}: {}", error.message()));
            }
        }
        reader
    }

    /// The keys that were asked for so far.
    #[cfg(test)]
    pub(super) fn known(&self) -> BTreeSet<&'static str> {
        self.known.clone()
    }

    /// Whether anything is said for a key, usable or not.
    pub(super) fn is_said(&mut self, key: &'static str) -> bool {
        self.look_up(key).is_some()
    }

    /// Notes a fault of a key.
    pub(super) fn fault(&mut self, key: &str, message: &str) {
        self.faults.push(Fault { key: key.to_owned(), message: message.to_owned() });
    }

    /// The value of a key, with the name by which a fault is to call it.
    fn look_up(&mut self, key: &'static str) -> Option<(String, Value)> {
        self.known.insert(key);
        let variable = format!("ULLAGE_{}", key.replace('.', "_").to_uppercase());
        if let Some(text) = (self.environment)(&variable) {
            return Some((variable, Value::String(text)));
        }
        let (section, name) = key.split_once('.')?;
        let value = self.table.get(section)?.as_table()?.get(name)?.clone();
        Some((key.to_owned(), value))
    }

    /// A value by a conversion that says what should stand there.
    fn value<T>(
        &mut self,
        key: &'static str,
        convert: impl FnOnce(&Value) -> Result<T, String>,
    ) -> Option<T> {
        let (name, value) = self.look_up(key)?;
        match convert(&value) {
            Ok(value) => Some(value),
            Err(message) => {
                self.fault(&name, &message);
                None
            }
        }
    }

    /// A text that is not empty.
    pub(super) fn text(&mut self, key: &'static str) -> Option<String> {
        self.value(key, |value| match value.as_str() {
            Some(text) if !text.trim().is_empty() => Ok(text.to_owned()),
            _ => Err("must be a text in quotes that is not empty".to_owned()),
        })
    }

    /// A text that a conversion takes, or says what should stand there.
    pub(super) fn checked<T>(
        &mut self,
        key: &'static str,
        convert: impl FnOnce(&str) -> Result<T, String>,
    ) -> Option<T> {
        self.value(key, |value| match value.as_str() {
            Some(text) if !text.trim().is_empty() => convert(text.trim()),
            _ => Err("must be a text in quotes that is not empty".to_owned()),
        })
    }

    /// A path.
    pub(super) fn path(&mut self, key: &'static str) -> Option<PathBuf> {
        self.text(key).map(PathBuf::from)
    }

    /// True or false.
    pub(super) fn flag(&mut self, key: &'static str, usual: bool) -> bool {
        let convert = |value: &Value| match (value.as_bool(), value.as_str()) {
            (Some(flag), _) => Ok(flag),
            (_, Some("true")) => Ok(true),
            (_, Some("false")) => Ok(false),
            _ => Err("must be true or false".to_owned()),
        };
        self.value(key, convert).unwrap_or(usual)
    }

    /// A whole number within bounds.
    pub(super) fn whole(&mut self, key: &'static str, usual: i64, (least, most): (i64, i64)) -> i64 {
        let convert = |value: &Value| {
            let number = value.as_integer().or_else(|| value.as_str()?.trim().parse().ok());
            number
                .filter(|number| (least..=most).contains(number))
                .ok_or_else(|| format!("must be a whole number from {least} to {most}"))
        };
        self.value(key, convert).unwrap_or(usual)
    }

    /// A number of hundredths.
    pub(super) fn percent(&mut self, key: &'static str, usual: f64) -> f64 {
        let convert = |value: &Value| {
            let number = value.as_float().or_else(|| value.as_integer().map(|number| number as f64));
            number
                .or_else(|| value.as_str()?.trim().trim_end_matches('%').trim_end().parse().ok())
                .filter(|number| (0.0..=100.0).contains(number))
                .ok_or_else(|| "must be a number from 0 to 100, in percent".to_owned())
        };
        self.value(key, convert).unwrap_or(usual)
    }

    /// A length of time like `15m` or `2s`, within bounds.
    pub(super) fn duration(
        &mut self,
        key: &'static str,
        usual: Duration,
        (least, most): (Duration, Duration),
    ) -> Duration {
        let convert = |value: &Value| {
            let text = value.as_str().ok_or("must be a length of time in quotes, like \"15m\"")?;
            let span: SignedDuration = text
                .parse()
                .map_err(|_| format!("'{text}' is no length of time: write it like 15m, 2s or 36h"))?;
            Duration::try_from(span)
                .ok()
                .filter(|span| (least..=most).contains(span))
                .ok_or_else(|| format!("must lie between {least:?} and {most:?}"))
        };
        self.value(key, convert).unwrap_or(usual)
    }

    /// An address with a port.
    pub(super) fn address(&mut self, key: &'static str, usual: SocketAddr) -> SocketAddr {
        self.value(key, |value| parse_address(value, &usual.to_string())).unwrap_or(usual)
    }

    /// An address with a port, or none.
    pub(super) fn optional_address(&mut self, key: &'static str) -> Option<SocketAddr> {
        self.value(key, |value| parse_address(value, "0.0.0.0:162"))
    }

    /// A list of things: an array of texts in the file, commas between them in the environment. Empty if nothing
    /// is said; `like` shows how it is written.
    pub(super) fn list<T>(&mut self, key: &'static str, like: &str) -> Vec<T>
    where
        T: std::str::FromStr<Err: std::fmt::Display>,
    {
        let parse = |text: &str| text.trim().parse().map_err(|fault: T::Err| fault.to_string());
        let convert = |name: &str, value: &Value| -> Result<Vec<T>, String> {
            let not_a_list = || format!("must be a list of texts, like {like}");
            match value {
                Value::Array(values) => {
                    values.iter().map(|value| parse(value.as_str().ok_or_else(not_a_list)?)).collect()
                }
                Value::String(text) if name.starts_with("ULLAGE_") => {
                    text.split(',').filter(|one| !one.trim().is_empty()).map(parse).collect()
                }
                _ => Err(not_a_list()),
            }
        };
        let Some((name, value)) = self.look_up(key) else { return Vec::new() };
        convert(&name, &value).unwrap_or_else(|message| {
            self.fault(&name, &message);
            Vec::new()
        })
    }

    /// A time zone by its name; the machine's own if nothing is said.
    pub(super) fn zone(&mut self, key: &'static str) -> TimeZone {
        let convert = |value: &Value| {
            let name = value.as_str().unwrap_or_default();
            TimeZone::get(name)
                .map_err(|_| format!("'{name}' is no time zone: write its IANA name, like Europe/Lisbon"))
        };
        self.value(key, convert).unwrap_or_else(TimeZone::system)
    }

    /// Closed days: a list, or words with commas between them.
    pub(super) fn calendar(&mut self, key: &'static str) -> Calendar {
        let convert = |value: &Value| {
            let days: Vec<String> = match value {
                Value::Array(days) => {
                    let text = |day: &Value| day.as_str().map_or_else(|| day.to_string(), str::to_owned);
                    days.iter().map(text).collect()
                }
                Value::String(text) => {
                    text.split(',').filter(|day| !day.trim().is_empty()).map(str::to_owned).collect()
                }
                other => vec![other.to_string()],
            };
            let closed: Result<Vec<Closed>, _> = days.iter().map(|day| day.parse()).collect();
            Calendar::new(closed.map_err(|fault| fault.to_string())?).map_err(|fault| fault.to_string())
        };
        self.value(key, convert).unwrap_or_default()
    }

    /// The faults, keys that nobody knows included.
    pub(super) fn finish(mut self) -> Result<(), Faults> {
        let mut unknown = Vec::new();
        for (section, value) in &self.table {
            let Some(keys) = value.as_table() else {
                unknown.push(section.clone());
                continue;
            };
            unknown.extend(keys.keys().map(|name| format!("{section}.{name}")));
        }
        for key in unknown.iter().filter(|key| !self.known.contains(key.as_str())) {
            let near = |known: &&&str| distance(known, key) <= CLOSE;
            let nearest = self.known.iter().filter(near).min_by_key(|known| distance(known, key));
            let hint = nearest.map(|known| format!("; did you mean {known}?")).unwrap_or_default();
            self.faults.push(Fault { key: key.clone(), message: format!("is no setting{hint}") });
        }
        if self.faults.is_empty() { Ok(()) } else { Err(Faults(self.faults)) }
    }
}

fn parse_address(value: &Value, like: &str) -> Result<SocketAddr, String> {
    let text = value.as_str().unwrap_or_default();
    text.parse().map_err(|_| format!("'{text}' is no address: write it like {like}"))
}

/// How many letters have to change to make one word the other (Levenshtein 1966).
fn distance(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (i, a) in one.chars().enumerate() {
        let mut corner = row[0];
        row[0] = i + 1;
        for (j, b) in other.iter().enumerate() {
            let change = corner + usize::from(a != *b);
            corner = row[j + 1];
            row[j + 1] = change.min(row[j] + 1).min(corner + 1);
        }
    }
    row[other.len()]
}
