//! What a device says itself (RFC 3805, `prtAlertTable`), and the alert of ours that it comes to.

use super::{Alert, Rule, Subject};
use crate::domain::ids::{AlertId, DeviceId, SlotId};
use crate::domain::snapshot::DeviceAlert;
use crate::domain::standard::AlertGroup;

/// The open alert of ours that a device's complaint comes to: about the supply that it names, else about what needs
/// somebody at the device. `slot_of` says which slot has a supply index. Where several do, the first in the order of
/// the rules tells most.
#[must_use]
pub fn ours<'a>(
    complaint: &DeviceAlert,
    device: DeviceId,
    alerts: impl IntoIterator<Item = &'a Alert>,
    slot_of: impl Fn(i32) -> Option<SlotId>,
) -> Option<AlertId> {
    let slot =
        (complaint.group == AlertGroup::MarkerSupplies).then(|| slot_of(complaint.group_index)).flatten();
    let subject = slot.map_or(Subject::Device(device), |slot| Subject::Slot(device, slot));
    let fits = |alert: &&Alert| {
        let spoken_of = slot.is_some() || alert.rule == Rule::DeviceError;
        alert.cleared_at.is_none() && alert.subject == subject && spoken_of
    };
    let order = |alert: &&Alert| Rule::ALL.iter().position(|rule| *rule == alert.rule);
    alerts.into_iter().filter(fits).min_by_key(order).map(|alert| alert.id)
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::*;
    use crate::domain::alert::Grade;
    use crate::domain::standard::{AlertCode, Severity};

    const BOBBIN: DeviceId = DeviceId(1);

    fn complaint(group: AlertGroup, group_index: i32, code: AlertCode) -> DeviceAlert {
        let (severity, description) = (Severity::Critical, String::new());
        DeviceAlert { severity, training: None, group, group_index, location: -2, code, description }
    }

    fn alert(id: i64, rule: Rule, subject: Subject, cleared: bool) -> Alert {
        Alert {
            id: AlertId(id),
            rule,
            grade: Grade::Warning,
            subject,
            opened_at: Timestamp::UNIX_EPOCH,
            cleared_at: cleared.then_some(Timestamp::UNIX_EPOCH),
            summary: String::new(),
            folded: false,
            told_at: None,
            seen: None,
            note: String::new(),
            snoozed_until: None,
        }
    }

    #[test]
    fn a_complaint_about_a_supply_comes_to_what_tells_most_of_it() {
        let cyan = Subject::Slot(BOBBIN, SlotId(12));
        let alerts = [
            alert(1, Rule::LowSupply, cyan, false),
            alert(2, Rule::ReplaceNow, cyan, false),
            alert(3, Rule::ReplaceNow, cyan, true),
            alert(4, Rule::ReplaceNow, Subject::Slot(BOBBIN, SlotId(13)), false),
            alert(5, Rule::DeviceError, Subject::Device(BOBBIN), false),
            alert(6, Rule::Dark, Subject::Device(BOBBIN), false),
        ];
        let slot_of = |index| (index == 1).then_some(SlotId(12));
        let come_to = |complaint| ours(&complaint, BOBBIN, &alerts, slot_of).map(|id| id.0);
        let supplies = AlertGroup::MarkerSupplies;
        assert_eq!(come_to(complaint(supplies, 1, AlertCode::MarkerInkEmpty)), Some(2));
        assert_eq!(
            come_to(complaint(supplies, 9, AlertCode::MarkerInkEmpty)),
            Some(5),
            "a supply that is not read"
        );
        assert_eq!(come_to(complaint(AlertGroup::from_number(6), 1, AlertCode::CoverOpen)), Some(5));
        assert_eq!(
            ours(&complaint(supplies, 1, AlertCode::MarkerInkEmpty), DeviceId(2), &alerts, slot_of),
            None
        );
    }
}
