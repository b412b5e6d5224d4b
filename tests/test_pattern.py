"""Rings, gaps, moves and circular statistics."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import linear_sum_assignment

from qc.errors import FitError
from qc.pattern import (
    analyse_ring,
    best_pattern,
    chord_mm,
    count_places,
    fit_circle,
    mean_direction,
    rayleigh,
    robust_circle,
)

PUBLISHED = Path(__file__).parent / "published"


def ring(n: int, radius: float = 60.0, turn: float = 0.3, centre: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    a = turn + 2 * np.pi * np.arange(n) / n
    return np.array(centre) + radius * np.stack([np.cos(a), np.sin(a)], -1)


# ---------------------------------------------------------------- published and analytic values
def test_circle_of_gander_golub_strebel() -> None:
    """Published value: BIT 34 (1994) 558-578, the paper's six points and its geometric circle."""
    paper = json.loads((PUBLISHED / "circle_ellipse_ggs1994.json").read_text())
    fit = fit_circle(paper["circle_points"])
    want = paper["circle_geometric"]
    assert (fit.x_mm, fit.y_mm) == pytest.approx(want["z"], abs=5e-5)
    assert fit.radius_mm == pytest.approx(want["r"], abs=5e-5)
    assert np.linalg.norm(fit.residuals_mm) == pytest.approx(want["residual_norm"], abs=1e-6)
    assert fit.converged


def test_mean_direction_of_the_roulette_data() -> None:
    """Published value: Mardia & Jupp, Directional Statistics (2000), the roulette example."""
    data = json.loads((PUBLISHED / "circular_stats.json").read_text())
    mean = mean_direction(np.radians(data["angles_deg"]))
    assert np.degrees(mean.mean_rad) == pytest.approx(data["mean_deg"], abs=1e-9)
    assert round(float(np.degrees(mean.mean_rad))) == data["printed_mean_deg"]
    assert mean.resultant == pytest.approx(data["Rbar"], abs=1e-12)
    assert round(mean.resultant, 3) == data["printed_Rbar"]
    assert mean.sd_rad == pytest.approx(data["circ_sd_rad_mardia"], abs=1e-9)
    # astropy and others print sqrt(2 (1 - R)), another quantity under the same name
    assert np.sqrt(2 * mean.variance) == pytest.approx(data["astropy_angular_sd_rad"], abs=1e-9)


def test_mean_direction_agrees_with_scipy() -> None:
    """Reference library: scipy.stats.circmean, circstd (Mardia's definition)."""
    theta = np.random.default_rng(4).vonmises(1.0, 2.0, 40)
    mean = mean_direction(theta)
    assert mean.mean_rad == pytest.approx(stats.circmean(theta), abs=1e-12)
    assert mean.sd_rad == pytest.approx(stats.circstd(theta), abs=1e-12)


def test_assignment_example_of_scipy() -> None:
    """Published value: the worked example in scipy's manual of linear_sum_assignment (total cost 5)."""
    cost = np.array([[4, 1, 3], [2, 0, 5], [3, 2, 2]])
    rows, columns = linear_sum_assignment(cost)
    assert columns.tolist() == [1, 0, 2]
    assert cost[rows, columns].sum() == 5


@pytest.mark.parametrize(("places", "factor"), [(6, 1.0), (8, 0.7653669), (12, 0.5176381)])
def test_chord_of_the_handbooks(places: int, factor: float) -> None:
    """Handbook formula 2 r sin(180/n); the factors are those of the tables for dividing a circle (side / radius)."""
    assert chord_mm(70.0, places) == pytest.approx(70.0 * factor, abs=1e-5)
    p = ring(places, 70.0)
    assert np.hypot(*(p[1] - p[0])) == pytest.approx(chord_mm(70.0, places))


def test_rayleigh_of_an_even_pattern_and_of_one_point() -> None:
    """Analytic: R-bar is 1 for a perfect pattern, 0 when half pitches cancel; Zar (2010) eq. 27.4: p = 1 there."""
    a = 0.2 + 2 * np.pi * np.arange(8) / 8
    even = rayleigh(a, 8)
    assert even.resultant == pytest.approx(1.0)
    assert even.even_beyond_chance
    assert even.p_value < 1e-3
    half = rayleigh(np.concatenate([a, a + np.pi / 8]), 8)
    assert half.resultant == pytest.approx(0.0, abs=1e-12)
    assert half.p_value == pytest.approx(1.0)


def test_rayleigh_keeps_its_level() -> None:
    """Pieces put anywhere are called even in 5 % of cases, no more and no less."""
    rng = np.random.default_rng(7)
    found = np.mean([rayleigh(rng.uniform(0, 2 * np.pi, 10), 10).even_beyond_chance for _ in range(3000)])
    assert found == pytest.approx(0.05, abs=0.015)


# ---------------------------------------------------------------- recovery of a known truth
@pytest.mark.parametrize("arc_deg", [60, 120, 360])
def test_geometric_circle_has_no_bias_on_partial_arcs(arc_deg: float) -> None:
    """Literature (Chernov & Lesort 2005): the algebraic fit shrinks on short arcs, the geometric one hardly does."""
    rng = np.random.default_rng(1)
    a = np.radians(np.linspace(0, arc_deg, 60))
    radii, algebraic = [], []
    for _ in range(150):
        p = np.stack([np.cos(a), np.sin(a)], -1) * 80 + rng.normal(0, 1.0, (60, 2))
        radii.append(fit_circle(p).radius_mm)
        s = np.linalg.lstsq(np.c_[p, np.ones(60)], (p**2).sum(1), rcond=None)[0]
        algebraic.append(np.sqrt(s[2] + (s[:2] ** 2).sum() / 4))
    error = abs(np.mean(radii) - 80)
    assert error < 4 * np.std(radii) / np.sqrt(150) + 0.25
    if arc_deg < 100:
        assert abs(np.mean(algebraic) - 80) > 3 * error


def test_scatter_of_the_circle_is_what_its_covariance_says() -> None:
    rng = np.random.default_rng(2)
    p, found = ring(9), []
    for _ in range(400):
        fit = fit_circle(p + rng.normal(0, 0.5, p.shape))
        found.append([fit.x_mm, fit.y_mm, fit.radius_mm])
    said = 0.5 * np.sqrt(np.diag(fit_circle(p).covariance))
    assert np.std(found, axis=0) == pytest.approx(said, rel=0.12)


def test_robust_circle_leaves_out_the_middle_piece() -> None:
    p = np.concatenate([ring(8, 60), [[1.0, -2.0]], ring(4, 25, 0.1)])
    found = robust_circle(p, 4.0, 15.0)
    assert found is not None
    circle, near = found
    assert near.tolist() == [True] * 8 + [False] * 5
    assert circle.radius_mm == pytest.approx(60)


@pytest.mark.parametrize("missing", [(), (3,), (0, 5), (4, 5)])
def test_missing_places_are_found_from_the_gaps(missing: tuple[int, ...]) -> None:
    rng = np.random.default_rng(3)
    keep = [k for k in range(11) if k not in missing]
    a = np.radians(rng.normal(0, 2.0, 11)) + 0.4 + 2 * np.pi * np.arange(11) / 11
    p = 70 * np.stack([np.cos(a), np.sin(a)], -1)[keep]
    found = analyse_ring(p, np.arange(len(p)), piece_mm=22.0)
    assert found.places == 11
    assert found.missing == len(missing)
    assert len(found.missing_rad) == len(missing)
    want = np.sort((0.4 + 2 * np.pi * np.array(missing) / 11) % (2 * np.pi))
    assert np.sort(found.missing_rad) == pytest.approx(want, abs=0.12)


def test_unsteady_hands_are_no_missing_piece() -> None:
    """Gaps of 25 to 47 degrees on a ring of ten: uneven, but every gap is nearest to one pitch."""
    gaps = np.array([25, 47, 36, 30, 41, 36, 33, 44, 38, 30.0])
    assert count_places(gaps, room_deg=20.0).tolist() == [1] * 10
    assert count_places(gaps, expected=10).tolist() == [1] * 10


def test_two_pieces_on_one_place() -> None:
    rng = np.random.default_rng(8)
    a = np.append(2 * np.pi * np.arange(9) / 9 + np.radians(rng.normal(0, 1.5, 9)), 0.12)
    p = 60 * np.stack([np.cos(a), np.sin(a)], -1)
    for expected in (None, 9):
        found = analyse_ring(p, np.arange(10), expected)
        assert (found.places, found.missing, found.doubled) == (9, 0, 1)
        assert len(found.singles) == 9
        assert best_pattern(p[found.singles], (0, 0), 60, found.places).rms_mm < 3


def test_the_house_standard_decides_the_places() -> None:
    p = ring(12)[:9]  # three in a row are missing
    assert analyse_ring(p, np.arange(9), expected=12).missing == 3


def test_an_even_ring_of_another_number_is_called_that() -> None:
    """Ten even pieces where the standard says twelve: ten places, even gaps; the count tells that two are too few."""
    found = analyse_ring(ring(10), np.arange(10), expected=12)
    assert (found.places, found.missing) == (10, 0)
    assert found.spacing_error_deg < 1e-6
    assert analyse_ring(ring(10), np.arange(10), expected=8).places == 10


def test_spacing_error_of_one_moved_piece() -> None:
    """A piece moved by 6 degrees makes one gap 6 too wide and one 6 too narrow (seen from the ring's own centre)."""
    a = 2 * np.pi * np.arange(12) / 12
    a[4] += np.radians(6)
    found = analyse_ring(60 * np.stack([np.cos(a), np.sin(a)], -1), np.arange(12))
    assert found.spacing_error_deg == pytest.approx(6, abs=0.15)
    assert found.scatter_mm < 0.5


@given(st.integers(3, 16), st.floats(0, 6.28), st.floats(-8, 8), st.floats(-8, 8))
def test_a_perfect_pattern_needs_no_move(n: int, turn: float, x: float, y: float) -> None:
    p = ring(n, 55.0, turn, (x, y))
    ideal = best_pattern(p, (x, y), 55.0, n)
    assert ideal.rms_mm < 1e-6
    assert sorted(ideal.assigned.tolist()) == list(range(n))


def test_moves_put_the_pieces_right() -> None:
    rng = np.random.default_rng(5)
    p = ring(9, 58.0, 0.2)[[0, 1, 2, 3, 5, 6, 7, 8]] + rng.normal(0, 2.0, (8, 2))
    found = analyse_ring(p, np.arange(8))
    ideal = best_pattern(p, (found.circle.x_mm, found.circle.y_mm), found.circle.radius_mm, found.places)
    moved = analyse_ring(p + ideal.moves_mm, np.arange(8))
    assert moved.spacing_error_deg < 1e-6
    assert moved.scatter_mm < 1e-6
    # least squares: no other turn of the same pattern needs less moving
    centre = np.array([found.circle.x_mm, found.circle.y_mm])
    for extra in np.radians([-3, -0.5, 0.5, 3]):
        c, s = np.cos(extra), np.sin(extra)
        turned = (ideal.places_mm - centre) @ np.array([[c, s], [-s, c]]) + centre
        assert np.sqrt(((turned[ideal.assigned] - p) ** 2).sum(1).mean()) > ideal.rms_mm


# ---------------------------------------------------------------- degenerate input
@pytest.mark.parametrize("points", [[[0, 0], [1, 1]], [[0, 0], [1, 1], [2, 2]], [[np.nan, 0], [1, 0], [0, 1]]])
def test_no_circle_without_three_places(points: list[list[float]]) -> None:
    with pytest.raises(FitError):
        fit_circle(points)


def test_more_pieces_than_places() -> None:
    with pytest.raises(FitError, match="9 pieces"):
        best_pattern(ring(9), (0, 0), 60, 8)
