#!/usr/bin/env python3
"""How right `ullage analyse` is about run-out days, on simulated readings with known truth.

    horizons.py --data DIR [--every 5d] [--closed 2025-12-24..2026-01-01] [--history 14]

DIR holds series.csv, readings.csv, truth_daily.csv, truth_events.csv and truth_runout.csv. The peers are two rules:
what is left over the mean use of the last thirty days, by the program's own ledger, and the same over the slope of a
line that Theil and Sen's method draws through those days. The loss is the pinball loss of the early, middle and late
day, their mean, in days. 'Near' is a true end within 45 days. With --history every forecast sees only so many days of
readings: a young slot.
"""

import argparse
import os
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np
from scipy.stats import theilslopes
from score import DAY, analyse, rows, seconds, series, write_inputs

CHANCES = np.array([0.1, 0.5, 0.9])
FURTHEST = 900.0
NEAR = 45.0


def pinball(ends, end, chances=CHANCES):
    """Mean over the chances of the pinball loss, in days (Koenker and Bassett 1978)."""
    miss = end - np.asarray(ends)
    return float(np.mean(np.maximum(chances * miss, (chances - 1.0) * miss)))


def line_fall(levels):
    """How much a line through daily levels falls per day: the median of all slopes between two (Sen 1968)."""
    return -float(theilslopes(levels, np.arange(len(levels)), method="separate").slope)


def by_rule(remaining, per_day):
    return min(remaining / max(per_day, 1e-3), FURTHEST)


def daily_ml(one, slot):
    ml = np.zeros(one["days"])
    for day in slot["ledger"]:
        n = int((seconds(day["day"] + "T00:00:00Z") - one["start"]) // DAY)
        if 0 <= n < one["days"]:
            ml[n] += day["ml"]
    return ml


def compare(one, slot, used):
    """(true end, early, middle, late, the days by the two rules), for each forecast with a truth."""
    truths = {one["start"] + day * DAY: (day, end) for day, _, end in one["runout"]}
    for horizon in slot["horizons"]:
        as_of = int(seconds(horizon["as_of"]))
        if as_of not in truths or horizon["p50"] is None:
            continue
        day, end = truths[as_of]
        ends = [(seconds(horizon[p]) - as_of) / DAY for p in ("p10", "p50", "p90")]
        latest, remaining = used[max(day - 30, 0) : day], horizon["remaining_ml"]
        rules = by_rule(remaining, latest.mean()), by_rule(remaining, line_fall(-latest.cumsum()))
        yield (min(end, FURTHEST), *ends, *rules)


def young_inputs(folder, truth, out, history):
    """Readings of slots that are `history` days old at their end: one made-up slot for every third month."""
    ages = {}
    for name, one in truth.items():
        for n, (day, _, _) in enumerate(one["runout"]):
            if n % 40 == 0:
                ages.setdefault(name, []).append(one["start"] + day * DAY)
    kept = {f"{name}@{end}": (name, end) for name, ends in ages.items() for end in ends}
    with open(out / "slots.csv", "w") as file:
        file.write("slot,class,unit,capacity_ml\n")
        for young, (name, _) in kept.items():
            one = truth[name]
            file.write(f"{young},{'filled' if one['waste'] else 'consumed'},{one['unit']},{one['cap']:g}\n")
    with open(out / "readings.csv", "w") as file:
        file.write("slot,at,capacity,level\n")
        for row in rows(folder, "readings"):
            ts = int(row["ts"])
            for end in ages.get(row["series"], ()):
                # The midnight after the last day brings the forecast that the truth speaks of.
                if end - history * DAY <= ts <= end + 3 * 3600:
                    file.write(f"{row['series']}@{end},{ts},{row['max_cap']},{row['level']}\n")
    return kept


def gathered(folder, program, every, closed, history):
    truth = series(folder)
    whole = defaultdict(lambda: None)
    lines, asked = [], 0
    more = ["--closed", closed] if closed else []
    with tempfile.TemporaryDirectory() as scratch:
        scratch = Path(scratch)
        write_inputs(folder, truth, scratch)
        found, _ = analyse(program, scratch, every, more)
        whole = {name: daily_ml(one, found[name]) for name, one in truth.items()}
        if history is None:
            for name, one in truth.items():
                lines += compare(one, found[name], whole[name])
            return np.array(lines), len(lines)
        kept = young_inputs(folder, truth, scratch, history)
        found, _ = analyse(program, scratch, "1d", more)
    for young, (name, end) in kept.items():
        slot = found.get(young)
        asked += slot is not None
        if slot is not None:
            slot["horizons"] = [one for one in slot["horizons"] if int(seconds(one["as_of"])) == end]
            lines += compare(truth[name], slot, whole[name])
    return np.array(lines), asked


def figures(lines):
    """What is held to a bound: shares, and losses as shares of the rule of thumb's."""
    end, early, middle, late = lines.T[:4]
    ours = np.array([pinball(line[1:4], line[0]) for line in lines])
    thumb, drawn = (np.array([pinball([line[n]] * 3, line[0]) for line in lines]) for n in (4, 5))
    near = end <= NEAR
    return {
        "forecasts": len(lines),
        "covered by early to late": float(np.mean((early <= end) & (end <= late))),
        "ended before early": float(np.mean(end < early)),
        "ended before middle": float(np.mean(end < middle)),
        "pinball, days": float(ours.mean()),
        "below the rule of thumb": 1.0 - float(ours.mean() / thumb.mean()),
        "below the line": 1.0 - float(ours.mean() / drawn.mean()),
        "near: covered": float(np.mean(((early <= end) & (end <= late))[near])),
        "near: pinball, days": float(ours[near].mean()),
        "near: below the rule of thumb": 1.0 - float(ours[near].mean() / thumb[near].mean()),
    }


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--ullage", default=os.environ.get("ULLAGE", "target/release/ullage"))
    parser.add_argument("--every", default="5d")
    parser.add_argument("--closed", help="days on which nobody works, as ullage analyse takes them")
    parser.add_argument("--history", type=int, help="let each forecast see only so many days")
    asked = parser.parse_args()
    lines, wanted = gathered(asked.data, asked.ullage, asked.every, asked.closed, asked.history)
    print(f"{'asked for':34} {wanted:10}")
    if len(lines):
        for name, value in figures(lines).items():
            print(f"{name:34} {value:10.4g}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
