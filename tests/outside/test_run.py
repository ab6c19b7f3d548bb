"""`ullage run-check --figures`: chances against closed forms in scipy and Monte Carlo in numpy, areas and amounts
against arithmetic that is written out here.

Common practice, no source: gloss takes photo black, all other media matte black. From memory, no source: single
pictures differ by a spread of at least .3; an unused colour gives 1 ml of head care; where nothing is known all inks
together take 10 ml for a square metre.
"""

import json
import math

import numpy as np
import pytest
from scipy import stats

from harness import program, run

DRAWS = 400_000


def check(folder, **figures):
    file = folder / "figures.json"
    file.write_text(json.dumps(figures))
    done = run([program("ullage"), "run-check", "--figures", file])
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def supply(label="Cyan", left=93, step=0, ml_per_m2=9.2, cv=0.15, **more):
    return {"label": label, "left": left, "step": step, "ml_per_m2": ml_per_m2, "cv": cv, **more}


def lognormal(mean, cv):
    spread = math.sqrt(math.log1p(cv * cv))
    return stats.lognorm(spread, scale=mean * math.exp(-spread * spread / 2))


def draws(generator, mean, cv, count=DRAWS):
    spread = math.sqrt(math.log1p(cv * cv))
    return generator.lognormal(math.log(mean) - spread**2 / 2, spread, count)


@pytest.mark.parametrize(
    ("rounding", "low", "high", "worked_out"),
    [("floor", 93, 100.75, 0.86692), ("nearest", 89.125, 96.875, 0.79969), ("ceil", 85.25, 93, 0.71160),
     ("unknown", 85.25, 100.75, 0.78926)],
)
def test_a_job_against_a_reading_in_steps(tmp_path, rounding, low, high, worked_out):
    """9 m2 at 9.2 ml, spread .15, reading 93 ml, step 7.75 ml (check value 21 of the project's anchors, worked out
    beforehand with scipy), and the mean of scipy's distribution function over the bin."""
    told = check(tmp_path, runs=["9 m2 matte"], supplies=[supply(step=7.75, rounding=rounding)])["supplies"][0]
    assert told["left"] == {"low": pytest.approx(low), "high": pytest.approx(high)}
    assert told["chance"] == pytest.approx(worked_out, abs=1e-5)
    grid = low + (np.arange(20_000) + 0.5) / 20_000 * (high - low)
    assert told["chance"] == pytest.approx(lognormal(82.8, 0.15).cdf(grid).mean(), abs=1e-6)
    assert told["need"]["late"] == pytest.approx(lognormal(82.8, 0.15).ppf(0.9))


def test_a_small_spread_is_nearly_normal(tmp_path):
    """With a spread of .02 a lognormal and a normal of the same mean and variance differ little."""
    told = check(tmp_path, runs=["10 m2 matte"], supplies=[supply(left=101, ml_per_m2=10, cv=0.02)])
    assert told["supplies"][0]["chance"] == pytest.approx(stats.norm(100, 2).cdf(101), abs=0.01)


def test_areas_and_lengths_are_arithmetic(tmp_path):
    """12 m x 1.067 m x 3 = 38.412 m2 in 36 m; 9 m2 on media 1.5 m wide are 6 m; together 47.412 m2 in 42 m.
    At 2 ml and without a spread that is 94.824 ml; 90 ml last for 45 m2, which is the first run's 36 m and then
    (45 - 38.412) / 1.5 = 4.392 m."""
    told = check(
        tmp_path, runs=["12 x 1.067 x 3 gloss", "9 m2 matte"], media_width_m=1.5,
        supplies=[supply(left=90, ml_per_m2=2, cv=0)],
    )
    assert told["area_m2"] == pytest.approx(47.412) and told["length_m"] == pytest.approx(42)
    cyan = told["supplies"][0]
    assert cyan["need"]["mean"] == pytest.approx(94.824)
    assert cyan["reach_m2"]["middle"] == pytest.approx(45, abs=1e-5)
    assert cyan["reach_m"]["middle"] == pytest.approx(40.392, abs=1e-5)
    assert (told["verdict"], told["stops_first"]) == ("stops", "Cyan")


def test_how_far_it_carries_agrees_with_a_monte_carlo(tmp_path):
    told = check(tmp_path, runs=["40 m2 matte"], supplies=[supply(left=30, step=8, ml_per_m2=0.9, cv=0.3)])
    generator = np.random.default_rng(20261125)
    reach = generator.uniform(22, 38, DRAWS) / draws(generator, 0.9, 0.3)
    for key, chance in [("early", 10), ("middle", 50), ("late", 90)]:
        assert told["supplies"][0]["reach_m2"][key] == pytest.approx(np.percentile(reach, chance), rel=0.01)


QUEUES = [
    ([30, 30], 0.3, 0.0), ([50, 10, 5], 0.3, 0.1), ([12] * 6, 0.5, 0.2), ([80, 40, 20, 10], 0.8, 0.0), ([60, 6], 1.2, 0.3),
]


@pytest.mark.parametrize(("areas", "cv", "doubt"), QUEUES)
def test_a_queue_of_runs_agrees_with_a_monte_carlo_and_better_than_a_gamma_would(tmp_path, areas, cv, doubt):
    """Each run is a picture of its own; the doubt about the mean is shared. The sum has no closed form: the product
    takes the lognormal of its mean and variance. scipy's gamma of the same two moments is held beside it."""
    generator = np.random.default_rng(len(areas))
    total = sum(area * draws(generator, 1, cv) for area in areas)
    # A shared factor of mean 1 that the product adds to the variance.
    total = total * draws(generator, 1, doubt) if doubt else total
    mean = sum(areas)
    variance = sum((area * cv) ** 2 for area in areas) + (mean * doubt) ** 2
    lognormal_off, gamma_off = [], []
    for share in (0.7, 0.9, 1.0, 1.2, 1.5, 2.0):
        left = mean * share
        told = check(
            tmp_path, runs=[f"{area} m2 matte" for area in areas],
            supplies=[supply(left=left, ml_per_m2=1, cv=cv, doubt=doubt)],
        )["supplies"][0]
        simulated = (total <= left).mean()
        lognormal_off.append(abs(told["chance"] - simulated))
        gamma_off.append(abs(stats.gamma(mean**2 / variance, scale=variance / mean).cdf(left) - simulated))
    print(f"{areas} cv {cv} doubt {doubt}: lognormal {max(lognormal_off):.4f}, gamma {max(gamma_off):.4f}")
    assert max(lognormal_off) < 0.03
    assert max(lognormal_off) < max(gamma_off)


def test_several_colours_lie_between_the_product_and_the_least(tmp_path):
    """Colours that go their own way meet the lower end, colours that move as one the upper, and any that share a part
    of their spread lie between."""
    inks = [supply(label, left=left, ml_per_m2=1, cv=0.3) for label, left in [("Cyan", 60), ("Magenta", 55), ("Gray", 70)]]
    told = check(tmp_path, runs=["50 m2 matte"], supplies=inks)["chance"]
    generator = np.random.default_rng(7)
    spread = math.sqrt(math.log1p(0.09))
    lefts = np.array([60, 55, 70])

    def finishes(together):
        common = generator.normal(size=(DRAWS, 1))
        own = generator.normal(size=(DRAWS, 3))
        bent = math.sqrt(together) * common + math.sqrt(1 - together) * own
        return (50 * np.exp(spread * bent - spread**2 / 2) <= lefts).all(axis=1).mean()

    assert told["low"] == pytest.approx(finishes(0), abs=0.005)
    assert told["high"] == pytest.approx(finishes(1), abs=0.005)
    assert all(told["low"] < finishes(together) < told["high"] for together in (0.2, 0.5, 0.8))


def test_some_left_is_anything_up_to_what_it_holds(tmp_path):
    told = check(tmp_path, runs=["100 m2 matte"], supplies=[supply(left="some_left", ml_per_m2=1, cv=0.3, capacity=400)])
    generator = np.random.default_rng(3)
    simulated = (100 * draws(generator, 1, 0.3) <= generator.uniform(0, 400, DRAWS)).mean()
    assert told["supplies"][0]["chance"] == pytest.approx(simulated, abs=0.005)


def test_what_is_not_known_gives_no_number(tmp_path):
    told = check(tmp_path, runs=["9 m2 matte"], supplies=[supply(left=700), supply("Magenta", left="unknown")])
    assert told["verdict"] == "cannot_tell" and told["chance"] is None
    assert [of["label"] for of in told["cannot_tell"]] == ["Magenta"]


def test_a_head_passes_its_limit_with_the_chance_of_its_sum(tmp_path):
    """Half of cyan and all of magenta: 0.5 x 100 x 1 + 100 x 0.5 = 100 ml; moving as one they spread by .3 x 100 ml."""
    heads = [{"position": 2, "ml": 1080, "limit_ml": 1200, "shares": {"Cyan": 0.5, "Magenta": 1}}]
    inks = [supply(left=700, ml_per_m2=1, cv=0.3), supply("Magenta", left=700, ml_per_m2=0.5, cv=0.3)]
    head = check(tmp_path, runs=["100 m2 matte"], supplies=inks, heads=heads)["heads"][0]
    assert head["need_ml"] == pytest.approx(100)
    assert head["passes"] == pytest.approx(lognormal(100, 0.3).sf(120), abs=1e-9)


def test_coverage_is_learned_from_areas_and_amounts(tmp_path):
    """The mean is all that went over all that was printed: an ordinary ratio. On 60 days of jobs drawn here with
    0.8 ml for a square metre, the truth lies within three of the doubts that the product states, in 19 of 20 pasts."""
    generator = np.random.default_rng(11)
    near = 0
    for _ in range(20):
        past, used_all, area_all = [], 0, 0
        for _ in range(60):
            areas = generator.lognormal(math.log(2.4), 0.7, generator.poisson(8))
            area, used = areas.sum(), (areas * 0.8 * draws(generator, 1, 0.3, len(areas))).sum()
            past.append({"days": 1, "area_m2": area, "used_ml": used})
            area_all, used_all = area_all + area, used_all + used
        cyan = {"label": "Cyan", "left": 700, "step": 0.1, "past": past}
        told = check(tmp_path, runs=["10 m2 matte"], supplies=[cyan])["supplies"][0]
        learned = told["per_m2"][0]
        assert learned["mean"] == pytest.approx(used_all / area_all)
        assert told["basis"]["days"] == 60 and told["basis"]["area_m2"] == pytest.approx(area_all)
        near += abs(learned["mean"] - 0.8) < 3 * learned["doubt"] * learned["mean"]
        assert 0.005 < learned["doubt"] < 0.05
    assert near >= 19


def test_the_medium_decides_which_black_is_used(tmp_path):
    """Common practice, no source. Where only a mixture of media is known, the black in use gives what both did:
    25 m2 at 0.2 + 0.6 ml is 20 ml."""
    day = lambda ml: [{"days": 1, "area_m2": 10, "used_ml": ml}] * 40
    blacks = [
        {"label": "Photo black", "left": 300, "step": 0.1, "past": day(2)},
        {"label": "Matte black", "left": 300, "step": 0.1, "past": day(6)},
    ]
    for media, used, rests in [("gloss", 0, 1), ("matte", 1, 0), ("canvas", 1, 0), ("textile", 1, 0)]:
        told = check(tmp_path, runs=[f"25 m2 {media}"], supplies=blacks)["supplies"]
        assert told[used]["need"]["mean"] == pytest.approx(20) and not told[used]["rests"]
        assert told[rests]["need"]["mean"] == pytest.approx(1) and told[rests]["rests"]


def test_what_is_swapped_first_is_what_ends_first(tmp_path):
    inks = [supply("Cyan", left=60, ml_per_m2=0.8, capacity=775), supply("Yellow", left=30, ml_per_m2=0.9, capacity=775)]
    told = check(tmp_path, runs=["100 m2 matte"], supplies=inks)
    assert [swap["label"] for swap in told["before"]["swaps"]] == ["Yellow", "Cyan"]
    assert told["before"]["enough"] and told["before"]["chance"]["low"] > 0.95
