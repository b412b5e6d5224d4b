"""Relief from shading: a ridged side reads more than a smooth one, in the right order and with its pitch."""

import numpy as np
import pytest
from scipy.stats import spearmanr

from qc.relief import ReliefSettings, _ring_index, measure_relief
from tests.surface_scene import draw_cylinder, round_body, side_view


def ridged(amplitude_mm: float, pitch_mm: float = 6.0):
    """Albedo that looks like ridges lit from above: lighter where the side leans upwards."""

    def albedo(theta, z):
        slope = amplitude_mm * 2 * np.pi / pitch_mm * np.cos(2 * np.pi * z / pitch_mm)
        return np.clip(0.6 * np.exp(-0.45 * slope), 0, 1)[..., None] * np.ones(3) + 0 * theta[..., None]

    return albedo


def read(amplitude_mm: float):
    view, body = side_view(f_px=3200.0), round_body()
    photo = draw_cylinder(view, body, ridged(amplitude_mm), np.random.default_rng(1))
    return measure_relief({"side": photo}, {"side": view}, body, {})


def test_relief_ranks_ridges_and_tells_their_pitch() -> None:
    amplitudes = [0.0, 0.04, 0.08, 0.15, 0.25]
    results = [read(a) for a in amplitudes]
    index = [next(m.value for m in r.measurements if m.name == "side_relief") for r in results]
    assert spearmanr(amplitudes, index)[0] == pytest.approx(1.0)
    assert index[0] < 0.02
    assert index[3] == pytest.approx(0.15 / np.sqrt(2), rel=0.35)
    assert results[3].maps[0].pitch_mm == pytest.approx(6.0, abs=0.4)


def test_dark_icing_is_said_to_be_unreadable() -> None:
    view, body = side_view(), round_body()
    photo = draw_cylinder(view, body, lambda t, z: np.full((*t.shape, 3), 0.05), np.random.default_rng(1))
    photo[:150, :250] = 225  # the card's paper
    result = measure_relief({"side": photo}, {"side": view}, body, {})
    assert result.measurements == ()
    assert any("mirrors" in w for w in result.warnings)


def test_rings_on_the_top_rank_by_their_slope_and_noise_reads_little() -> None:
    """Analytic: the median of |a sin| is a / sqrt(2); shadows thrown by pieces and grain do not change the order."""
    settings, rng = ReliefSettings(), np.random.default_rng(5)
    radius = np.arange(150)[:, None] / settings.px_per_mm
    turn = np.linspace(0, 2 * np.pi, 600)[None, :]
    seen = np.ones((150, 600), bool)
    read = []
    for slope in (0.0, 0.02, 0.04, 0.08):
        light = slope * np.sin(2 * np.pi * radius / 8) * np.cos(turn) + rng.normal(size=seen.shape) * 0.03
        light[40:70, 100:140] -= 0.8  # a thrown shadow
        read.append(_ring_index(light.astype(np.float32), seen, settings))
    assert read == sorted(read)
    assert read[0] < 0.05
    assert read[3] - read[0] == pytest.approx(0.08 / np.sqrt(2) / settings.ring_slope, rel=0.35)
    assert np.isnan(_ring_index(np.zeros(seen.shape, np.float32), ~seen, settings))
