"""Charts, run rules, capability, trends, learning."""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from qc import limits, spc
from qc.capability import capability
from qc.learning import LearningSettings, distances, learning_curve, learning_report
from qc.run_rules import NELSON, WESTERN_ELECTRIC, first_signals
from qc.series import Series
from qc.trends import Period, TrendSettings, batch_trend, trend, uncertain_points

PUBLISHED = Path(__file__).parent / "published"
HANDBOOK = json.loads((PUBLISHED / "nist_handbook_spc.json").read_text())
CONSTANTS = json.loads((PUBLISHED / "control_chart_constants.json").read_text())
STRD = json.loads((PUBLISHED / "nist_strd.json").read_text())
DAY = np.timedelta64(1, "D")


def series(value: NDArray[np.float64], name: str = "height", uncertainty: float = 0.2, **other: Any) -> Series:
    """One cake a day."""
    n = len(value)
    parts: dict[str, Any] = {
        "time": np.datetime64("2026-01-05T09:00", "ms") + np.arange(n) * DAY,
        "value": np.asarray(value, float),
        "uncertainty": np.full(n, uncertainty),
        "low": np.full(n, np.nan),
        "high": np.full(n, np.nan),
        "check_id": np.arange(1, n + 1),
        "decorator": np.full(n, "Mint"),
        "counts": np.ones(n, bool),
        "remeasured": np.zeros(n, bool),
        "rush": np.zeros(n, bool),
        "kitchen_temperature_c": np.full(n, np.nan),
        "recipe_change": np.full(n, "", dtype="<U20"),
    }
    return Series(name, "cream-15", **{**parts, **other})


# ---- published values -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", range(2, 11))
def test_published_chart_constants(n: int) -> None:
    """ASTM E2587; Montgomery, appendix VI; d2* of a single sample: AIAG, appendix C."""
    row, found = CONSTANTS["constants"][str(n)], spc.constants(n)
    names = {
        "d2": found.d2,
        "d3": found.d3,
        "c4": found.c4,
        "A2": found.a2,
        "A3": found.a3,
        "B3": found.b3,
        "B4": found.b4,
        "D3": found.big_d3,
        "D4": found.big_d4,
        "E2": found.e2,
        "K_aiag_g1": 1 / found.d2_star,
    }
    for name, value in names.items():
        assert value == pytest.approx(row[name], abs=2e-7), name


def test_published_individuals_chart() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2, with the exact d2 instead of its 1.128."""
    example = HANDBOOK["imr"]
    chart = spc.individuals(np.array(example["x"]))
    assert chart.centre == pytest.approx(example["mean"], abs=5e-3)
    assert chart.range_centre == pytest.approx(example["mr_bar"], abs=5e-5)
    assert (chart.low, chart.high) == pytest.approx((example["exact_d2_lcl"], example["exact_d2_ucl"]), abs=1e-6)
    assert chart.range_high == pytest.approx(example["mr_ucl_D4_3p267"], abs=1e-3)


def test_published_ewma() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: steady limits, no signal."""
    example = HANDBOOK["ewma"]
    chart = spc.ewma(np.array(example["x"]), example["target"], example["s"], example["lam"], steady=True)
    assert chart.value == pytest.approx(example["ewma"], abs=0.011)  # the handbook carries two decimals along
    # the handbook writes 50 +- 3 (0.4201) (2.0539), the root rounded to four digits
    assert chart.limits.high == pytest.approx(np.full(20, example["ucl"]), abs=2e-3)
    assert chart.limits.low == pytest.approx(np.full(20, example["lcl"]), abs=2e-3)
    assert chart.outside.sum() == example["signals"]


def test_published_cusum() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3."""
    example = HANDBOOK["cusum"]
    chart = spc.cusum(np.array(example["x"]), example["target"], example["k"], example["h"])
    assert chart.above == pytest.approx(example["s_hi"], abs=example["tol"])
    assert chart.below == pytest.approx(example["s_lo"], abs=example["tol"])
    assert int(np.argmax(chart.outside)) + 1 == example["first_signal"]


def test_limits_allow_for_few_points() -> None:
    """Analytic: Student's t for sigma from moving ranges, whose variance is 0.8264 sigma2 / n (Cryer and Ryan 1990)."""
    rng = np.random.default_rng(1990)
    ranges = np.abs(np.diff(rng.normal(0, 1, (20000, 30)), axis=1)).mean(axis=1) / spc.constants(2).d2
    assert ranges.var() * 29 == pytest.approx(1 / (2 * spc.RANGE_EFFICIENCY), rel=0.04)
    assert spc.few_points_t(100_000) == pytest.approx(3, abs=1e-3)
    assert spc.few_points_t(20) == pytest.approx(3.85, abs=0.05)  # t of 11.5 degrees of freedom, 0.135 % above it
    chart = spc.individuals(rng.normal(0, 1, 20))
    wide = chart.allowing(20)
    at_the_limit = spc.individuals(np.append(chart.value, wide.high), np.arange(21) < 20)
    assert at_the_limit.fair_z(20)[-1] == pytest.approx(3, abs=1e-9)


def test_published_capability() -> None:
    """NIST/SEMATECH e-Handbook 6.1.6: USL 20, LSL 8, mean 16, standard deviation 2."""
    example = HANDBOOK["capability"]
    value = 16 + 2 * np.array([-1.0, 1.0]) * np.sqrt(0.5)  # mean 16, standard deviation 2 exactly
    found = capability(value, limits.between(example["lsl"], example["usl"]))
    assert (found.mean, found.sd) == pytest.approx((example["mean"], example["s"]))
    assert found.cp is not None
    assert found.cp.value == pytest.approx(example["cp"], abs=1e-9)
    assert found.cpk.value == pytest.approx(example["cpk"], abs=1e-4)


def test_published_run_length_of_the_western_electric_rules() -> None:
    """In control the four rules signal once in 91.75 points (Champ and Woodall 1987); 3 standard errors allowed."""
    z = np.random.default_rng(1987).standard_normal((8000, 1200), dtype=np.float32)
    length = first_signals(z, WESTERN_ELECTRIC) + 1
    assert length.max() < 1200  # no run was cut off
    error = length.std() / len(length) ** 0.5
    assert error < 1.1
    assert abs(length.mean() - HANDBOOK["arl"]["we4_zero_published"]) < 3 * error


def test_published_run_length_of_plain_limits() -> None:
    """1 / (2 Phi(-3)) = 370.4, and 43.89 after a shift of one sigma (analytic; Montgomery 5.3)."""
    rule = WESTERN_ELECTRIC[:1]
    z = np.random.default_rng(1).standard_normal((4000, 2600), dtype=np.float32)
    kept = first_signals(z, rule) + 1.0  # a run that outlives 2600 points is exponential from there on
    share_cut = (kept > 2600).mean()
    mean = (np.minimum(kept, 2600).sum() / (1 - share_cut)) / len(kept)
    assert mean == pytest.approx(HANDBOOK["arl"]["shewhart_0"], rel=0.06)
    shifted = first_signals(z[:, :1000] + 1, rule) + 1.0
    assert shifted.mean() == pytest.approx(HANDBOOK["arl"]["shewhart_1sigma"], rel=0.06)


@pytest.mark.parametrize("name", ["Lottery", "Lew", "Mavro", "Michelso", "NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"])
def test_published_moments(name: str) -> None:
    """NIST StRD, univariate: mean, standard deviation, lag-1 autocorrelation."""
    certified = STRD[name]
    pairs = {"NumAcc2": 1.2, "NumAcc3": 1000000.2, "NumAcc4": 10000000.2}
    if name in pairs:  # StRD: the middle value, then 500 times one tenth below and one tenth above
        value = np.concatenate([[pairs[name]], np.tile([pairs[name] - 0.1, pairs[name] + 0.1], 500)])
    else:
        value = np.array(certified["data"], float)
    found = spc.moments(value)
    assert len(value) == certified["n"]
    assert found.mean == pytest.approx(certified["mean"], rel=1e-14)
    # NumAcc3 and 4: the data themselves carry 9 and 8 digits of their spread in double precision
    digits = {"NumAcc3": 1e-8, "NumAcc4": 1e-7}.get(name, 1e-12)
    assert found.sd == pytest.approx(certified["sd"], rel=digits)
    assert found.lag1 == pytest.approx(certified["r1"], rel=max(digits, 1e-11))


# ---- run rules: what they mean ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rules", "name", "z", "at"),
    [
        (WESTERN_ELECTRIC, "far out", [0, 0, 3.1], 2),
        (WESTERN_ELECTRIC, "two of three", [2.1, 0, 2.2], 2),
        (WESTERN_ELECTRIC, "four of five", [1.1, 1.2, 0, 1.1, 1.3], 4),
        (WESTERN_ELECTRIC, "eight on one side", [-0.1] * 8, 7),
        (NELSON, "nine on one side", [0.1] * 9, 8),
        (NELSON, "six one way", [-1, -0.5, 0, 0.4, 0.5, 0.9], 5),
        (NELSON, "by turns", [0.1 * (-1) ** i for i in range(14)], 13),
        (NELSON, "too calm", [0.5 * (-1) ** (i // 2) for i in range(15)], 14),
        (NELSON, "middle avoided", [1.5 * (-1) ** (i // 2) for i in range(8)], 7),
    ],
)
def test_rule_signals_at_its_last_point_only(rules: Any, name: str, z: list[float], at: int) -> None:
    """By definition of the rules (Western Electric 1956; Nelson 1984); one point fewer is no signal."""
    rule = next(r for r in rules if r.name == name)
    assert np.flatnonzero(rule.find(np.array(z, float))).tolist() == [at]
    assert not rule.find(np.array(z[:-1], float)).any()


def test_opposite_sides_do_not_add_up() -> None:
    """Analytic: two of three beyond two sigmas must be on the same side."""
    assert first_signals(np.array([2.5, 0.0, -2.5, 0.0, 2.5]), WESTERN_ELECTRIC[:2]) == 5


# ---- recovery of known truth ------------------------------------------------------------------------------------


def test_batches_of_equal_and_unequal_size_recover_sigma() -> None:
    """Recovery: sigma 2 from 400 batches; the limits of a batch of n are centre +- 3 sigma / sqrt(n)."""
    rng = np.random.default_rng(4)
    for sizes in ([4] * 400, rng.integers(2, 7, 400).tolist()):
        batch = np.repeat(np.arange(400), sizes)
        chart = spc.batches(50 + rng.normal(0, 2, len(batch)), batch.astype(np.int64))
        assert chart.sigma == pytest.approx(2, rel=0.05)
        width = chart.mean_limits.high - chart.mean_limits.centre
        assert width == pytest.approx(3 * chart.sigma / np.sqrt(chart.size))
        outside = (chart.mean > chart.mean_limits.high) | (chart.mean < chart.mean_limits.low)
        assert outside.mean() < 0.02


def test_capability_intervals_cover() -> None:
    """Recovery: 95 % intervals of Cp and Cpk hold the true 1.25 and 1.0 in 93 to 97 of 100 cases."""
    rng = np.random.default_rng(5)
    limit = limits.between(60, 75)
    found = [capability(rng.normal(66, 2, 40), limit) for _ in range(1500)]
    cp = np.mean([f.cp.low <= 1.25 <= f.cp.high for f in found if f.cp])
    cpk = np.mean([f.cpk.low <= 1.0 <= f.cpk.high for f in found])
    assert 0.93 < cp < 0.97
    assert 0.93 < cpk < 0.97


def test_trend_of_a_steady_hand_is_calm_and_of_a_shift_is_not() -> None:
    """Recovery: a shift of three sigmas after cake 40 is found within eight cakes, and then there is no capability."""
    rng = np.random.default_rng(6)
    calm, held, found_soon = 0, 0, 0
    for _ in range(40):
        value = rng.normal(65, 1, 55)
        before = trend(series(value[:40]), limits.nominal(65, 4))
        if before.in_control:
            calm += 1
            assert before.capability is not None
            held += before.capability.cpk.low < 4 / 3 < before.capability.cpk.high
        value[40:] += 3
        after = trend(series(value), limits.nominal(65, 4))
        found_soon += any(36 <= s.at <= 48 for s in after.signals)  # a run that began before the shift is told with it
        assert after.capability is None
        assert any("since something stood out" in s for s in after.sentences)
    assert calm > 12
    assert held > 0.8 * calm
    assert found_soon >= 38


def test_capability_comes_back_after_a_steady_stretch() -> None:
    value = np.concatenate([[90.0], np.tile([64.0, 66.0, 65.0], 15)])
    base = Period(np.datetime64("2026-01-06"), np.datetime64("2027-01-01"))
    found = trend(series(value), limits.nominal(65, 4), base)
    assert found.signals
    assert found.capability is not None
    assert 36 <= found.capability.n <= 44  # the running average takes a few cakes to forget the first


def test_slow_drift_is_found_by_the_running_average() -> None:
    """Recovery: a drift of half a sigma in ten cakes."""
    value = np.random.default_rng(8).normal(65, 1, 100) + np.maximum(np.arange(100) - 30, 0) * 0.05
    drift = next(s for s in trend(series(value)).signals if "slow drift" in s.words)
    assert "(higher)" in drift.words
    assert "since about" in drift.words


def test_limits_from_few_cakes_cry_wolf_no_more_often() -> None:
    """Recovery: with limits known, all rules together find 1.9 things per 140 cakes of a steady hand (simulated).

    With plain three-sigma limits from twenty cakes, and every rule told for itself, there were 4.5, and 15 or more on
    one chart in twenty.
    """
    rng = np.random.default_rng(11)
    found = np.array([len(trend(series(rng.normal(65, 1, 140))).signals) for _ in range(150)])
    assert 1.2 < found.mean() < 2.3
    assert (found >= 8).mean() < 0.04


def test_one_thing_that_several_rules_see_is_told_once() -> None:
    """Recovery: a jump of four sigmas is one thing, told where it is first seen, with the day it began."""
    value = np.tile([64.0, 66.0, 65.0, 65.5, 64.5], 8)
    value[30:] += 4
    found = trend(series(value))
    assert len(found.signals) == 1
    assert 30 <= found.signals[0].at <= 33
    assert "also: " in found.signals[0].words
    assert "since about 4 Feb 2026" in found.signals[0].words


def test_nothing_is_said_under_ten_cakes() -> None:
    found = trend(series(np.arange(9.0)))
    assert not found.enough
    assert found.chart is None
    assert "9 comparable cakes so far and at least 10" in found.sentences[0]
    hidden = series(np.arange(30.0), counts=np.arange(30) < 5)
    assert "5 comparable cakes" in trend(hidden).sentences[0]


def test_baseline_that_the_chef_sets() -> None:
    value = np.concatenate([np.full(20, 60.0), np.full(20, 66.0)]) + np.tile([0.0, 1.0], 20)
    second = Period(np.datetime64("2026-01-25"), np.datetime64("2027-01-01"))
    found = trend(series(value), baseline=second)
    assert found.baseline.sum() == 20
    assert found.chart is not None
    assert found.chart.centre == pytest.approx(66.5)
    short = Period(np.datetime64("2026-01-05"), np.datetime64("2026-01-10"))
    assert "choose a longer one" in trend(series(value), baseline=short).sentences[0]


def test_cakes_that_are_all_alike_give_no_limits() -> None:
    assert "no spread" in trend(series(np.full(30, 8.0), "decoration_count")).sentences[0]


def test_uncertain_points_are_drawn_but_not_counted() -> None:
    rng = np.random.default_rng(9)
    uncertainty = np.full(40, 0.3)
    uncertainty[[5, 17]] = 9.0
    value = rng.normal(65, 1, 40)
    value[17] = 90.0
    found = trend(_with(value, uncertainty))
    assert np.flatnonzero(found.too_uncertain).tolist() == [5, 17]
    assert found.used.sum() == 38
    assert all(s.at != 17 for s in found.signals)
    assert any("too uncertain" in s for s in found.sentences)


def _with(value: NDArray[np.float64], uncertainty: NDArray[np.float64]) -> Series:
    made = series(value)
    return Series(**{**made.__dict__, "uncertainty": uncertainty})


def test_a_coarse_setup_is_not_blamed_on_single_photos() -> None:
    value = np.random.default_rng(10).normal(1, 0.05, 40)
    assert not uncertain_points(_with(value, np.full(40, 0.5))).any()


def test_marks_and_remeasured_points_are_told() -> None:
    change = np.full(30, "", dtype="<U20")
    change[12:] = "less gelatine"
    rush = np.arange(30) == 3
    again = np.arange(30) == 7
    value = np.random.default_rng(2).normal(65, 1, 30)
    found = trend(series(value, recipe_change=change, rush=rush, remeasured=again))
    assert [(m.at, m.words) for m in found.marks] == [(3, "rush"), (12, "recipe: less gelatine")]
    assert any("re-measurement" in s for s in found.sentences)


def test_a_warm_kitchen_can_be_marked_and_an_unknown_one_is_not() -> None:
    warm = np.full(30, np.nan)
    warm[[4, 9]] = 23.9, 27.2
    found = trend(series(np.random.default_rng(1).normal(65, 1, 30), kitchen_temperature_c=warm))
    assert [(m.at, m.words) for m in found.marks] == [(9, "warm kitchen, 27 °C")]


def test_nelson_rules_as_an_option() -> None:
    value = np.concatenate([np.tile([64.0, 66.0], 10), 65 + 0.1 * np.arange(7)])
    found = trend(series(value), settings=TrendSettings(rules="Nelson 1984"))
    assert "six one way" in {s.rule for s in found.signals}


def test_batch_trend_needs_days_with_two_cakes() -> None:
    assert "0 days with two cakes" in batch_trend(series(np.arange(30.0))).sentence
    rng = np.random.default_rng(3)
    times = np.datetime64("2026-01-05T09:00", "ms") + np.repeat(np.arange(20), 3) * DAY
    found = batch_trend(series(rng.normal(65, 1, 60), time=times))
    assert found.chart is not None
    assert found.chart.sigma == pytest.approx(1, rel=0.3)


# ---- learning ---------------------------------------------------------------------------------------------------

CAKES = np.arange(100)


@pytest.mark.parametrize(
    ("truth", "shape"),
    [
        (6 * np.maximum(1 - CAKES / 40, 0) + 2.5, "flattened"),
        (6 * np.exp(-CAKES / 15) + 2.5, "flattened"),
        (8 - 6 * CAKES / 100, "steady"),
        (np.full(100, 3.0), "no change"),
    ],
)
def test_learning_band_covers_the_true_curve(truth: NDArray[np.float64], shape: str) -> None:
    """Recovery: the 95 % band holds the true curve at 88 to 99 of 100 cakes on average, the shape is mostly named."""
    rng = np.random.default_rng(11)
    limit = limits.nominal(65, 4)
    covered, named = [], 0
    for _ in range(60):
        curve = learning_curve(series(65 + truth + rng.normal(0, 1, 100)), limit, rng)
        assert curve is not None
        covered.append(np.mean((curve.low <= truth) & (truth <= curve.high)))
        named += curve.shape == shape
    assert 0.88 < np.mean(covered) < 0.99
    assert named > 48


def test_no_change_is_seldom_called_a_change() -> None:
    """Recovery: of 200 curves without a change at most 12 are called one."""
    rng = np.random.default_rng(12)
    limit = limits.nominal(65, 4)
    curves = [learning_curve(series(68 + rng.normal(0, 1, 60)), limit, rng) for _ in range(200)]
    assert sum(c is not None and c.proven for c in curves) <= 12


def test_when_the_curve_has_flattened() -> None:
    """Recovery: the turn at cake 40 lies in its interval."""
    rng = np.random.default_rng(13)
    truth = 6 * np.maximum(1 - CAKES / 40, 0) + 2.5
    made = series(65 + truth + rng.normal(0, 0.4, 100))
    curve = learning_curve(made, limits.nominal(65, 4), rng)
    assert curve is not None
    assert curve.flat_low is not None
    assert curve.flat_high is not None
    assert curve.flat_low - 4 * DAY <= made.time[40] <= curve.flat_high + 4 * DAY
    assert curve.level == pytest.approx(2.5, abs=0.2)
    assert re.search(r"no nearer since about \d+ Feb 2026", curve.words())


def test_learning_report_names_two_gained_and_two_lacking() -> None:
    rng = np.random.default_rng(14)
    limit = {"height": limits.nominal(65, 4), "level": limits.at_most(3), "dome": limits.nominal(0, 2)}
    limit["lean"] = limits.at_most(3)
    found = learning_report(
        {
            "height": series(65 + 3 * np.exp(-CAKES / 20) + rng.normal(0, 0.4, 100)),
            "level": series(0.5 + 3 * np.exp(-CAKES / 20) + rng.normal(0, 0.1, 100), "level"),
            "dome": series(1.9 + rng.normal(0, 0.2, 100), "dome"),
            "lean": series(0.3 + rng.normal(0, 0.05, 100), "lean"),
        },
        limit,
        rng,
    )
    assert {c.quantity for c in found.gained} == {"height", "level"}
    assert [c.quantity for c in found.lacking] == ["dome"]
    assert found.sentences[0].startswith("Gained most: ")
    assert "Teach next: dome." in found.sentences


def test_learning_says_nothing_under_ten_cakes() -> None:
    found = learning_report(
        {"height": series(np.arange(9.0))},
        {"height": limits.nominal(65, 4)},
        np.random.default_rng(0),
        LearningSettings(),
    )
    assert not found.curves
    assert "9 comparable cakes so far" in found.sentences[0]


def test_distances_by_kind_of_limit() -> None:
    value = np.array([60.0, 70.0])
    assert distances(value, limits.nominal(65, 4)).tolist() == [5, 5]
    assert distances(value, limits.at_most(80)).tolist() == [60, 70]
    assert distances(value, limits.at_most(80, 62)).tolist() == [2, 8]
    assert distances(value, limits.at_least(65)).tolist() == [5, 0]
