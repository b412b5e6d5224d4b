"""What teaches the surface network lies where it should, however a crop is turned; runs where torch is installed."""

import math
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from qc.surface_net import PLANES  # noqa: E402
from qc.training import surface, surface_data, surface_mean  # noqa: E402

ROWS, COLS = 320, 360
SPOTS = np.array([[100.0, 80.0, 3.0, 0], [240.0, 200.0, 2.0, 1], [300.0, 60.0, 12.0, 2]])  # column, row, size, kind


def write_face(folder: Path, top: bool) -> Path:
    """A face whose light is dark exactly at its spots."""
    light = np.full((ROWS, COLS), 128, np.uint8)
    for column, row, *_ in SPOTS.astype(int):
        light[row, column] = 10
    around = np.zeros((3, ROWS // 4, COLS // 4), np.uint8)
    around[[0, 2]] = 255
    path = folder / f"cake-1_{'top' if top else 'side'}.npz"
    np.savez(
        path, light=light, colours=np.full((2, ROWS // 2, COLS // 2), 128, np.uint8), around=around, top=top,
        kind="cream", spots=SPOTS, relief=np.full((ROWS // 4, COLS // 4), math.log(0.1), np.float16),
        show=np.arange(COLS // 2)[None] < np.full((ROWS // 2, 1), 40),
    )  # fmt: skip
    return path


def test_targets_are_highest_at_the_spots(tmp_path: Path) -> None:
    face = surface_data.read_face(write_face(tmp_path, False), "cpu")
    for column, row, size, kind in SPOTS:
        heat = face.target[2 if kind == surface_data.FINGER else 0]
        assert float(heat[int(row // 2), int(column // 2)]) == pytest.approx(1.0)
        assert math.exp(float(face.target[5, int(row // 2), int(column // 2)])) == pytest.approx(size)
    assert bool((face.target[7, :, :40] == 1).all())
    assert not face.target[7, :, 40:].any()
    assert bool((face.target[8] == 1).all())  # of a side; tops teach nothing of it
    assert not surface_data.read_face(write_face(tmp_path, True), "cpu").target[8].any()


@pytest.mark.parametrize("top", [False, True])
def test_a_crop_and_its_targets_are_turned_together(tmp_path: Path, top: bool) -> None:
    """Recovery of known truth: wherever the target says that a spot is, the dark pixel lies, within its half."""
    face = surface_data.read_face(write_face(tmp_path, top), "cpu")
    pool = surface_data.Pool([face], np.random.default_rng(3))
    pool.stamps = {}
    raw, target, relief = pool.draw(24)
    places = ((target[:, 0] > 0.99) | (target[:, 2] > 0.99)).nonzero()
    assert len(places) > 15
    for k, r, c in places.tolist():
        near = raw[k, 0, max(2 * r - 2, 0) : 2 * r + 4, max(2 * c - 2, 0) : 2 * c + 4]
        assert int(near.min()) == 10
    assert float(relief[:, 0][relief[:, 1] > 0].max()) == pytest.approx(math.log(0.1), abs=1e-3)


def test_spots_are_set_down_on_bare_icing_with_their_targets(tmp_path: Path) -> None:
    """Recovery of known truth: every target that came with a spot has the spot's darkness at its middle."""
    face = surface_data.read_face(write_face(tmp_path, False), "cpu")
    stamps = surface_data.stamps_of([face])
    assert len(stamps[False]) == 2  # not the finger mark
    assert not stamps[True]
    raw = torch.zeros(3, PLANES, surface_data.CROP, surface_data.CROP, dtype=torch.uint8)
    raw[:, :3], raw[:, 3] = 128, 255
    raw[2, 4] = 255  # all piece
    target = torch.zeros(3, 9, surface_data.CROP // 2, surface_data.CROP // 2)
    rng = np.random.default_rng(4)
    raw, target = surface_data._Stamps(stamps[False], raw.device).set_down(raw, target, rng)
    places = (target[:, 0] > 0.99).nonzero()
    assert len(places) > 2
    assert not (places[:, 0] == 2).any()
    for k, r, c in places.tolist():
        assert int(raw[k, 0, 2 * r - 1 : 2 * r + 2, 2 * c - 1 : 2 * c + 2].min()) < 80


def test_loss_is_least_where_the_answer_is_the_target(tmp_path: Path) -> None:
    face = surface_data.read_face(write_face(tmp_path, False), "cpu")
    target, relief = face.target[None], face.relief[None]
    heat = target[:, [0, 2]].clamp(1e-6, 1 - 1e-6)
    kinds = 20 * (target[:, [4, 7]] - 0.5)
    fine = torch.cat([torch.logit(heat), kinds[:, :1], target[:, 5:6], kinds[:, 1:]], 1)
    best, _ = surface.loss_of(fine, relief[:, :1], target, relief)
    worse, _ = surface.loss_of(fine + 0.5, relief[:, :1] + 0.5, target, relief)
    assert float(best) < 0.02
    assert float(worse) > 10 * float(best)


def test_answers_have_the_maps_that_the_product_reads() -> None:
    fine, coarse = surface.SurfaceNet(8, 8, 8)(torch.zeros(1, PLANES, 64, 96))
    assert tuple(fine.shape) == (1, 5, 32, 48)
    assert tuple(coarse.shape) == (1, 1, 16, 24)


def test_batches_drawn_ahead_are_the_pools(tmp_path: Path) -> None:
    face = surface_data.read_face(write_face(tmp_path, False), "cpu")
    shown, target, relief = surface_data.Ahead(surface_data.Pool([face], np.random.default_rng(3)), 5)()
    crop = surface_data.CROP
    assert tuple(shown.shape) == (5, PLANES, crop, crop)
    assert tuple(target.shape) == (5, 9, crop // 2, crop // 2)
    assert tuple(relief.shape) == (5, 2, crop // 4, crop // 4)
    assert float(shown[:, :3].abs().max()) <= 1


def test_what_fails_while_drawing_ahead_is_raised(tmp_path: Path) -> None:
    face = surface_data.read_face(write_face(tmp_path, False), "cpu")
    pool = surface_data.Pool([face], np.random.default_rng(3))
    pool.faces = []
    with pytest.raises(ValueError, match="high <= 0"):
        surface_data.Ahead(pool, 5)()


def test_the_mean_of_stages_lies_between_them() -> None:
    stages = [surface.SurfaceNet(8, 8, 8).state_dict() for _ in range(2)]
    mean = surface_mean.mean_of(stages)
    assert mean.keys() == stages[0].keys()
    key = "relief.weight"
    torch.testing.assert_close(mean[key], (stages[0][key] + stages[1][key]) / 2)
    assert mean["down.1.num_batches_tracked"].dtype == torch.int64
