//! A search in a terminal: how far it has come, and whom it found.

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use serde::Serialize;

use crate::app::search::Progress;
use crate::usecase::discover::{Found, FoundKind};

/// A terminal is told no more often than this.
const REST: Duration = Duration::from_millis(200);
/// Searches of fewer addresses are over soon.
const WORTH_TELLING: usize = 100;

/// Tells on standard error how far a search has come.
pub(super) struct Teller {
    /// Whether a person looks on: then one line is written over and over.
    live: bool,
    told: Option<Instant>,
    tenths: usize,
    found: usize,
}

impl Teller {
    pub(super) fn new(total: usize) -> Self {
        let live = std::io::stderr().is_terminal();
        if total > 1 {
            eprintln!("ullage: asking at {total} addresses; Ctrl-C stops");
        }
        Self { live, told: None, tenths: 0, found: 0 }
    }

    pub(super) fn tell(&mut self, progress: &Progress, found: usize) {
        let Progress { asked, total, .. } = progress;
        if self.live && self.told.is_none_or(|told| told.elapsed() >= REST) {
            eprint!("\r{asked} of {total} addresses, {found} found ");
            let _ = std::io::stderr().flush();
            self.told = Some(Instant::now());
        }
        // In a file a line now and then is enough.
        let tenths = asked * 10 / (*total).max(1);
        let news = (tenths > self.tenths && tenths < 10) || (found > 0 && self.found == 0);
        if !self.live && *total >= WORTH_TELLING && news {
            eprintln!("ullage: {asked} of {total} addresses, {found} found");
            (self.tenths, self.found) = (tenths, found);
        }
    }

    /// Wipes the line that was written over.
    pub(super) fn end(&self) {
        if self.live && self.told.is_some() {
            eprint!("\r{:60}\r", "");
        }
    }
}

/// What a device is to the print room.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum State {
    /// It is not known to be watched.
    New,
    /// It was watched before, under this name.
    Watched(String),
    /// It is watched from now on, under this name.
    Added(String),
}

/// A device as a line of a table.
pub(super) fn line(one: &Found, state: &State) -> String {
    let address = one.address();
    let about = match &one.kind {
        FoundKind::Refused(why) => return format!("{address:<22} {:<8} {why}", "refuses"),
        FoundKind::Printer => "printer",
        FoundKind::Other => "no printer",
    };
    let name = one.own_name().unwrap_or("no name");
    let model = one.model().unwrap_or("no description");
    let serial =
        one.identity.serial.as_deref().map(|serial| format!(", serial {serial}")).unwrap_or_default();
    let state = match state {
        State::New => String::new(),
        State::Watched(name) => format!("; already watched as {name}"),
        State::Added(name) => format!("; watched as {name} from now on"),
    };
    format!("{address:<22} {about:<10} {name}: {model}{serial}{state}")
}

#[derive(Serialize)]
struct Row<'a> {
    address: String,
    kind: &'static str,
    name: Option<&'a str>,
    model: Option<&'a str>,
    serial: Option<&'a str>,
    location: Option<&'a str>,
    /// Which of the credentials it let read, counted from 1; null where none.
    credential: Option<usize>,
    watched_as: Option<&'a str>,
    added: bool,
    problem: Option<&'a str>,
}

/// A device as a JSON object.
pub(super) fn json(one: &Found, state: &State) -> Result<String, serde_json::Error> {
    let problem = match &one.kind {
        FoundKind::Refused(why) => Some(why.as_str()),
        FoundKind::Printer | FoundKind::Other => None,
    };
    serde_json::to_string(&Row {
        address: one.address(),
        kind: one.kind.word(),
        name: one.own_name(),
        model: one.model(),
        serial: one.identity.serial.as_deref(),
        location: one.identity.location.as_deref(),
        credential: problem.is_none().then_some(one.credential + 1),
        watched_as: match state {
            State::New => None,
            State::Watched(name) | State::Added(name) => Some(name),
        },
        added: matches!(state, State::Added(_)),
        problem,
    })
}

/// How a search went, in a sentence.
pub(super) fn summary(progress: &Progress, found: &[Found]) -> String {
    let count = |word: &str| found.iter().filter(|one| one.kind.word() == word).count();
    let counted = |n: usize, one: &str, many: &str| format!("{n} {}", if n == 1 { one } else { many });
    let mut parts = vec![counted(count("printer"), "printer", "printers")];
    if count("other") > 0 {
        parts.push(counted(count("other"), "other machine", "other machines"));
    }
    if count("refused") > 0 {
        parts.push(format!("{} refused the user", count("refused")));
    }
    let asked = counted(progress.asked, "address was", "addresses were");
    format!("{asked} asked: {}", parts.join(", "))
}
