"""Where the top map's pieces are: touching, with glare on them, amid crumbs, and told by their colour."""

import cv2
import numpy as np
import pytest
from scipy import ndimage

from qc.decoration_regions import RegionSettings, TopMap, by_colour, find_regions


def test_pieces_that_touch_all_round_do_not_fill_the_top() -> None:
    """Recovery of known truth: the bare top inside a closed ring is no hole in a piece; glare on each piece is."""
    scale, n, radius = 2.5, 13, 60.0
    y, x = np.mgrid[:401, :401] / scale - 80.0
    mask = np.hypot(x, y) < 8.0  # one in the middle
    for k in range(n):
        dx, dy = x - radius * np.cos(2 * np.pi * k / n), y - radius * np.sin(2 * np.pi * k / n)
        mask |= (np.hypot(dx, dy) < 15.2) & (np.hypot(dx - 3, dy) > 2.0)
    assert not ndimage.binary_fill_holes(mask)[0, 0]
    assert ndimage.binary_fill_holes(mask).sum() > 1.5 * mask.sum()  # closed: filled, it is one disc
    found = find_regions(TopMap(cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.8), scale, 80.0), RegionSettings())
    assert len(found.pieces) == n + 1
    assert sorted(2 * r.inner_mm for r in found.pieces)[1] == pytest.approx(29, abs=2.5)


def test_touching_neighbours_are_split_and_ribs_are_not() -> None:
    """Seven discs that touch, and one flower-shaped piece whose lobes are no pieces."""
    n, scale = 400, 2.5
    y, x = np.mgrid[0:n, 0:n] / scale - 80
    mask = np.zeros((n, n), np.float32)
    for k in range(7):
        mask[np.hypot(x + 60 - 20.5 * k, y - 30) < 10.8] = 1
    theta = np.arctan2(y + 30, x)
    mask[np.hypot(x, y + 30) < 12 * (1 + 0.13 * np.cos(6 * theta))] = 1
    found = find_regions(TopMap(cv2.GaussianBlur(mask, (0, 0), 1.2), scale, 80.0), RegionSettings())
    assert len(found.pieces) == 8
    middles = np.array(sorted(tuple(p.middle_mm) for p in found.pieces if p.middle_mm[1] < 0))
    assert np.diff(middles[:, 0]) == pytest.approx(np.full(6, 20.5), abs=0.6)


def six_discs(radius_mm: float) -> tuple[TopMap, np.ndarray, np.ndarray]:
    """A top with six discs in a ring, and its pixels' x and y in millimetres."""
    scale = 2.5
    y, x = np.mgrid[:400, :400] / scale - 80
    probability = np.zeros((400, 400), np.float32)
    for k in range(6):
        probability[np.hypot(x - 50 * np.cos(k), y - 50 * np.sin(k)) < radius_mm] = 0.97
    return TopMap(probability, scale, 80.0), x, y


def test_crumbs_and_glints_are_no_pieces() -> None:
    top, x, y = six_discs(11.0)
    top.probability[np.hypot(x, y) < 2.0] = 0.95  # a crumb
    top.probability[(np.abs(x - 10) < 12) & (np.abs(y - 15) < 7)] = 0.58  # a glint the network half believes
    assert len(find_regions(top, RegionSettings()).pieces) == 6


def test_a_berry_amid_large_discs_is_a_piece() -> None:
    """A third of the others' size: a piece where the network is certain of it, in doubt where it is not."""
    top, x, y = six_discs(20.0)
    top.probability[np.hypot(x, y) < 7.0] = 0.97
    assert len(find_regions(top, RegionSettings()).pieces) == 7
    top.probability[np.hypot(x, y) < 9.0] = 0.75
    found = find_regions(top, RegionSettings())
    assert len(found.pieces) == 6
    assert found.doubtful_mm(RegionSettings()) == pytest.approx(np.zeros((1, 2)), abs=0.5)


def test_colour_sharpens_what_the_network_blurs_and_leaves_cream_alone() -> None:
    n = 200
    y, x = np.mgrid[0:n, 0:n]
    piece = np.hypot(x - 100, y - 100) < 40
    soft = cv2.GaussianBlur((np.hypot(x - 106, y - 100) < 40).astype(np.float32), (0, 0), 6)
    everywhere = np.ones((n, n), bool)
    noise = np.random.default_rng(0).normal(0, 2, (n, n, 3))
    red = np.clip(np.where(piece[..., None], (190, 40, 45), (235, 225, 205)) + noise, 0, 255).astype(np.uint8)
    better = by_colour(soft, red, everywhere, RegionSettings()) > 0.5
    assert (better != piece).mean() < 0.25 * ((soft > 0.5) != piece).mean()
    cream = np.clip(np.full((n, n, 3), (235, 225, 205)) + noise, 0, 255).astype(np.uint8)
    same = by_colour(soft, cream, everywhere, RegionSettings())
    assert ((same > 0.5) != (soft > 0.5)).mean() < 0.02
