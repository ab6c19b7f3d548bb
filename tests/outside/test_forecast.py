"""Run-out days of `ullage analyse` against simulated series with known truth, and the loss they are scored by."""

import subprocess
import sys
from pathlib import Path

import pytest
from harness import program
from test_truth import SIMULATOR

sys.path.insert(0, str(Path(__file__).parent / "truth"))

import horizons

# Far from the numbers 1 to 160, on which the forecast was tuned, and from those that its figures are told of.
FIRST, COUNT = 700001, 40


def test_the_loss_is_the_pinball_loss():
    # Arithmetic: a chance p costs p a day where the truth is later, and 1 - p where it is earlier.
    assert horizons.pinball([18, 26, 40], 25) == pytest.approx((0.7 + 0.5 + 1.5) / 3)


def test_run_out_days_are_covered_and_nearer_than_by_the_rule_of_thumb(tmp_path):
    if not SIMULATOR.is_file():
        pytest.skip(f"{SIMULATOR} is missing: put the simulator there, or name it with ULLAGE_SIMULATOR")
    words = [sys.executable, SIMULATOR, "--out", tmp_path, "--first", str(FIRST), "--n", str(COUNT)]
    subprocess.run([*words, "--thin"], check=True)
    lines, _ = horizons.gathered(tmp_path, program("ullage"), "7d", None, None)
    found = horizons.figures(lines)
    print(found)
    # Forty series are few: the bounds leave room on both sides of 80 %.
    assert 0.72 <= found["covered by early to late"] <= 0.88
    assert found["ended before early"] <= 0.16
    assert found["below the rule of thumb"] >= 0.45
    assert found["near: below the rule of thumb"] >= 0.40


def test_a_young_slot_gets_no_date_or_a_wide_one(tmp_path):
    if not SIMULATOR.is_file():
        pytest.skip(f"{SIMULATOR} is missing: put the simulator there, or name it with ULLAGE_SIMULATOR")
    words = [sys.executable, SIMULATOR, "--out", tmp_path, "--first", str(FIRST), "--n", str(COUNT)]
    subprocess.run([*words, "--thin"], check=True)
    lines, asked = horizons.gathered(tmp_path, program("ullage"), "7d", None, 7)
    assert asked > 0 and len(lines) == 0, "a week is no ground for a date"
    lines, _ = horizons.gathered(tmp_path, program("ullage"), "7d", None, 21)
    assert horizons.figures(lines)["covered by early to late"] >= 0.78
