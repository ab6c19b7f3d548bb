"""The month's file of a running demo, read and worked out anew by Python's standard library.

`csv` reads it strictly (RFC 4180), `zoneinfo` says where the month begins and ends in the print room, and
the amounts are bracketed from the readings as they came over the wire, without any of the tool's own
bookkeeping in between.
"""

import csv
import io
import re
from datetime import datetime, timedelta

import pytest

from month_demo import DAYS, ROOM, ZONE, edges, months
from units import UNITS

COLUMNS = (
    "month device cost_centre supply role unit used spread unseen swaps left_in_swapped coverage "
    "availability site model part currency cost_minor left_cost_minor output output_unit forecasts_within "
    "forecasts_before forecasts_after forecasts_days_off"
).split()
FIGURES = ["used", "spread", "unseen", "swaps", "left_in_swapped", "coverage"]


@pytest.fixture(scope="module", params=months())
def month(request, demo):
    """(the month, its file's rows)"""
    _, body = demo.get(f"/months/{request.param}.csv")
    reader = csv.DictReader(io.StringIO(body.decode("utf-8"), newline=""), strict=True)
    return request.param, list(reader)


def test_the_file_is_what_rfc_4180_and_its_heading_say(demo, month):
    headers, body = demo.get(f"/months/{month[0]}.csv")
    assert headers.get_content_type() == "text/csv"
    assert headers.get_content_charset() == "utf-8"
    assert month[0] in headers["content-disposition"]
    lines = body.split(b"\r\n")
    assert lines[-1] == b"" and all(b"\n" not in line for line in lines), "rows end in CR LF"
    table = list(csv.reader(io.StringIO(body.decode(), newline=""), strict=True))
    assert table[0] == COLUMNS
    assert len(table) > len(ROOM["printer"]), "there are rows"
    assert {len(row) for row in table} == {len(COLUMNS)}


def test_figures_are_numbers_and_words_are_known(month):
    name, rows = month
    plans = {plan["name"]: plan for plan in ROOM["printer"]}
    for row in rows:
        assert row["month"] == name
        assert row["device"] in plans
        assert row["role"] in {"consumed", "filled"}
        assert row["unit"] in {unit for unit, _ in UNITS.values()}
        figures = {key: float(row[key]) for key in FIGURES}
        assert all(figure >= 0 for figure in figures.values()), row
        assert figures["spread"] <= figures["used"] + 1e-3
        assert figures["coverage"] <= 1
        assert re.fullmatch(r"\d+", row["swaps"])
    assert len({(row["device"], row["supply"]) for row in rows}) == len(rows), "one row a supply"


def test_the_command_writes_the_same_bytes(demo, month):
    said = demo.command("report", months()[0])
    figures = [row[key] for row in csv.DictReader(io.StringIO(said)) for key in ("device", "supply", "used")]
    _, body = demo.get(f"/months/{months()[0]}.csv")
    text = io.StringIO(body.decode())
    assert figures == [row[key] for row in csv.DictReader(text) for key in ("device", "supply", "used")]


def instant(text):
    return datetime.fromisoformat(text)


def level_at(readings, edge):
    """The least and most that a slot can have held at an instant, from the readings around it."""
    before = [reading for reading in readings if instant(reading["at"]) <= edge]
    after = [reading for reading in readings if instant(reading["at"]) > edge]
    if not before:
        return (after[0]["level"],) * 2
    known = before[-1]["level"]
    # Up to the next reading's previous_at every answer said the same.
    if not after or instant(after[0]["previous_at"]) >= edge:
        return known, known
    return min(known, after[0]["level"]), max(known, after[0]["level"])


def test_what_was_used_lies_between_the_readings_at_the_months_edges(demo, month):
    """Slots that only went down in the month, as the device told it: nothing to judge, only to subtract."""
    name, rows = month
    begin, end = edges(name)
    slots = demo.rows(
        "select slot.id, device.name as device, model, slot.colorant, slot.description, slot.unit from slot "
        "join device on device.id = slot.device_id"
    )
    catalogue = demo.catalogue()
    checked = 0
    for slot in slots:
        readings = demo.rows(f"select at, previous_at, level from reading_all where slot_id = {slot['id']} order by at")
        inside = [reading["level"] for reading in readings if begin <= instant(reading["at"]) < end]
        around = [level_at(readings, begin)[1], *inside, level_at(readings, end)[0]]
        if not inside or min(around) < 0 or around != sorted(around, reverse=True):
            continue
        unit, factor = UNITS[slot["unit"]]
        row = row_of(rows, slot)
        if unit == "percent" and row["unit"] == "ml":
            # The catalogue says what a full unit holds, so that hundredths of it are told in millilitres.
            unit, factor = "ml", full_unit_ml(catalogue, slot, row["role"]) / 100
        (least_before, most_before), (least_after, most_after) = level_at(readings, begin), level_at(readings, end)
        least, most = (float(n * factor) for n in (least_before - most_after, most_before - least_after))
        assert row["unit"] == unit
        # The file has three decimals.
        assert least - 1e-3 <= float(row["used"]) <= most + 1e-3, (slot, row, least, most)
        checked += 1
    assert checked >= 10, f"only {checked} slots went down without a break"


def full_unit_ml(catalogue, slot, role):
    """What a full unit of a slot that counts hundredths holds: of the parts for it, all of one size."""
    kind = {"consumed": "cartridge", "filled": "receptacle"}[role]
    colour = "" if role == "filled" else (slot["colorant"] or slot["description"]).lower()
    fits = [
        part
        for part in catalogue
        if part["kind"] == kind
        and part["colour"].lower() == colour
        and (not part["models"] or slot["model"] in part["models"].split("|"))
    ]
    (holds,) = {float(part["capacity"]) for part in fits if part["unit"] == "ml"}
    return holds


def row_of(rows, slot):
    """The row of the file that is about a slot."""
    words = {(slot["colorant"] or "").lower(), slot["description"].lower()}
    found = [row for row in rows if row["device"] == slot["device"] and row["supply"].lower() in words]
    if not found:
        found = [row for row in rows if row["device"] == slot["device"] and row["role"] == "filled"]
    assert len(found) == 1, f"{slot}: {[(row['device'], row['supply']) for row in rows]}"
    return found[0]


def test_swaps_are_counted_where_units_came_in(demo, month):
    name, rows = month
    begin, end = edges(name)
    installs = demo.rows(
        "select install.from_at, device.name as device from install join slot on slot.id = slot_id "
        "join device on device.id = slot.device_id where arrival <> 'found'"
    )
    for plan in ROOM["printer"]:
        came = [it for it in installs if it["device"] == plan["name"] and begin <= instant(it["from_at"]) < end]
        counted = sum(int(row["swaps"]) for row in rows if row["device"] == plan["name"])
        assert counted == len(came), plan["name"]


def test_coverage_is_the_share_of_the_past_hours_without_the_dark_ones(demo, month):
    """The room's file says when a machine is dark: what lies in the month and in the past is not covered.

    The hours before a machine was first heard are nobody's: the share is of those since.
    """
    name, rows = month
    begin, end = edges(name)
    now = max(instant(row["ended_at"]) for row in demo.rows("select ended_at from poll_span"))
    end = min(end, now)
    opened = min(instant(row["started_at"]) for row in demo.rows("select started_at from poll_span"))
    midnight = now.astimezone(ZONE).replace(hour=0, minute=0, second=0, microsecond=0)
    for plan in ROOM["printer"]:
        dark = timedelta(0)
        for spell in plan.get("dark", []):
            # Spells count from the midnight that begins the present day in the print room.
            start = midnight + timedelta(days=spell["from"])
            stop = midnight + timedelta(days=spell.get("until", DAYS))
            dark += max(timedelta(0), min(stop, end) - max(start, begin, opened))
        if plan.get("off_hours"):
            continue
        whole = end - max(begin, opened)
        shares = {float(row["coverage"]) for row in rows if row["device"] == plan["name"]}
        # Polls are minutes to a quarter of an hour apart, and a silence is believed only after some.
        assert sorted(shares) == [pytest.approx(1 - dark / whole, abs=0.02)], plan["name"]
