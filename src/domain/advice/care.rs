//! What a person has to look at: machines that are silent, and machines that complain.

use super::DeviceState;
use super::words::in_days;
use crate::domain::outlook::Present;
use crate::domain::rules::Practice;
use crate::domain::task::{Task, TaskKind};

pub(super) fn silence_task(device: &DeviceState, present: &Present, practice: &Practice) -> Option<Task> {
    let since = device.silent_since?;
    let silent = present.now.duration_since(since);
    (silent >= practice.dark_after).then(|| Task {
        due: present.today(),
        kind: TaskKind::Check,
        what: format!("Switch {} on, or find out why it does not answer", device.name),
        why: format!("silent for {}; automatic head care only runs on a powered machine", in_days(silent)),
        device: Some(device.id),
        slot: None,
        part: None,
    })
}

pub(super) fn error_task(device: &DeviceState, present: &Present) -> Option<Task> {
    if device.silent_since.is_some() || !device.errors.needs_person() {
        return None;
    }
    let words: Vec<String> = device.errors.labels().map(|label| label.replace('_', " ")).collect();
    Some(Task {
        due: present.today(),
        kind: TaskKind::Check,
        what: format!("See to {}", device.name),
        why: format!("it reports: {}", words.join(", ")),
        device: Some(device.id),
        slot: None,
        part: None,
    })
}
