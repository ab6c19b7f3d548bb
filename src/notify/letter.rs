//! What a mail says: one thing or many, the gravest first, each with a link to its page.

use askama::Template;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::domain::alert::recipient::NoticeKind;
use crate::store::outbox::{Due, Item};
use crate::store::report_mail::{Attached, ReportSent};

/// Mail programs fold what is longer.
const SUBJECT_LETTERS: usize = 120;

/// A mail's words, with the key that makes its Message-ID.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Letter {
    /// The key that every try carries.
    pub key: String,
    /// When it was put together.
    pub made_at: Timestamp,
    /// The subject, one line.
    pub subject: String,
    /// The text.
    pub text: String,
    /// The same as HTML.
    pub html: String,
    /// What goes with it.
    pub files: Vec<Attached>,
}

struct Line {
    grade: &'static str,
    /// What became of it, where it has not just opened.
    news: &'static str,
    summary: String,
    since: String,
    href: String,
}

#[derive(Template)]
#[template(path = "mail/alerts.txt")]
struct TextBody<'a> {
    lines: &'a [Line],
    link: &'a str,
}

#[derive(Template)]
#[template(path = "mail/alerts.html")]
struct HtmlBody<'a> {
    lines: &'a [Line],
    link: &'a str,
    subject: &'a str,
}

impl Letter {
    /// The letter that a message makes. It is the same at every try.
    #[must_use]
    pub fn of(due: &Due, link: &str, zone: &TimeZone) -> Self {
        if let Some(report) = &due.report {
            return Self::with_report(due, report, link);
        }
        let lines: Vec<Line> = due.items.iter().map(|item| line(item, link, zone)).collect();
        let subject = subject(&lines);
        // The templates write into memory, and have nothing to fail on.
        let text = TextBody { lines: &lines, link }.render().unwrap_or_default();
        let html = HtmlBody { lines: &lines, link, subject: &subject }.render().unwrap_or_default();
        Self { key: due.key.clone(), made_at: due.made_at, subject, text, html, files: Vec::new() }
    }

    fn with_report(due: &Due, report: &ReportSent, link: &str) -> Self {
        let says =
            format!("The supply report of {} is attached, to print and as a workbook.", report.month.name());
        let page = format!("{link}/months/{}", report.month);
        Self {
            key: due.key.clone(),
            made_at: due.made_at,
            subject: report.month.report_title(),
            text: format!("{says}\n\n{page}\n"),
            html: format!("<!doctype html><p>{says}</p><p>{page}</p>"),
            files: report.files.clone(),
        }
    }

    /// A letter that tells nothing but that it has come.
    #[must_use]
    pub fn trial(key: &str, made_at: Timestamp, link: &str) -> Self {
        let text = format!("This is a test: mail from Ullage arrives.\n\n{link}/alerts\n");
        let html =
            format!("<!doctype html><p>This is a test: mail from Ullage arrives.</p><p>{link}/alerts</p>");
        Self {
            key: key.to_owned(),
            made_at,
            subject: "A test: mail from Ullage arrives".to_owned(),
            text,
            html,
            files: Vec::new(),
        }
    }
}

fn line(item: &Item, link: &str, zone: &TimeZone) -> Line {
    let news = match item.kind {
        NoticeKind::Opened => "",
        NoticeKind::Unseen => "Nobody has seen it yet: ",
        NoticeKind::Again => "Put off, and open still: ",
        NoticeKind::Cleared => "Cleared: ",
    };
    Line {
        grade: item.grade.word(),
        news,
        summary: one_line(&item.summary),
        since: item.opened_at.to_zoned(zone.clone()).strftime("%a %-d %b %Y, %H:%M").to_string(),
        href: format!("{link}/alerts/{}", item.alert),
    }
}

fn subject(lines: &[Line]) -> String {
    let first = lines.first().map(|line| format!("{}{}", line.news, line.summary)).unwrap_or_default();
    let more = lines.len().saturating_sub(1);
    let subject = if more == 0 { first } else { format!("{first}, and {more} more") };
    subject.chars().take(SUBJECT_LETTERS).collect()
}

/// What a device calls its supplies may hold anything: no control characters get into a head.
fn one_line(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::alert::recipient::Channel;
    use crate::domain::alert::{Grade, Rule, Subject};
    use crate::domain::ids::{AlertId, DeviceId, MessageId, SlotId};
    use crate::domain::secret::Secret;

    fn item(alert: i64, kind: NoticeKind, summary: &str) -> Item {
        let at = "2026-11-25T08:10:00Z".parse().unwrap();
        Item {
            kind,
            at,
            alert: AlertId(alert),
            rule: Rule::ReplaceNow,
            grade: Grade::Critical,
            subject: Subject::Slot(DeviceId(1), SlotId(2)),
            summary: summary.to_owned(),
            opened_at: at,
            device_name: Some("Bobbin".to_owned()),
            part_number: None,
        }
    }

    fn due(items: Vec<Item>) -> Due {
        Due {
            id: MessageId(1),
            key: "5d7c3d80-0000-4000-8000-000000000001".to_owned(),
            channel: Channel::Mail,
            address: Ok(Secret::new("ada@vellmoor.example")),
            attempts: 1,
            made_at: "2026-11-25T08:11:00Z".parse().unwrap(),
            items,
            report: None,
        }
    }

    fn letter(items: Vec<Item>) -> Letter {
        let zone = TimeZone::get("Europe/Lisbon").unwrap();
        Letter::of(&due(items), "http://loft.example:7830", &zone)
    }

    #[test]
    fn one_letter_tells_everything_with_a_link_each() {
        let letter = letter(vec![
            item(7, NoticeKind::Opened, "Bobbin asks for a new cyan: ink empty"),
            item(5, NoticeKind::Unseen, "Weft has not answered for 24 hours"),
        ]);
        insta::assert_snapshot!(format!("{}\n\n{}", letter.subject, letter.text));
        insta::assert_snapshot!(letter.html);
    }

    #[test]
    fn a_months_report_goes_with_its_files() {
        let file = Attached {
            name: "supplies-2026-10.pdf".to_owned(),
            media_type: "application/pdf".to_owned(),
            content: b"%PDF".to_vec(),
        };
        let report = ReportSent { month: "2026-10".parse().unwrap(), files: vec![file.clone()] };
        let due = Due { report: Some(report), ..due(vec![]) };
        let letter = Letter::of(&due, "http://loft.example:7830", &TimeZone::UTC);
        assert_eq!(letter.files, [file]);
        insta::assert_snapshot!(format!("{}\n\n{}\n{}", letter.subject, letter.text, letter.html));
    }

    #[test]
    fn what_a_device_says_neither_breaks_the_head_nor_the_page() {
        let letter = letter(vec![item(1, NoticeKind::Opened, "Ink\r\nBcc: x@y.example <b>&")]);
        assert!(!letter.subject.contains(['\r', '\n']), "{}", letter.subject);
        assert!(letter.html.contains("&#60;b&#62;&#38;"), "{}", letter.html);
    }
}
