//! Dated tasks as a calendar (iCalendar, RFC 5545), for programs that fetch it again and again.
//!
//! A task is a `VTODO` that is due on a day; for programs that show no tasks of calendars they fetch, the same can be
//! had as events of a whole day (`VEVENT`) that keep nobody busy. Its `UID` stays the same as long as it is the same
//! thing at the same place that is to be done, whenever it is due.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::domain::task::{Task, TaskKind};

/// What a task becomes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Something to do by a day.
    Todo,
    /// An event on that day.
    Event,
}

/// A task, and the address of the page that it leads to.
#[derive(Debug, Clone)]
pub struct Linked {
    /// The task.
    pub task: Task,
    /// An absolute address.
    pub href: String,
}

/// No line is longer, in octets without its end (section 3.1).
const LINE: usize = 75;

/// The calendar of some tasks as of a moment: UTF-8, lines ended by CR LF.
#[must_use]
pub fn calendar(name: &str, tasks: &[Linked], as_of: Timestamp, shape: Shape) -> String {
    let mut out = String::new();
    let mut line = |name: &str, value: &str| out.push_str(&folded(&format!("{name}:{value}")));
    line("BEGIN", "VCALENDAR");
    line("VERSION", "2.0");
    line("PRODID", "-//Ullage//Tasks//EN");
    line("CALSCALE", "GREGORIAN");
    // RFC 7986: what it is called, and how often it is worth fetching.
    line("NAME", &text(name));
    line("REFRESH-INTERVAL;VALUE=DURATION", "PT1H");
    let stamp = as_of.strftime("%Y%m%dT%H%M%SZ").to_string();
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    for Linked { task, href } in tasks {
        let key = key(task);
        let n = seen.entry(key.clone()).and_modify(|n| *n += 1).or_insert(1);
        let (component, day) = match shape {
            Shape::Todo => ("VTODO", "DUE;VALUE=DATE"),
            Shape::Event => ("VEVENT", "DTSTART;VALUE=DATE"),
        };
        line("BEGIN", component);
        line("UID", &format!("{key}-{n}@{}", host(href)));
        line("DTSTAMP", &stamp);
        line(day, &task.due.strftime("%Y%m%d").to_string());
        line("SUMMARY", &text(&task.what));
        line("DESCRIPTION", &text(&format!("{}.", capital(&task.why))));
        line("CATEGORIES", &text(task.kind.word()));
        line("URL", &one_line(href));
        if shape == Shape::Event {
            line("TRANSP", "TRANSPARENT");
        }
        line("END", component);
    }
    if tasks.is_empty() {
        // A calendar holds at least one component (section 3.6); a zone that nothing refers to says nothing.
        for (name, value) in [
            ("BEGIN", "VTIMEZONE"),
            ("TZID", "UTC"),
            ("BEGIN", "STANDARD"),
            ("DTSTART", "19700101T000000"),
            ("TZOFFSETFROM", "+0000"),
            ("TZOFFSETTO", "+0000"),
            ("END", "STANDARD"),
            ("END", "VTIMEZONE"),
        ] {
            line(name, value);
        }
    }
    line("END", "VCALENDAR");
    out
}

/// The host of an address: what tells the things of one print room from those of another.
fn host(href: &str) -> &str {
    let (_, rest) = href.split_once("://").unwrap_or_default();
    rest.split(['/', ':', '?', '#']).next().unwrap_or_default()
}

/// What a task is known by: what is to be done, and at what.
fn key(task: &Task) -> String {
    let kind = match task.kind {
        TaskKind::Swap => "swap",
        TaskKind::Check => "check",
        TaskKind::Answer => "answer",
        TaskKind::Order => "order",
    };
    let mut key = kind.to_owned();
    if let Some(part) = &task.part {
        let plain = part.chars().map(|letter| if letter.is_ascii_alphanumeric() { letter } else { '-' });
        key = format!("{key}-part-{}", plain.collect::<String>());
    }
    key = task.device.map_or(key.clone(), |device| format!("{key}-machine-{device}"));
    task.slot.map_or(key.clone(), |slot| format!("{key}-supply-{slot}"))
}

/// A value of type TEXT (section 3.3.11).
fn text(value: &str) -> String {
    let mut out = String::with_capacity(value.len());
    for letter in value.chars() {
        match letter {
            '\\' | ';' | ',' => out.extend(['\\', letter]),
            '\n' => out.push_str("\\n"),
            letter if letter.is_control() => {}
            letter => out.push(letter),
        }
    }
    out
}

/// What stands in a line as it is.
fn one_line(value: &str) -> String {
    value.chars().filter(|letter| !letter.is_control()).collect()
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// A content line, folded between letters so that no line is longer than [`LINE`] octets.
fn folded(line: &str) -> String {
    let mut out = String::with_capacity(line.len() + 8);
    let mut length = 0;
    for letter in line.chars() {
        if length + letter.len_utf8() > LINE {
            out.push_str("\r\n ");
            length = 1;
        }
        out.push(letter);
        length += letter.len_utf8();
    }
    out.push_str("\r\n");
    out
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;
    use crate::domain::ids::{DeviceId, SlotId};

    fn task(kind: TaskKind, what: &str, slot: Option<i64>) -> Linked {
        let task = Task {
            due: date(2026, 11, 27),
            kind,
            what: what.to_owned(),
            why: "it is 70 % full; the next one, once ordered, takes a week".to_owned(),
            device: Some(DeviceId(1)),
            slot: slot.map(SlotId),
            part: None,
        };
        Linked { task, href: "http://loft.example:7830/machines/1#supply-9".to_owned() }
    }

    fn made(tasks: &[Linked], shape: Shape) -> String {
        calendar("Print loft; Vellmoor", tasks, "2026-11-25T19:00:00Z".parse().unwrap(), shape)
    }

    #[test]
    fn tasks_are_dated_escaped_folded_and_known_by_what_they_are_about() {
        let tasks = [
            task(TaskKind::Order, "Order 1 waste receptacle for Bobbin, then \\ wait\nfor it", Some(9)),
            task(TaskKind::Check, "Look at head 1", None),
            task(TaskKind::Check, "Look at head 2", None),
        ];
        let file = made(&tasks, Shape::Todo);
        assert!(file.split("\r\n").all(|line| line.len() <= 75 && !line.contains('\n')), "{file}");
        insta::assert_snapshot!(file.replace("\r\n", "\n"));
    }

    #[test]
    fn as_events_they_keep_nobody_busy_and_nothing_to_do_is_still_a_calendar() {
        let file = made(&[task(TaskKind::Swap, "Swap the cyan of Bobbin", Some(1))], Shape::Event);
        assert!(file.contains("DTSTART;VALUE=DATE:20261127\r\n") && file.contains("TRANSP:TRANSPARENT\r\n"));
        assert!(!file.contains("VTODO"));
        assert!(made(&[], Shape::Todo).contains("BEGIN:VTIMEZONE\r\n"));
    }

    proptest! {
        #[test]
        fn whatever_is_said_comes_back_unfolded(what in "\\PC{0,200}") {
            let file = made(&[task(TaskKind::Check, &what, None)], Shape::Todo);
            prop_assert!(file.split("\r\n").all(|line| line.len() <= 75));
            let line = format!("SUMMARY:{}\r\n", text(&what));
            prop_assert!(file.replace("\r\n ", "").contains(&line));
        }
    }
}
