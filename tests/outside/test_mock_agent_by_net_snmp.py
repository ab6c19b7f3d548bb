"""`mock-agent` read by net-snmp's programs (5.9), and `ullage poll` held against what they read.

The tests of the tool lean on mock-agent, so it must answer as the standards say to somebody who is not us:
net-snmp decodes it, the independent MIB copy (mib.py) says which instances, types and ranges are legal,
and the figures of a poll are worked out here from the raw rows, by RFC 3805 alone.
"""

import re
import tomllib
from fractions import Fraction

import pytest

import agents
import mib
from harness import END_OF_MIB, ROOT, integer, octets, poll, program, run, running, wait_for
from units import UNITS

ROOM = tomllib.loads((ROOT / "mock-agent/rooms/vellmoor.toml").read_text())["printer"]
TABLES = ["1.3.6.1.2.1.1", "1.3.6.1.2.1.25", "1.3.6.1.2.1.43"]

# net-snmp's words for the protocols of a scenario file.
AUTH = {"md5": "MD5", "sha-1": "SHA", "sha-256": "SHA-256", "sha-512": "SHA-512"}
PRIVACY = {"des": "DES", "aes-128": "AES"}


def is_dark(plan):
    """Whether the room has a printer switched off now: a spell in days before and after now."""
    return any(spell["from"] < 0 and spell.get("to", 1) > 0 for spell in plan.get("dark", []))


class Printer:
    """A printer of the room with everything that is needed to ask it."""

    def __init__(self, plan, port):
        self.plan, self.port, self.name = plan, port, plan["name"]
        snmp = plan["snmp"]
        self.version = snmp["version"]
        if self.version == "v3":
            user = snmp["user"]
            passwords = (user["auth_password"], user["privacy_password"])
            protocols = (AUTH[user["auth"]], PRIVACY[user["privacy"]])
            self.credentials = agents.net_snmp_v3(user["name"], *passwords, protocols)
            self.options, self.env = agents.v3_poll(user["name"], (user["auth"], user["privacy"]), *passwords)
        else:
            self.credentials = [f"-{self.version}", "-c", snmp["community"]]
            self.options = ["--snmp", self.version, "--community", snmp["community"]]
            self.env = {}


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    """The built-in room with its clock standing still, so that two walks see the same."""
    said = tmp_path_factory.mktemp("room") / "said"
    with said.open("w") as out:
        command = [program("mock-agent"), "--listen", "127.0.0.1:0", "--speed", "0", "--days", "8"]
        with running(command, stdout=out) as process:
            lines = lambda: re.findall(r"^(\w+) +127\.0\.0\.1:(\d+)", said.read_text(), re.MULTILINE)  # noqa: E731
            wait_for("the room is open", lambda: len(lines()) == len(ROOM), process)
            ports = dict(lines())
            yield {plan["name"]: Printer(plan, int(ports[plan["name"]])) for plan in ROOM}


@pytest.fixture(scope="module", params=[plan["name"] for plan in ROOM if not is_dark(plan)])
def awake(request, room):
    """Each printer that answers; the one that is dark has a test of its own."""
    return room[request.param]


@pytest.fixture(scope="module")
def rows(awake, net_snmp):
    """Every row of a printer, read by net-snmp with GETNEXT."""
    found = {}
    for table in TABLES:
        found |= net_snmp.read("snmpwalk", awake.credentials, awake.port, table)
    return found


def arcs(oid):
    return tuple(int(arc) for arc in oid.split("."))


def test_the_room_has_every_version_and_a_dark_printer(room):
    assert {printer.version for printer in room.values()} == {"v1", "v2c", "v3"}
    assert any(is_dark(plan) for plan in ROOM)


def test_a_dark_printer_is_silent(room, net_snmp):
    for printer in room.values():
        if is_dark(printer.plan):
            asked = [*printer.credentials, f"127.0.0.1:{printer.port}", "1.3.6.1.2.1.1.3.0"]
            done = run(["snmpget", "-t", "1", "-r", "0", *asked], env=net_snmp.env)
            assert done.returncode != 0 and "Timeout" in done.stderr + done.stdout
            status, _, said = poll(printer.port, *printer.options, env=printer.env)
            assert status == 3, said


def test_a_walk_by_getbulk_reads_the_same(awake, rows, net_snmp):
    if awake.version == "v1":
        command = ["snmpbulkget", *awake.credentials, f"127.0.0.1:{awake.port}", TABLES[0]]
        assert run(command, env=net_snmp.env).returncode != 0, "version 1 has no GETBULK (RFC 1157)"
        return
    for repetitions in ("1", "7", "40"):
        bulk = {}
        for table in TABLES:
            bulk |= net_snmp.read("snmpbulkwalk", awake.credentials, awake.port, table, options=[f"-Cr{repetitions}"])
        assert bulk == rows, f"{repetitions} repetitions"


def test_every_instance_can_be_got_by_itself(awake, rows, net_snmp):
    oids = list(rows)
    for start in range(0, len(oids), 10):
        some = oids[start : start + 10]
        assert net_snmp.read("snmpget", awake.credentials, awake.port, *some) == {oid: rows[oid] for oid in some}


def test_rows_come_in_the_order_of_their_oids(rows):
    assert list(map(arcs, rows)) == sorted(map(arcs, rows))


def test_every_row_is_one_of_the_standard_with_its_type_and_range(rows):
    for oid, row in rows.items():
        found = mib.object_of(arcs(oid))
        assert found, f"{oid} is no column or scalar of the standard"
        name, index = found
        assert len(index) == mib.index_width(name), f"{oid} ({name}) has an index of {len(index)} numbers"
        kind, value = row
        wanted = mib.wire_kinds(name)
        assert kind in wanted or (value == '""' and "STRING" in wanted), f"{oid} ({name}) is {kind}"
        if wanted == {"OID"}:
            continue
        plain = octets(row) if "STRING" in wanted else integer(row)
        # pysnmp-mibs is of 2005; IANA has added supply types 35 and 36 and alert codes 1116 to 1130 since
        later = plain in {"prtMarkerSuppliesType": range(35, 37), "prtAlertCode": range(1116, 1131)}.get(name, ())
        assert later or mib.is_legal(name, plain), f"{oid} ({name}) = {plain!r} is out of its range"


def test_what_lies_beyond_the_last_row_is_said_as_the_version_says_it(awake, net_snmp):
    """RFC 3416 §4.2.2: endOfMibView; RFC 1157 §4.1.3 for version 1: noSuchName."""
    command = ["snmpgetnext", "-On", *awake.credentials, f"127.0.0.1:{awake.port}", "1.3.6.1.6.99"]
    done = run(command, env=net_snmp.env)
    said = done.stdout + done.stderr
    assert ("noSuchName" if awake.version == "v1" else END_OF_MIB) in said


def test_who_does_not_know_the_word_gets_nothing(awake, net_snmp):
    wrong = list(awake.credentials)
    wrong[wrong.index("-u" if awake.version == "v3" else "-c") + 1] = "moth"
    command = ["snmpget", "-t", "1", "-r", "0", *wrong, f"127.0.0.1:{awake.port}", "1.3.6.1.2.1.1.3.0"]
    done = run(command, env=net_snmp.env)
    said = done.stdout + done.stderr
    assert done.returncode != 0
    # RFC 3414 §3.2 step 4: usmStatsUnknownUserNames is reported; a wrong community is dropped
    assert ("Unknown user name" if awake.version == "v3" else "Timeout") in said


def test_nothing_can_be_set(awake, rows, net_snmp):
    name = "1.3.6.1.2.1.1.5.0"
    command = ["snmpset", "-t", "1", "-r", "0", *awake.credentials, f"127.0.0.1:{awake.port}", name, "s", "moth"]
    assert run(command, env=net_snmp.env).returncode != 0
    assert net_snmp.read("snmpget", awake.credentials, awake.port, name)[name] == rows[name]


def column(rows, name):
    """One column of a table: {index behind hrDeviceIndex: row}."""
    base = ".".join(map(str, mib.oid(name))) + "."
    return {arcs(oid)[len(mib.oid(name)) + 1 :]: row for oid, row in rows.items() if oid.startswith(base)}


def device_index(rows):
    """The hrDeviceIndex of the printer, which every table of the Printer MIB is indexed by first."""
    behind = len(mib.oid("prtGeneralConfigChanges"))
    (index,) = {arcs(oid)[behind] for oid in rows if oid.startswith("1.3.6.1.2.1.43.5.")}
    return index


def expected_supply(rows, index):
    """What RFC 3805 makes of one supply row."""
    number = lambda name: integer(column(rows, name)[index])  # noqa: E731
    unit, most, level = (number(f"prtMarkerSupplies{name}") for name in ("SupplyUnit", "MaxCapacity", "Level"))
    measure, factor = UNITS[unit]
    capacity = most * factor if most > 0 else None
    if capacity is None and unit == 19:
        capacity = Fraction(100)
    remaining = level * factor if level >= 0 and (capacity is None or level * factor <= capacity) else None
    quality = {-1: "unlimited", -3: "some_left"}.get(level, "unknown" if remaining is None else "measured")
    kind = mib.enum("PrtMarkerSuppliesTypeTC")[number("prtMarkerSuppliesType")]
    filled = number("prtMarkerSuppliesClass") == 4 or kind.startswith("waste")
    colorants = column(rows, "prtMarkerColorantValue")
    colorant = colorants.get((number("prtMarkerSuppliesColorantIndex"),))
    known = capacity is not None and remaining is not None
    near = lambda figure: None if figure is None else pytest.approx(float(figure), rel=1e-12, abs=1e-12)  # noqa: E731
    return {
        "index": f"{device_index(rows)}.{index[0]}",
        "kind": re.sub(r"(?=[A-Z])", "_", kind).lower(),
        "role": "filled" if filled else "consumed",
        "colorant": octets(colorant).decode() if colorant else None,
        "unit": measure,
        "capacity": near(capacity),
        "remaining": near(remaining),
        "filled": near(capacity - remaining if known and filled else None),
        "fraction": near(remaining / capacity if known else None),
        "quality": quality,
        "description": octets(column(rows, "prtMarkerSuppliesDescription")[index]).decode().strip(),
    }


def test_a_poll_says_what_net_snmp_reads(awake, rows):
    status, reading, said = poll(awake.port, *awake.options, env=awake.env)
    assert status == 0, said
    indexes = sorted(column(rows, "prtMarkerSuppliesLevel"))
    assert len(indexes) >= len(awake.plan["ink"]) + 1
    expected = [expected_supply(rows, index) for index in indexes]
    assert [{key: supply[key] for key in expected[0]} for supply in reading["supplies"]] == expected
    assert reading["device"]["serial"] == awake.plan["serial"]
    codes = [integer(row) for row in column(rows, "prtAlertCode").values()]
    assert len(reading["alerts"]) == len(codes)
