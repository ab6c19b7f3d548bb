"""`ullage advice --figures`: counts of swaps, order-up-to levels and lead times, worked out anew with scipy.

The product counts swaps by a gamma distribution of use over the lead time, so it has no (r, Q) or newsvendor
function to be held against a textbook's examples; what it has is held against an independent Monte Carlo and
against scipy's own distributions.
"""

import json

import numpy as np
import pytest
from scipy import stats

from harness import program, run

DRIFT = 3e-4
# Three slots: what is left, what a unit holds, use a day, its variance, the doubt about it (check value 19).
SLOTS = [(120, 775, 9, 90, 0.02), (400, 775, 14, 200, 0.02), (700, 775, 5, 60, 0.02)]
KEYS = ("left", "holds", "per_day", "variance", "doubt")


def advise(folder, **figures):
    file = folder / "figures.json"
    file.write_text(json.dumps(figures))
    done = run([program("ullage"), "advice", "--figures", file])
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def slots(of=SLOTS):
    return [dict(zip(KEYS, slot)) for slot in of]


def used(generator, slot, days):
    """Draws of a slot's use over so many days."""
    _, _, per_day, variance, doubt = slot
    mean = per_day * days
    spread = variance * days + (doubt + DRIFT * days / 3) * mean**2
    return generator.gamma(mean**2 / spread, spread / mean)


@pytest.mark.parametrize(("lead", "spread", "review", "level"), [(7, 2.5, 7, 1), (30, 10, 30, 3)])
def test_the_order_up_to_level_agrees_with_a_monte_carlo(tmp_path, lead, spread, review, level):
    told = advise(tmp_path, slots=slots(), lead_days=lead, lead_spread_days=spread, review_days=review, service=0.95)
    generator = np.random.default_rng(20261125)
    days = generator.gamma((lead / spread) ** 2, spread**2 / lead, 400_000) + review
    needed = np.zeros(len(days), int)
    for slot in SLOTS:
        left, holds = slot[:2]
        needed += np.maximum(0, 1 + np.floor((used(generator, slot, days) - left) / holds)).astype(int)
    simulated = np.bincount(needed, minlength=len(told["chances"])) / len(days)
    # The lead time is looked at on nine days, so its far ends weigh a little less.
    assert np.abs(np.cumsum(simulated)[:4] - np.cumsum(told["chances"])[:4]).max() < 0.01
    assert told["up_to"] == level == int(np.searchsorted(np.cumsum(simulated), 0.95))
    assert sum(told["chances"]) == pytest.approx(1, abs=1e-6)


def test_chances_for_a_fixed_time_are_those_of_scipy(tmp_path):
    """Check value 19 for thirty days: .00105, .45141, .54754."""
    told = advise(tmp_path, slots=slots(), lead_days=30, lead_spread_days=0, review_days=0)
    pooled = np.ones(1)
    for left, holds, per_day, variance, doubt in SLOTS:
        mean = per_day * 30
        spread = variance * 30 + (doubt + DRIFT * 10) * mean**2
        tail = stats.gamma.sf(left + holds * np.arange(12), mean**2 / spread, scale=spread / mean)
        pooled = np.convolve(pooled, -np.diff(np.concatenate([[1], tail, [0]])))
    assert told["chances"] == pytest.approx(pooled[: len(told["chances"])], abs=1e-6)
    assert told["chances"][:3] == pytest.approx([0.00105, 0.45141, 0.54754], abs=5e-6)


def test_the_days_of_a_lead_time_are_those_of_a_gamma_distribution(tmp_path):
    told = advise(tmp_path, lead_days=7, lead_spread_days=2.5)
    middles = (np.arange(9) + 0.5) / 9
    assert told["likely_days"] == pytest.approx(stats.gamma.ppf(middles, (7 / 2.5) ** 2, scale=2.5**2 / 7), rel=1e-6)


def test_what_deliveries_took_moves_the_lead_time_to_what_is_true(tmp_path):
    took = np.random.default_rng(1).gamma(16, 12 / 16, 400)
    told = advise(tmp_path, lead_days=7, lead_spread_days=2, took_days=took.tolist())
    assert told["lead_days"] == pytest.approx(took.mean(), rel=0.01)
    assert told["lead_spread_days"] == pytest.approx(took.std(), rel=0.05)


def test_oldest_first_only_what_is_used_in_time_counts(tmp_path):
    """As check value 20: lots of 4 (60 days) and 6 (205 days), a need of .03 a day; whole units count."""
    slow = (775, 775, 775 * 0.03, 1e-3, 0)
    told = advise(tmp_path, slots=slots([slow]), lots=[{"units": 4, "good_days": 60}, {"units": 6, "good_days": 205}],
                  lead_days=300, lead_spread_days=0, review_days=7, look_ahead_days=0)
    opened = []
    for days in (60, 205):
        mean = slow[2] * days
        spread = slow[3] * days + DRIFT * days / 3 * mean**2
        opened.append(stats.gamma.sf(775 * np.arange(1, 40), mean**2 / spread, scale=spread / mean).sum())
    first = min(4, opened[0])
    assert told["order"]["usable"] == int(first + min(6, opened[1] - first))
