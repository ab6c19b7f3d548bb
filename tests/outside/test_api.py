"""The interface for programs: its description against OpenAPI 3.1 (openapi-spec-validator), and real answers of a
running demo against that description (JSON Schema 2020-12, jsonschema), problems against RFC 9457."""

import json
import re
import subprocess
import urllib.error
import urllib.parse
import urllib.request
from datetime import date, timedelta

import pytest
from jsonschema import Draft202012Validator, FormatChecker
from openapi_spec_validator import OpenAPIV31SpecValidator

from harness import ROOT, program, running, wait_for

DESCRIPTION = json.loads((ROOT / "static" / "openapi.json").read_text())
NOT_YET = "past is being brought in"


@pytest.fixture(scope="module")
def site():
    """The address of a demo whose past is complete."""
    command = [program("ullage"), "demo", "--listen", "127.0.0.1:0", "--days", "30"]
    with running(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as demo:
        address = None
        while address is None:
            line = demo.stdout.readline()
            assert line, "the demo ended before it said where it is"
            found = re.search(r"http://127\.0\.0\.1:\d+", line)
            address = found and found.group()
        wait_for("the demo's past", lambda: NOT_YET not in page(address + "/"), demo, patience_s=240)
        log_a_run(address)
        yield address


def log_a_run(address):
    """A run that somebody printed: the demo's past has none."""
    machine = ask(f"{address}/api/v1/devices")[2]["items"][0]["id"]
    day = date.today() - timedelta(days=1)
    run = {"machine": machine, "day": day, "area": "12", "media": "matte", "what": "banners", "who": "Quill"}
    form = urllib.request.Request(
        address + "/runs/log", urllib.parse.urlencode(run).encode(), headers={"origin": address}
    )
    with urllib.request.urlopen(form, timeout=60) as answer:
        assert answer.status == 200


def page(address):
    with urllib.request.urlopen(address, timeout=60) as answer:
        return answer.read().decode()


def ask(address):
    """Status, kind and JSON of an answer, good or not."""
    try:
        with urllib.request.urlopen(address, timeout=60) as answer:
            return answer.status, answer.headers["Content-Type"], json.load(answer)
    except urllib.error.HTTPError as fault:
        return fault.code, fault.headers["Content-Type"], json.load(fault)


def validator(name):
    schema = {"$ref": f"#/components/schemas/{name}", "components": DESCRIPTION["components"]}
    return Draft202012Validator(schema, format_checker=FormatChecker())


def schema_of(path):
    content = DESCRIPTION["paths"][path]["get"]["responses"]["200"]["content"]
    return content["application/json"]["schema"]["$ref"].rsplit("/", 1)[1]


def test_the_description_is_openapi_3_1():
    OpenAPIV31SpecValidator(DESCRIPTION).validate()


def test_a_planted_mistake_is_found():
    assert list(validator("Price").iter_errors({"minor": 1.5, "currency": "EUR"}))
    assert list(validator("Task").iter_errors({"due": "2026-11-25"}))


def test_the_description_is_served_as_it_stands(site):
    assert ask(f"{site}/api/v1/openapi.json") == (200, "application/json", DESCRIPTION)


@pytest.mark.parametrize("path", sorted(DESCRIPTION["paths"]))
def test_answers_are_as_described(site, path):
    asked = path
    if "{device}" in path:
        machines = ask(f"{site}/api/v1/devices")[2]["items"]
        asked = path.replace("{device}", str(machines[0]["id"])).replace("{index}", "1")
    if "{number}" in path:
        asked = path.replace("{number}", ask(f"{site}/api/v1/shelf")[2]["items"][0]["number"])
    if "{month}" in path:
        asked = path.replace("{month}", ask(f"{site}/api/v1/months")[2]["months"][-1]["month"])
    status, kind, answer = ask(f"{site}/api/v1{asked}")
    assert (status, kind) == (200, "application/json")
    faults = [f"{fault.json_path}: {fault.message}" for fault in validator(schema_of(path)).iter_errors(answer)]
    assert not faults, "\n".join(faults[:10])
    if "items" in answer:
        assert answer["items"], "an empty list proves nothing"


def test_a_machine_that_reports_its_air_is_as_described(site):
    machines = ask(f"{site}/api/v1/devices")[2]["items"]
    weft = next(machine["id"] for machine in machines if machine["name"] == "Weft")

    def answer():
        told = ask(f"{site}/api/v1/devices/{weft}")[2]
        return told if told["climate"] else None

    told = wait_for("the report of its sensors", answer, patience_s=60)
    assert not list(validator("Device").iter_errors(told))
    assert (told["climate"]["celsius"], told["climate"]["humidity_percent"]) == (23.5, 26)


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ("devices/4711", 404),
        ("devices/4711/heads", 404),
        ("devices/4711/units", 404),
        ("devices/1/supplies/4711", 404),
        ("devices/1/supplies/1?days=0", 400),
        ("devices/1/supplies/1?before=noon", 400),
        ("parts/none", 404),
        ("devices?show=everything", 400),
        ("tasks?kind=x", 400),
        ("alerts?page=0", 400),
        ("months/2026-13", 400),
        ("months/2999-01", 404),
        ("nothing", 404),
    ],
)
def test_mistakes_are_problem_details(site, asked, status):
    got, kind, problem = ask(f"{site}/api/v1/{asked}")
    assert (got, kind, problem["status"]) == (status, "application/problem+json", status)
    assert not list(validator("Problem").iter_errors(problem))


def test_pages_of_a_list_hold_each_thing_once(site):
    first = ask(f"{site}/api/v1/tasks")[2]
    named = [item["what"] for item in first["items"]]
    for number in range(2, first["pages"] + 1):
        named += [item["what"] for item in ask(f"{site}/api/v1/tasks?page={number}")[2]["items"]]
    assert len(named) == first["found"] == first["in_all"]
