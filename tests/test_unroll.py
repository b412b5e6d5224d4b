"""Flattened pictures: every place lies where its millimetres say."""

import numpy as np
import pytest

from qc.camera import View
from qc.unroll import merge_sides, side_picture, side_range, top_picture
from tests.surface_scene import draw_cylinder, round_body, side_view, top_view


def checked(theta: np.ndarray, z: np.ndarray) -> np.ndarray:
    """A chequered side: 15 degrees by 10 mm."""
    odd = (np.floor(np.degrees(theta) / 15) + np.floor(z / 10)) % 2
    return np.where(odd[..., None] > 0, 0.8, 0.2) * np.ones(3)


def turned(view: View, degrees: float) -> View:
    """The same camera after the cake was turned clockwise as seen from above."""
    a = np.radians(-degrees)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    return View(view.lens, view.rotation @ turn, view.translation_mm, view.width_px, view.height_px)


def test_side_picture_is_true_to_the_millimetre() -> None:
    view, body = side_view(f_px=3200.0), round_body()
    photo = draw_cylinder(view, body, checked, np.random.default_rng(0))
    picture = side_picture(photo, view, body)
    assert picture.px_per_mm == 4.0
    theta, z = np.meshgrid(picture.theta_rad, picture.z_mm)
    want = checked(theta, z)[..., 0] > 0.5
    clear = picture.seen & (picture.facing > 0.4) & (z > 2) & (z < 67)
    inner = (np.abs((z + 5) % 10 - 5) > 0.7) & (np.abs((np.degrees(theta) + 7.5) % 15 - 7.5) > 0.7)
    light = picture.pixels.mean(-1)
    lit, unlit = clear & inner & want, clear & inner & ~want
    both = (lit.sum(0) > 20) & (unlit.sum(0) > 20)
    bright_least = np.nanquantile(np.where(lit, light, np.nan)[:, both], 0.02, axis=0)
    dark_most = np.nanquantile(np.where(unlit, light, np.nan)[:, both], 0.98, axis=0)
    assert both.sum() > 200
    assert (bright_least > dark_most).mean() > 0.98


def test_places_go_there_and_back() -> None:
    view, body = side_view(), round_body()
    picture = side_picture(np.zeros((756, 1008, 3), np.uint8), view, body)
    px = picture.to_px(np.radians([230.0, 300.0]), np.array([10.0, 55.0]))
    back = picture.to_mm(px)
    assert np.degrees(back[:, 0]) % 360 == pytest.approx([230.0, 300.0], abs=0.01)
    assert back[:, 1] == pytest.approx([10.0, 55.0], abs=0.01)
    low, high = side_range(view, body)
    assert np.degrees([low, high]) == pytest.approx([-173.4, -6.6], abs=0.3)


def test_two_side_photos_make_one_picture_and_what_none_shows_is_marked() -> None:
    body, view = round_body(), side_view()
    other = turned(view, -90.0)
    rng = np.random.default_rng(1)
    pictures = {
        n: side_picture(draw_cylinder(v, body, checked, rng), v, body, n) for n, v in (("side", view), ("side2", other))
    }
    both = merge_sides(pictures)
    assert both.photo == "both"
    span = both.theta_rad[-1] - both.theta_rad[0]
    assert np.degrees(span) == pytest.approx(257, abs=2)
    assert both.seen[20:-20].mean() > 0.95
    theta, z = np.meshgrid(both.theta_rad, both.z_mm)
    want = checked(theta, z)[..., 0] > 0.5
    clear = both.seen & (both.facing > 0.6) & (np.abs((z + 5) % 10 - 5) > 1)
    clear &= np.abs((np.degrees(theta) + 7.5) % 15 - 7.5) > 1
    light = both.pixels.mean(-1)
    assert np.median(light[clear & want]) > np.median(light[clear & ~want]) + 40


def test_one_photo_is_its_own_merge() -> None:
    view, body = side_view(), round_body()
    picture = side_picture(np.zeros((756, 1008, 3), np.uint8), view, body)
    assert merge_sides({"side": picture}) is picture


def test_top_picture_is_true_to_the_millimetre() -> None:
    view, body = top_view(), round_body()
    photo = np.zeros((view.height_px, view.width_px, 3), np.uint8)
    spot = view.project(np.array([30.0, -20.0, 70.0]))
    photo[round(spot[1]) - 1 : round(spot[1]) + 2, round(spot[0]) - 1 : round(spot[0]) + 2] = 255
    picture = top_picture(photo, view, body)
    row, col = np.unravel_index(picture.pixels[..., 0].argmax(), picture.pixels.shape[:2])
    assert picture.to_mm(np.array([col, row])) == pytest.approx([30.0, -20.0], abs=0.5)
    assert picture.to_px(picture.to_mm(np.array([col, row]))) == pytest.approx([col, row], abs=1e-6)


def test_flattened_pictures_know_where_in_the_photo_they_lie() -> None:
    """Recovery of known truth: places interpolated from a coarse grid against the camera's own, to 1/20 px."""
    side, top, body = side_view(f_px=3200.0), top_view(), round_body()
    flat = side_picture(np.zeros((3024, 4032, 3), np.uint8), side, body)
    theta, z = np.meshgrid(flat.theta_rad, flat.z_mm)
    assert np.abs(side.project(body.side_point_mm(theta, z)) - flat.at_px).max() < 0.05
    over = top_picture(np.zeros((top.height_px, top.width_px, 3), np.uint8), top, body)
    n = over.pixels.shape[0]
    column, row = np.meshgrid(np.arange(n), np.arange(n))
    mm = over.to_mm(np.stack([column, row], -1))
    exact = top.project(body.top_point_mm(mm[..., 0], mm[..., 1]))
    assert np.abs(exact - over.at_px).max() < 0.05
