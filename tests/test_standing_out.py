"""Belts and ridges that stand out over the fitted body, and what they add to the diameter."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.meridian import Profile
from qc.profile import SideFeature, Silhouette
from qc.shape import DIAMETER, OFFSET_3, OFFSET_12, with_belts
from qc.standing_out import StandingOut, standing_out

RNG = np.random.default_rng(0)


def body() -> Body:
    waves = np.zeros((len(HARMONICS), 2))
    return Body(80.0, 70.0, 0.0, np.zeros(2), np.zeros(2), 0.0, 4.0, waves, np.zeros(len(PROFILE_KNOTS)))


def silhouette(radius_mm: np.ndarray, z_mm: np.ndarray, seen: np.ndarray | None = None) -> Silhouette:
    shown = np.ones(len(z_mm), bool) if seen is None else seen
    profile = Profile(z_mm, radius_mm, radius_mm[None] + RNG.normal(0, 0.01, (8, len(z_mm))), 1.0, shown, len(z_mm))
    feature = SideFeature("belt", 9.0, 35.0, 1.0, None)
    none = np.zeros((0, 2))
    return Silhouette("side", True, 9.0, none, none[:, 0] > 0, profile, 1.0, 1.0, 0.1, 0.1, 0.02, None, None, feature)


def test_a_belt_stands_out_by_its_height() -> None:
    """Analytic: a bump of 2 mm over a cylinder; where it is not seen the body's own radius counts."""
    z = np.linspace(7, 63, 225)
    belt = 80 + 2.0 * np.exp(-(((z - 40) / 5) ** 2))
    behind = np.abs(z - 40) > 15
    found = standing_out(body(), [silhouette(belt, z), silhouette(0 * z + 80, z), silhouette(belt, z, behind)])
    assert found.further_mm == pytest.approx([2.0, 0.0, 0.0], abs=0.05)


def test_a_side_that_lies_further_in_takes_nothing_off_where_its_foot_is_hidden() -> None:
    z = np.linspace(7, 63, 225)
    assert standing_out(body(), [silhouette(0 * z + 79, z)]).further_mm == pytest.approx([0.0], abs=1e-6)


def test_the_diameter_grows_by_twice_the_mean() -> None:
    """Analytic: the standard uncertainty of a mean of n values is their standard deviation over root n (JCGM 100)."""
    quarters = np.arange(4) * np.pi / 2
    value, u = with_belts(np.zeros(11), StandingOut(quarters, np.array([1.0, 0.0, 2.0, 1.0])))
    assert value[DIAMETER] == pytest.approx(2.0)
    assert u == pytest.approx(np.std([1, 0, 2, 1], ddof=1) / 2)
    assert with_belts(np.ones(11), StandingOut(np.zeros(0), np.zeros(0)))[0] == pytest.approx(np.ones(11))
    assert with_belts(np.ones(11), None)[1] == 0.0
    assert with_belts(np.zeros(11), StandingOut(np.zeros(1), np.array([0.5])))[1] == 0.0


@pytest.mark.parametrize("clocks_rad", [np.arange(4) * np.pi / 2, np.arange(4) * np.pi / 2 + 0.3, [0.0, np.pi]])
def test_a_belt_on_one_side_moves_the_outlines_centre(clocks_rad) -> None:
    """Against the least-squares circle (ISO 12181-1, LSCI) of the whole outline, by scipy's least_squares."""
    all_round, clocks = np.linspace(0, 2 * np.pi, 720, endpoint=False), np.asarray(clocks_rad)
    x, y = (80.6 + 0.6 * np.cos(all_round)) * np.stack([np.cos(all_round), np.sin(all_round)])
    circle = least_squares(lambda c: np.hypot(x - c[0], y - c[1]) - c[2], [0.0, 0.0, 80.0]).x
    value, _ = with_belts(np.zeros(11), StandingOut(clocks, 0.6 + 0.6 * np.cos(clocks)))
    assert value[[OFFSET_3, OFFSET_12]] == pytest.approx(circle[:2], abs=0.02)
    assert 80 + value[DIAMETER] / 2 == pytest.approx(circle[2], abs=0.02)
