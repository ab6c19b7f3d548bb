#!/usr/bin/env python3
"""Makes a small set of readings with known truth out of a large one.

    make_fixture.py --data DIR --out DIR --percent 24 --tenths 3

Of each run of polls that say the same, the first and the last are kept: what lies between tells nothing.
"""

import argparse
import csv
import gzip
import io
from pathlib import Path

from score import rows


def choose(folder, percent, tenths):
    """The first series of each unit, and the first two receptacles that count their fill."""
    chosen, left, filled = {}, {"19": percent, "15": tenths}, 2
    for row in rows(folder, "series"):
        turned = row["direction"] == "filled" and row["unit"] == "19" and filled > 0
        if left[row["unit"]] > 0 or turned:
            chosen[row["series"]] = row
            left[row["unit"]] -= not turned
            filled -= turned
    return chosen


def ends_of_runs(readings):
    """The first and the last row of every run, in the order of the file."""
    first = last = None
    for row in readings:
        said = (row["series"], row["max_cap"], row["level"])
        if first is not None and said == (first["series"], first["max_cap"], first["level"]):
            last = row
            continue
        if last is not None:
            yield last
        yield row
        first, last = row, None
    if last is not None:
        yield last


def write(path, table):
    text = io.StringIO()
    writer = None
    for row in table:
        if writer is None:
            writer = csv.DictWriter(text, row, lineterminator="\n")
            writer.writeheader()
        writer.writerow(row)
    # No time and no name inside, so that the same input gives the same bytes.
    with open(path, "wb") as file, gzip.GzipFile("", "wb", 9, file, mtime=0) as packed:
        packed.write(text.getvalue().encode())


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--percent", type=int, default=24)
    parser.add_argument("--tenths", type=int, default=3)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    chosen = choose(asked.data, asked.percent, asked.tenths)
    write(asked.out / "series.csv.gz", chosen.values())
    for name in ("truth_daily", "truth_events"):
        write(asked.out / f"{name}.csv.gz", (row for row in rows(asked.data, name) if row["series"] in chosen))
    readings = (row for row in rows(asked.data, "readings") if row["series"] in chosen)
    write(asked.out / "readings.csv.gz", ends_of_runs(readings))
    for path in sorted(asked.out.iterdir()):
        print(f"{path.name:24} {path.stat().st_size:8} bytes")


if __name__ == "__main__":
    main()
