//! The standard's labels in a print room's words.

use crate::domain::alert::Rule;
use crate::domain::snapshot::{Marker, MediaInput};
use crate::domain::standard::{
    CapacityUnit, DetectedErrors, DeviceStatus, InputType, PrinterStatus, Severity,
};
use crate::domain::units::metres_each;
use crate::usecase::view::Device;

use super::format;

/// What the machine does, from its two status words: "printing", "idle, with a warning".
pub(crate) fn state(device: &Device) -> String {
    // The two in which the words together mean more than each: RFC 3805, 2.2.13.2.
    match (device.device_status, device.printer_status) {
        (Some(DeviceStatus::Running), Some(PrinterStatus::Other)) => return "on standby".to_owned(),
        (Some(DeviceStatus::Down), Some(PrinterStatus::Warmup)) => {
            return "coming back, warming up".to_owned();
        }
        _ => {}
    }
    let doing = match device.printer_status {
        Some(PrinterStatus::Idle) => Some("idle"),
        Some(PrinterStatus::Printing) => Some("printing"),
        Some(PrinterStatus::Warmup) => Some("warming up"),
        _ => None,
    };
    let health = match device.device_status {
        Some(DeviceStatus::Warning) => Some("with a warning"),
        Some(DeviceStatus::Testing) => Some("testing itself"),
        Some(DeviceStatus::Down) => Some("down: it cannot print"),
        _ => None,
    };
    match (doing, health, device.device_status) {
        (Some(doing), Some(health), _) => format!("{doing}, {health}"),
        (Some(word), None, _) | (None, Some(word), _) => word.to_owned(),
        (None, None, Some(DeviceStatus::Running)) => "running".to_owned(),
        (None, None, _) => "in a state it does not tell".to_owned(),
    }
}

/// The errors that a machine detects, in plain words.
pub(crate) fn errors(errors: DetectedErrors) -> Vec<String> {
    errors
        .labels()
        .map(|label| match label {
            "low_paper" => "media are running low",
            "no_paper" => "no media",
            "low_toner" => "an ink or toner is low",
            "no_toner" => "an ink or toner is out",
            "door_open" => "a door is open",
            "jammed" => "media are jammed",
            "offline" => "it is offline",
            "service_requested" => "it asks for service",
            "input_tray_missing" => "a tray for media is missing",
            "output_tray_missing" => "the output tray is missing",
            "marker_supply_missing" => "a supply is missing",
            "output_near_full" => "the output is nearly full",
            "output_full" => "the output is full",
            "input_tray_empty" => "a tray for media is empty",
            "overdue_prevent_maint" => "its maintenance is overdue",
            other => other,
        })
        .map(str::to_owned)
        .collect()
}

/// A severity as a word.
pub(crate) fn severity(severity: Severity) -> String {
    match severity {
        Severity::Critical => "critical".to_owned(),
        Severity::Warning | Severity::WarningBinaryChangeEvent => "warning".to_owned(),
        Severity::Other => "other".to_owned(),
        Severity::Unlisted(_) => plain(&severity),
    }
}

/// A label of the standard with spaces.
pub(crate) fn plain(label: &impl ToString) -> String {
    label.to_string().replace('_', " ")
}

/// Who the device thinks should deal with it (`prtAlertTrainingLevel`, RFC 3805).
pub(crate) fn training(level: Option<i32>) -> Option<&'static str> {
    match level? {
        3 => Some("anyone can see to it"),
        4 => Some("for trained hands"),
        5 => Some("for field service"),
        6 => Some("for whoever runs the network"),
        _ => None,
    }
}

/// What a rule of ours watches for.
pub(crate) fn rule(rule: Rule) -> &'static str {
    match rule {
        Rule::WasteOrderPoint => "Receptacle past its order point",
        Rule::LowSupply => "Supply low",
        Rule::OrderBy => "Order is due",
        Rule::RunOut => "Supply ends soon",
        Rule::ReplaceNow => "Replace now",
        Rule::SwapDue => "Swap overdue",
        Rule::HeadWarranty => "Head warranty ends",
        Rule::StockDate => "Stock passes its date",
        Rule::Dark => "Machine dark",
        Rule::DeviceError => "Machine needs somebody",
        Rule::PollFailing => "Machine does not answer",
        Rule::Stale => "Readings out of date",
        Rule::ForecastOff => "Forecast far off",
    }
}

/// Where media come from.
pub(crate) fn input(input: &MediaInput) -> String {
    let kind = match input.kind {
        Some(InputType::ContinuousRoll) => "Roll",
        Some(InputType::SheetFeedManual) => "Manual feed",
        Some(InputType::SheetFeedAutoRemovableTray | InputType::SheetFeedAutoNonRemovableTray) => "Tray",
        Some(InputType::ContinuousFanFold) => "Fan-fold",
        _ => "Input",
    };
    match &input.name {
        Some(name) if !name.is_empty() => name.clone(),
        _ => format!("{kind} {}", input.index),
    }
}

/// How much of the media is left: "about 22 m", "some left", and `None` where it is not told.
pub(crate) fn media_left(input: &MediaInput) -> Option<String> {
    let level = input.level?;
    if level == -3 {
        return Some("some left".to_owned());
    }
    let left = f64::from(u32::try_from(level).ok()?);
    let metres = match input.unit {
        Some(CapacityUnit::Percent) => return Some(format!("about {level}\u{a0}%")),
        Some(CapacityUnit::Sheets) => {
            return Some(format!("about {} sheets", format::count(level.unsigned_abs().into())));
        }
        unit => metres_each(unit?)?,
    };
    Some(format!("about {}", format::amount(left * metres, crate::domain::units::Measure::Metres)))
}

/// The width across the feed: "1067 mm".
pub(crate) fn media_width(input: &MediaInput) -> Option<String> {
    let width_um = u64::try_from(input.width_um?).ok().filter(|width| *width > 0)?;
    Some(format!("{}\u{a0}mm", format::count((width_um + 500) / 1000)))
}

/// A counter's unit under the standard's label, as a print room writes it.
pub(crate) fn counted(label: &str) -> String {
    match label {
        "meters" => "metres".to_owned(),
        "micrometers" => "micrometres".to_owned(),
        "ten_thousandths_of_inches" => "ten-thousandths of an inch".to_owned(),
        "other" | "unknown" => "of a unit it does not tell".to_owned(),
        label => label.replace('_', " "),
    }
}

/// What a marker counts in.
pub(crate) fn counter_unit(marker: &Marker) -> String {
    counted(&marker.counter_unit.unwrap_or(CapacityUnit::Unknown).to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::fixtures::device;

    #[test]
    fn every_error_bit_has_plain_words() {
        let all = errors(DetectedErrors(0xfffe));
        assert_eq!(all.len(), DetectedErrors::LABELS.len());
        assert!(all.iter().all(|words| !words.contains('_')), "{all:?}");
    }

    #[test]
    fn media_are_told_in_metres() {
        let roll = MediaInput {
            index: 1,
            kind: Some(InputType::ContinuousRoll),
            name: None,
            media: Some("Satin canvas".into()),
            width_um: Some(1_066_800),
            unit: Some(CapacityUnit::Meters),
            max_capacity: Some(45),
            level: Some(22),
        };
        assert_eq!(input(&roll), "Roll 1");
        assert_eq!(media_width(&roll).unwrap(), "1067\u{a0}mm");
        assert_eq!(media_left(&roll).unwrap(), "about 22\u{a0}m");
        assert_eq!(media_left(&MediaInput { level: Some(-3), ..roll.clone() }).unwrap(), "some left");
        assert_eq!(media_left(&MediaInput { level: Some(-2), ..roll }), None);
    }

    /// The states of RFC 3805, 2.2.13.2, by `hrDeviceStatus` and `hrPrinterStatus` (RFC 2790).
    #[test]
    fn every_state_of_the_standards_table_has_words() {
        let words = |device_status, printer_status| {
            let mut machine = device(1, "Bobbin");
            machine.device_status = Some(DeviceStatus::from_number(device_status));
            machine.printer_status = Some(PrinterStatus::from_number(printer_status));
            state(&machine)
        };
        let table = [
            ("normal", 2, 3, "idle"),
            ("busy", 2, 4, "printing"),
            ("non-critical alert, or going off-line", 3, 3, "idle, with a warning"),
            ("non-critical alert, or going off-line", 3, 4, "printing, with a warning"),
            ("critical alert, unavailable, or off-line", 5, 1, "down: it cannot print"),
            ("coming on-line", 5, 5, "coming back, warming up"),
            ("standby", 2, 1, "on standby"),
        ];
        for (state, device, printer, said) in table {
            assert_eq!(words(device, printer), said, "{state}");
        }
        assert_eq!(words(1, 2), "in a state it does not tell");
    }
}
