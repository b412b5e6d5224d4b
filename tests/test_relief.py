"""Relief from shading: a ridged side reads more than a smooth one, in the right order and with its pitch."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import spearmanr

from qc.icing import measure_icing
from qc.profile import measure_profiles
from qc.relief import ReliefSettings, measure_relief, network_relief, silhouette_relief
from tests.surface_scene import PAPER, draw_cylinder, draw_silhouette, round_body, rounded, side_view


def ridged(amplitude_mm: float, pitch_mm: float = 6.0):
    """Albedo that looks like ridges lit from above: lighter where the side leans upwards."""

    def albedo(theta, z):
        slope = amplitude_mm * 2 * np.pi / pitch_mm * np.cos(2 * np.pi * z / pitch_mm)
        return np.clip(0.6 * np.exp(-0.45 * slope), 0, 1)[..., None] * np.ones(3) + 0 * theta[..., None]

    return albedo


def read(albedo):
    view, body = side_view(f_px=3200.0), round_body()
    photo = draw_cylinder(view, body, albedo, np.random.default_rng(1))
    icing = measure_icing({"side": photo}, {"side": view}, body, {}, {"side": PAPER}, ())
    return measure_relief(icing.faces, body)


def test_relief_ranks_ridges_and_tells_their_pitch() -> None:
    """Recovery of known truth: a sine's root mean square is 0.71 of its amplitude; smooth icing reads a tenth of that.

    Over 0.15 mm of such pure, painted ridges the network no longer ranks, but is within what it states.
    """
    amplitudes = [0.0, 0.04, 0.08, 0.15]
    results = [read(ridged(a)) for a in amplitudes]
    rows = [next(m for m in r.measurements if m.name == "side_relief") for r in results]
    index = [m.value for m in rows]
    assert spearmanr(amplitudes, index)[0] == pytest.approx(1.0)
    assert index[0] < 0.04
    high = next(m for m in read(ridged(0.25)).measurements if m.name == "side_relief")
    for amplitude, row in ((0.15, rows[3]), (0.25, high)):
        assert row.interval is not None
        assert row.interval[0] < amplitude / np.sqrt(2) < row.interval[1]
    assert results[3].maps[0].pitch_mm == pytest.approx(6.0, abs=0.4)


def test_dark_icing_has_no_map_and_is_said_to_mirror() -> None:
    result = read(lambda t, z: np.full((*t.shape, 3), 0.05))
    assert result.maps == ()
    assert any("mirrors" in w for w in result.warnings)


def test_index_is_weighed_with_the_silhouettes_as_they_are_sure() -> None:
    """Analytic: the logarithms' mean, each by its inverse variance; without faces the silhouettes alone count."""
    settings = ReliefSettings()
    view, body = side_view(f_px=3200.0), round_body()
    rng = np.random.default_rng(1)
    outline = draw_silhouette(view, rounded(80.0, 70.0, 4.0, 0.3, 8.0), 70.0, rng)
    profiles = measure_profiles({"side": outline}, {"side": view}, body, {})
    known = silhouette_relief(profiles, settings)
    assert known == pytest.approx(0.3 / np.sqrt(2), rel=0.15)
    (alone,) = measure_relief((), body, profiles).measurements
    assert alone.value == pytest.approx(known)
    photo = draw_cylinder(view, body, ridged(0.05), rng)
    faces = measure_icing({"side": photo}, {"side": view}, body, {}, {"side": PAPER}, ()).faces
    said = next(m.value for m in measure_relief(faces, body).measurements)
    assert said <= network_relief(faces[0], settings)
    (both,) = measure_relief(faces, body, profiles).measurements
    weights = 1 / np.array([settings.side_sigma, settings.silhouette_sigma]) ** 2
    assert np.log(both.value) == pytest.approx(weights @ np.log([said, known]) / weights.sum())


def test_a_face_of_which_too_little_is_seen_has_no_index() -> None:
    """Shading alone is no index: what it shows only limits what the network says."""
    view, body = side_view(f_px=3200.0), round_body()
    photo = draw_cylinder(view, body, ridged(0.15), np.random.default_rng(1))
    (face,) = measure_icing({"side": photo}, {"side": view}, body, {}, {"side": PAPER}, ()).faces
    few = np.zeros_like(face.valid)
    few[100:170, 300:370] = True  # 306 mm2
    assert measure_relief([replace(face, valid=few)], body).measurements == ()
    assert len(measure_relief([face], body).measurements) == 1
