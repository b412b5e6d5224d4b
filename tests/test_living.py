"""Limits from a layer plan and from ten accepted cakes, and a standard's versions."""

from datetime import date

import numpy as np
import pytest
from scipy.stats import norm

from qc.errors import StandardError
from qc.limits import at_least, at_most, between, exactly, nominal
from qc.living import adopt, height_from_layers, limits_from_cakes, one_sided_factor, two_sided_factor
from qc.quantities import QUANTITIES, CheckResult, Measurement
from qc.standard import LayerPlan, load_standard, starting_standards
from qc.verdict import Verdict, judge

TODAY = date(2026, 11, 30)
CREAM = next(s for s in starting_standards() if s.code == "cream-15")


def cakes(rng, n=10, uncertainty=0.5):
    def rows():
        values = {
            "diameter": 166 + 0.8 * rng.standard_normal(),
            "level": abs(rng.normal(0.8, 0.4)),
            "show_through": abs(rng.normal(0.1, 0.05)),
            "decoration_count": 8.0,
        }
        return tuple(Measurement(k, v, uncertainty, QUANTITIES[k].unit, ("top",)) for k, v in values.items())

    return [CheckResult(rows()) for _ in range(n)]


def proposal(name, proposals):
    return next(p for p in proposals if p.name == name)


# --- Published values ---------------------------------------------------------------------------------------------


def test_tolerance_factors_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook, 7.2.6.3, N = 43, 90 % at 99 % confidence: k2 = 2.217, k1 = 1.8740 (from memory)."""
    assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=5e-4)
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=1e-4)


@pytest.mark.parametrize(
    ("n", "coverage", "confidence", "factor"),
    [(10, 0.95, 0.95, 3.379), (10, 0.90, 0.90, 2.535), (20, 0.95, 0.95, 2.752)],
)
def test_two_sided_factors_of_the_printed_tables(n, coverage, confidence, factor):
    """Two-sided normal tolerance factors as printed in statistics textbooks (from memory), to 0.2 %."""
    assert two_sided_factor(n, coverage, confidence) == pytest.approx(factor, rel=2e-3)


# --- Recovery of known truth --------------------------------------------------------------------------------------


def test_limits_from_ten_cakes_hold_the_stated_share():
    """In 90 % of the trials the limits from ten cakes must hold 95 % of all cakes made the same way (+- 3 sigma)."""
    rng, trials, held = np.random.default_rng(8), 2000, 0
    k = two_sided_factor(10, 0.95, 0.90)
    for _ in range(trials):
        ten = rng.standard_normal(10)
        m, s = ten.mean(), ten.std(ddof=1)
        held += norm.cdf(m + k * s) - norm.cdf(m - k * s) >= 0.95
    assert held / trials == pytest.approx(0.90, abs=3 * (0.9 * 0.1 / trials) ** 0.5)


def test_ten_accepted_cakes_lie_within_their_own_limits():
    rng = np.random.default_rng(3)
    ten = cakes(rng, uncertainty=0.01)
    standard = adopt(CREAM, limits_from_cakes(ten, CREAM), TODAY)
    for cake in ten:
        judgement = judge(cake, standard)
        for name in ("diameter", "level", "show_through", "decoration_count"):
            assert judgement.line(name).verdict is Verdict.WITHIN


def test_kinds_of_limit_are_kept():
    proposals = limits_from_cakes(cakes(np.random.default_rng(1)), CREAM)
    assert proposal("diameter", proposals).new.kind == "nominal"
    assert proposal("diameter", proposals).new.target == pytest.approx(166, abs=0.6)
    assert proposal("level", proposals).new.kind == "at_most"
    assert proposal("decoration_count", proposals).new == exactly(8)
    assert proposal("height", proposals).new is None
    assert "measured on 0 of 10 cakes" in proposal("height", proposals).explanation
    told = proposal("diameter", proposals).explanation
    assert "10 cakes" in told
    assert "3.02 times the spread" in told
    assert "90 % confidence" in told


def test_ranges_lower_limits_and_counts():
    text = (
        'name = "A"\ncode = "a"\n[lines.show_through]\nlow = 10\nhigh = 40\ndecides = "must"\n'
        "[lines.side_relief]\nat_least = 0.5\n[lines.decoration_count]\nper_order = true\n"
        "[lines.blemishes]\nat_most = 9\n[lines.decoration_missing]\ncount = 0\n"
    )
    standard, rng = load_standard(text), np.random.default_rng(2)

    def cake(i):
        values = {"show_through": rng.normal(25, 3), "side_relief": rng.normal(2, 0.1), "decoration_count": 8.0}
        values |= {"blemishes": float(i % 4), "decoration_missing": float(i % 2)}
        return CheckResult(tuple(Measurement(k, v, 0.1, QUANTITIES[k].unit, ("top",)) for k, v in values.items()))

    proposals = limits_from_cakes([cake(i) for i in range(12)], standard)
    assert proposal("show_through", proposals).new.kind == "range"
    assert proposal("side_relief", proposals).new.kind == "at_least"
    assert proposal("decoration_count", proposals).new is None
    assert proposal("blemishes", proposals).new == at_most(3)
    assert proposal("decoration_missing", proposals).new == between(0, 1)
    adopted = adopt(standard, proposals, TODAY)
    assert adopted.limit("show_through") == proposal("show_through", proposals).new
    assert adopted.limit("side_relief") == at_least(adopted.lines["side_relief"].at_least)
    assert adopted.lines["decoration_count"].per_order


def test_a_layer_plan_gives_the_height():
    plan = LayerPlan(sponge_mm=(18.0, 18, 18), filling_mm=(6, 6), coat_mm=4)
    found = height_from_layers(CREAM, plan)
    assert found.new == nominal(70, 3.5)
    assert found.old == nominal(65, 4)
    adopted = adopt(CREAM, [found], TODAY, plan)
    assert adopted.layers == plan
    assert adopted.limit("height") == nominal(70, 3.5)
    assert adopted.lines["height"].must, "what else the line said is kept"
    assert load_standard(adopted.to_toml()) == adopted


def test_a_new_version_is_another_standard_and_the_old_one_stays():
    before = CREAM.to_toml()
    adopted = adopt(CREAM, limits_from_cakes(cakes(np.random.default_rng(1)), CREAM), TODAY)
    assert (adopted.version, adopted.date, adopted.starting_values) == (2, TODAY, False)
    assert CREAM.to_toml() == before


# --- What is refused or warned of ---------------------------------------------------------------------------------


def test_nine_cakes_are_too_few():
    with pytest.raises(StandardError, match="at least 10 accepted cakes of this kind, found 9"):
        limits_from_cakes(cakes(np.random.default_rng(1), n=9), CREAM)


def test_a_tolerance_finer_than_the_photos_is_pointed_out():
    proposals = limits_from_cakes(cakes(np.random.default_rng(1), uncertainty=9.0), CREAM)
    assert "finer than the photos can tell" in proposal("diameter", proposals).caution
    assert proposal("diameter", limits_from_cakes(cakes(np.random.default_rng(1)), CREAM)).caution == ""


def test_a_value_that_is_none_does_not_count_as_zero():
    ten = cakes(np.random.default_rng(1), n=9)
    ten.append(CheckResult((Measurement("diameter", float("nan"), 1.0, "mm", ("top",)),)))
    found = proposal("diameter", limits_from_cakes(ten, CREAM))
    assert found.new is None
    assert "measured on 9 of 10" in found.explanation
