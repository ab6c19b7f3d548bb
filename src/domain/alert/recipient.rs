//! Who is told what, and when: severities, routes, quiet hours and working days.

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::{Alert, Grade, Rule, Subject};
use crate::domain::calendar::Calendar;
use crate::domain::ids::{DeviceId, RecipientId};

/// The way to a recipient.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Channel {
    /// A mail address.
    Mail,
    /// An HTTP address of a program.
    Webhook,
}

impl Channel {
    /// Every channel.
    pub const ALL: [Self; 2] = [Self::Mail, Self::Webhook];

    /// The word by which it is stored and shown.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Mail => "mail",
            Self::Webhook => "webhook",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|channel| channel.word() == word)
    }
}

/// What a recipient is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Route {
    /// Of which rule; of every one, if none is named.
    pub rule: Option<Rule>,
    /// At which device; anywhere, if none is named.
    pub device: Option<DeviceId>,
    /// Only when nobody has seen it for so long; zero is at once.
    pub unseen_for: SignedDuration,
}

/// Hours in which a recipient is left alone, in the site's zone; they may go past midnight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quiet {
    /// When they begin.
    pub from: Time,
    /// When they end.
    pub until: Time,
}

/// When a recipient is left alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Peace {
    /// Every day.
    pub quiet: Option<Quiet>,
    /// On closed days of the calendar too.
    pub working_days_only: bool,
}

/// Somebody, or some program, who is told.
#[derive(Clone, PartialEq, Eq)]
pub struct Recipient {
    /// Its identity.
    pub id: RecipientId,
    /// What the print room calls it.
    pub name: String,
    /// By which way.
    pub channel: Channel,
    /// A mail address, or an HTTP one. Of the latter, the store gives back no more than [`shown_address`].
    pub address: String,
    /// Nothing less grave is told.
    pub least: Grade,
    /// When it is left alone.
    pub peace: Peace,
    /// Whether it is told that an alert it was told of has cleared.
    pub wants_cleared: bool,
    /// What it is told; everything at once, if there is none.
    pub routes: Vec<Route>,
}

impl std::fmt::Debug for Recipient {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let shown = shown_address(self.channel, &self.address);
        write!(f, "Recipient({} {:?}, {shown}, {:?})", self.id.0, self.name, self.routes)
    }
}

/// As much of an address as pages show. Path and query of a web address often hold what lets somebody in there.
#[must_use]
pub fn shown_address(channel: Channel, address: &str) -> String {
    let address = address.trim();
    let Some((scheme, rest)) = address.split_once("://").filter(|_| channel == Channel::Webhook) else {
        return if channel == Channel::Mail { address.to_owned() } else { "a web address".to_owned() };
    };
    let host = rest.split(['/', '?', '#', '\\']).next().unwrap_or_default();
    format!("{scheme}://{host}/…")
}

/// Why something is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum NoticeKind {
    /// An alert opened.
    Opened,
    /// Nobody has seen it for as long as a route waits.
    Unseen,
    /// It had been put off, and is open still.
    Again,
    /// It cleared.
    Cleared,
}

impl NoticeKind {
    /// Every kind.
    pub const ALL: [Self; 4] = [Self::Opened, Self::Unseen, Self::Again, Self::Cleared];

    /// The word by which it is stored and exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Opened => "opened",
            Self::Unseen => "unseen",
            Self::Again => "again",
            Self::Cleared => "cleared",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// One thing to tell one recipient.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Notice {
    /// Whom.
    pub recipient: RecipientId,
    /// Why.
    pub kind: NoticeKind,
    /// Not before.
    pub due_at: Timestamp,
}

/// When people may be told: the site's zone and calendar.
#[derive(Debug, Clone, Copy)]
pub struct Hours<'a> {
    /// The site's zone.
    pub zone: &'a TimeZone,
    /// The days on which nobody works.
    pub calendar: &'a Calendar,
}

impl Recipient {
    /// How long the alert has to go unseen before this recipient is told, by its most eager route; `None` if it
    /// is not told at all.
    fn waits(&self, rule: Rule, grade: Grade, subject: Subject) -> Option<SignedDuration> {
        if grade < self.least {
            return None;
        }
        if self.routes.is_empty() {
            return Some(SignedDuration::ZERO);
        }
        let leads = |route: &&Route| {
            route.rule.is_none_or(|wanted| wanted == rule)
                && route.device.is_none_or(|wanted| subject.device() == Some(wanted))
        };
        self.routes.iter().filter(leads).map(|route| route.unseen_for).min()
    }
}

/// What is to be told when an alert opens, or comes to the fore: at once where a route leads at once, later where
/// it waits for nobody having seen it.
#[must_use]
pub fn on_opening(alert: &Alert, recipients: &[Recipient], now: Timestamp, hours: &Hours<'_>) -> Vec<Notice> {
    let tell = |recipient: &Recipient| {
        let waits = recipient.waits(alert.rule, alert.grade, alert.subject)?;
        let kind = if waits.is_zero() { NoticeKind::Opened } else { NoticeKind::Unseen };
        let from = now.checked_add(waits).unwrap_or(Timestamp::MAX);
        Some(Notice { recipient: recipient.id, kind, due_at: recipient.peace.after(from, hours) })
    };
    recipients.iter().filter_map(tell).collect()
}

/// What is to be told when an alert that was put off until `until` is open still by then: whoever is told at once.
#[must_use]
pub fn on_snooze(
    alert: &Alert,
    recipients: &[Recipient],
    until: Timestamp,
    hours: &Hours<'_>,
) -> Vec<Notice> {
    let tell = |recipient: &Recipient| {
        let waits = recipient.waits(alert.rule, alert.grade, alert.subject)?;
        let due_at = recipient.peace.after(until, hours);
        waits.is_zero().then_some(Notice { recipient: recipient.id, kind: NoticeKind::Again, due_at })
    };
    recipients.iter().filter_map(tell).collect()
}

/// What is to be told when an alert clears: `told` are those to whom a message about it is on its way or has come.
#[must_use]
pub fn on_clearing(
    recipients: &[Recipient],
    told: &[RecipientId],
    now: Timestamp,
    hours: &Hours<'_>,
) -> Vec<Notice> {
    recipients
        .iter()
        .filter(|recipient| recipient.wants_cleared && told.contains(&recipient.id))
        .map(|recipient| Notice {
            recipient: recipient.id,
            kind: NoticeKind::Cleared,
            due_at: recipient.peace.after(now, hours),
        })
        .collect()
}

/// No calendar is looked through further than this for a moment at which somebody may be told.
const FURTHEST_DAYS: usize = 60;

impl Peace {
    /// The first moment, no earlier than `at`, at which a recipient may be told.
    #[must_use]
    pub fn after(&self, at: Timestamp, hours: &Hours<'_>) -> Timestamp {
        let mut at = at;
        for _ in 0..FURTHEST_DAYS {
            match self.ends(at, hours) {
                Some(end) if end > at => at = end,
                _ => break,
            }
        }
        at
    }

    /// When the peace that a moment falls into is over, as far as one rule of it says.
    fn ends(&self, at: Timestamp, hours: &Hours<'_>) -> Option<Timestamp> {
        let local = hours.zone.to_datetime(at);
        let (day, time) = (local.date(), local.time());
        let moment = |day: Date, time: Time| hours.zone.to_timestamp(day.to_datetime(time)).ok();
        if self.working_days_only && hours.calendar.is_closed(day) {
            return moment(hours.calendar.working_day_from(day), Time::midnight());
        }
        let Quiet { from, until } = self.quiet?;
        if from <= until {
            return (from <= time && time < until).then(|| moment(day, until)).flatten();
        }
        // Over midnight: the evening of this day, or the morning after the one before.
        if time >= from {
            return moment(day.tomorrow().ok()?, until);
        }
        (time < until).then(|| moment(day, until)).flatten()
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::time;
    use proptest::prelude::*;

    use super::*;
    use crate::domain::calendar::Closed;
    use crate::domain::ids::{AlertId, SlotId};

    fn zone() -> TimeZone {
        TimeZone::get("Europe/Lisbon").unwrap()
    }

    fn weekends() -> Calendar {
        Calendar::new(["sat", "sun"].map(|day| day.parse::<Closed>().unwrap())).unwrap()
    }

    fn night() -> Option<Quiet> {
        Some(Quiet { from: time(20, 0, 0, 0), until: time(7, 30, 0, 0) })
    }

    fn after(peace: Peace, at: &str) -> String {
        let (zone, calendar) = (zone(), weekends());
        let hours = Hours { zone: &zone, calendar: &calendar };
        peace.after(at.parse().unwrap(), &hours).to_string()
    }

    #[test]
    fn nights_and_weekends_are_waited_out() {
        let peace = Peace { quiet: night(), working_days_only: true };
        assert_eq!(after(peace, "2026-11-25T12:00:00Z"), "2026-11-25T12:00:00Z");
        assert_eq!(after(peace, "2026-11-25T22:00:00Z"), "2026-11-26T07:30:00Z");
        assert_eq!(after(peace, "2026-11-26T03:00:00Z"), "2026-11-26T07:30:00Z");
        // Friday evening is Monday morning, and not Monday at midnight.
        assert_eq!(after(peace, "2026-11-27T21:00:00Z"), "2026-11-30T07:30:00Z");
        assert_eq!(
            after(Peace { quiet: None, working_days_only: true }, "2026-11-28T09:00:00Z"),
            "2026-11-30T00:00:00Z"
        );
    }

    /// Lisbon's clocks went forward on 29 March 2026 at 01:00 and went back on 25 October 2026 at 02:00 (IANA
    /// time zone database).
    #[test]
    fn quiet_hours_end_by_the_wall_clock_when_clocks_change() {
        let peace = Peace { quiet: night(), working_days_only: false };
        assert_eq!(after(peace, "2026-03-28T22:00:00Z"), "2026-03-29T06:30:00Z");
        assert_eq!(after(peace, "2026-10-24T22:00:00Z"), "2026-10-25T07:30:00Z");
        // An hour that the clocks skip ends when they have skipped it.
        let skipped = Quiet { from: time(0, 0, 0, 0), until: time(1, 30, 0, 0) };
        let peace = Peace { quiet: Some(skipped), working_days_only: false };
        assert_eq!(after(peace, "2026-03-29T00:10:00Z"), "2026-03-29T01:30:00Z");
    }

    fn recipient(id: i64, least: Grade, routes: Vec<Route>) -> Recipient {
        Recipient {
            id: RecipientId(id),
            name: format!("Ada {id}"),
            channel: Channel::Mail,
            address: "ada@vellmoor.example".to_owned(),
            least,
            peace: Peace::default(),
            wants_cleared: id == 2,
            routes,
        }
    }

    fn alert(rule: Rule, grade: Grade) -> Alert {
        Alert {
            id: AlertId(7),
            rule,
            grade,
            subject: Subject::Slot(DeviceId(1), SlotId(12)),
            opened_at: Timestamp::UNIX_EPOCH,
            cleared_at: None,
            summary: String::new(),
            folded: false,
            told_at: None,
            seen: None,
            note: String::new(),
            snoozed_until: None,
        }
    }

    fn route(rule: Option<Rule>, device: Option<i64>, hours: i64) -> Route {
        Route { rule, device: device.map(DeviceId), unseen_for: SignedDuration::from_hours(hours) }
    }

    fn told(alert: &Alert, recipients: &[Recipient]) -> Vec<(i64, NoticeKind, i64)> {
        let (zone, calendar) = (zone(), Calendar::default());
        let hours = Hours { zone: &zone, calendar: &calendar };
        let notices = on_opening(alert, recipients, Timestamp::UNIX_EPOCH, &hours);
        notices.iter().map(|n| (n.recipient.0, n.kind, n.due_at.as_second() / 3600)).collect()
    }

    #[test]
    fn routes_and_severities_decide_who_is_told_and_who_only_if_nobody_looks() {
        let recipients = [
            recipient(1, Grade::Other, vec![]),
            recipient(2, Grade::Critical, vec![]),
            recipient(3, Grade::Warning, vec![route(Some(Rule::Dark), None, 0)]),
            recipient(4, Grade::Warning, vec![route(None, Some(1), 4), route(None, None, 8)]),
            recipient(5, Grade::Warning, vec![route(None, Some(2), 0)]),
        ];
        let low = alert(Rule::LowSupply, Grade::Warning);
        assert_eq!(told(&low, &recipients), [(1, NoticeKind::Opened, 0), (4, NoticeKind::Unseen, 4)]);
        let replace = alert(Rule::ReplaceNow, Grade::Critical);
        let told: Vec<i64> = told(&replace, &recipients).iter().map(|told| told.0).collect();
        assert_eq!(told, [1, 2, 4]);
    }

    #[test]
    fn only_those_who_were_told_hear_that_it_has_cleared() {
        let (zone, calendar) = (zone(), Calendar::default());
        let hours = Hours { zone: &zone, calendar: &calendar };
        let recipients = [recipient(1, Grade::Other, vec![]), recipient(2, Grade::Other, vec![])];
        let cleared =
            |told: &[RecipientId]| on_clearing(&recipients, told, Timestamp::UNIX_EPOCH, &hours).len();
        assert_eq!(cleared(&[]), 0);
        assert_eq!(cleared(&[RecipientId(1)]), 0);
        assert_eq!(cleared(&[RecipientId(1), RecipientId(2)]), 1);
    }

    proptest! {
        #[test]
        fn nobody_is_told_in_their_peace_nor_earlier_than_something_happened(
            second in 1_767_225_600i64..1_798_761_600,
            (from, until) in (0..1440i16, 0..1440i16),
            working_days_only: bool,
        ) {
            let clock = |minutes: i16| {
                time(i8::try_from(minutes / 60).unwrap(), i8::try_from(minutes % 60).unwrap(), 0, 0)
            };
            let quiet = (from != until).then(|| Quiet { from: clock(from), until: clock(until) });
            let peace = Peace { quiet, working_days_only };
            let (zone, calendar) = (zone(), weekends());
            let hours = Hours { zone: &zone, calendar: &calendar };
            let at = Timestamp::from_second(second).unwrap();
            let told = peace.after(at, &hours);
            prop_assert!(told >= at);
            prop_assert!(told.duration_since(at) <= SignedDuration::from_hours(24 * 4));
            prop_assert_eq!(peace.after(told, &hours), told);
        }
    }

    #[test]
    fn of_a_web_address_only_the_host_is_shown() {
        for (address, shown) in [
            ("https://books.example/hook?key=velvet", "https://books.example/…"),
            ("https://books.example:8443?key=velvet", "https://books.example:8443/…"),
            (r"http://books.example\velvet", "http://books.example/…"),
            ("velvet", "a web address"),
        ] {
            assert_eq!(shown_address(Channel::Webhook, address), shown);
        }
        assert_eq!(shown_address(Channel::Mail, "ada@vellmoor.example"), "ada@vellmoor.example");
    }
}
