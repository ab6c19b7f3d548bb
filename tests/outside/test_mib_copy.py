"""Numbers and labels of the standard's enumerations, and object identifiers, against an independent copy.

The copy is pysnmp-mibs 0.1.4 (see mib.py): RFC 3805 and RFC 2790 as published, the IANA registry as of 2005.
What the registry added later is listed here, with where it stands, and nothing else may differ.
"""

import ast
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
    for file in sorted((ROOT / "src/snmp").rglob("*.rs")):
        if "tests" in str(file.relative_to(ROOT)):
            continue
        text = file.read_text()
        for name, listed in constant.findall(text) + arcs.findall(text):
            found[name] = tuple(int(arc) for arc in listed.split(","))
        for name, listed in octets.findall(text):
            found[name] = (1, 3, *(int(arc) for arc in listed.split(",")))
    # snmpTrapOID.0 is an instance of RFC 3418, which the copy does not hold.
    assert found.pop("TRAP_OID") == (1, 3, 6, 1, 6, 3, 1, 1, 4, 1, 0)
    assert found == {name: mib.oid(standard) for name, standard in OIDS.items()}


# The numbers of character sets that src/snmp/text.rs decodes: their names in IANA-CHARSET-MIB (RFC 3808), and
# Python's codec for them.
CHARACTER_SETS = {
    4: ("csISOLatin1", "latin-1"),
    5: ("csISOLatin2", "iso8859-2"),
    6: ("csISOLatin3", "iso8859-3"),
    7: ("csISOLatin4", "iso8859-4"),
    8: ("csISOLatinCyrillic", "iso8859-5"),
    9: ("csISOLatinArabic", "iso8859-6"),
    10: ("csISOLatinGreek", "iso8859-7"),
    11: ("csISOLatinHebrew", "iso8859-8"),
    12: ("csISOLatin5", "iso8859-9"),
    13: ("csISOLatin6", "iso8859-10"),
    17: ("csShiftJIS", "shift_jis"),
    18: ("csEUCPkdFmtJapanese", "euc_jp"),
    36: ("csKSC56011987", "euc_kr"),
    38: ("csEUCKR", "euc_kr"),
    39: ("csISO2022JP", "iso2022_jp"),
    57: ("csISO58GB231280", "gb2312"),
    106: ("csUTF8", "utf-8"),
    109: ("csISO885913", "iso8859-13"),
    110: ("csISO885914", "iso8859-14"),
    111: ("csISO885915", "iso8859-15"),
    112: ("csISO885916", "iso8859-16"),
    113: ("csGBK", "gbk"),
    114: ("csGB18030", "gb18030"),
    1000: ("csUnicode", "utf-16-be"),
    1013: ("csUTF16BE", "utf-16-be"),
    1014: ("csUTF16LE", "utf-16-le"),
    1015: ("csUTF16", "utf-16-be"),
    2024: ("csWindows31J", "cp932"),
    2025: ("csGB2312", "gb2312"),
    2026: ("csBig5", "big5"),
    2027: ("csMacintosh", "mac_roman"),
    2084: ("csKOI8R", "koi8-r"),
    2086: ("csIBM866", "cp866"),
    2088: ("csKOI8U", "koi8-u"),
    2101: ("csBig5HKSCS", "big5hkscs"),
    # Registered after the copy was made, so that it has no name there.
    2109: (None, "cp874"),
    2250: ("cswindows1250", "cp1250"),
    2251: ("cswindows1251", "cp1251"),
    2252: ("cswindows1252", "cp1252"),
    2253: ("cswindows1253", "cp1253"),
    2254: ("cswindows1254", "cp1254"),
    2255: ("cswindows1255", "cp1255"),
    2256: ("cswindows1256", "cp1256"),
    2257: ("cswindows1257", "cp1257"),
    2258: ("cswindows1258", "cp1258"),
    2259: ("csTIS620", "tis-620"),
}


def test_character_sets_have_the_numbers_of_the_registry():
    source = (ROOT / "src/snmp/text.rs").read_text()
    arms = re.findall(r"^        (\d+(?: \| \d+)*) => \w+,$", source, re.MULTILINE)
    listed = {int(number) for arm in arms for number in arm.split(" | ")}
    assert listed == CHARACTER_SETS.keys()
    registry = mib.enum("IANACharset")
    assert {number: registry.get(number) for number in listed} == {
        number: name for number, (name, _) in CHARACTER_SETS.items()
    }


def test_the_octets_of_the_unit_test_are_those_of_pythons_codecs():
    source = (ROOT / "src/snmp/text/tests.rs").read_text()
    vectors = re.findall(r"\((\d+), &(b\"[^\"]*\")\[\.\.\], \"([^\"]*)\"\)", source)
    seen = set()
    for number, octets, text in vectors:
        text = re.sub(r"\\u\{(\w+)\}", lambda match: chr(int(match[1], 16)), text)
        assert ast.literal_eval(octets) == text.encode(CHARACTER_SETS[int(number)][1]), number
        seen.add(int(number))
    # UTF-16 with its mark has a test of its own.
    assert seen == CHARACTER_SETS.keys() - {1015}
