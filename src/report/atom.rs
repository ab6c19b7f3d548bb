//! Alerts as a feed (Atom, RFC 4287), newest first.
//!
//! An entry is known by the address of its page, and is updated when its alert is told, seen or cleared.

use jiff::Timestamp;

use crate::domain::alert::Alert;

/// An alert as an entry.
#[derive(Debug, Clone)]
pub struct Entry<'a> {
    /// The alert.
    pub alert: &'a Alert,
    /// What its rule watches for.
    pub rule: &'a str,
}

/// The feed of some alerts as of a moment, in UTF-8. `link` is where the pages are, without a slash at the end;
/// `own` is the address that the feed itself is fetched at.
#[must_use]
pub fn feed(name: &str, entries: &[Entry<'_>], as_of: Timestamp, link: &str, own: &str) -> String {
    let mut entries: Vec<(Timestamp, &Entry<'_>)> =
        entries.iter().map(|entry| (updated(entry.alert), entry)).collect();
    entries.sort_by_key(|(at, entry)| std::cmp::Reverse((*at, entry.alert.id)));
    let newest = entries.first().map_or(as_of, |(at, _)| *at);
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"utf-8\"?>\n");
    out.push_str("<feed xmlns=\"http://www.w3.org/2005/Atom\" xml:lang=\"en\">\n");
    out.push_str(&format!("<id>{}</id>\n", text(&format!("{link}/alerts"))));
    out.push_str(&format!("<title>{}</title>\n", text(&format!("Alerts of {name}"))));
    out.push_str(&format!("<updated>{newest}</updated>\n<author><name>{}</name></author>\n", text(name)));
    out.push_str(&format!("<link rel=\"self\" type=\"application/atom+xml\" href=\"{}\"/>\n", text(own)));
    out.push_str(&format!("<link rel=\"alternate\" href=\"{}\"/>\n", text(&format!("{link}/alerts"))));
    out.push_str("<generator>Ullage</generator>\n");
    for (updated, Entry { alert, rule }) in entries {
        let href = text(&format!("{link}/alerts/{}", alert.id));
        out.push_str(&format!(
            "<entry>\n<id>{href}</id>\n<title>{}</title>\n<published>{}</published>\n<updated>{updated}</updated>\n\
             <link rel=\"alternate\" href=\"{href}\"/>\n<category term=\"{}\"/>\n<category term=\"{}\"/>\n\
             <summary>{}</summary>\n</entry>\n",
            text(&alert.summary),
            alert.opened_at,
            text(rule),
            alert.grade.word(),
            text(&course(alert)),
        ));
    }
    out.push_str("</feed>\n");
    out
}

/// When the last thing happened to an alert.
fn updated(alert: &Alert) -> Timestamp {
    let seen = alert.seen.as_ref().map(|seen| seen.at);
    let all = [Some(alert.opened_at), alert.told_at, seen, alert.cleared_at];
    all.into_iter().flatten().max().unwrap_or(alert.opened_at)
}

/// What became of it, in a sentence.
fn course(alert: &Alert) -> String {
    match (alert.cleared_at, &alert.seen) {
        (Some(_), _) => "It has cleared.".to_owned(),
        (None, Some(seen)) => format!("It is open; seen by {}.", seen.by),
        (None, None) => "It is open, and nobody has seen it yet.".to_owned(),
    }
}

/// Text for an element or an attribute (XML 1.0): what may not stand in a document at all is left out.
fn text(value: &str) -> String {
    let mut out = String::with_capacity(value.len());
    for letter in value.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\u{fffe}' | '\u{ffff}' => {}
            letter if letter.is_control() => out.push(' '),
            letter => out.push(letter),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::alert::{Grade, Rule, Seen, Subject};
    use crate::domain::ids::{AlertId, DeviceId};

    fn alert(id: i64, summary: &str, cleared: Option<&str>) -> Alert {
        let at = |text: &str| text.parse().unwrap();
        Alert {
            id: AlertId(id),
            rule: Rule::Dark,
            grade: Grade::Critical,
            subject: Subject::Device(DeviceId(1)),
            opened_at: at("2026-11-24T08:00:00Z"),
            cleared_at: cleared.map(at),
            summary: summary.to_owned(),
            folded: false,
            told_at: Some(at("2026-11-24T08:01:00Z")),
            seen: Some(Seen { at: at("2026-11-24T09:00:00Z"), by: "Ada & Bea".to_owned() }),
            note: String::new(),
            snoozed_until: None,
        }
    }

    #[test]
    fn the_latest_news_comes_first_and_markup_is_text() {
        let alerts = [
            alert(7, "Weft <has> \"not\" answered\u{0}", None),
            alert(5, "Warp is dark", Some("2026-11-25T10:00:00Z")),
        ];
        let entries: Vec<Entry<'_>> =
            alerts.iter().map(|alert| Entry { alert, rule: "Machine dark" }).collect();
        let now = "2026-11-25T19:00:00Z".parse().unwrap();
        let own = "http://loft.example:7830/feeds/x/alerts.atom";
        insta::assert_snapshot!(feed("Print loft", &entries, now, "http://loft.example:7830", own));
        assert!(
            feed("Print loft", &[], now, "http://loft.example:7830", own).contains("<updated>2026-11-25T19")
        );
    }
}
