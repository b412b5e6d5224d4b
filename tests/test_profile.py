"""Meridians: filter and roughness against published values and an independent library, and known profiles recovered."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d, uniform_filter1d

from qc.meridian import FitSettings, fit_profile, rays_of
from qc.profile import gaussian_smooth, measure_profiles, off_line, ridge_rms, straightness
from qc.silhouette import EdgeSettings, Strip, refine
from qc.standard import LayerPlan
from tests.surface_scene import draw_silhouette, round_body, rounded, side_view

PUBLISHED = json.loads((Path(__file__).parent / "published/gaussian_filter_profile.json").read_text())


# ---------------------------------------------------------------- published and analytic values
@pytest.mark.parametrize("row", PUBLISHED["transmission"], ids=lambda r: f"{r['lambda_over_cutoff']} cut-offs")
def test_gaussian_filter_transmits_sines_as_the_standard_says(row: dict[str, float]) -> None:
    """ISO 16610-21:2011: transmission exp(-pi (alpha cutoff / lambda)^2), one half at the cut-off."""
    cutoff, wave = 8.0, 8.0 * row["lambda_over_cutoff"]
    z = np.linspace(0, 12 * max(wave, cutoff), 1201)
    smooth = gaussian_smooth(z, np.cos(2 * np.pi * (z - z.mean()) / wave), cutoff)
    assert smooth[len(z) // 2] == pytest.approx(row["ratio"], abs=2e-4)


def test_gaussian_filter_passes_a_straight_line_up_to_its_ends() -> None:
    """ISO 16610-28: a line regressed locally leaves no end effect."""
    z = np.linspace(0, 50, 301)
    assert gaussian_smooth(z, 3 + 0.2 * z) == pytest.approx(3 + 0.2 * z, abs=1e-9)


def test_gaussian_filter_agrees_with_an_independent_library() -> None:
    """surfalize's Gaussian filter on a profile, away from its ends, which the two treat differently."""
    surfalize = pytest.importorskip("surfalize")
    rng, step = np.random.default_rng(3), 0.1
    z = np.arange(0, 100, step)
    values = np.cumsum(rng.normal(size=len(z))) * 0.05
    surface = surfalize.Surface(np.tile(values, (64, 1)), step, step)
    theirs = surface.filter("lowpass", 8.0).data[32]
    inner = slice(150, -150)
    ours = gaussian_smooth(z, values, 8.0)
    assert np.abs(ours - theirs)[inner].max() < 0.03 * np.ptp(values[inner])


@pytest.mark.parametrize(("name", "wave"), [("sine", np.sin), ("square", lambda t: np.sign(np.sin(t) + 1e-12))])
def test_amplitude_parameters_of_analytic_profiles(name: str, wave) -> None:
    """Pa, Pq (ISO 21920-2) of analytic profiles; Pq is what `ridge_rms` reports once the filter takes nothing away."""
    known = PUBLISHED[name]
    z = np.arange(0, 200, 0.05)
    values = known["A"] * wave(2 * np.pi * z / 4)
    rest = off_line(z, values)
    assert np.abs(rest).mean() == pytest.approx(known["Pa"], rel=0.02)
    assert ridge_rms(z, values, 1000.0) == pytest.approx(known["Pq"], rel=0.02)


def test_straightness_is_peak_to_valley_about_the_line() -> None:
    """ISO 12780-1 (STRt): a bow of height h over the line through its ends has STRt = h, whatever the lean."""
    z = np.linspace(-1, 1, 2001)
    assert straightness(z, 5 + 2 * z + 0.8 * (1 - z**2)) == pytest.approx(0.8, abs=1e-3)


# ---------------------------------------------------------------- known profiles recovered
@pytest.mark.parametrize(("ridge", "elevation"), [(0.0, 5.0), (0.12, 5.0), (0.25, 12.0)])
def test_drawn_cake_gives_back_its_ridges(ridge: float, elevation: float) -> None:
    body, view, rng = round_body(), side_view(elevation), np.random.default_rng(1)
    radius = rounded(80.0, 70.0, 4.0, ridge)
    photo = draw_silhouette(view, radius, 70.0, rng)
    result = measure_profiles({"side": photo}, {"side": view}, body, {})
    z = np.linspace(7, 63, 500)
    true = float(ridge_rms(z, radius(z)))
    row = next(m for m in result.measurements if m.name == "side_ridges" and m.clock is None)
    assert row.value == pytest.approx(true, abs=0.03)
    assert abs(row.value - true) <= row.uncertainty
    line = next(m for m in result.measurements if m.name == "side_straightness" and m.clock is None)
    assert line.value == pytest.approx(float(straightness(z, radius(z))), abs=0.15)
    for m in result.meridians:
        assert np.diff(m.height_mm).max() <= 0.2501
        assert np.mean(m.radius_mm) == pytest.approx(80.0, abs=0.25)


def test_ridges_of_a_smooth_cake_at_full_size_read_next_to_nothing() -> None:
    view = side_view(6.0, f_px=5800.0)
    big = type(view)(type(view.lens)(5800.0, 1007.5, 755.5), view.rotation, view.translation_mm, 2016, 1512)
    photo = draw_silhouette(big, rounded(80.0, 70.0, 4.0), 70.0, np.random.default_rng(2))
    result = measure_profiles({"side": photo}, {"side": big}, round_body(), {})
    assert next(m for m in result.measurements if m.name == "side_ridges").value < 0.03


@pytest.mark.parametrize("edge", [2.0, 6.0])
def test_edge_radius_of_a_drawn_cake(edge: float) -> None:
    view, rng = side_view(8.0), np.random.default_rng(4)
    photo = draw_silhouette(view, rounded(80.0, 70.0, edge), 70.0, rng)
    result = measure_profiles({"side": photo}, {"side": view}, round_body(edge_mm=4.0), {})
    row = next(m for m in result.measurements if m.name == "edge_radius" and m.clock is None)
    assert row.value == pytest.approx(edge, abs=0.8)


def test_the_rim_of_the_board_behind_a_glaze_is_no_groove() -> None:
    """A dark glaze before a light bench, further down before a dark board, which it mirrors a little lower still.

    At grazing sight all is mirrored, further in less and less (Schlick, Computer Graphics Forum 1994, from memory).
    """
    settings, rng, px_per_mm = EdgeSettings(), np.random.default_rng(0), 3.5
    row, across = np.arange(200), np.arange(-60, 61) * settings.step_px
    bench, board, blue = np.array([60.0, 56, 50]), np.full(3, 8.0), np.array([6.0, 8, 22])  # in units of the noise
    behind, mirrored = (np.where(row[:, None] < rim, board, bench)[:, None] for rim in (80, 72))
    share = 0.9 * np.maximum(1 - np.sqrt(2 * np.maximum(-across, 0) / px_per_mm / 80.0), 0)[:, None] ** 5
    light = np.where(across[:, None] < 0, blue + (mirrored - blue) * share, behind)
    light = gaussian_filter(light, (1.0, 1.0 / settings.step_px, 0))
    light += 2.6 * gaussian_filter1d(rng.normal(size=light.shape), 2, axis=1)
    curve, normal = np.stack([0.0 * row, row], 1), np.tile([1.0, 0.0], (len(row), 1))
    strip = Strip(light.astype(np.float32), across, curve, normal, px_per_mm)
    edge = refine(strip, 60 + rng.integers(-1, 2, len(row)), settings)
    assert edge.good.all()
    assert np.ptp(uniform_filter1d(edge.edge_px, 7)) < 2.0  # 3.7 with neighbours that have other things behind them


def test_pitch_and_clock_are_told() -> None:
    view = side_view(5.0)
    photo = draw_silhouette(view, rounded(80.0, 70.0, 4.0, 0.2, 6.0), 70.0, np.random.default_rng(5))
    result = measure_profiles({"side": photo}, {"side": view}, round_body(), {}, fillings_mm=(23.0, 46.0))
    assert [s.pitch_mm for s in result.silhouettes] == pytest.approx([6.0, 6.0], abs=0.4)
    left, right = (s.clock for s in result.silhouettes)
    assert 8.4 < left < 9.0
    assert 3.0 < right < 3.6


def test_lines_of_sight_give_back_a_widened_profile() -> None:
    """The envelope of exact lines of sight of a ridged body is turned back into the body."""
    body, view = round_body(), side_view(10.0)
    z = np.linspace(2, 68, 900)
    radius = 80 + 0.1 * np.sin(2 * np.pi * z / 7)
    turn = np.linspace(-1.2, 1.2, 4001)
    right = np.arccos(80 / np.hypot(*view.eye_mm[:2])) + np.arctan2(view.eye_mm[1], view.eye_mm[0])
    ring = right + turn[:, None] * 0.3 + 0 * z
    points = np.stack([radius * np.cos(ring), radius * np.sin(ring), z + 0 * ring], -1)
    px = view.project(points)
    rows = np.round(px[..., 1] * 2).astype(int)
    edge = [(px[..., 0][rows == r].max(), r / 2) for r in np.unique(rows)[4:-4]]
    rays = rays_of(view, np.array(edge), body)
    sigma = np.full(len(edge), 0.02)
    fit = fit_profile(rays, sigma, 6.0, 64.0, np.random.default_rng(0), FitSettings())
    inner = (fit.z_mm > 10) & (fit.z_mm < 60)
    true = 80 + 0.1 * np.sin(2 * np.pi * fit.z_mm / 7)
    assert np.abs(fit.radius_mm - true)[inner].max() < 0.06


# ---------------------------------------------------------------- what can't be had
def test_nothing_is_said_of_a_side_that_cannot_be_seen() -> None:
    view = side_view()
    photo = np.full((view.height_px, view.width_px, 3), 120, np.uint8)
    result = measure_profiles({"side": photo}, {"side": view}, round_body(), {})
    assert result.measurements == ()
    assert any("left out" in w for w in result.warnings)


def test_belt_is_put_to_the_filling_it_sits_on() -> None:
    """Three sponges of 20 mm with two fillings of 5 mm between them: middles at 22.5 and 47.5 mm, by addition."""
    plan = LayerPlan(sponge_mm=(20.0, 20.0, 20.0), filling_mm=(5.0, 5.0), coat_mm=5.0)
    assert plan.filling_heights_mm == pytest.approx((22.5, 47.5))
    view, body = side_view(f_px=3200.0), round_body()

    def belted(z):
        return rounded(80.0, 70.0, 4.0)(z) + 1.2 * np.exp(-(((z - 47.0) / 4) ** 2))

    photo = draw_silhouette(view, belted, 70.0, np.random.default_rng(1))
    with_plan = measure_profiles({"side": photo}, {"side": view}, body, {}, plan.filling_heights_mm)
    without = measure_profiles({"side": photo}, {"side": view}, body, {})
    assert (with_plan.features[0].kind, with_plan.features[0].filling) == ("belt", 2)
    assert without.features[0].filling is None
    note = next(m.note for m in with_plan.measurements if m.name == "side_straightness" and m.clock is None)
    assert "filling 2 from below" in str(note)
