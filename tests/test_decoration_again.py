"""The second look at pieces whose outline went wrong: recovery of a known truth on drawn pieces."""

from dataclasses import replace

import numpy as np
import pytest

from qc.decoration_again import AgainSettings, TopScene, look_again, look_at_empty
from qc.decoration_edges import EdgeSettings, refine, rough_outlines
from qc.decoration_kinds import KindFit
from qc.decoration_pattern import PatternSettings, Plane, assign_rings, judge_pattern
from qc.decoration_regions import RegionSettings, TopMap, find_regions
from qc.decoration_shapes import SHAPES, Outline, fit_shape
from tests.decoration_scene import coarse_map, draw_scene, flat_body, shape
from tests.test_decorations import pieces_at, ring_places


def kinds_of(outlines: list[Outline], name: str) -> list[KindFit]:
    """All pieces of one kind, of a shape that is known."""
    fits = tuple(fit_shape(outlines, s) for s in SHAPES)
    return [KindFit(np.arange(len(outlines)), fits, np.array([float(s.name == name) for s in SHAPES]))]


def half_lost(outline: Outline) -> Outline:
    """The right-hand side of a piece cut off along a straight line, as a streak of glare leaves it."""
    chord = 0.15 * outline.radius_mm.mean() / np.maximum(outline.ray[:, 0], 1e-6)
    cut = np.where(outline.ray[:, 0] > 0, np.minimum(outline.radius_mm, chord), outline.radius_mm)
    return replace(outline, radius_mm=cut)


@pytest.mark.parametrize("name", ["drop", "ball"])
def test_a_piece_half_lost_is_found_again(name: str) -> None:
    """Two of nine outlines lose their right-hand side; a whole solid is found again, the good ones stay as they are."""
    rng = np.random.default_rng(71)
    places, diameters = ring_places(9, 57.0, rng), rng.normal(22.0, 0.8, 9)
    scene = draw_scene(shape(name), places, diameters, (60.0, -70.0, 470.0), rng)
    regions = find_regions(coarse_map(scene, RegionSettings()), RegionSettings())
    edges = EdgeSettings()
    good = refine(rough_outlines(regions, scene.view, scene.body, edges), scene.pixels, scene.view, edges)
    bad = [half_lost(o) if i in (2, 5) else o for i, o in enumerate(good)]
    before = kinds_of(bad, name)
    found = look_again(bad, before, TopScene(regions, scene.pixels, scene.view, edges, AgainSettings()))
    after = kinds_of(found, name)[0].best
    nearest = np.hypot(*(after.centres_mm[:, None] - places[None]).transpose(2, 0, 1)).argmin(1)
    off = lambda fit: np.hypot(*(fit.centres_mm - places[nearest]).T)[[2, 5]]  # noqa: E731
    assert off(before[0].best).min() > 1.5  # so there was something to mend
    assert off(after).max() < 0.6
    assert np.abs(2 * after.radii_mm - diameters[nearest]).max() < 1.0
    assert [a is b for a, b in zip(found, bad, strict=True)] == [i not in (2, 5) for i in range(9)]


def test_good_outlines_are_left_alone() -> None:
    rng = np.random.default_rng(72)
    places, diameters = ring_places(8, 57.0, rng), rng.normal(22.0, 2.5, 8)  # sizes as uneven as hands make them
    scene = draw_scene(shape("disc"), places, diameters, (40.0, -90.0, 470.0), rng)
    regions = find_regions(coarse_map(scene, RegionSettings()), RegionSettings())
    edges = EdgeSettings()
    good = refine(rough_outlines(regions, scene.view, scene.body, edges), scene.pixels, scene.view, edges)
    found = look_again(
        good, kinds_of(good, "disc"), TopScene(regions, scene.pixels, scene.view, edges, AgainSettings())
    )
    assert all(a is b for a, b in zip(found, good, strict=True))


def test_a_piece_off_its_ring_but_at_its_empty_place_belongs_to_it() -> None:
    """One of nine pieces stands 9 mm too far in, more than hands usually err: it is badly placed, not missing."""
    rng = np.random.default_rng(73)
    places = ring_places(9, 57.0, rng, 0.8)
    places[4] *= 48.0 / 57.0
    pieces = pieces_at(places, np.full(9, 20.0))
    assert (assign_rings(pieces, np.zeros(2), 80.0, PatternSettings()) == 1).all()
    between = np.concatenate([places[:4], places[5:], [48.0 / 57.0 * 0.5 * (places[4] + places[5])]])
    rings = assign_rings(pieces_at(between, np.full(9, 20.0)), np.zeros(2), 80.0, PatternSettings())
    assert rings[-1] == 0  # half a pitch from the empty place: no member


def test_an_unsure_height_widens_what_hangs_on_it() -> None:
    """Analytic: a plane dh too high draws the ring smaller by r dh / D and off by e dh / D (similar triangles)."""
    rng = np.random.default_rng(74)
    pieces = pieces_at(ring_places(9, 57.0, rng, 1.0), np.full(9, 20.0))
    eye, sd = np.array([-120.0, 90.0, 300.0]), 1.5
    rows = [
        {m.name: m for m in judge_pattern(pieces, flat_body(), None, PatternSettings(), None, p).measurements}
        for p in (Plane(eye, 1e-6), Plane(eye, sd))
    ]
    added = {n: 0.5 * np.sqrt(rows[1][n].uncertainty ** 2 - rows[0][n].uncertainty ** 2) for n in rows[0]}
    assert added["ring_radius"] == pytest.approx(57.0 * sd / 300.0, rel=0.15)
    towards = np.hypot(150.0, 0) * sd / 300.0
    assert 0.3 * towards < added["ring_offset"] < 1.2 * towards  # only what lies along the offset counts
    assert rows[1]["spacing_error"].uncertainty == pytest.approx(rows[0]["spacing_error"].uncertainty, rel=0.1)
    assert rows[1]["decoration_count"].uncertainty == 0


@pytest.mark.parametrize("there", [True, False])
def test_an_empty_place_is_looked_at_again(there: bool) -> None:
    """The network saw eight of nine pieces: the ninth is found where it stands, and none where none stands."""
    rng = np.random.default_rng(75)
    places, diameters = ring_places(9, 57.0, rng), rng.normal(22.0, 0.8, 9)
    drawn = np.ones(9, bool)
    drawn[3] = there
    scene = draw_scene(shape("drop"), places[drawn], diameters[drawn], (60.0, -70.0, 470.0), rng)
    whole = coarse_map(scene, RegionSettings())
    px = whole.to_px(places[3])
    y, x = np.ogrid[: len(whole.probability), : len(whole.probability)]
    blind = np.where(np.hypot(x - px[0], y - px[1]) < 20 * whole.px_per_mm, 0, whole.probability)
    regions = find_regions(replace(whole, probability=blind.astype(np.float32)), RegionSettings())
    assert len(regions.pieces) == 8
    edges = EdgeSettings()
    seen = refine(rough_outlines(regions, scene.view, scene.body, edges), scene.pixels, scene.view, edges)
    about = places[3:4] + [2.5, -2.0]  # a gap tells the place to a few millimetres
    more = look_at_empty(
        about, seen, kinds_of(seen, "drop"), TopScene(regions, scene.pixels, scene.view, edges, AgainSettings())
    )
    assert len(more) == int(there)
    if there:
        fit = fit_shape([*seen, *more], shape("drop"))
        assert np.hypot(*(fit.centres_mm[-1] - places[3])) < 0.6
        assert 2 * fit.radii_mm[-1] == pytest.approx(diameters[3], abs=1.0)


def test_what_is_left_out_by_little_stays_in_doubt() -> None:
    """A small, unsure thing in the middle is no piece, but the count says that it may be; a speck says nothing."""
    rng = np.random.default_rng(76)
    places = np.concatenate([ring_places(9, 57.0, rng), [[1.0, 2.0]]])
    for size, doubt in ((11.5, 1.0), (8.0, 0.0)):
        pieces = pieces_at(places, np.append(np.full(9, 20.0), size))
        unsure = replace(pieces, probability=np.append(np.full(9, 0.97), 0.8))
        pattern = judge_pattern(unsure, flat_body(), None, PatternSettings())
        assert pattern.measurements[0].value == 9
        assert pattern.measurements[0].uncertainty == doubt
        assert any("in the middle" in w for w in pattern.warnings) == bool(doubt)


def test_small_pieces_round_a_large_one_are_pieces() -> None:
    """Twelve berries of 11 mm round a biscuit of 37 mm: the biscuit does not make crumbs of them."""
    n, scale = 400, 2.5
    y, x = np.mgrid[0:n, 0:n] / scale - 80
    seen = np.where(np.hypot(x, y) < 18.5, 0.97, 0.0).astype(np.float32)
    for k in range(12):
        seen[np.hypot(x - 62 * np.cos(k * np.pi / 6), y - 62 * np.sin(k * np.pi / 6)) < 4.6 + 0.1 * k] = 0.95
    seen[np.hypot(x - 30, y) < 1.8] = 0.95  # a crumb
    assert len(find_regions(TopMap(seen, scale, 80.0), RegionSettings()).pieces) == 13
