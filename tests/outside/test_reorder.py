"""`ullage advice --figures`: counts of swaps, order-up-to levels and lead times, worked out anew with scipy.

The product counts swaps by a gamma distribution of use over the lead time. What it says is held against an
independent Monte Carlo, against scipy's own distributions, and against worked examples of a textbook (Snyder and
Shen, Fundamentals of Supply Chain Theory, 2nd edition) as the library stockpyl 1.0.2 numbers and computes them: many
machines, each of which may need one unit, are the textbook's Poisson or normal demand. A shortage price is put to
the product as the chance it amounts to. It knows no cost of placing an order; where an example has one, the policy
is worked out by the textbook's way from the needs that the product expects. Check values are the numbered ones of
the project's anchors.
"""

import json

import numpy as np
import pytest
from scipy import stats
from stockpyl.eoq import economic_order_quantity
from stockpyl.newsvendor import newsvendor_discrete, newsvendor_normal
from stockpyl.rq import (
    r_q_eil_approximation,
    r_q_eoqss_approximation,
    r_q_optimal_r_for_q,
    r_q_poisson_exact,
)
from stockpyl.ss import s_s_discrete_exact

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


def within(folder, left, days, **slot):
    """The chance that one slot uses up what is left within so many days, by the product."""
    slot = {"left": left, "holds": 1e9, "doubt": 0, **slot}
    return 1 - advise(folder, slots=[slot], lead_days=days, lead_spread_days=0, review_days=0)["chances"][0]


def test_use_over_ten_days_is_gamma_distributed(tmp_path):
    """Compound Poisson use, 1.7 jobs a day of 24 ml with a deviation of 30: over ten days 408 ml, variance 25092.

    Arithmetic, check value 15; quantiles by scipy's gamma, check value 13.
    """
    jobs, size, deviation, days = 1.7, 24, 30, 10
    mean, variance = jobs * size * days, jobs * (size**2 + deviation**2) * days
    assert (mean, variance) == (pytest.approx(408), pytest.approx(25092))
    use = {"per_day": mean / days, "variance": (variance - DRIFT * days / 3 * mean**2) / days}
    for chance, ml in ((0.5, 387.69329), (0.9, 619.57731), (0.95, 698.58312)):
        assert stats.gamma.ppf(chance, mean**2 / variance, scale=variance / mean) == pytest.approx(ml, abs=1e-5)
        assert within(tmp_path, ml, days, **use) == pytest.approx(1 - chance, abs=1e-6)
    assert within(tmp_path, 775, days, **use) == pytest.approx(0.02429940, abs=1e-6)


def test_a_slot_runs_out_when_many_small_steps_have_added_up(tmp_path):
    """Birnbaum and Saunders 1969: 300 ml at 12 a day, deviation 20: days 16.36, 25 and 38.20. Check value 14.

    Their steps may go back and use does not, so the gamma passage differs from theirs by some days in a hundred;
    from passages that are drawn job by job it may not.
    """
    left, per_day, deviation = 300, 12, 20
    days = np.arange(10, 50)
    use = {"per_day": per_day, "variance": deviation**2}
    found = np.interp([0.1, 0.5, 0.9], [within(tmp_path, left, float(day), **use) for day in days], days)
    theirs = stats.fatiguelife(deviation / np.sqrt(left * per_day), scale=left / per_day).ppf([0.1, 0.5, 0.9])
    assert theirs == pytest.approx([16.36058637, 25, 38.20156479], abs=1e-8)
    assert found == pytest.approx(theirs, rel=0.04)
    # Jobs of exponential size that have this mean and variance together.
    generator, size = np.random.default_rng(14), deviation**2 / per_day / 2
    ends = np.empty(20_000)
    for n in range(len(ends)):
        at = generator.exponential(size / per_day, 200).cumsum()
        ends[n] = at[np.searchsorted(generator.exponential(size, 200).cumsum(), left)]
    assert found == pytest.approx(np.quantile(ends, [0.1, 0.5, 0.9]), rel=0.03)


def test_need_over_a_lead_time_of_unsure_length_has_its_mean_and_spread(tmp_path):
    """12 a day with variance 80, lead 7 and 2.5 days: mean 84, variance 1460, normal 95 % 146.85. Check value 16."""
    mean, variance = 12 * 7, 80 * 7 + 12**2 * 2.5**2
    assert (mean, variance) == (84, 1460)
    assert stats.norm.ppf(0.95, mean, np.sqrt(variance)) == pytest.approx(146.84977, abs=1e-5)
    # Counted in units of 4: half of one is left on average.
    unit = 4
    figures = dict(slots=slots([(unit / 2, unit, 12, 80, 0)]), lead_days=7, lead_spread_days=2.5, review_days=0)
    told = advise(tmp_path, service=0.95, **figures)
    assert told["mean"] * unit == pytest.approx(mean, rel=0.01)
    chances, needs = np.array(told["chances"]), np.arange(len(told["chances"])) * unit
    spread = chances @ (needs - chances @ needs) ** 2
    # Nine days stand for the lead time: its far ends weigh less. A gamma need has a longer tail than a normal one.
    assert spread == pytest.approx(variance, rel=0.1)
    assert told["up_to"] * unit == pytest.approx(146.84977, rel=0.05)


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


# What each machine of a pool uses over the lead time: ten days at 1 a day, without doubt about the rate.
POOL_DAYS, POOL_VARIANCE = 10, 9.0


def pool(machines, chance):
    """Machines each of which needs one unit within the lead time with so much chance, and never a second."""
    spread = POOL_VARIANCE * POOL_DAYS + DRIFT * POOL_DAYS / 3 * POOL_DAYS**2
    left = stats.gamma.isf(chance, POOL_DAYS**2 / spread, scale=spread / POOL_DAYS)
    return {
        "slots": slots([(left, 1e6, 1, POOL_VARIANCE, 0)] * machines),
        "lead_days": POOL_DAYS,
        "lead_spread_days": 0,
        "review_days": 0,
        "look_ahead_days": 0,
    }


def normal_pool(mean, deviation, machines):
    """A pool with the mean and deviation of a normal demand, and what a unit has to be for that."""
    unit = (mean**2 / machines + deviation**2) / mean
    return pool(machines, mean / unit / machines), unit


@pytest.mark.parametrize(("holding", "shortage", "level"), [(1, 4, 8), (1, 9, 9), (1, 19, 10), (1, 99, 12)])
def test_a_poisson_pool_needs_what_the_newsvendor_stocks(tmp_path, holding, shortage, level):
    """Snyder and Shen, example 4.7: demand Poisson with mean 6, holding 1, shortage 4, stock 8. Check values 2 and 12."""
    stocked, _ = newsvendor_discrete(holding, shortage, demand_distrib=stats.poisson(6))
    told = advise(tmp_path, service=shortage / (holding + shortage), **pool(2000, 6 / 2000))
    assert told["up_to"] == stocked == level


def test_a_poisson_pool_has_the_order_point_and_quantity_of_the_textbook(tmp_path):
    """Snyder and Shen, example 5.8: holding 20, shortage 150, order 100, 1.5 a year, lead 2 years: r 3, Q 5."""
    holding, shortage, fixed, rate, lead = 20, 150, 100, 1.5, 2
    r, q, cost = r_q_poisson_exact(holding, shortage, fixed, rate, lead)
    assert (r, q) == (3, 5) and cost == pytest.approx(107.92358063)
    chances = np.array(advise(tmp_path, **pool(3000, rate * lead / 3000))["chances"])
    need = np.arange(len(chances))

    def per_year(stock):
        return chances @ (holding * np.maximum(stock - need, 0) + shortage * np.maximum(need - stock, 0))

    def of(point, units):
        return (fixed * rate + sum(per_year(point + n) for n in range(1, units + 1))) / units

    costs = {(point, units): of(point, units) for point in range(8) for units in range(1, 12)}
    assert min(costs, key=costs.get) == (r, q)
    assert costs[r, q] == pytest.approx(cost, rel=1e-3)


def test_a_poisson_need_has_the_textbooks_order_point_and_level(tmp_path):
    """Snyder and Shen, example 4.7: holding 1, shortage 4, order 5, Poisson of mean 6: s 4, S 10, 8.034. Check value 8."""
    chances = advise(tmp_path, **pool(3000, 6 / 3000))["chances"]
    point, level, cost = s_s_discrete_exact(1, 4, 5, use_poisson=False, demand_hi=len(chances) - 1, demand_pmf=chances)
    assert (point, level) == (4, 10)
    assert cost == pytest.approx(8.03411156, rel=1e-3)


def test_the_order_point_for_a_given_quantity_is_the_textbooks(tmp_path):
    """Snyder and Shen, example 5.2 with 300 a time: the point at which one less costs as 300 more. Check value 5."""
    holding, shortage, rate, deviation, lead, quantity = 0.225, 7.5, 1300, 150, 1 / 12, 300
    point = r_q_optimal_r_for_q(quantity, holding, shortage, rate, deviation, lead)
    assert point == pytest.approx(129.42727993)
    figures, unit = normal_pool(rate * lead, deviation * np.sqrt(lead), 400)
    chances = np.array(advise(tmp_path, **figures)["chances"])
    need = np.arange(len(chances)) * unit

    def per_year(stock):
        return chances @ (holding * np.maximum(stock - need, 0) + shortage * np.maximum(need - stock, 0))

    points = np.arange(80, 180, 0.1)
    found = points[np.argmin([abs(per_year(point) - per_year(point + quantity)) for point in points])]
    assert found == pytest.approx(point, abs=unit / 4)


def test_safety_stock_is_that_of_a_normal_demand(tmp_path):
    """Snyder and Shen, example 4.3: mean 50, deviation 8, holding .18, shortage .70: 56.604. Check value 1."""
    stocked, _ = newsvendor_normal(0.18, 0.70, 50, 8)
    assert stocked == pytest.approx(56.60395593)
    figures, unit = normal_pool(50, 8, 100)
    told = advise(tmp_path, service=0.70 / 0.88, **figures)
    assert told["mean"] * unit == pytest.approx(50, rel=1e-6)
    # Whole units: the fewest that are enough.
    assert told["up_to"] == np.ceil(stocked / unit)


def test_order_points_are_those_of_the_textbook_in_whole_units(tmp_path):
    """Snyder and Shen, examples 5.2 and 5.5: 213.970 by (r, Q) and 190.337 by safety stock. Check values 4 and 6."""
    holding, shortage, fixed, rate, deviation, lead = 0.225, 7.5, 8, 1300, 150, 1 / 12
    figures, unit = normal_pool(rate * lead, deviation * np.sqrt(lead), 40)
    r, q, _ = r_q_eil_approximation(holding, shortage, fixed, rate, deviation, lead)
    assert (r, q) == (pytest.approx(213.97044), pytest.approx(318.59018))
    told = advise(tmp_path, service=1 - holding * q / (shortage * rate), **figures)
    assert told["up_to"] == np.ceil(r / unit)
    r, q = r_q_eoqss_approximation(holding, shortage, fixed, rate, deviation, lead)
    assert (r, q) == (pytest.approx(190.33699657), pytest.approx(304.04678002))
    # Example 3.1, check value 7: the quantity alone, for which the product has only packs and least orders.
    assert economic_order_quantity(fixed, holding, rate) == (q, pytest.approx(68.41052551))
    assert advise(tmp_path, service=shortage / (holding + shortage), **figures)["up_to"] == np.ceil(r / unit)


@pytest.mark.parametrize(("service", "level"), [(0.5, 5), (0.9, 12), (0.95, 14), (0.99, 19)])
def test_one_slot_of_doubtful_rate_needs_about_what_a_negative_binomial_does(tmp_path, service, level):
    """Check value 12: nbinom.ppf(q; 3, 1/3), a Poisson need of mean 6 whose rate is itself gamma-distributed."""
    assert stats.nbinom.ppf(service, 3, 1 / 3) == level
    # Units of 1, half of one left on average; variance 6 of the swaps themselves and 12 of the rate.
    figures = dict(slots=slots([(0.5, 1, 6, 6, 1 / 3)]), lead_days=1, lead_spread_days=0, review_days=0)
    assert abs(advise(tmp_path, service=service, **figures)["up_to"] - level) <= 1
