"""The finder: its pixel arithmetic, what its confidence means, and what it sees on cakes whose outline is known."""

from functools import lru_cache
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from typer.testing import CliRunner

from qc.cli import app
from qc.errors import OutlineError
from qc.finder import BODY, CAKE, LABELS, OTHER, FinderSettings, Finding, confident, find, rival
from qc.photo import read_photo
from qc.training.evaluate import Tally
from sample_images.render import decorations, geometry
from tests.truth import load, true_view

SAMPLES = Path(__file__).parent.parent / "sample_images"
CAKES = ("cream-dollops", "pink-plain", "seminaked-blueberries")


def made(labels: NDArray[np.uint8], p: float = 1.0) -> Finding:
    """A finding of a photo of the network's own size, each label with probability p, the rest shared by the others."""
    rest = np.float32((1 - p) / (len(LABELS) - 1))
    probabilities = np.full((len(LABELS), *labels.shape), rest, np.float32)
    np.put_along_axis(probabilities, labels[None].astype(np.int64), np.float32(p), 0)
    return Finding(probabilities, 1.0, (0.0, 0.0), labels.shape[::-1], 1.0, ())


# ---------------------------------------------------------------- analytic values
@pytest.mark.parametrize("shape", [(480, 640), (3024, 4032), (2016, 1512), (700, 2000), (90, 120)])
def test_pixels_map_to_the_network_and_back(shape):
    found = find(np.full((*shape, 3), 120, np.uint8))
    points = np.array([[0.0, 0.0], [shape[1] - 1.0, shape[0] - 1.0], [12.3, 45.6]])
    np.testing.assert_allclose(found.to_photo(found.to_net(points)), points, atol=1e-9)
    # shrinking by area keeps the photo's outer corners: half a pixel outside the outermost centres
    corner = found.to_net(np.array([[-0.5, -0.5], [shape[1] - 0.5, shape[0] - 0.5]]))
    inside = np.argwhere(found.inside())
    np.testing.assert_allclose(corner[0][::-1], inside.min(0) - 0.5, atol=0.51)
    np.testing.assert_allclose(corner[1][::-1], inside.max(0) + 0.5, atol=0.51)


def test_probabilities_add_up_to_one_and_a_photo_gives_the_same_twice():
    pixels = np.random.default_rng(3).integers(0, 255, (480, 640, 3), np.uint8)
    first, second = find(pixels), find(pixels)
    np.testing.assert_allclose(first.probabilities.sum(0), 1, atol=1e-5)
    np.testing.assert_array_equal(first.probabilities, second.probabilities)


def test_a_square_picture_is_not_padded():
    """A crop that is nearly square fills the network's picture, so that nothing is spent on margins."""
    grey = np.full((1000, 1000, 3), 120, np.uint8)
    assert find(grey).probabilities.shape == (len(LABELS), 480, 480)
    assert find(grey[:750]).probabilities.shape == (len(LABELS), 480, 640)
    assert find(grey[:, :600]).probabilities.shape == (len(LABELS), 640, 480)


def test_label_map_of_the_photos_size_keeps_areas():
    yx = np.mgrid[0:480, 0:640]
    disc = (np.hypot(yx[1] - 300.0, yx[0] - 200.0) < 80).astype(np.uint8) * BODY
    big = made(disc).labels((1280, 960))
    assert big.shape == (960, 1280)
    assert (big == BODY).sum() == pytest.approx(4 * (disc == BODY).sum(), rel=0.01)
    centre = np.argwhere(big == BODY).mean(0)  # pixel centres: x_big = 2 x + 0.5
    np.testing.assert_allclose(centre, [400.5, 600.5], atol=0.6)


def test_rival_is_the_ratio_of_areas():
    labels = np.zeros((480, 640), np.uint8)
    labels[100:300, 100:300] = BODY
    assert rival(made(labels)) == 0
    labels[100:200, 400:500] = BODY
    assert rival(made(labels)) == pytest.approx(0.25)
    labels[400:403, 10:13] = BODY  # a speck is no cake
    assert rival(made(labels)) == pytest.approx(0.25)


def test_weights_are_small_enough_for_the_repository():
    assert len(resources.files("qc").joinpath("outline_net.onnx").read_bytes()) <= 6e6


# ---------------------------------------------------------------- recovery of known truth
@lru_cache(maxsize=1)
def true_meshes(folder: Path) -> list[tuple[NDArray[np.float64], NDArray[np.int64]]]:
    """Body, decorations and foot border of a rendered cake: points (N, 3) and triangles (M, 3)."""
    params = load(folder)["params"]
    body = geometry.build_body(params, 0.25)
    pieces = [*decorations.build(params, body), decorations.foot_border(params, body)]
    solids = [(body.P.reshape(-1, 3), geometry.grid_faces(*body.P.shape[:2]))]
    return solids + [(np.asarray(d["V"], float), np.asarray(d["F"])) for d in pieces if d]


def true_cake(folder: Path, photo: str) -> NDArray[np.bool_]:
    """Where body and decorations lie in one rendered photo: their true meshes projected by the true camera."""
    truth = load(folder)
    view, record = true_view(truth, photo), truth["photos"][photo]
    out = np.zeros((record["height"], record["width"]), np.uint8)
    for points, faces in true_meshes(folder):
        q = np.round(16 * view.project(points)).astype(np.int32)
        for triangle in q[faces]:
            cv2.fillConvexPoly(out, triangle, 1, cv2.LINE_8, 4)
    return out > 0


@pytest.mark.parametrize(("cake", "photo"), [(c, p) for c in CAKES for p in ("top", "side")])
def test_cakes_whose_outline_is_known(cake, photo):
    """The card hides nothing of these cakes, so that the projected meshes are what the photo shows."""
    found = find(read_photo(SAMPLES / cake / f"{photo}.jpg").pixels)
    seen = np.isin(found.labels(), CAKE)
    true = true_cake(SAMPLES / cake, photo)
    assert (seen & true).sum() / (seen | true).sum() > 0.97
    assert confident(found)
    assert found.confidence > 0.9


def test_two_cakes_in_one_picture_are_said():
    pixels = read_photo(SAMPLES / "pink-plain" / "top.jpg").pixels
    both = np.hstack([pixels, pixels])
    assert any("More than one cake" in reason for reason in find(both).reasons)
    assert not any("More than one cake" in reason for reason in find(pixels).reasons)


def test_a_cake_that_runs_out_of_the_picture_is_said():
    pixels = read_photo(SAMPLES / "pink-plain" / "side.jpg").pixels
    columns = np.flatnonzero(np.isin(find(pixels).labels(), CAKE).any(0))
    cut = np.ascontiguousarray(pixels[:, : int(columns.mean())])
    assert any("runs out of the picture" in reason for reason in find(cut).reasons)


@pytest.mark.parametrize("grey", [0, 90, 200, 255])
def test_an_empty_picture_holds_no_cake(grey):
    found = find(np.full((480, 640, 3), grey, np.uint8))
    assert not confident(found)
    assert "No cake large enough" in found.reasons[0]
    assert (found.net_labels() == OTHER).mean() > 0.95


# ---------------------------------------------------------------- the command
def test_outline_writes_labels_of_the_photos_size_and_a_drawing(tmp_path):
    photo = SAMPLES / "pink-plain" / "side.jpg"
    answer = CliRunner().invoke(
        app, ["outline", str(photo), "--labels", str(tmp_path / "l.png"), "--draw", str(tmp_path / "seen.jpg")]
    )
    assert answer.exit_code == 0
    assert "sure to 9" in answer.output
    pixels, labels = read_photo(photo).pixels, cv2.imread(str(tmp_path / "l.png"), cv2.IMREAD_UNCHANGED)
    assert labels.shape == pixels.shape[:2]
    np.testing.assert_array_equal(labels, find(pixels).labels())
    assert set(np.unique(labels)) <= set(range(len(LABELS)))
    drawing = cv2.imread(str(tmp_path / "seen.jpg"))[:, :, ::-1].astype(float)
    assert np.abs(drawing - pixels)[labels > 0].mean() > 20 > 5 > np.abs(drawing - pixels)[labels == 0].mean()


def test_outline_of_a_small_picture_without_a_cake(tmp_path):
    cv2.imwrite(str(tmp_path / "bench.png"), np.full((420, 560, 3), 120, np.uint8))
    answer = CliRunner().invoke(app, ["outline", str(tmp_path / "bench.png")])
    assert answer.exit_code == 0
    assert "no cake seen" in answer.output
    assert "No cake large enough" in answer.output


# ---------------------------------------------------------------- what the evaluation counts
def test_calibration_error_and_overlap_by_hand():
    """Guo et al. 2017, "On calibration of modern neural networks", eq. 3: share of each bin times |right - said|."""
    labels = np.zeros((480, 640), np.uint8)
    labels[:, 320:] = BODY
    truth = labels.copy()
    truth[:96, 320:] = OTHER  # a fifth of the body is wrong
    tally = Tally()
    tally.add(made(labels, 0.7), truth)
    said, right = 0.7, 0.9  # of all pixels, a tenth is wrong
    assert f"calibration error {100 * abs(said - right):.1f} % everywhere" in str(tally)
    assert f"body {0.8:.3f}" in str(tally)  # 4/5 of what was called body
    assert f"other {1 / 1.2:.3f}" in str(tally)


# ---------------------------------------------------------------- input that cannot be used
@pytest.mark.parametrize(
    "pixels", [np.zeros((480, 640), np.uint8), np.zeros((480, 640, 3)), np.zeros((20, 640, 3), np.uint8), "cake.jpg"]
)
def test_what_is_no_photo_is_refused(pixels):
    with pytest.raises(OutlineError):
        find(pixels)


def test_settings_move_the_limit():
    pixels = read_photo(SAMPLES / "pink-plain" / "top.jpg").pixels
    assert not confident(find(pixels, FinderSettings(sure=0.9999)), FinderSettings(sure=0.9999))
