//! The enumerations of RFC 3805 (Printer MIB v2), RFC 2790 (Host Resources MIB) and the IANA Printer MIB,
//! under the standard's own labels.
//!
//! A number that a registry adds later is kept as `Unlisted`, never refused.

use std::fmt;

/// Makes an enum of the standard: its numbers, and its labels in `snake_case`.
macro_rules! standard_enum {
    ($(#[$doc:meta])* $name:ident { $($(#[$variant_doc:meta])* $variant:ident = $number:literal, $label:literal;)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum $name {
            $($(#[$variant_doc])* #[doc = concat!("`", $label, "(", $number, ")`")] $variant,)*
            /// A number that is not in the revision this was written from.
            Unlisted(i32),
        }

        impl $name {
            /// Every value that the standard lists.
            pub const LISTED: &'static [Self] = &[$(Self::$variant,)*];

            /// From the number on the wire.
            #[must_use]
            pub fn from_number(number: i32) -> Self {
                match number { $($number => Self::$variant,)* other => Self::Unlisted(other) }
            }

            /// The number on the wire.
            #[must_use]
            pub fn number(self) -> i32 {
                match self { $(Self::$variant => $number,)* Self::Unlisted(number) => number }
            }

            /// The standard's label, or `None` for a number it does not list.
            #[must_use]
            pub fn label(self) -> Option<&'static str> {
                match self { $(Self::$variant => Some($label),)* Self::Unlisted(_) => None }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                match self.label() {
                    Some(label) => f.write_str(label),
                    None => write!(f, "unlisted_{}", self.number()),
                }
            }
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = String::deserialize(deserializer)?;
                let listed = || Self::LISTED.iter().copied().find(|value| value.label() == Some(&*text));
                let unlisted = || text.strip_prefix("unlisted_")?.parse().ok().map(Self::from_number);
                listed().or_else(unlisted).ok_or_else(|| {
                    serde::de::Error::custom(format!("'{text}' is no {}", stringify!($name)))
                })
            }
        }
    };
}

standard_enum!(
    /// `PrtMarkerSuppliesClassTC`.
    SupplyClass { Other = 1, "other"; Consumed = 3, "supply_that_is_consumed"; Filled = 4, "receptacle_that_is_filled"; }
);

standard_enum!(
    /// `PrtMarkerSuppliesTypeTC`, IANA revision of 2019.
    SupplyKind {
        Other = 1, "other"; Unknown = 2, "unknown"; Toner = 3, "toner"; WasteToner = 4, "waste_toner";
        Ink = 5, "ink"; InkCartridge = 6, "ink_cartridge"; InkRibbon = 7, "ink_ribbon"; WasteInk = 8, "waste_ink";
        Opc = 9, "opc"; Developer = 10, "developer"; FuserOil = 11, "fuser_oil"; SolidWax = 12, "solid_wax";
        RibbonWax = 13, "ribbon_wax"; WasteWax = 14, "waste_wax"; Fuser = 15, "fuser"; CoronaWire = 16, "corona_wire";
        FuserOilWick = 17, "fuser_oil_wick"; CleanerUnit = 18, "cleaner_unit";
        FuserCleaningPad = 19, "fuser_cleaning_pad"; TransferUnit = 20, "transfer_unit";
        TonerCartridge = 21, "toner_cartridge"; FuserOiler = 22, "fuser_oiler"; Water = 23, "water";
        WasteWater = 24, "waste_water"; GlueWaterAdditive = 25, "glue_water_additive"; WastePaper = 26, "waste_paper";
        BindingSupply = 27, "binding_supply"; BandingSupply = 28, "banding_supply"; StitchingWire = 29, "stitching_wire";
        ShrinkWrap = 30, "shrink_wrap"; PaperWrap = 31, "paper_wrap"; Staples = 32, "staples"; Inserts = 33, "inserts";
        Covers = 34, "covers"; MatteToner = 35, "matte_toner"; MatteInk = 36, "matte_ink";
    }
);

impl SupplyKind {
    /// Whether the standard names this kind as waste, which a receptacle takes up.
    #[must_use]
    pub fn is_waste(self) -> bool {
        matches!(
            self,
            Self::WasteToner | Self::WasteInk | Self::WasteWax | Self::WasteWater | Self::WastePaper
        )
    }
}

standard_enum!(
    /// `PrtMarkerSuppliesSupplyUnitTC`.
    SupplyUnit {
        Other = 1, "other"; Unknown = 2, "unknown"; TenThousandthsOfInches = 3, "ten_thousandths_of_inches";
        Micrometers = 4, "micrometers"; Impressions = 7, "impressions"; Sheets = 8, "sheets"; Hours = 11, "hours";
        ThousandthsOfOunces = 12, "thousandths_of_ounces"; TenthsOfGrams = 13, "tenths_of_grams";
        HundredthsOfFluidOunces = 14, "hundreths_of_fluid_ounces"; TenthsOfMilliliters = 15, "tenths_of_milliliters";
        Feet = 16, "feet"; Meters = 17, "meters"; Items = 18, "items"; Percent = 19, "percent";
    }
);

standard_enum!(
    /// `hrDeviceStatus` (RFC 2790).
    DeviceStatus { Unknown = 1, "unknown"; Running = 2, "running"; Warning = 3, "warning"; Testing = 4, "testing"; Down = 5, "down"; }
);

standard_enum!(
    /// `hrPrinterStatus` (RFC 2790).
    PrinterStatus { Other = 1, "other"; Unknown = 2, "unknown"; Idle = 3, "idle"; Printing = 4, "printing"; Warmup = 5, "warmup"; }
);

standard_enum!(
    /// `PrtCoverStatusTC`.
    CoverStatus {
        Other = 1, "other"; Unknown = 2, "unknown"; CoverOpen = 3, "cover_open"; CoverClosed = 4, "cover_closed";
        InterlockOpen = 5, "interlock_open"; InterlockClosed = 6, "interlock_closed";
    }
);

standard_enum!(
    /// `PrtInputTypeTC`.
    InputType {
        Other = 1, "other"; Unknown = 2, "unknown"; SheetFeedAutoRemovableTray = 3, "sheet_feed_auto_removable_tray";
        SheetFeedAutoNonRemovableTray = 4, "sheet_feed_auto_non_removable_tray"; SheetFeedManual = 5, "sheet_feed_manual";
        ContinuousRoll = 6, "continuous_roll"; ContinuousFanFold = 7, "continuous_fan_fold";
    }
);

standard_enum!(
    /// `PrtCapacityUnitTC`, and the counter unit of a marker, which shares its numbers.
    CapacityUnit {
        Other = 1, "other"; Unknown = 2, "unknown"; TenThousandthsOfInches = 3, "ten_thousandths_of_inches";
        Micrometers = 4, "micrometers"; Characters = 5, "characters"; Lines = 6, "lines"; Impressions = 7, "impressions";
        Sheets = 8, "sheets"; DotRow = 9, "dot_row"; Hours = 11, "hours"; Feet = 16, "feet"; Meters = 17, "meters";
        Items = 18, "items"; Percent = 19, "percent";
    }
);

standard_enum!(
    /// `PrtAlertSeverityLevelTC`.
    Severity { Other = 1, "other"; Critical = 3, "critical"; Warning = 4, "warning"; WarningBinaryChangeEvent = 5, "warning_binary_change_event"; }
);

standard_enum!(
    /// `PrtAlertGroupTC`, the groups that a print room meets.
    AlertGroup {
        Other = 1, "other"; Unknown = 2, "unknown"; HostResourcesStorage = 3, "host_resources_mib_storage_table";
        HostResourcesDevice = 4, "host_resources_mib_device_table"; GeneralPrinter = 5, "general_printer";
        Cover = 6, "cover"; Localization = 7, "localization"; Input = 8, "input"; Output = 9, "output";
        Marker = 10, "marker"; MarkerSupplies = 11, "marker_supplies"; MarkerColorant = 12, "marker_colorant";
        MediaPath = 13, "media_path"; Channel = 14, "channel"; Interpreter = 15, "interpreter";
        ConsoleDisplayBuffer = 16, "console_display_buffer"; ConsoleLights = 17, "console_lights"; Alert = 18, "alert";
        FinDevice = 30, "fin_device"; FinSupply = 31, "fin_supply"; FinSupplyMediaInput = 32, "fin_supply_media_input";
        FinAttribute = 33, "fin_attribute";
    }
);

standard_enum!(
    /// `PrtAlertCodeTC`: the generic codes, and those of inputs and marker supplies (IANA revision of 2019).
    AlertCode {
        Other = 1, "other"; Unknown = 2, "unknown"; CoverOpen = 3, "cover_open"; CoverClosed = 4, "cover_closed";
        InterlockOpen = 5, "interlock_open"; InterlockClosed = 6, "interlock_closed";
        ConfigurationChange = 7, "configuration_change"; Jam = 8, "jam"; SubunitMissing = 9, "subunit_missing";
        SubunitLifeAlmostOver = 10, "subunit_life_almost_over"; SubunitLifeOver = 11, "subunit_life_over";
        SubunitAlmostEmpty = 12, "subunit_almost_empty"; SubunitEmpty = 13, "subunit_empty";
        SubunitAlmostFull = 14, "subunit_almost_full"; SubunitFull = 15, "subunit_full";
        SubunitNearLimit = 16, "subunit_near_limit"; SubunitAtLimit = 17, "subunit_at_limit";
        SubunitOffline = 22, "subunit_offline"; SubunitAdded = 25, "subunit_added"; SubunitRemoved = 26, "subunit_removed";
        InputMediaSupplyLow = 807, "input_media_supply_low"; InputMediaSupplyEmpty = 808, "input_media_supply_empty";
        InputMediaChangeRequest = 809, "input_media_change_request";
        MarkerTonerEmpty = 1101, "marker_toner_empty"; MarkerInkEmpty = 1102, "marker_ink_empty";
        MarkerPrintRibbonEmpty = 1103, "marker_print_ribbon_empty";
        MarkerTonerAlmostEmpty = 1104, "marker_toner_almost_empty"; MarkerInkAlmostEmpty = 1105, "marker_ink_almost_empty";
        MarkerPrintRibbonAlmostEmpty = 1106, "marker_print_ribbon_almost_empty";
        MarkerWasteTonerReceptacleAlmostFull = 1107, "marker_waste_toner_receptacle_almost_full";
        MarkerWasteInkReceptacleAlmostFull = 1108, "marker_waste_ink_receptacle_almost_full";
        MarkerWasteTonerReceptacleFull = 1109, "marker_waste_toner_receptacle_full";
        MarkerWasteInkReceptacleFull = 1110, "marker_waste_ink_receptacle_full";
        MarkerOpcLifeAlmostOver = 1111, "marker_opc_life_almost_over"; MarkerOpcLifeOver = 1112, "marker_opc_life_over";
        MarkerDeveloperAlmostEmpty = 1113, "marker_developer_almost_empty"; MarkerDeveloperEmpty = 1114, "marker_developer_empty";
        MarkerTonerCartridgeMissing = 1115, "marker_toner_cartridge_missing";
        MarkerCleanerMissing = 1116, "marker_cleaner_missing"; MarkerDeveloperMissing = 1117, "marker_developer_missing";
        MarkerFuserMissing = 1118, "marker_fuser_missing"; MarkerInkMissing = 1119, "marker_ink_missing";
        MarkerOpcMissing = 1120, "marker_opc_missing"; MarkerPrintRibbonMissing = 1121, "marker_print_ribbon_missing";
        MarkerSupplyAlmostEmpty = 1122, "marker_supply_almost_empty"; MarkerSupplyEmpty = 1123, "marker_supply_empty";
        MarkerSupplyMissing = 1124, "marker_supply_missing"; MarkerWasteAlmostFull = 1125, "marker_waste_almost_full";
        MarkerWasteFull = 1126, "marker_waste_full"; MarkerWasteMissing = 1127, "marker_waste_missing";
        MarkerWasteInkReceptacleMissing = 1128, "marker_waste_ink_receptacle_missing";
        MarkerWasteTonerReceptacleMissing = 1129, "marker_waste_toner_receptacle_missing";
        MarkerTonerMissing = 1130, "marker_toner_missing";
        AlertRemovalOfBinaryChangeEntry = 1801, "alert_removal_of_binary_change_entry";
    }
);

/// `hrPrinterDetectedErrorState` (RFC 2790): bit 0 is the most significant bit of the first octet.
///
/// The standard fixes no length: missing bits are 0, and octets past the second are not looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash, serde::Serialize, serde::Deserialize)]
pub struct DetectedErrors(pub u16);

impl DetectedErrors {
    /// The labels in bit order. Bit 15 is unassigned.
    pub const LABELS: [&'static str; 15] = [
        "low_paper",
        "no_paper",
        "low_toner",
        "no_toner",
        "door_open",
        "jammed",
        "offline",
        "service_requested",
        "input_tray_missing",
        "output_tray_missing",
        "marker_supply_missing",
        "output_near_full",
        "output_full",
        "input_tray_empty",
        "overdue_prevent_maint",
    ];

    /// `doorOpen`.
    pub const DOOR_OPEN: Self = Self(0x8000 >> 4);

    /// `markerSupplyMissing`.
    pub const MARKER_SUPPLY_MISSING: Self = Self(0x8000 >> 10);

    /// Whether all the bits of another are set.
    #[must_use]
    pub fn contains(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// From the octets on the wire, of any length.
    #[must_use]
    pub fn from_octets(octets: &[u8]) -> Self {
        let octet = |at: usize| u16::from(octets.get(at).copied().unwrap_or(0));
        Self(octet(0) << 8 | octet(1))
    }

    /// The labels of the bits that are set.
    pub fn labels(self) -> impl Iterator<Item = &'static str> {
        Self::LABELS
            .iter()
            .enumerate()
            .filter(move |(bit, _)| self.0 & (0x8000 >> bit) != 0)
            .map(|(_, label)| *label)
    }

    /// The same without the bit that says that an ink or toner is out.
    #[must_use]
    pub fn without_supplies_out(self) -> Self {
        Self(self.0 & !(0x8000 >> 3))
    }

    /// Whether one of the bits says that a person has to come: jammed, door open, offline, service
    /// requested, or a supply missing or out.
    #[must_use]
    pub fn needs_person(self) -> bool {
        const STOPPED: u16 =
            0x8000 >> 1 | 0x8000 >> 3 | 0x8000 >> 4 | 0x8000 >> 5 | 0x8000 >> 7 | 0x8000 >> 10;
        self.0 & STOPPED != 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unlisted_numbers_are_kept() {
        assert_eq!(SupplyKind::from_number(6), SupplyKind::InkCartridge);
        assert_eq!(SupplyKind::from_number(999).number(), 999);
        assert_eq!(SupplyKind::from_number(-7).to_string(), "unlisted_-7");
    }

    /// RFC 2790, hrPrinterDetectedErrorState: lowPaper is bit 0, noToner bit 3, markerSupplyMissing bit 10.
    #[test]
    fn bit_zero_is_the_most_significant_of_the_first_octet() {
        let labels = |octets: &[u8]| DetectedErrors::from_octets(octets).labels().collect::<Vec<_>>();
        assert_eq!(labels(&[0x80]), ["low_paper"]);
        assert_eq!(labels(&[0x10, 0x20]), ["no_toner", "marker_supply_missing"]);
        assert!(labels(&[]).is_empty());
        assert_eq!(labels(&[0x02, 0x00, 0xff]), ["offline"]);
        assert!(DetectedErrors::from_octets(&[0x04]).needs_person());
        assert!(!DetectedErrors::from_octets(&[0x20]).needs_person());
    }
}
