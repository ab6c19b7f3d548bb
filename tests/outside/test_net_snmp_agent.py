"""`ullage poll` against net-snmp's own agent (Debian's snmpd 5.9), which serves a printer of known figures.

net-snmp is the reference implementation that most agents descend from; its engine, its access control and
its encoding are not ours. What each row must read as stands in printer_rows.py, with its sources.
"""

import pytest

import agents
import mib
import printer_rows
from harness import octets, integer, poll

WAYS = {
    "v1": (["--snmp", "v1", "--community", agents.COMMUNITY], None),
    "v2c": (["--snmp", "v2c", "--community", agents.COMMUNITY], None),
    **{f"v3-{user}": agents.v3_options(user) for user in agents.USERS},
}

# Where no answer is to come, it need not be waited for as long as in life.
HASTE = ["--timeout", "0.3", "--retries", "1"]


@pytest.fixture(scope="module", params=WAYS, ids=str)
def reading(request, printer_agent):
    """One poll of the printer by each version and each pair of protocols."""
    options, env = WAYS[request.param]
    status, reading, said = poll(printer_agent, *options, env=env)
    assert status == 0, said
    return reading


def snake(label):
    return "".join("_" + c.lower() if c.isupper() else c for c in label)


def test_the_agent_serves_what_we_think_it_serves(printer_agent, net_snmp):
    """The rows go through snmpd unharmed: what net-snmp's own walk reads is what is written down here."""
    for credentials in (["-v2c", "-c", agents.COMMUNITY], agents.net_snmp_v3("hem256")):
        walked = {}
        for table in agents.TABLES:
            walked |= net_snmp.read("snmpbulkwalk", credentials, printer_agent, table)
        expected = {".".join(map(str, oid)): row for oid, row in printer_rows.all_rows()}
        assert walked.keys() == expected.keys()
        for oid, (kind, value) in expected.items():
            if kind == "octet":
                assert octets(walked[oid]) == bytes.fromhex(value), oid
            elif kind == "objectid":
                assert walked[oid] == ("OID", value), oid
            else:
                assert integer(walked[oid]) == int(value), oid


def test_every_supply_is_there_once_in_the_order_of_its_index(reading):
    """prtMarkerSuppliesEntry is indexed by hrDeviceIndex and prtMarkerSuppliesIndex (RFC 3805)."""
    expected = [f"{printer_rows.DEVICE}.{supply.index}" for supply in printer_rows.SUPPLIES]
    assert [supply["index"] for supply in reading["supplies"]] == expected


@pytest.mark.parametrize("row", printer_rows.SUPPLIES, ids=lambda row: row.text)
def test_a_supply_reads_as_it_stands(reading, row):
    found = next(supply for supply in reading["supplies"] if supply["index"] == f"{printer_rows.DEVICE}.{row.index}")
    # NIST SP 811 gives seven figures
    near = lambda figure: None if figure is None else pytest.approx(figure, rel=5e-7, abs=1e-9)  # noqa: E731
    known = row.capacity is not None and row.remaining is not None
    filled = row.capacity - row.remaining if known and row.role == "filled" else None
    kinds = mib.enum("PrtMarkerSuppliesTypeTC")
    assert found["kind"] == (snake(kinds[row.kind]) if row.kind in kinds else f"unlisted_{row.kind}")
    assert found["role"] == row.role
    assert found["colorant"] == printer_rows.COLORANTS.get(row.colorant)
    assert found["unit"] == row.measure
    assert found["description"] == row.text
    assert found["quality"] == row.quality
    assert found["capacity"] == near(row.capacity)
    assert found["remaining"] == near(row.remaining)
    assert found["filled"] == near(filled)
    assert found["fraction"] == near(row.remaining / row.capacity if known else None)


def test_the_device_says_who_it_is(reading):
    device = reading["device"]
    assert device["serial"] == printer_rows.SERIAL
    assert device["printer_name"] == "Bobbin"
    assert device["system_name"] == "bobbin"
    assert device["location"] == "Print loft, north wall"
    assert device["model"] == "Wide-format ink printer, 1118 mm, rev 4"
    assert device["description"] == "Wide-format ink printer, eight inks"
    assert device["object_id"] == "1.3.6.1.4.1.32473.7"


def test_states_and_errors_carry_the_labels_of_rfc_2790(reading):
    device = reading["device"]
    assert device["device_status"] == mib.enum("hrDeviceStatus")[5] == "down"
    assert device["printer_status"] == mib.enum("hrPrinterStatus")[1] == "other"
    # RFC 2790, hrPrinterDetectedErrorState: lowToner 2, doorOpen 4, markerSupplyMissing 10
    assert device["detected_errors"] == ["low_toner", "door_open", "marker_supply_missing"]


def test_counters_media_and_covers_are_read(reading):
    device = reading["device"]
    units = mib.enum("PrtMarkerCounterUnitTC")
    assert device["markers"] == [
        {
            "index": printer_rows.MARKER,
            "life_count": printer_rows.LIFE_COUNT,
            "power_on_count": 17,
            "counter_unit": units[17],
        }
    ]
    # The chosen width, in micrometres, goes before the declared one (RFC 3805, prtInputTable)
    expected = {"index": 1, "kind": "continuous_roll", "name": "Roll 1", "media": "Backdrop canvas", "width_mm": 914.4}
    assert [{key: media[key] for key in expected} for media in device["media"]] == [expected]
    assert [(cover["description"], cover["status"]) for cover in device["covers"]] == [("Roll cover", "cover_open")]
    assert device["complete"] is True


def test_the_alert_table_is_read_with_its_gaps(reading):
    severities, groups = mib.enum("PrtAlertSeverityLevelTC"), mib.enum("PrtAlertGroupTC")
    codes = mib.enum("PrtAlertCodeTC")
    expected = [
        (snake(severities[severity]), snake(groups[group]), at, snake(codes[code]), text)
        for severity, _, group, at, _, code, text in printer_rows.ALERTS.values()
    ]
    keys = ("severity", "group", "group_index", "code", "description")
    assert [tuple(alert[key] for key in keys) for alert in reading["alerts"]] == expected


def test_a_machine_without_printer_rows_is_not_a_printer(plain_agent):
    status, _, said = poll(plain_agent, "--snmp", "v2c", "--community", agents.COMMUNITY)
    assert status == 4, said
    assert one_line(said) and "printer" in said


def test_a_wrong_community_gets_no_answer(printer_agent):
    """RFC 3584 and net-snmp: a wrong community is not answered at all."""
    status, _, said = poll(printer_agent, "--snmp", "v2c", "--community", "chalk", *HASTE)
    assert status == 3, said
    assert one_line(said) and "community" in said


@pytest.mark.parametrize("wrong", ["user", "authentication", "privacy"])
def test_wrong_version_3_credentials_are_told_apart(printer_agent, wrong):
    """RFC 3414 §3.2: usmStatsUnknownUserNames, usmStatsWrongDigests, usmStatsDecryptionErrors."""
    options, env = agents.v3_options("hem256")
    if wrong == "user":
        options[options.index("hem256")] = "nobody-here"
    else:
        key = agents.AUTH_VARIABLE if wrong == "authentication" else agents.PRIVACY_VARIABLE
        env[key] = "not the password at all"
    status, _, said = poll(printer_agent, *options, *HASTE, env=env)
    assert status == 3, said
    assert one_line(said) and wrong in said, said
    assert "not the password" not in said


def test_a_silent_port_gets_no_answer(silent_port):
    status, _, said = poll(silent_port, "--snmp", "v2c", "--community", agents.COMMUNITY, *HASTE)
    assert status == 3, said
    assert one_line(said) and str(silent_port) in said


def test_a_wrong_option_is_a_usage_error(printer_agent):
    status, _, said = poll(printer_agent, "--snmp", "v9")
    assert status == 2, said
    assert "v2c" in said, "it names what can be written"


def one_line(said):
    return len(said.strip().splitlines()) == 1
