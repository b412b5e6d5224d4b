"""The icing's surface: colour against published values, and painted faults found where they were painted."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from qc.colour import delta_e2000, lab_of_linear
from qc.face import IcingSettings, face_spots
from qc.icing import IcingResult, _same, colour_shift, measure_icing
from qc.quantities import Blemish
from qc.show_through import ShowSettings, shows_on_top
from tests.surface_scene import PAPER, draw_cylinder, round_body, side_view

PUBLISHED = Path(__file__).parent / "published"
SHARMA = json.loads((PUBLISHED / "ciede2000_sharma.json").read_text())["lab1_lab2_dE00"]
LAB = json.loads((PUBLISHED / "lab_conventions.json").read_text())
CREAM = np.array([0.86, 0.82, 0.74])
JAM = np.array([0.42, 0.05, 0.09])


# ---------------------------------------------------------------- published values
@pytest.mark.parametrize("row", SHARMA, ids=range(1, len(SHARMA) + 1))
def test_ciede2000_pairs(row: list[float]) -> None:
    """All 34 pairs of table 1 in Sharma, Wu and Dalal, Color Research and Application 30 (2005) 21-30."""
    assert len(SHARMA) == 34
    assert float(delta_e2000(row[:3], row[3:6])) == pytest.approx(row[6], abs=1e-4)


def test_lab_is_relative_to_d65_and_not_d50() -> None:
    """Lab of the sRGB red primary (IEC 61966-2-1) under D65; under D50 it would be 1.3 CIEDE2000 off."""
    red = lab_of_linear([1.0, 0.0, 0.0])
    assert red == pytest.approx(LAB["srgb_red_D65"], abs=0.02)
    off = float(delta_e2000(red, LAB["srgb_red_D50_bradford"]))
    assert off == pytest.approx(LAB["dE00_D65_vs_D50_same_colour"], abs=0.01)


def test_lab_of_white_and_grey() -> None:
    """CIE 15: the white has L* = 100; a linear reflectance of 0.184 is middle grey, L* = 50."""
    assert lab_of_linear([1.0, 1.0, 1.0]) == pytest.approx([100, 0, 0], abs=0.01)
    assert lab_of_linear([0.184187] * 3)[0] == pytest.approx(50, abs=0.01)


# ---------------------------------------------------------------- painted faults
def paint(*faults):
    """Albedo of cream with elliptic faults: (theta_deg, z_mm, half width, half height, colour)."""

    def albedo(theta, z):
        out = np.broadcast_to(CREAM, (*theta.shape, 3)).copy()
        for theta_deg, z_mm, across, up, colour in faults:
            arc = 80 * ((theta - np.radians(theta_deg) + np.pi) % (2 * np.pi) - np.pi)
            out[(arc / across) ** 2 + ((z - z_mm) / up) ** 2 < 1] = colour
        return out

    return albedo


def read(albedo, seed: int = 1, **more) -> IcingResult:
    view, body = side_view(f_px=3200.0), round_body()
    photo = draw_cylinder(view, body, albedo, np.random.default_rng(seed))
    return measure_icing({"side": photo}, {"side": view}, body, {}, {"side": PAPER}, (), **more)


def value(result: IcingResult, name: str) -> float:
    return next(m.value for m in result.measurements if m.name == name)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_sound_icing_raises_no_alarm(seed: int) -> None:
    result = read(paint(), seed)
    assert value(result, "show_through") <= 0.2
    assert value(result, "blemishes") <= 1
    assert result.patches == ()


def test_patch_of_filling_is_found_with_its_share_and_place() -> None:
    result = read(paint((250.0, 40.0, 9.0, 5.0, 0.5 * CREAM + 0.5 * JAM)))
    row = next(m for m in result.measurements if m.name == "show_through")
    area = np.pi * 9 * 5
    seen = result.faces[0].shown.valid.sum() / 4  # at 2 px/mm
    assert row.value == pytest.approx(100 * area / seen, rel=0.15)
    assert abs(row.value - 100 * area / seen) <= row.uncertainty
    (patch,) = result.patches
    assert patch.clock == pytest.approx((90 - 250) / 30 % 12, abs=0.1)
    assert patch.height_mm == pytest.approx(40, abs=0.5)
    assert patch.area_mm2 == pytest.approx(area, rel=0.2)


def test_patch_smaller_than_the_limit_does_not_count() -> None:
    assert value(read(paint((260.0, 40.0, 0.7, 0.7, JAM))), "show_through") == 0


def test_crumbs_are_counted_by_place_and_size() -> None:
    places = [(235.0, 20.0, 1.2), (262.0, 45.0, 1.0), (290.0, 30.0, 1.4)]
    result = read(paint(*((t, z, r, r, 0.35 * JAM) for t, z, r in places)))
    assert value(result, "blemishes") == 3
    for t, z, r in places:
        x, y = 80 * np.cos(np.radians(t)), 80 * np.sin(np.radians(t))
        near = [b for b in result.blemishes if np.hypot(np.hypot(b.x_mm - x, b.y_mm - y), b.height_mm - z) < 1]
        assert len(near) == 1
        assert near[0].size_mm == pytest.approx(2 * r, rel=0.45)
    kinds = [b.kind for b in result.blemishes]
    assert kinds.count("crumb") >= 2  # a flat painted disc has no side of its own to tell a crumb from a pit by


def test_sponge_that_is_meant_to_show_is_a_share_and_not_many_crumbs() -> None:
    rng = np.random.default_rng(5)
    sponge = np.array([0.58, 0.37, 0.15])
    faults = [
        (rng.uniform(205, 335), rng.uniform(8, 62), rng.uniform(3, 14), rng.uniform(1, 4), sponge) for _ in range(40)
    ]
    result = read(paint(*faults), semi_naked=True)
    albedo = paint(*faults)
    face = result.faces[0]
    theta, z = np.meshgrid(face.picture.theta_rad, face.picture.z_mm)
    true = 100 * ((albedo(theta, z)[..., 2] < 0.5) & face.valid).sum() / face.valid.sum()
    assert value(result, "show_through") == pytest.approx(true, abs=3.0)
    assert not any(b.kind == "crumb" for b in result.blemishes)
    assert any("Crumbs" in w for w in result.warnings)


def ridged(albedo, deep: float = 0.22):
    """A painted side whose ridges are lit by a warm lamp on one flank and dimly by a cold one on the other."""

    def lit(theta, z):
        flank = np.sin(2 * np.pi * z / 6.0 + 0.3 * theta)[..., None]
        return albedo(theta, z) * np.exp(deep * flank * np.array([1.0, 0.8, 0.45]))

    return lit


def test_ridges_between_a_warm_and_a_cold_lamp_are_no_sponge() -> None:
    """Recovery of known truth: most of such a side is off the icing's mean colour, and none of it shows through."""
    result = read(ridged(paint()))
    assert value(result, "show_through") <= 0.2
    assert not result.faces[0].shown.widely
    patch = read(ridged(paint((250.0, 40.0, 9.0, 5.0, 0.5 * CREAM + 0.5 * JAM))))
    seen = patch.faces[0].shown.valid.sum() / 4  # at 2 px/mm
    assert value(patch, "show_through") == pytest.approx(100 * np.pi * 9 * 5 / seen, rel=0.2)


@pytest.mark.parametrize("sponge", [(0.58, 0.37, 0.15), (0.10, 0.045, 0.022), (0.36, 0.06, 0.04)])
def test_sponge_of_any_colour_is_a_share_among_ridges(sponge: tuple[float, float, float]) -> None:
    """Recovery of known truth: thin icing over it counts from CIEDE2000 6, and the ridges' dark flanks don't."""
    rng = np.random.default_rng(8)
    faults = [
        (rng.uniform(205, 335), rng.uniform(8, 62), rng.uniform(5, 16), rng.uniform(2, 4), np.array(sponge))
        for _ in range(28)
    ]
    albedo = paint(*faults)
    result = read(ridged(albedo), semi_naked=True)
    face = result.faces[0]
    theta, z = np.meshgrid(face.picture.theta_rad, face.picture.z_mm)
    true = 100 * ((albedo(theta, z)[..., 2] < 0.5) & face.valid).sum() / face.valid.sum()
    assert true > 12
    assert value(result, "show_through") == pytest.approx(true, abs=4.0)  # paint has hard edges, which blur widens


def test_what_runs_up_to_a_piece_is_its_shadow() -> None:
    """Recovery of known truth: on the top a patch of its own counts, one beside what hides the icing does not."""
    ok = np.ones((60, 60), bool)
    ok[:20] = False
    log = np.zeros((60, 60, 3), np.float32)
    log[20:30, 10:20] = log[40:50, 40:50] = np.log(JAM / CREAM)
    apart = shows_on_top(log, ok, CREAM, 2.0, ShowSettings())
    assert apart.bad[40:50, 40:50].mean() > 0.8
    assert not apart.bad[:35].any()


def test_a_finger_mark_in_the_middle_of_a_patch_is_the_patch() -> None:
    """Recovery of known truth: the same answer counts where no filling shows, and not where it does."""
    settings = IcingSettings()
    (face,) = read(paint((270.0, 40.0, 9.0, 5.0, 0.5 * CREAM + 0.5 * JAM))).faces
    column, row = (round(float(v)) for v in face.picture.to_px(np.radians(-90.0), 40.0))
    finger = np.zeros_like(face.answer.finger)
    finger[row // 2, column // 2] = 0.9
    size = np.full_like(finger, 12.0)
    marked = replace(face, answer=replace(face.answer, finger=finger, size_mm=size))
    assert not any(s.kind == "finger" for s in face_spots(marked, settings))
    bare = replace(marked, shown=replace(face.shown, bad=np.zeros_like(face.shown.bad)))
    assert [s.kind for s in face_spots(bare, settings)].count("finger") == 1


# ---------------------------------------------------------------- colour
def test_colour_is_balanced_on_the_paper_and_held_against_the_house() -> None:
    result = read(paint())
    true = lab_of_linear(CREAM)
    for k, name in enumerate(("colour_L", "colour_a", "colour_b")):
        row = next(m for m in result.measurements if m.name == name)
        assert abs(row.value - true[k]) <= row.uncertainty
    row = colour_shift(result, tuple(true))
    assert row is not None
    assert row.interval is not None
    assert row.interval[0] <= 0.0 + row.uncertainty
    far = colour_shift(result, (60.0, 30.0, 10.0))
    assert far is not None
    assert far.value > 20


def test_without_paper_there_is_no_colour() -> None:
    view, body = side_view(), round_body()
    photo = draw_cylinder(view, body, paint(), np.random.default_rng(1))
    result = measure_icing({"side": photo}, {"side": view}, body, {}, None, ())
    assert result.colour_lab is None
    assert colour_shift(result, (90.0, 0.0, 0.0)) is None
    assert any("Colour is left out" in w for w in result.warnings)
    assert colour_shift(replace(result, colour_lab=None), (90.0, 0.0, 0.0)) is None


def test_a_spot_that_both_side_photos_show_counts_once() -> None:
    """Recovery of known truth: the two photos' clocks may differ by 0.4 h; at another height it is another spot."""
    seen = Blemish("pit", "side", 4.5, 30.0, 2.5, 70.0, -40.0)
    again = Blemish("pit", "side2", 4.8, 30.8, 2.5, 62.0, -52.0)
    assert _same(again, seen, IcingSettings())
    assert not _same(replace(again, height_mm=34.0), seen, IcingSettings())
    assert not _same(replace(again, photo="side"), seen, IcingSettings())
    assert not _same(replace(again, photo="top"), seen, IcingSettings())


@pytest.mark.parametrize(("away_mm", "kind", "kept"), [(3.0, "crumb", 0), (3.0, "pit", 1), (12.0, "crumb", 1)])
def test_crumbs_beside_a_patch_are_its_specks(away_mm: float, kind: str, kept: int) -> None:
    """Recovery of known truth: a crumb near a painted patch is none of its own, one further off and a pit are.

    Where sponge is meant to show, crumbs count wherever they lie.
    """
    settings, half_mm = IcingSettings(), 5.0
    (face,) = read(paint((270.0, 40.0, half_mm, 5.0, JAM))).faces
    row, column = np.argwhere(face.shown.bad).mean(0) * settings.px_per_mm / settings.show.px_per_mm
    place = round(row) // 2, round(column + (half_mm + away_mm) * settings.px_per_mm) // 2
    spot = np.zeros_like(face.answer.spot)
    spot[place] = 0.9
    answer = replace(
        face.answer, spot=spot, finger=np.zeros_like(spot), size_mm=np.full_like(spot, 2.0),
        crumb=np.full_like(spot, kind == "crumb"),
    )  # fmt: skip
    one = replace(face, answer=answer)
    assert len(face_spots(one, settings)) == kept
    strewn = replace(one, shown=replace(face.shown, widely=True))
    assert len(face_spots(strewn, settings)) == 1
