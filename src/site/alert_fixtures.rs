//! Alerts for tests: three that are open, one of them with one that follows from it, and one that cleared.

use super::alert_source::AlertSource;
use super::fixtures::{Fixture, at};
use super::source::SourceError;
use crate::domain::alert::snooze::Snooze;
use crate::domain::alert::{Alert, Grade, Rule, Seen, Subject};
use crate::domain::ids::{AlertId, DeviceId, SlotId};
use crate::usecase::alerts::AnswerRefused;
use crate::usecase::view::{AlertGroup, AlertLine, AlertsView};

impl AlertSource for Fixture {
    async fn alerts(&self, cleared_page: u32) -> Result<AlertsView, SourceError> {
        let group = |head| AlertGroup { head, folded: Vec::new() };
        let full = || AlertsView {
            open: open_alerts(&self.name).into_iter().map(group).collect(),
            cleared: if cleared_page == 1 { cleared_alerts(&self.name) } else { Vec::new() },
            cleared_in_all: 51,
            anybody_told: true,
        };
        let empty = AlertsView { open: vec![], cleared: vec![], cleared_in_all: 0, anybody_told: false };
        self.give(full, empty).await
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
