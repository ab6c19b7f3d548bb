"""A printer that we know every figure of, for net-snmp's agent to serve.

Object identifiers and types come from the independent copy of the MIB (mib.py), the rows from here, and
beside each supply stands what a person reads off it. Sentinels: RFC 3805 §2.4 (-1 other or no limit,
-2 unknown, -3 some left). Receptacles: RFC 3805 §6, prtMarkerSuppliesLevel (the room left). Factors: NIST
SP 811 (2008), appendix B.8: US fluid ounce 29.573 53 ml, avoirdupois ounce 28.349 52 g, foot 0.3048 m.
"""

import mib

DEVICE = 7  # hrDeviceIndex of the printer: RFC 2790 promises no 1; row 1 is a network interface
MARKER = 1

# prtMarkerColorantValue by prtMarkerColorantIndex
COLORANTS = {1: "cyan", 2: "magenta", 3: "yellow", 4: "black", 5: "light grey"}

CONTAINER, RECEPTACLE = 3, 4


class Supply:
    """A row of prtMarkerSuppliesTable, and the figures that it stands for."""

    def __init__(
        self, index, kind, unit, most, level, text, *, means, role="consumed", colorant=0, marker=MARKER, cls=None
    ):
        self.index, self.kind, self.unit, self.most, self.level = index, kind, unit, most, level
        self.text, self.role, self.colorant, self.marker = text, role, colorant, marker
        self.cls = cls or (RECEPTACLE if role == "filled" else CONTAINER)
        self.measure, self.capacity, self.remaining, self.quality = means


# means = (unit, capacity, what is left or the room left, how good it is)
SUPPLIES = [
    Supply(1, 6, 15, 7750, 1938, "Cyan ink, 775 ml", colorant=1, means=("ml", 775.0, 193.8, "measured")),
    Supply(2, 6, 15, 2250, -3, "Magenta ink, starter", colorant=2, means=("ml", 225.0, None, "some_left")),
    Supply(3, 6, 15, 7750, -2, "Yellow ink, 775 ml", colorant=3, means=("ml", 775.0, None, "unknown")),
    Supply(4, 6, 19, 100, 42, "Matte black ink", colorant=4, means=("percent", 100.0, 42.0, "measured")),
    Supply(5, 6, 14, 2621, 1000, "Light grey ink", colorant=5, means=("ml", 775.122210, 295.735296, "measured")),
    Supply(6, 5, 13, 5000, 1234, "Gloss enhancer, by weight", means=("g", 500.0, 123.4, "measured")),
    Supply(7, 5, 12, 10000, 2500, "Bonding agent, by weight", means=("g", 283.495231, 70.873808, "measured")),
    Supply(8, 8, 15, 15000, 4200, "Waste receptacle", role="filled", means=("ml", 1500.0, 420.0, "measured")),
    Supply(9, 8, 15, 15000, 0, "Second waste receptacle", role="filled", means=("ml", 1500.0, 0.0, "measured")),
    # A device that files its waste under what is consumed (common practice, no source): the kind decides.
    Supply(10, 8, 19, 100, 30, "Cutter bin", role="filled", cls=CONTAINER, means=("percent", 100.0, 30.0, "measured")),
    Supply(11, 23, 1, -1, -1, "Water, from the mains", means=("percent", None, None, "unlimited")),
    Supply(12, 1, 19, -2, 51, "Coating", means=("percent", 100.0, 51.0, "measured")),
    # Units 1 and 2 have no size: only the ratio means anything, in hundredths of the capacity.
    Supply(13, 1, 2, 255, 51, "Wiper fluid", means=("percent", 100.0, 20.0, "measured")),
    Supply(14, 7, 16, 300, 75, "Spot ribbon", means=("m", 91.44, 22.86, "measured")),
    Supply(15, 9, 7, 40000, 12345, "Drum", means=("impressions", 40000.0, 12345.0, "measured")),
    Supply(16, 15, 11, 2000, 1999, "Dryer lamp", means=("hours", 2000.0, 1999.0, "measured")),
    Supply(17, 32, 18, 5000, -3, "Staples", marker=0, means=("items", 5000.0, None, "some_left")),
    Supply(18, 6, 15, -2, 400, "Cyan ink, reserve tank", colorant=1, means=("ml", None, 40.0, "measured")),
    # A level above the capacity cannot be true, and is not believed (common practice after a refill).
    Supply(19, 6, 15, 7750, 8000, "Grau, hell – überfüllt", colorant=5, means=("ml", 775.0, None, "unknown")),
    # A kind that a later revision of the registry may add is kept as a number, never refused.
    Supply(20, 250, 8, 5000, 1250, "Backing sheets", means=("sheets", 5000.0, 1250.0, "measured")),
    # A sentinel says the same whatever the unit.
    Supply(21, 10, 2, -2, -3, "Primer", means=("percent", None, None, "some_left")),
]

# (severity, training, group, group index, location, code, text): RFC 3805 prtAlertTable. Indexes have gaps.
ALERTS = {
    3: (4, 4, 11, 2, 2, 1105, "Magenta ink is low"),
    9: (3, 3, 6, 1, -2, 3, "Roll cover is open"),
}

SERIAL = "VO-0007"
LIFE_COUNT = 4_294_967_295  # Counter32, its largest


def object_rows():
    """Every instance that the agent serves: (object's name, index, value)."""
    yield "hrDeviceType", (1,), mib.oid("hrDeviceNetwork")
    yield "hrDeviceDescr", (1,), "Network interface"
    yield "hrDeviceStatus", (1,), 2
    yield "hrDeviceType", (DEVICE,), mib.oid("hrDevicePrinter")
    yield "hrDeviceDescr", (DEVICE,), "Wide-format ink printer, 1118 mm, rev 4"
    yield "hrDeviceStatus", (DEVICE,), 5
    yield "hrPrinterStatus", (DEVICE,), 1
    # bit 2 lowToner, bit 4 doorOpen, bit 10 markerSupplyMissing; bit 0 is the highest of the first octet
    yield "hrPrinterDetectedErrorState", (DEVICE,), bytes([0x20 | 0x08, 0x20])
    yield "prtGeneralConfigChanges", (DEVICE,), 12
    yield "prtGeneralCurrentLocalization", (DEVICE,), 1
    yield "prtGeneralPrinterName", (DEVICE,), "Bobbin"
    yield "prtGeneralSerialNumber", (DEVICE,), SERIAL
    yield "prtAlertAllEvents", (DEVICE,), 31
    yield "prtCoverDescription", (DEVICE, 1), "Roll cover"
    yield "prtCoverStatus", (DEVICE, 1), 3
    yield "prtLocalizationLanguage", (DEVICE, 1), "de"
    yield "prtLocalizationCountry", (DEVICE, 1), "DE"
    yield "prtLocalizationCharacterSet", (DEVICE, 1), 106
    yield "prtInputType", (DEVICE, 1), 6
    yield "prtInputDimUnit", (DEVICE, 1), 4
    yield "prtInputMediaDimXFeedDirDeclared", (DEVICE, 1), 1_118_000
    yield "prtInputMediaDimXFeedDirChosen", (DEVICE, 1), 914_400
    yield "prtInputCapacityUnit", (DEVICE, 1), 17
    yield "prtInputMaxCapacity", (DEVICE, 1), 30
    yield "prtInputCurrentLevel", (DEVICE, 1), -3
    yield "prtInputMediaName", (DEVICE, 1), "Backdrop canvas"
    yield "prtInputName", (DEVICE, 1), "Roll 1"
    yield "prtMarkerMarkTech", (DEVICE, MARKER), 12
    yield "prtMarkerCounterUnit", (DEVICE, MARKER), 17
    yield "prtMarkerLifeCount", (DEVICE, MARKER), LIFE_COUNT
    yield "prtMarkerPowerOnCount", (DEVICE, MARKER), 17
    for supply in SUPPLIES:
        at = (DEVICE, supply.index)
        yield "prtMarkerSuppliesMarkerIndex", at, supply.marker
        yield "prtMarkerSuppliesColorantIndex", at, supply.colorant
        yield "prtMarkerSuppliesClass", at, supply.cls
        yield "prtMarkerSuppliesType", at, supply.kind
        yield "prtMarkerSuppliesDescription", at, supply.text
        yield "prtMarkerSuppliesSupplyUnit", at, supply.unit
        yield "prtMarkerSuppliesMaxCapacity", at, supply.most
        yield "prtMarkerSuppliesLevel", at, supply.level
    for index, value in COLORANTS.items():
        yield "prtMarkerColorantMarkerIndex", (DEVICE, index), MARKER
        yield "prtMarkerColorantRole", (DEVICE, index), 3
        yield "prtMarkerColorantValue", (DEVICE, index), value
        yield "prtMarkerColorantTonality", (DEVICE, index), 256
    columns = [
        "prtAlertSeverityLevel", "prtAlertTrainingLevel", "prtAlertGroup", "prtAlertGroupIndex",
        "prtAlertLocation", "prtAlertCode", "prtAlertDescription",
    ]  # fmt: skip
    for index, values in ALERTS.items():
        for column, value in zip(columns, values, strict=True):
            yield column, (DEVICE, index), value


def all_rows():
    """The same as the pass protocol wants it: (OID, (type, value))."""
    for name, index, value in object_rows():
        kind = mib.pass_kind(name)
        if kind == "octet":
            raw = value if isinstance(value, bytes) else value.encode()
            text = " ".join(f"{octet:02X}" for octet in raw)
        elif kind == "objectid":
            text = "." + ".".join(map(str, value))
        else:
            text = str(value)
        yield mib.oid(name) + index, (kind, text)
