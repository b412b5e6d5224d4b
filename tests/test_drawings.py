"""Pictures that explain a measurement: all of them there, in the same numbering, and none that can spoil a result."""

import numpy as np
import pytest

from qc import drawing, surface_drawing
from qc import drawings as module
from qc.commands.measure import write_drawings
from qc.drawings import drawings
from qc.measure import assemble, run_stages
from qc.photo import read_photo
from qc.quantities import Line, Overlay
from qc.samples import samples
from qc.stages import MeasureSettings


@pytest.fixture(scope="module")
def stages():
    sample = next(s for s in samples() if s.name == "cream-dollops")
    photos = {n: read_photo(d, n) for n, d in sample.photos.items()}
    return run_stages(photos, MeasureSettings(sample.print_scale or (1.0, 1.0)))


def test_every_picture_is_there_and_wide_enough(stages, tmp_path):
    result = assemble(stages, MeasureSettings())
    write_drawings(stages, result, tmp_path / "seen")
    files = {f.stem for f in (tmp_path / "seen").glob("*.jpg")}
    lines = {f"side-line-{p}-{s}" for p in ("side", "side2") for s in ("left", "right")}
    surface = {"side-surface", "top-surface", "relief-top", "relief-side", "relief-side2"}
    assert files == {"top", "side", "side2", "pattern"} | lines | surface
    told = (tmp_path / "seen" / "pictures.txt").read_text()
    assert all(f"{name}.jpg: " in told for name in files)
    for picture in drawings(stages):
        assert picture.pixels.shape[1] >= 700
        assert picture.pixels.shape[1] <= surface_drawing.STRIP * picture.pixels.shape[0], "no thin strip on a phone"
        assert picture.jpeg()[:2] == b"\xff\xd8"


def test_pieces_have_one_number_in_both_pictures(stages):
    """The numbers over the photo are those of the pattern's picture: the order of the result's pieces."""
    drawn = [line for line in assemble(stages, MeasureSettings()).overlays["top"].lines if line.kind == "decoration"]
    assert [line.text for line in drawn] == [str(k + 1) for k in range(len(stages.decorations.pieces))]
    view, body = stages.fit.views["top"], stages.fit.body
    for line, piece in zip(drawn, stages.decorations.pieces, strict=True):
        x, y = np.array([piece.x_mm]), np.array([piece.y_mm])
        middle = view.project(body.top_point_mm(x, y))[0]
        assert np.hypot(*(np.mean(line.points_px, 0) - middle)) < 10


def test_one_picture_that_fails_leaves_the_others(stages, monkeypatch):
    def fails(*_):
        raise ValueError("no edge here")

    before = {d.name for d in drawings(stages)}
    monkeypatch.setattr(module, "draw_silhouette", fails)
    assert {d.name for d in drawings(stages)} == {n for n in before if not n.startswith("side-line")}


def test_a_close_picture_holds_cake_and_board_and_its_lines_stay_in_place(stages):
    """Cut out of the whole drawn photo at the same scale, the close one shows the same lines at the same places."""
    result = assemble(stages, MeasureSettings())
    photo = stages.seen["top"].photo
    whole, close = drawing.draw(photo, result, "top"), drawing.draw(photo, result, "top", close=True)
    lines = [line for line in result.overlays["top"].lines if line.kind in ("body", "board")]
    points = np.concatenate([np.array(line.points_px) for line in lines])
    assert close.shape[0] < whole.shape[0]
    low, high = drawing._around(result.overlays["top"], np.array([photo.width_px, photo.height_px]))
    assert (points >= low).all()
    assert (points <= high).all()
    scale = close.shape[1] / (high[0] - low[0])
    yellow = np.abs(close.astype(int) - drawing.COLOURS["body"]).sum(-1) < 60
    for x, y in (np.array(lines[0].points_px)[::20] - low) * scale:
        near = yellow[max(0, int(y) - 4) : int(y) + 5, max(0, int(x) - 4) : int(x) + 5]
        assert near.any()


def test_the_first_look_outlines_the_cake(stages):
    """The yellow outline lies along the measured body's, within the network's few pixels; pieces may stand over it."""
    seen = stages.seen["side"]
    picture = drawing.draw_seen(seen.photo, seen.finding, seen.card, 600)
    assert picture.shape == (450, 600, 3)
    yellow = np.argwhere(np.abs(picture.astype(int) - drawing.COLOURS["body"]).sum(-1) < 40)
    body = np.array(
        next(x for x in assemble(stages, MeasureSettings()).overlays["side"].lines if x.kind == "body").points_px
    )
    scale = 600 / seen.photo.width_px
    assert yellow[:, 1].min() == pytest.approx(body[:, 0].min() * scale, abs=12)
    assert yellow[:, 1].max() == pytest.approx(body[:, 0].max() * scale, abs=12)
    assert drawing.draw_seen(seen.photo, seen.finding, None, 600).shape == (450, 600, 3)


def overlay_of(*lines):
    return Overlay(400, 300, tuple(Line(*line) for line in lines))


def test_words_beside_level_lines_stand_apart_and_in_the_picture():
    """Analytic: two lines that end at one place near the right edge; each word's colour has rows of its own."""
    ends = ((100.0, 150.0), (380.0, 150.0))
    picture = np.zeros((300, 400, 3), np.uint8)
    level, true = ("level", ends, False, "top"), ("true level", ends, False, "level")
    drawing.draw_overlay(picture, overlay_of(level, true), 1.0)
    away = np.r_[0:145, 156:300]  # the lines themselves left out
    yellow = away[(picture[away] == drawing.COLOURS["level"]).all(-1).any(1)]
    white = away[(picture[away] == drawing.WHITE).all(-1).any(1)]
    assert yellow.size
    assert white.size
    assert yellow.max() < white.min() or white.max() < yellow.min()


def test_a_board_is_not_drawn_across_the_cake_before_it():
    """Analytic: a square board behind a square body; no board-coloured pixel inside the body."""
    board = ("board", ((50.0, 100.0), (350.0, 100.0), (350.0, 250.0), (50.0, 250.0)))
    body = ("body", ((120.0, 60.0), (280.0, 60.0), (280.0, 200.0), (120.0, 200.0)))
    picture = np.zeros((300, 400, 3), np.uint8)
    drawing.draw_overlay(picture, overlay_of(board, body), 1.0)
    blue = (picture == drawing.COLOURS["board"]).all(-1)
    assert not blue[70:190, 135:265].any()
    assert blue[95:105].any()
