"""The decision rule against published examples, the points' formulas, and the overall result."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import halfnorm, norm, truncnorm

from qc.conformance import COVERAGE_95, Belief, belief, conformance
from qc.limits import Limit, at_least, at_most, between, exactly, nominal
from qc.quantities import QUANTITIES, CheckResult, Measurement
from qc.standard import load_standard
from qc.verdict import Verdict, _said_in_warnings, decide, judge, points_of, value_words

STANDARD = load_standard(
    'name = "A"\ncode = "a"\nversion = 3\n'
    '[lines.height]\nnominal = 65\ntolerance = 4\ndecides = "must"\nweight = 2\n'
    '[lines.level]\nat_most = 3\ndecides = "must"\n'
    "[lines.dome]\nnominal = 0\ntolerance = 2\n"
    "[lines.decoration_count]\nper_order = true\n"
)


def measured(name, value, uncertainty=0.0, interval=None):
    return Measurement(name, value, uncertainty, QUANTITIES[name].unit, ("side",), interval=interval)


def judged(*rows, order=None, warnings=()):
    return judge(CheckResult(rows, warnings=warnings), STANDARD, order)


# --- Published values ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "y", "u", "limit", "probability"),
    [
        # JCGM 106:2012, 7.4: inputs as quoted on metrologyrules.com/2022/03; probability computed with scipy
        ("height", 13.6, 1.8, between(12.5, 16.3), 0.6626297864953077),
        # JCGM 106:2012, 7.3 (Zener diode), an upper limit: inputs from memory; computed
        ("dome", -5.47, 0.05, Limit("at_most", None, -5.4, None), 0.9192433407662289),
        # JCGM 106:2012, 7.3 (container's burst pressure), a lower limit: inputs from memory; computed
        ("height", 509.7, 8.6, at_least(490), 0.9890095473848222),
    ],
)
def test_jcgm_106_examples(name, y, u, limit, probability):
    assert conformance(measured(name, y, 2 * u), limit) == pytest.approx(probability, abs=1e-12)


def test_iso_14253_guard_factor():
    """ISO 14253-1:2017 prints 1.65 (as quoted in a public repository) for one limit at 95 %; exactly 1.6449."""
    u = 0.4
    for k, verdict in ((1.6449, Verdict.WITHIN), (1.6448, Verdict.TOO_CLOSE)):
        row = measured("height", 69 - k * u, 2 * u)
        assert judged(row).line("height").verdict is verdict
    for k, verdict in ((1.6449, Verdict.OUTSIDE), (1.6448, Verdict.TOO_CLOSE)):
        row = measured("height", 69 + k * u, 2 * u)
        assert judged(row).line("height").verdict is verdict


@pytest.mark.parametrize(
    ("guard_over_u", "false_acceptance"),
    [(0, 0.5), (1.66, 0.04845722626672282), (2, 0.022750131948179195), (3, 0.0013498980316300933)],
)
def test_guard_bands_and_false_acceptance(guard_over_u, false_acceptance):
    """ILAC-G8:09/2019, table 1 (third-party copy); false acceptance at the acceptance limit, computed."""
    u = 0.3
    at_acceptance_limit = measured("height", 69 - guard_over_u * u, 2 * u)
    assert 1 - conformance(at_acceptance_limit, nominal(65, 4)) == pytest.approx(false_acceptance, abs=1e-9)


def test_distributions_are_the_library_s():
    """scipy's normal, half-normal and truncated normal distributions as the independent reference."""
    x = np.linspace(-1, 6, 50)
    assert np.allclose(Belief(1.5, 0.7, 0.7).cdf(x), norm.cdf(x, 1.5, 0.7))
    assert np.allclose(Belief(0.0, 0.0, 1.2, 0.0).cdf(x), halfnorm.cdf(x, scale=1.2))
    cut = truncnorm(-0.5 / 0.8, math.inf, 0.5, 0.8)
    assert np.allclose(Belief(0.5, 0.8, 0.8, 0.0).cdf(x), cut.cdf(x))
    share = np.linspace(0.01, 0.99, 30)
    assert np.allclose(Belief(0.5, 0.8, 0.8, 0.0).quantile(share), cut.ppf(share))
    assert np.allclose(Belief(0.0, 0.0, 1.2, 0.0).quantile(share), halfnorm.ppf(share, scale=1.2))


def test_near_zero_an_interval_is_kept():
    """The interval [0, 2] of a magnitude that may be nothing holds 95 %: the limit 2 is just met."""
    row = measured("level", 0.0, 2.0, (0.0, 2.0))
    assert conformance(row, at_most(2)) == pytest.approx(0.95)
    assert conformance(row, at_most(1)) == pytest.approx(halfnorm.cdf(1, scale=2 / COVERAGE_95))
    lopsided = belief(measured("level", 1.0, 1.0, (0.5, 3.0)))
    assert lopsided.cdf(3.0) - lopsided.cdf(0.5) == pytest.approx(0.95, abs=0.002)


# --- Analytic: the points' formulas -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("limit", "values", "points"),
    [
        (nominal(65, 4), [65, 69, 61, 67, 73, 57, 90], [100, 75, 75, 93.75, 0, 0, 0]),
        (between(10, 40), [25, 10, 40, 55, -5, 70], [100, 75, 75, 0, 0, 0]),
        (at_most(3), [0, 3, 6, 1.5, 9], [100, 75, 0, 93.75, 0]),
        (at_least(20), [40, 30, 20, 10, 15, 25, 0], [100, 100, 75, 0, 37.5, 87.5, 0]),
        (exactly(8), [8, 7, 9, 6, 10, 0], [100, 50, 50, 0, 0, 0]),
    ],
)
def test_points(limit, values, points):
    assert points_of(np.array(values, float), limit).tolist() == pytest.approx(points)


def test_weighted_mean_of_the_points():
    judgement = judged(measured("height", 69.0), measured("level", 0.0), measured("dome", 2.0))
    assert judgement.points == pytest.approx((2 * 75 + 100 + 75) / 4)
    assert judgement.points_uncertainty == 0
    assert judgement.points_words() == "81 ± 0 of 100, from 3 of 4 lines"


def test_points_carry_the_values_uncertainty():
    """At the tolerance the slope is 100 x 2 d/(2 t)^2 = 12.5 points a millimetre."""
    judgement = judged(measured("height", 69.0, 0.02))
    assert judgement.points_uncertainty == pytest.approx(12.5 * 0.02, rel=0.02)
    # At the nominal value the slope is nothing, but the points can only fall: E[(25 (d/t)^2)^2] = 3 (25 u^2/t^2)^2
    u = 1.0
    at_best = judged(measured("height", 65.0, 2 * u))
    assert at_best.points_uncertainty == pytest.approx(2 * 25 * math.sqrt(3) * u**2 / 16, rel=0.04)


# --- Recovery of known truth --------------------------------------------------------------------------------------


def test_verdicts_are_wrong_as_seldom_as_stated():
    """Cakes that truly lie at the limit are called within, or outside, in 5 % of the measurements each."""
    rng, u = np.random.default_rng(4), 0.4
    calls = [judged(measured("height", v, 2 * u)).line("height").verdict for v in 69 + u * rng.standard_normal(4000)]
    for verdict in (Verdict.WITHIN, Verdict.OUTSIDE):
        assert calls.count(verdict) / len(calls) == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / len(calls)))


@given(
    st.floats(0, 200), st.floats(0.001, 20), st.floats(0, 200), st.floats(0.01, 50), st.sampled_from(["height", "dome"])
)
def test_any_value_and_limit_give_a_probability(value, uncertainty, target, tolerance, name):
    p = conformance(measured(name, value, uncertainty), nominal(target, tolerance))
    assert 0 <= p <= 1
    wider = conformance(measured(name, value, uncertainty), nominal(target, 2 * tolerance))
    assert wider >= p - 1e-9, "a wider tolerance is no harder to meet"


# --- The cake as a whole ------------------------------------------------------------------------------------------


def test_the_worst_line_that_must_hold_decides():
    good = measured("height", 65.0, 0.5), measured("level", 0.5, 0.2)
    assert judged(*good).verdict is Verdict.WITHIN
    assert judged(*good, measured("dome", 9.0, 0.2)).verdict is Verdict.WITHIN, "a coach-line never decides"
    assert judged(good[0], measured("level", 2.9, 0.4)).verdict is Verdict.TOO_CLOSE
    assert judged(measured("height", 75.0, 0.5), measured("level", 2.9, 0.4)).verdict is Verdict.OUTSIDE
    assert judged(good[0]).verdict is Verdict.NOT_MEASURED


def test_what_is_missing_says_why():
    said = ("level: a dished middle shows on no silhouette", "The dome is left out: the middle does not show.")
    judgement = judged(measured("height", math.nan, 0.5), warnings=said)
    reasons = {line.name: line.reason for line in judgement.lines}
    assert reasons["level"] == "a dished middle shows on no silhouette"
    assert reasons["height"] == "no figure came out of these photos"
    assert reasons["dome"] == "the middle does not show"
    assert judged().line("dome").reason == "these photos do not show it"
    lip = "Edge radius is left out: a lip leaves no rounding."
    assert _said_in_warnings(CheckResult((), warnings=(lip,)), "edge_radius") == "a lip leaves no rounding"
    assert _said_in_warnings(CheckResult((), warnings=(lip,)), "ring_radius") == ""
    assert judgement.points is None
    assert judgement.points_words().startswith("no points")
    assert all(line.verdict is Verdict.NOT_MEASURED for line in judgement.not_measured)


def test_a_figure_per_order():
    pieces = measured("decoration_count", 8)
    assert judged(pieces).line("decoration_count").reason == "the order's figure was not entered"
    assert judged(pieces, order={"decoration_count": 8}).line("decoration_count").verdict is Verdict.WITHIN
    wrong = judged(pieces, order={"decoration_count": 10}).line("decoration_count")
    assert (wrong.verdict, wrong.points) == (Verdict.OUTSIDE, 0.0)


def test_an_unsure_count_may_be_too_close():
    unsure = judged(measured("decoration_count", 8, 1.2), order={"decoration_count": 8}).line("decoration_count")
    assert unsure.probability == pytest.approx(norm.cdf(0.5 / 0.6) - norm.cdf(-0.5 / 0.6))
    assert unsure.verdict is Verdict.TOO_CLOSE


def test_a_judgement_names_the_version_and_cannot_be_changed():
    judgement = judged(measured("height", 65.0, 0.5))
    assert (judgement.standard_code, judgement.standard_version) == ("a", 3)
    with pytest.raises(AttributeError):
        judgement.points = 100


def test_symbols_differ_without_colour():
    assert len({v.symbol for v in Verdict}) == len({v.value for v in Verdict}) == 4


def test_decision_at_the_exact_probability():
    assert decide(0.95) is Verdict.WITHIN
    assert decide(0.05) is Verdict.OUTSIDE
    assert decide(0.5) is Verdict.TOO_CLOSE


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (measured("height", 65.25, 0.41), "65.2 ± 0.4 mm"),
        (measured("dome", -0.01, 0.4), "0.0 ± 0.4 mm"),
        (measured("level", 0.4, 0.7, (0.0, 1.1)), "0.4 mm (0.0 to 1.1)"),
        (measured("decoration_count", 8), "8"),
        (measured("spacing_error", 4.0, 1.0), "4.0 ± 1.0°"),
    ],
)
def test_values_in_words(row, words):
    assert value_words(row) == words
