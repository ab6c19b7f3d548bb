"""The month's files of a running demo in other people's programs.

LibreOffice works every formula of the workbook out anew, openpyxl reads what comes of it; pypdf and Poppler read the
PDF, and Poppler draws it; `zoneinfo` says where months begin around clock changes. What they find is held against the
JSON of the same month, or against the other file.
"""

import csv
import io
import json
import os
import re
import subprocess
from datetime import datetime, timezone
from zoneinfo import ZoneInfo

import openpyxl
import pypdf
import pytest

from harness import program, run
from month_demo import months

# Width and height in points: ISO 216 and ANSI Y14.1.
PAPERS = {"a4": (595.276, 841.89), "letter": (612, 792)}

# Where the keys are documented: src/report/json.rs. A key may be added, never taken away.
KEYS = {
    "": "version month zone begins ends as_of complete devices parts alerts adjustments compared forecasts needs",
    "devices": "device name site model cost_centre output coverage availability gaps supplies heads_replaced taken",
    "supplies": "slot label role measure used spread unseen swaps left_in_swapped part cost left_cost",
    "parts": "number label price units value swaps",
    "units": "start received issued returned written_off counted end",
    "gaps": "from to why",
    "output": "count unit",
    "alerts": "rule opened cleared open_at_end median_minutes slowest_minutes seen median_seen_minutes",
    "compared": "beside month whole ink_ml swaps cost",
    "needs": "part label units on_shelf cost",
    "cost": "minor currency",
}


@pytest.fixture(scope="module")
def files(demo, tmp_path_factory):
    """The month before this one, which stands still: {ending: path}, as the command writes it."""
    folder = tmp_path_factory.mktemp("month")
    paths = {ending: folder / f"month.{ending}" for ending in ("csv", "json", "xlsx")}
    for ending, path in paths.items():
        demo.command("report", months()[0], "--out", str(path))
    for paper in PAPERS:
        paths[paper] = folder / f"{paper}.pdf"
        demo.command("report", months()[0], "--format", "pdf", "--paper", paper, "--out", str(paths[paper]))
    return paths


@pytest.fixture(scope="module")
def report(files):
    return json.loads(files["json"].read_text())


def test_the_same_month_is_the_same_bytes(demo, files):
    """What is forecast for the next month may move with the demo's clock; what happened does not."""
    for ending in ("csv",):
        assert demo.get(f"/months/{months()[0]}.{ending}")[1] == files[ending].read_bytes()
    headers, body = demo.get(f"/months/{months()[0]}.pdf")
    assert headers.get_content_type() == "application/pdf"
    assert body.startswith(b"%PDF-1.7")


def test_every_key_of_the_json_is_there(report):
    def check(key, value):
        if isinstance(value, list):
            for one in value:
                check(key, one)
        elif isinstance(value, dict):
            known = KEYS.get({"left_cost": "cost", "price": "cost", "value": "units"}.get(key, key))
            if known is not None and not (key == "cost" and "minor" not in value):
                assert set(known.split()) <= set(value), key
            for inner, what in value.items():
                check(inner, what)

    check("", report)
    assert report["version"] == 1 and report["complete"] is True
    assert all(report[key] for key in ("devices", "parts", "alerts")), "there is something to check"


def test_the_sums_of_the_json_are_those_of_the_csv(report, files):
    rows = list(csv.DictReader(io.StringIO(files["csv"].read_text(), newline=""), strict=True))
    supplies = [supply for device in report["devices"] for supply in device["supplies"]]
    assert len(rows) == len(supplies)
    for row, supply in zip(rows, supplies, strict=True):
        assert float(row["used"]) == pytest.approx(supply["used"], abs=5e-4)
        assert row["cost_minor"] == (str(supply["cost"]["minor"]) if supply["cost"] else "")


def test_the_shelf_balances(report):
    for part in report["parts"]:
        for flow in filter(None, (part["units"], part["value"])):
            came = flow["start"] + flow["received"] + flow["returned"] + flow["counted"]
            assert came - flow["issued"] - flow["written_off"] == flow["end"], part["number"]


def test_libreoffice_works_out_what_the_workbook_says(files, tmp_path):
    """Every formula is stripped of its result, and comes to the same."""
    formulas = openpyxl.load_workbook(files["xlsx"])
    formulas.save(tmp_path / "bare.xlsx")
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    convert = ["soffice", profile, "--headless", "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir"]
    done = subprocess.run(
        [*convert, str(tmp_path / "worked"), str(tmp_path / "bare.xlsx")],
        capture_output=True,
        text=True,
        timeout=180,
        stdin=subprocess.DEVNULL,
        env={**os.environ, "HOME": str(tmp_path)},
    )
    assert done.returncode == 0, done.stderr
    worked = openpyxl.load_workbook(tmp_path / "worked" / "bare.xlsx", data_only=True)
    said = openpyxl.load_workbook(files["xlsx"], data_only=True)
    assert worked.sheetnames == said.sheetnames
    checked = 0
    for sheet in formulas:
        for cell in (cell for row in sheet.iter_rows() for cell in row if cell.data_type == "f"):
            wanted, found = (book[sheet.title][cell.coordinate].value for book in (said, worked))
            assert found == pytest.approx(wanted, abs=1e-6), (sheet.title, cell.coordinate, cell.value)
            checked += 1
    assert checked >= 100, f"only {checked} formulas"


def test_the_workbook_sums_up_to_the_json(report, files):
    said = openpyxl.load_workbook(files["xlsx"], data_only=True)
    rows = list(said["Machines"].iter_rows(min_row=2, values_only=True))[: len(report["devices"])]
    for row, device in zip(rows, report["devices"], strict=True):
        assert row[0] == device["name"]
        assert row[4] == pytest.approx(ink_ml(device), abs=1e-6)
    assert len(said["Supplies"]["A"]) - 1 == sum(len(device["supplies"]) for device in report["devices"])
    assert all(len(openpyxl.load_workbook(files["xlsx"])[name]._charts) == 1 for name in ("Summary", "Machines"))


def ink_ml(device):
    inks = (it for it in device["supplies"] if it["role"] == "consumed" and it["measure"] == "ml")
    return sum(supply["used"] for supply in inks)


def plain(text):
    """Blanks of every width as one blank: readers differ in them."""
    return re.sub(r"\s+", " ", text)


def read_by_pypdf(path):
    return [plain(page.extract_text()) for page in pypdf.PdfReader(path).pages]


def read_by_poppler(path):
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, timeout=60, check=True)
    return [plain(page) for page in done.stdout.decode().split("\f")[:-1]]


def figures(amount):
    """An amount as pages write it: whole from ten on, thousands grouped from five digits on."""
    digits = f"{amount:.0f}" if amount >= 9.95 or amount == 0 else f"{amount:.1f}"
    return f"{int(digits):,}".replace(",", " ") if len(digits) > 4 and "." not in digits else digits


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("read", [read_by_pypdf, read_by_poppler])
def test_the_pdf_says_the_totals_of_the_json(report, files, paper, read):
    pages = read(files[paper])
    whole = " ".join(pages)
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
    total = sum(ink_ml(device) for device in report["devices"])
    assert f"Ink used {figures(total)} ml" in whole or f"{figures(total)} ml" in pages[0]
    for device in report["devices"]:
        assert device["name"] in whole
        for supply in device["supplies"]:
            symbol = {"ml": "ml", "percent": "%", "g": "g"}[supply["measure"]]
            assert f"{figures(supply['used'])} {symbol}" in whole, (device["name"], supply)
    worth = sum(it["cost"]["minor"] for device in report["devices"] for it in device["supplies"] if it["cost"])
    assert f"{worth / 100:.2f} EUR" in re.sub(r"(?<=\d) (?=\d{3}\b)", "", whole)
    for part in report["parts"]:
        assert part["number"] in whole


@pytest.mark.parametrize("paper", PAPERS)
def test_the_pdf_says_what_it_is(files, paper):
    reader = pypdf.PdfReader(files[paper], strict=True)
    assert reader.metadata.title.startswith("Supply report, ")
    assert reader.metadata.creation_date is not None
    assert reader.trailer["/Root"]["/Lang"] == "en"
    assert str(reader.viewer_preferences.display_doctitle) == "True"
    assert [str(item.title) for item in reader.outline][0] == "At a glance"
    for page in reader.pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(PAPERS[paper], abs=0.01)
        fonts = {str(font["/BaseFont"]) for font in page["/Resources"]["/Font"].values()}
        assert fonts <= {"/Helvetica", "/Helvetica-Bold", "/Times-Roman", "/Times-Italic"}


@pytest.mark.parametrize("paper", PAPERS)
def test_every_page_is_drawn_within_its_margins(files, paper, tmp_path):
    """Poppler draws each page in grey at 72 dots an inch: a dot a point. Portable graymap, as its manual says."""
    draw = ["pdftoppm", "-gray", "-r", "72", str(files[paper]), str(tmp_path / "page")]
    subprocess.run(draw, check=True, timeout=60, capture_output=True)
    drawn = sorted(tmp_path.glob("page*.pgm"))
    assert len(drawn) == len(pypdf.PdfReader(files[paper]).pages)
    for path in drawn:
        head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", path.read_bytes())
        width, height = int(head[1]), int(head[2])
        dots = path.read_bytes()[head.end() :]
        ink = [at for at, dot in enumerate(dots) if dot < 200]
        assert len(ink) > 500, f"{path.name} is as good as empty"
        across, down = [at % width for at in ink], [at // width for at in ink]
        assert min(across) >= 40 and max(across) <= width - 40, path.name
        assert min(down) >= 40 and max(down) <= height - 40, path.name


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"])
@pytest.mark.parametrize("month", ["2026-03", "2026-04", "2026-10"])
def test_months_begin_and_end_at_midnight_around_clock_changes(demo, zone, month):
    """zoneinfo reads the IANA data by itself; months without a reading have edges too."""
    command = [program("ullage"), "--data-dir", str(demo.folder), "report", month, "--format", "json"]
    done = run(command, env={"ULLAGE_SITE_TIME_ZONE": zone})
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    year, number = map(int, month.split("-"))
    midnights = datetime(year, number, 1), datetime(year + number // 12, number % 12 + 1, 1)
    begins, ends = (at.replace(tzinfo=ZoneInfo(zone)).astimezone(timezone.utc) for at in midnights)
    assert datetime.fromisoformat(said["begins"]) == begins
    assert datetime.fromisoformat(said["ends"]) == ends
