//! What one poll of a device says, as the standard puts it: parsed, named, and not yet interpreted.

use serde::{Deserialize, Serialize};

use super::ids::SupplyIndex;
use super::standard::{
    AlertCode, AlertGroup, CapacityUnit, CoverStatus, DetectedErrors, DeviceStatus, InputType, PrinterStatus,
    Severity, SupplyClass, SupplyKind, SupplyUnit,
};

/// One poll of one device.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Snapshot {
    /// `hrDeviceIndex` of the printer: the first index of every table of the Printer MIB.
    pub device_index: i32,
    /// Who the device says it is.
    pub identity: Identity,
    /// `sysUpTime`, hundredths of a second; wraps after 497 days.
    pub uptime_centiseconds: Option<u32>,
    /// `hrDeviceStatus`.
    pub device_status: Option<DeviceStatus>,
    /// `hrPrinterStatus`.
    pub printer_status: Option<PrinterStatus>,
    /// `hrPrinterDetectedErrorState`.
    pub errors: DetectedErrors,
    /// `prtGeneralConfigChanges`: when it moves, descriptions may have changed.
    pub config_changes: Option<u32>,
    /// `prtAlertAllEvents`: when it moves, the alert table may have changed.
    pub alert_events: Option<u32>,
    /// The marking engines, in the order of their index.
    pub markers: Vec<Marker>,
    /// The supplies, in the order of their index.
    pub supplies: Vec<SupplyRow>,
    /// Where media come from, in the order of their index.
    pub inputs: Vec<MediaInput>,
    /// Covers and interlocks, in the order of their index.
    pub covers: Vec<Cover>,
    /// The device's own alert table, in the order of its index.
    pub alerts: Vec<DeviceAlert>,
    /// False where the device broke a table off (a loop, an error in the middle): what is here is true,
    /// but rows may be missing.
    pub complete: bool,
}

/// Who the device says it is. Every string is decoded, trimmed and free of control characters.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Identity {
    /// `sysDescr`.
    pub description: Option<String>,
    /// `sysObjectID`, dotted.
    pub object_id: Option<String>,
    /// `sysName`.
    pub system_name: Option<String>,
    /// `sysLocation`.
    pub location: Option<String>,
    /// `hrDeviceDescr`: maker, model, perhaps a revision.
    pub model: Option<String>,
    /// `prtGeneralPrinterName`; may differ from `sysName`.
    pub printer_name: Option<String>,
    /// `prtGeneralSerialNumber`; may be absent.
    pub serial: Option<String>,
}

/// A row of `prtMarkerTable`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Marker {
    /// `prtMarkerIndex`.
    pub index: i32,
    /// `prtMarkerMarkTech`, the standard's number (inkjet: 12 to 14).
    pub technology: Option<i32>,
    /// `prtMarkerCounterUnit`.
    pub counter_unit: Option<CapacityUnit>,
    /// `prtMarkerLifeCount`, in the counter's unit; wraps.
    pub life_count: Option<u32>,
    /// `prtMarkerPowerOnCount`.
    pub power_on_count: Option<u32>,
}

/// A row of `prtMarkerSuppliesTable`, with the colorant that it points to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SupplyRow {
    /// `prtMarkerSuppliesIndex`.
    pub index: SupplyIndex,
    /// `prtMarkerSuppliesMarkerIndex`; 0 where it serves no single marker.
    pub marker: i32,
    /// `prtMarkerSuppliesClass`.
    pub class: SupplyClass,
    /// `prtMarkerSuppliesType`.
    pub kind: SupplyKind,
    /// `prtMarkerSuppliesDescription`.
    pub description: String,
    /// `prtMarkerColorantValue` of the row that `prtMarkerSuppliesColorantIndex` names.
    pub colorant: Option<String>,
    /// `prtMarkerSuppliesSupplyUnit`.
    pub unit: SupplyUnit,
    /// `prtMarkerSuppliesMaxCapacity` as it came, sentinels and all (-1 other, -2 unknown).
    pub max_capacity: i32,
    /// `prtMarkerSuppliesLevel` as it came, sentinels and all (-1 other, -2 unknown, -3 some left).
    pub level: i32,
}

/// A row of `prtInputTable`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MediaInput {
    /// `prtInputIndex`.
    pub index: i32,
    /// `prtInputType`.
    pub kind: Option<InputType>,
    /// `prtInputName` or, failing that, `prtInputDescription`.
    pub name: Option<String>,
    /// `prtInputMediaName`.
    pub media: Option<String>,
    /// Chosen or, failing that, declared dimension across the feed, in micrometres.
    pub width_um: Option<i64>,
    /// `prtInputCapacityUnit`.
    pub unit: Option<CapacityUnit>,
    /// `prtInputMaxCapacity` as it came, sentinels and all.
    pub max_capacity: Option<i32>,
    /// `prtInputCurrentLevel` as it came, sentinels and all.
    pub level: Option<i32>,
}

/// A row of `prtCoverTable`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cover {
    /// `prtCoverIndex`.
    pub index: i32,
    /// `prtCoverDescription`.
    pub description: String,
    /// `prtCoverStatus`.
    pub status: CoverStatus,
}

/// A row of `prtAlertTable`. Its index is no identity (it restarts and has gaps, RFC 3805 §2.2.13.4): the
/// same condition is known by group, group index, location and code.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct DeviceAlert {
    /// `prtAlertSeverityLevel`.
    pub severity: Severity,
    /// `prtAlertTrainingLevel`, the standard's number: 3 untrained, 4 trained, 5 field service, 6 management.
    pub training: Option<i32>,
    /// `prtAlertGroup`.
    pub group: AlertGroup,
    /// `prtAlertGroupIndex`: the row in that group's table; -1 for none.
    pub group_index: i32,
    /// `prtAlertLocation`, the maker's number; -2 unknown.
    pub location: i32,
    /// `prtAlertCode`.
    pub code: AlertCode,
    /// `prtAlertDescription`, often empty.
    pub description: String,
}
