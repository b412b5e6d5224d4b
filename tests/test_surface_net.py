"""The surface network: what it is shown, that it stays silent where nothing is seen, and spots out of its answer."""

import numpy as np
import pytest

from qc.blemishes import SpotSettings, find_spots
from qc.surface_net import LIGHT, PLANES, STEP, Answer, planes, read

SHAPE = (90, 130)  # no multiples of STEP


def shown(log: np.ndarray, seen: np.ndarray | None = None, pieces: float = 0.0) -> np.ndarray:
    every = np.ones(log.shape[:2], bool) if seen is None else seen
    full = np.ones(log.shape[:2], np.float32)
    return planes(log, every, pieces * full, full, False)


def grain(seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=(*SHAPE, 3)).astype(np.float32) * 0.02


def test_planes_are_clipped_padded_and_empty_where_nothing_is_seen() -> None:
    """Analytic values: light is the mean log over LIGHT, kept within -1..1; what is unseen is 0 in every plane."""
    log = np.full((*SHAPE, 3), 2 * LIGHT, np.float32)
    log[:, :40] = 0.3
    seen = np.ones(SHAPE, bool)
    seen[:, 100:] = False
    out = shown(log, seen)
    assert out.shape == (PLANES, *(-(-n // STEP) * STEP for n in SHAPE))
    assert out[0, 5, 5] == pytest.approx(0.3 / LIGHT)
    assert out[0, 5, 60] == 1
    assert not out[:, :, 100:].any()
    assert not out[:, SHAPE[0] :].any()


def test_colours_are_shown_at_half_the_resolution() -> None:
    """Metamorphic: noise in colour that has no mean over two by two pixels is not shown; light is shown as it is."""
    noisy = np.zeros((*SHAPE, 3), np.float32)
    noisy[::2, :, 0] += 0.1
    noisy[1::2, :, 0] -= 0.1
    out = shown(noisy)
    assert float(np.abs(out[1:3]).max()) < 1e-6
    assert out[0, 0, 0] == pytest.approx(0.1 / 3 / LIGHT)


def pit(log: np.ndarray, row: int, column: int) -> np.ndarray:
    """A round hollow of 3 mm, lit from above: dark under its upper edge, light above its lower one."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    up, across = (row - y) / 4, (x - column) / 4
    bump = np.exp(-(up**2 + across**2) / 2 / 0.7**2)
    return log + (-0.45 * up / 0.7 * bump - 0.25 * bump)[..., None].astype(np.float32)


def test_a_pit_is_found_where_it_is_and_only_where_it_is_seen() -> None:
    """Recovery of known truth: a drawn pit; the same under a piece, or on what is not seen, is none."""
    log = pit(grain(), 45, 64)
    (spot,) = find_spots(read(shown(log)), SpotSettings())
    assert spot.kind == "pit"
    assert np.hypot(spot.row_px - 45, spot.column_px - 64) < 4  # 1 mm
    assert spot.size_mm == pytest.approx(3.0, rel=0.5)
    assert find_spots(read(shown(grain())), SpotSettings()) == []
    assert find_spots(read(shown(log, pieces=0.9)), SpotSettings()) == []
    unseen = np.ones(SHAPE, bool)
    unseen[:, 50:] = False
    assert find_spots(read(shown(log, unseen)), SpotSettings()) == []


def test_relief_grows_with_the_ridges() -> None:
    """Order of known truth: ridges of 0, 2 and 8 % in light along the rows read as ever more relief."""
    rows = np.sin(2 * np.pi * np.arange(SHAPE[0]) / 24)[:, None, None]
    relief = [float(np.median(read(shown(grain() + a * rows.astype(np.float32))).relief_mm)) for a in (0, 0.02, 0.08)]
    assert relief == sorted(relief)
    assert relief[2] > 1.3 * relief[0]


def test_mirrored_icing_reads_mirrored() -> None:
    """Metamorphic: both ways round are looked at, so which one is shown makes no difference."""
    planes_shown = shown(pit(grain(), 45, 40))
    one, other = read(planes_shown), read(np.ascontiguousarray(planes_shown[..., ::-1]))
    for name in vars(one):
        np.testing.assert_allclose(getattr(other, name)[:, ::-1], getattr(one, name), atol=1e-4)
    assert one.spot.max() > 0.5


def test_unseen_surroundings_cost_no_answer() -> None:
    """Metamorphic: with nothing seen about it, icing reads as alone; nothing at all reads as nothing."""
    alone = shown(pit(grain(), 45, 64))
    wide = np.pad(alone, ((0, 0), (64, 128), (96, 32)))
    inner = read(wide)
    rows, columns = alone.shape[1] // 2, alone.shape[2] // 2
    assert inner.spot.shape == (wide.shape[1] // 2, wide.shape[2] // 2)
    part = inner.spot[32 : 32 + rows, 48 : 48 + columns]
    np.testing.assert_allclose(part[8:-8, 8:-8], read(alone).spot[8:-8, 8:-8], atol=0.1)
    assert not inner.spot[:32].any()
    assert not inner.show[:, 48 + columns + 16 :].any()
    nothing = read(np.zeros((PLANES, 64, 80), np.float32))
    assert not nothing.spot.any()
    assert nothing.relief_mm.shape == (16, 20)


def answer(spots: list[tuple[int, int, float]], fingers: list[tuple[int, int, float]] = ()) -> Answer:
    """An answer with peaks of some probability at places (row, column) of its maps."""
    blank = np.zeros((60, 80), np.float32)
    spot, finger, crumb, size = blank.copy(), blank.copy(), blank.copy(), np.full_like(blank, 2.0)
    for row, column, p in spots:
        spot[row, column] = p
    for row, column, p in fingers:
        finger[row, column], size[row, column] = p, 12.0
    crumb[:, 40:] = 0.9
    return Answer(spot, finger, crumb, size, blank, np.full((30, 40), 0.1, np.float32))


def test_peaks_become_spots_of_their_kind_each_once() -> None:
    """Analytic: of two peaks nearer than 1.5 mm the likelier counts; what is unlikely or small does not."""
    found = find_spots(answer([(10, 10, 0.9), (11, 11, 0.8), (30, 60, 0.75), (50, 10, 0.4)]), SpotSettings())
    assert {(s.kind, s.row_px, s.column_px) for s in found} == {("pit", 20, 20), ("crumb", 60, 120)}
    small = answer([(10, 10, 0.9)])
    small.size_mm[:] = 1.2
    assert find_spots(small, SpotSettings()) == []


def test_a_spot_inside_a_finger_mark_is_the_mark() -> None:
    found = find_spots(answer([(22, 20, 0.9), (50, 20, 0.9)], [(20, 20, 0.9)]), SpotSettings())
    assert sorted(s.kind for s in found) == ["finger", "pit"]
