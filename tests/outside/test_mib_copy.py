"""Numbers and labels of the standard's enumerations, and object identifiers, against an independent copy.

The copy is pysnmp-mibs 0.1.4 (see mib.py): RFC 3805 and RFC 2790 as published, the IANA registry as of 2005.
What the registry added later is listed here, with where it stands, and nothing else may differ.
"""

import re

import pytest

import mib
from harness import ROOT

STANDARD = (ROOT / "src/domain/standard.rs").read_text()

# Our name of an enumeration, and the textual conventions or objects whose numbers it carries.
ENUMS = {
    "SupplyClass": ["PrtMarkerSuppliesClassTC"],
    "SupplyKind": ["PrtMarkerSuppliesTypeTC"],
    "SupplyUnit": ["PrtMarkerSuppliesSupplyUnitTC"],
    "DeviceStatus": ["hrDeviceStatus"],
    "PrinterStatus": ["hrPrinterStatus"],
    "CoverStatus": ["PrtCoverStatusTC"],
    "InputType": ["PrtInputTypeTC"],
    # A marker's counter unit shares the numbers of the capacity unit; one type of ours serves both.
    "CapacityUnit": ["PrtCapacityUnitTC", "PrtMarkerCounterUnitTC"],
    "Severity": ["PrtAlertSeverityLevelTC"],
    "AlertGroup": ["PrtAlertGroupTC"],
    "AlertCode": ["PrtAlertCodeTC"],
}

# In IANA-PRINTER-MIB of 2019-07-08, after the copy was made.
ADDED_LATER = {
    "SupplyKind": {35: "matte_toner", 36: "matte_ink"},
    "AlertCode": {
        1116: "marker_cleaner_missing",
        1117: "marker_developer_missing",
        1118: "marker_fuser_missing",
        1119: "marker_ink_missing",
        1120: "marker_opc_missing",
        1121: "marker_print_ribbon_missing",
        1122: "marker_supply_almost_empty",
        1123: "marker_supply_empty",
        1124: "marker_supply_missing",
        1125: "marker_waste_almost_full",
        1126: "marker_waste_full",
        1127: "marker_waste_missing",
        1128: "marker_waste_ink_receptacle_missing",
        1129: "marker_waste_toner_receptacle_missing",
        1130: "marker_toner_missing",
    },
}

# Enumerations of which we name a part only, because the rest says nothing about a print room's supplies;
# an unnamed number is kept as a number.
IN_PART = {"AlertCode"}


def snake(label):
    """`hostResourcesMIBStorageTable` as `host_resources_mib_storage_table`."""
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", "_", label).lower()


def ours():
    """The enumerations of src/domain/standard.rs as {name: {number: label}}."""
    found = {}
    for block in re.findall(r"standard_enum!\((.*?)\n\);", STANDARD, re.DOTALL):
        name, body = re.search(r"^\s*(\w+) \{(.*)\}", re.sub(r"///.*", "", block), re.DOTALL | re.MULTILINE).groups()
        entries = re.findall(r"\w+ = (\d+), \"(\w+)\";", body)
        found[name] = {int(number): label for number, label in entries}
        assert len(found[name]) == body.count(";"), f"{name}: an entry was not understood"
    return found


def test_every_enumeration_is_compared():
    assert ours().keys() == ENUMS.keys()


@pytest.mark.parametrize("name", ENUMS)
def test_numbers_and_labels_are_the_standards(name):
    standard = {}
    for source in ENUMS[name]:
        labels = {number: snake(label) for number, label in mib.enum(source).items()}
        assert all(standard.get(number, label) == label for number, label in labels.items()), "sources disagree"
        standard |= labels
    added = ADDED_LATER.get(name, {})
    assert not standard.keys() & added.keys(), "the copy has it: it was not added later"
    listed = ours()[name]
    expected = standard | added
    if name in IN_PART:
        expected = {number: label for number, label in expected.items() if number in listed}
    assert listed == expected


def test_error_bits_stand_in_the_order_of_rfc_2790():
    """RFC 2790, hrPrinterDetectedErrorState: "0 lowPaper … 14 overduePreventMaint"; the copy has no names
    for the bits of this OCTET STRING, so the list is from the text of the RFC."""
    published = (
        "lowPaper noPaper lowToner noToner doorOpen jammed offline serviceRequested inputTrayMissing "
        "outputTrayMissing markerSupplyMissing outputNearFull outputFull inputTrayEmpty overduePreventMaint"
    )
    block = re.search(r"LABELS: \[&'static str; 15\] = \[(.*?)\]", STANDARD, re.DOTALL).group(1)
    assert re.findall(r"\"(\w+)\"", block) == [snake(label) for label in published.split()]


# The object identifiers that src/snmp has by name, and what the standard calls them.
OIDS = {
    "SYSTEM": "system",
    "HR_DEVICE": "hrDeviceEntry",
    "HR_DEVICE_PRINTER": "hrDevicePrinter",
    "HR_PRINTER": "hrPrinterEntry",
    "GENERAL": "prtGeneralEntry",
    "COVER": "prtCoverEntry",
    "LOCALIZATION": "prtLocalizationEntry",
    "INPUT": "prtInputEntry",
    "MARKER": "prtMarkerEntry",
    "SUPPLIES": "prtMarkerSuppliesEntry",
    "COLORANT": "prtMarkerColorantEntry",
    "ALERT": "prtAlertEntry",
    "USM_STATS": "usmStats",
    "PRINTER_V1_ENTERPRISE": "printerV1Alert",
    "PRINTER_V2_ALERT": "printerV2Alert",
}


def test_object_identifiers_are_the_standards():
    """The columns behind them are held to the copy by the rows that net-snmp's agent serves."""
    constant = re.compile(r"^(?:pub )?const (\w+): Oid = Oid::constant\(&\[([\d, ]+)\]\);", re.MULTILINE)
    # The arcs alone, and the octets as they stand in a message, where 0x2b is 1.3 (X.690 8.19).
    arcs = re.compile(r"^const (\w+): &\[u64\] = &\[([\d, ]+)\];", re.MULTILINE)
    octets = re.compile(r"^const (\w+): &\[u8\] = &\[0x2b, ([\d, ]+)\];", re.MULTILINE)
    found = {}
    for file in sorted((ROOT / "src/snmp").glob("*.rs")):
        if file.stem.endswith("tests"):
            continue
        text = file.read_text()
        for name, listed in constant.findall(text) + arcs.findall(text):
            found[name] = tuple(int(arc) for arc in listed.split(","))
        for name, listed in octets.findall(text):
            found[name] = (1, 3, *(int(arc) for arc in listed.split(",")))
    # snmpTrapOID.0 is an instance of RFC 3418, which the copy does not hold.
    assert found.pop("TRAP_OID") == (1, 3, 6, 1, 6, 3, 1, 1, 4, 1, 0)
    assert found == {name: mib.oid(standard) for name, standard in OIDS.items()}
