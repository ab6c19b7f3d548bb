"""A running demo for the checks of the month: its pages, its files, its store and its catalogue."""

import contextlib
import csv
import io
import json
import re
import tomllib
import urllib.request
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from harness import ROOT, program, run, running, wait_for

ROOM = tomllib.loads((ROOT / "mock-agent/rooms/vellmoor.toml").read_text())
ZONE = ZoneInfo(ROOM["time_zone"])
DAYS = 40


class Demo:
    """A running demo: its pages, and its store through `ullage db shell`."""

    def __init__(self, address, folder):
        self.address, self.folder = address, folder

    def get(self, path):
        with urllib.request.urlopen(self.address + path, timeout=60) as response:
            return response.headers, response.read()

    def rows(self, query):
        wrapped = f"select coalesce(json_agg(rows), '[]') from ({query}) as rows"
        words = ["--data-dir", str(self.folder), "db", "shell", "--", "-XAtc", wrapped]
        done = run([program("ullage"), *words])
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    def command(self, *words):
        """What a command says that works beside the demo."""
        done = run([program("ullage"), "--data-dir", str(self.folder), *words])
        assert done.returncode == 0, done.stderr
        return done.stdout

    def catalogue(self):
        """The catalogue of parts, as its own file has it."""
        return list(csv.DictReader(io.StringIO(self.command("shelf", "parts", "export")), strict=True))


@contextlib.contextmanager
def demo_in(folder):
    """The demo with its whole history, its clock almost standing."""
    said = folder / "said"
    keep = folder / "kept"
    command = [program("ullage"), "demo", "--listen", "127.0.0.1:0", "--speed", "0.1"]
    with said.open("w") as out, running([*command, "--days", str(DAYS), "--keep", str(keep)], stdout=out) as process:
        address = lambda: re.search(r"http://127\.0\.0\.1:\d+", said.read_text())  # noqa: E731
        shown = Demo(wait_for("the demo says where it is", address, process).group(0), keep)
        loading = lambda: b"past is being brought in" in shown.get("/")[1]  # noqa: E731
        assert loading(), "the demo says from the first that its past is being brought in"
        wait_for("the past is there", lambda: not loading(), process, patience_s=240)
        yield shown


def months():
    """The month before this one, and this one, in the print room."""
    now = datetime.now(ZONE)
    before = now.replace(day=1) - timedelta(days=1)
    return [f"{day.year}-{day.month:02}" for day in (before, now)]


def edges(month):
    """Where a month begins and ends, as instants: midnight on the print room's clocks."""
    year, number = map(int, month.split("-"))
    begin = datetime(year, number, 1, tzinfo=ZONE)
    end = datetime(year + number // 12, number % 12 + 1, 1, tzinfo=ZONE)
    return begin.astimezone(timezone.utc), end.astimezone(timezone.utc)
