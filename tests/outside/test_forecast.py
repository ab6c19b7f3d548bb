"""Run-out days of `ullage analyse` against simulated series with known truth, and the loss they are scored by."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from harness import program
from scipy import stats
from test_truth import SIMULATOR

sys.path.insert(0, str(Path(__file__).parent / "truth"))

import horizons

# Far from the numbers 1 to 160, on which the forecast was tuned, and from those that its figures are told of.
FIRST, COUNT = 700001, 40


def test_the_loss_is_the_pinball_loss():
    # Arithmetic: a chance p costs p a day where the truth is later, and 1 - p where it is earlier. Check value 17.
    assert horizons.pinball([18, 26, 40], 25) == pytest.approx((0.7 + 0.5 + 1.5) / 3)


def test_the_loss_over_all_chances_is_half_the_continuous_ranked_probability_score():
    """Gneiting and Raftery 2007, section 4.2 (from memory): a normal of 26 and 8, and 25 came true: 1.91936277. Check value 18."""
    z = (25 - 26) / 8
    score = 8 * (z * (2 * stats.norm.cdf(z) - 1) + 2 * stats.norm.pdf(z) - 1 / np.sqrt(np.pi))
    assert score == pytest.approx(1.91936277, abs=1e-8)
    chances = (np.arange(20_000) + 0.5) / 20_000
    assert 2 * horizons.pinball(stats.norm.ppf(chances, 26, 8), 25, chances) == pytest.approx(score, rel=1e-4)


def test_the_line_of_a_rival_is_theil_and_sens():
    """scipy 1.17.1 on ten daily levels: a slope of -8.75, the middle one of 45. Check value 11."""
    levels = [775, 770, 768, 741, 740, 733, 733, 733, 700, 695]
    assert horizons.line_fall(levels) == 8.75
    slopes = [(levels[b] - levels[a]) / (b - a) for b in range(10) for a in range(b)]
    assert sorted(slopes)[len(slopes) // 2] == -8.75


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
    assert found["below the line"] >= 0.45
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
