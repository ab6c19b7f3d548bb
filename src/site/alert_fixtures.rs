//! Alerts for tests: three that are open, one of them with one that follows from it, and one that cleared.

use jiff::civil::time;
use jiff::{SignedDuration, Timestamp};

use super::alert_source::AlertSource;
use super::fixtures::{Fixture, at};
use super::source::SourceError;
use crate::domain::alert::recipient::{Channel, Peace, Quiet, Recipient, Route};
use crate::domain::alert::ruleset::{Patch, Scope, Setting};
use crate::domain::alert::snooze::Snooze;
use crate::domain::alert::{Alert, Grade, Rule, Seen, Subject};
use crate::domain::ids::{AlertId, DeviceId, MessageId, PartId, RecipientId, SlotId};
use crate::usecase::alert_pages::AlertsAsked;
use crate::usecase::alerts::AnswerRefused;
use crate::usecase::rules::{ChangeLine, Rehearsed, RuleLine, RuleRefused, RuleView, TellingLine};
use crate::usecase::sift::Leaf;
use crate::usecase::told::ToldRefused;
use crate::usecase::view::{AlertGroup, AlertLine, AlertsView, MessageLine, ToldView};

impl AlertSource for Fixture {
    async fn alerts(&self, asked: &AlertsAsked) -> Result<AlertsView, SourceError> {
        let group = |head| AlertGroup { head, folded: Vec::new() };
        let full = || AlertsView {
            open: match asked.find.as_str() {
                "" => Leaf::of(open_alerts(&self.name).into_iter().map(group).collect(), asked.page, 50, 3),
                _ => Leaf::of(vec![], 1, 50, 3),
            },
            open_in_all: 3,
            cleared: if asked.cleared == 1 { cleared_alerts(&self.name) } else { Vec::new() },
            cleared_go_on: asked.cleared == 1,
            anybody_told: true,
        };
        let empty = AlertsView {
            open: Leaf::of(vec![], 1, 50, 0),
            open_in_all: 0,
            cleared: vec![],
            cleared_go_on: false,
            anybody_told: false,
        };
        self.give(full, empty).await
    }

    async fn newest_alerts(&self) -> Result<Vec<AlertLine>, SourceError> {
        let all = || open_alerts(&self.name).into_iter().chain(cleared_alerts(&self.name)).collect();
        self.give(all, Vec::new()).await
    }

    async fn alert(&self, id: AlertId) -> Result<Option<AlertLine>, SourceError> {
        let mut all = open_alerts(&self.name);
        all.extend(cleared_alerts(&self.name));
        self.give(|| all.into_iter().find(|line| line.alert.id == id), None).await
    }

    async fn answer_alert(
        &self,
        id: AlertId,
        _: Option<Snooze>,
        _: String,
        _: String,
    ) -> Result<Result<(), AnswerRefused>, SourceError> {
        let line = self.alert(id).await?;
        Ok(match line.map(|line| line.alert.cleared_at) {
            None => Err(AnswerRefused::NoSuchAlert),
            Some(Some(_)) => Err(AnswerRefused::Cleared),
            Some(None) => Ok(()),
        })
    }

    async fn told(&self) -> Result<ToldView, SourceError> {
        let nothing = ToldView {
            recipients: vec![],
            devices: vec![],
            messages: vec![],
            mail_is_set: false,
            calls_are_signed: false,
        };
        self.give(told, nothing).await
    }

    async fn add_recipient(
        &self,
        recipient: Recipient,
    ) -> Result<Result<RecipientId, ToldRefused>, SourceError> {
        Ok(match recipient.name.as_str() {
            "Ada" => Err(ToldRefused::NameTaken("somebody is told under the name 'Ada' already".to_owned())),
            _ if recipient.address.contains("127.") => Err(ToldRefused::Address("it is private".to_owned())),
            _ => Ok(RecipientId(9)),
        })
    }

    async fn add_route(&self, id: RecipientId, _: Route) -> Result<Result<(), ToldRefused>, SourceError> {
        Ok(if id == RecipientId(1) { Ok(()) } else { Err(ToldRefused::NoSuchRecipient) })
    }

    async fn change_recipient(&self, id: RecipientId, _: Grade, _: Peace) -> Result<bool, SourceError> {
        Ok(id == RecipientId(1))
    }

    async fn remove_recipient(&self, id: RecipientId) -> Result<bool, SourceError> {
        Ok(id == RecipientId(1))
    }

    async fn try_again(&self, id: MessageId) -> Result<bool, SourceError> {
        Ok(id == MessageId(3))
    }

    async fn rules(&self) -> Result<Vec<RuleLine>, SourceError> {
        self.give(|| Rule::ALL.map(|rule| rule_view(rule).line).to_vec(), Vec::new()).await
    }

    async fn rule(&self, rule: Rule) -> Result<RuleView, SourceError> {
        Ok(rule_view(rule))
    }

    async fn rehearse(&self, patch: Patch) -> Result<Result<Rehearsed, RuleRefused>, SourceError> {
        let telling = |slot, opened: &str, cleared: Option<&str>| TellingLine {
            subject: Subject::Slot(DeviceId(1), SlotId(slot)),
            part: None,
            about: "Bobbin, Waste receptacle".to_owned(),
            opened_at: at(opened),
            cleared_at: cleared.map(at),
            figure: 70.04,
        };
        Ok(match patch.scope {
            Scope::Device(DeviceId(99)) => Err(RuleRefused::NoSuchPlace),
            _ if patch.rule == Rule::StockDate => Ok(Rehearsed {
                tellings: vec![TellingLine {
                    subject: Subject::Part(PartId(4)),
                    part: Some("VO-C-775".to_owned()),
                    about: "cyan cartridge (VO-C-775)".to_owned(),
                    figure: 30.0,
                    ..telling(9, "2026-11-23T00:00:00Z", None)
                }],
                since: Some(at("2026-11-02T08:00:00Z")),
                looked_at: 3,
                left_out: 2,
            }),
            _ => Ok(Rehearsed {
                tellings: vec![
                    telling(9, "2026-11-23T10:05:00Z", None),
                    telling(9, "2026-09-01T10:05:00Z", Some("2026-09-04T11:05:00Z")),
                ],
                looked_at: 1,
                ..Rehearsed::default()
            }),
        })
    }

    async fn keep_rule(&self, patch: Patch, _: String) -> Result<Result<(), RuleRefused>, SourceError> {
        let fault = patch.on(patch.rule.usual()).fault(patch.rule);
        Ok(fault.map_or(Ok(()), |fault| Err(RuleRefused::Marks(fault))))
    }

    async fn reset_rule(&self, _: Rule, _: Scope) -> Result<(), SourceError> {
        Ok(())
    }

    fn link(&self) -> String {
        "http://loft.example:7830".to_owned()
    }

    async fn feed_open_since(&self) -> Result<Option<Timestamp>, SourceError> {
        self.give(|| Some(at("2026-11-20T10:00:00Z")), None).await
    }

    async fn renew_feed(&self) -> Result<String, SourceError> {
        Ok("fresh".to_owned())
    }

    async fn stop_feed(&self) -> Result<bool, SourceError> {
        Ok(true)
    }

    async fn opens_feed(&self, secret: String) -> Result<bool, SourceError> {
        Ok(secret == "fresh")
    }
}

/// A rule that is stricter at Bobbin.
fn rule_view(rule: Rule) -> RuleView {
    let everywhere = rule.usual();
    let change = ChangeLine {
        scope: Scope::Device(DeviceId(1)),
        place: "Bobbin".to_owned(),
        setting: Setting { lasting: SignedDuration::from_mins(30), ..everywhere },
        changed_at: at("2026-11-20T09:00:00Z"),
        changed_by: "Ada".to_owned(),
    };
    let told = open_alerts("Bobbin").into_iter().filter(|line| line.alert.rule == rule);
    RuleView {
        line: RuleLine { rule, everywhere, built_in: everywhere, changes: vec![change] },
        places: vec![
            (Scope::Everywhere, "everywhere".to_owned()),
            (Scope::Site(1), "at Print loft".to_owned()),
            (Scope::Device(DeviceId(1)), "Bobbin".to_owned()),
        ],
        told: told.collect(),
    }
}

fn told() -> ToldView {
    let ada = Recipient {
        id: RecipientId(1),
        name: "Ada".to_owned(),
        channel: Channel::Mail,
        address: "ada@vellmoor.example".to_owned(),
        least: Grade::Warning,
        peace: Peace {
            quiet: Some(Quiet { from: time(20, 0, 0, 0), until: time(7, 30, 0, 0) }),
            working_days_only: true,
        },
        wants_cleared: false,
        routes: vec![
            Route { rule: None, device: None, unseen_for: SignedDuration::ZERO },
            Route {
                rule: Some(Rule::Dark),
                device: Some(DeviceId(1)),
                unseen_for: SignedDuration::from_hours(4),
            },
        ],
    };
    let message = |id, sent: bool, given_up: bool, fault: Option<&str>| MessageLine {
        id: MessageId(id),
        recipient: "Ada".to_owned(),
        channel: Channel::Mail,
        summary: "The yellow of Thimble is down to 10 %".to_owned(),
        made_at: at("2026-11-24T15:21:00Z"),
        due_at: at("2026-11-25T09:00:00Z"),
        attempts: 3,
        fault: fault.map(str::to_owned),
        sent_at: sent.then(|| at("2026-11-24T15:21:04Z")),
        given_up_at: given_up.then(|| at("2026-11-24T15:30:00Z")),
    };
    ToldView {
        recipients: vec![ada],
        devices: vec![(DeviceId(1), "Bobbin".to_owned()), (DeviceId(5), "Thimble".to_owned())],
        messages: vec![
            message(3, false, true, Some("mail.vellmoor.example:587: no such mailbox")),
            message(2, false, false, Some("mail.vellmoor.example:587: connection refused")),
            message(1, true, false, None),
        ],
        mail_is_set: true,
        calls_are_signed: false,
    }
}

fn alert(
    id: i64,
    rule: Rule,
    of: (i64, &str),
    slot: Option<(i64, &str)>,
    opened: &str,
    cleared: Option<&str>,
    summary: &str,
) -> AlertLine {
    let device = DeviceId(of.0);
    AlertLine {
        alert: Alert {
            id: AlertId(id),
            rule,
            grade: if rule == Rule::Dark { Grade::Critical } else { Grade::Warning },
            subject: match slot {
                Some((slot, _)) => Subject::Slot(device, SlotId(slot)),
                None => Subject::Device(device),
            },
            opened_at: at(opened),
            cleared_at: cleared.map(at),
            summary: summary.to_owned(),
            folded: false,
            told_at: (id != 7).then(|| at(opened)),
            seen: (id == 6).then(|| Seen { at: at("2026-11-23T11:00:00Z"), by: "Ada".to_owned() }),
            note: if id == 6 { "ordered on Monday".to_owned() } else { String::new() },
            snoozed_until: (id == 6).then(|| at("2026-11-30T08:00:00Z")),
        },
        device_name: Some(of.1.to_owned()),
        slot_label: slot.map(|slot| slot.1.to_owned()),
        part_number: None,
    }
}

pub(crate) fn open_alerts(first: &str) -> Vec<AlertLine> {
    let waste = format!("The waste receptacle of {first} is 70 % full");
    vec![
        alert(
            7,
            Rule::LowSupply,
            (5, "Thimble"),
            Some((23, "Yellow")),
            "2026-11-24T15:20:00Z",
            None,
            "The yellow of Thimble is down to 10 %",
        ),
        alert(
            6,
            Rule::WasteOrderPoint,
            (1, first),
            Some((9, "Waste receptacle")),
            "2026-11-23T10:05:00Z",
            None,
            &waste,
        ),
        alert(
            5,
            Rule::Dark,
            (6, "Weft"),
            None,
            "2026-11-22T20:40:00Z",
            None,
            "Weft has not answered for 2 hours",
        ),
    ]
}

pub(crate) fn cleared_alerts(first: &str) -> Vec<AlertLine> {
    vec![alert(
        4,
        Rule::LowSupply,
        (1, first),
        Some((2, "Magenta")),
        "2026-11-10T09:00:00Z",
        Some("2026-11-12T13:25:00Z"),
        &format!("The magenta of {first} is down to 10 %"),
    )]
}
