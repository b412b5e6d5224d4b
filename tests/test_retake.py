"""Usable or retake: each fault in one sentence that names the photo and says what to do."""

import dataclasses
import time

import cv2
import numpy as np
import pytest

from qc.card import CardView, PanelView, corner_mm, find_card
from qc.errors import PhotoError
from qc.finder import BOARD, BODY, DECORATION, LABELS, Finding
from qc.lens_prior import exif_prior
from qc.photo import Photo, read_photo
from qc.retake import check_photo, check_together, elevation_deg, far_rim_deg, sharpness
from tests.card_scene import Scene, draw
from tests.published import optics

TOP = Scene(elevation_deg=80, fold_deg=180, distance_mm=600, aim_mm=(60, 20, 0))
SIDE = Scene(elevation_deg=12)


def drawn(scene: Scene, name: str) -> Photo:
    return draw(scene, np.random.default_rng(2), name)


@pytest.fixture(scope="module")
def top() -> Photo:
    return drawn(TOP, "top")


@pytest.fixture(scope="module")
def side() -> Photo:
    return drawn(SIDE, "side")


def changed(photo: Photo, pixels: np.ndarray) -> Photo:
    return dataclasses.replace(photo, pixels=np.ascontiguousarray(np.clip(pixels, 0, 255).astype(np.uint8)))


def finding(photo: Photo, labels: np.ndarray) -> Finding:
    """What a sure network says: `labels` (480, 640) over the whole photo."""
    probabilities = np.stack([(labels == k).astype(np.float32) for k in range(len(LABELS))])
    scale = labels.shape[1] / photo.width_px
    place = ((scale - 1) / 2, (scale - 1) / 2)
    return Finding(probabilities, scale, place, (photo.width_px, photo.height_px), 0.99, ())


def cake(shift: int = 0) -> np.ndarray:
    """A label map with a cake on its board."""
    labels = np.zeros((480, 640), np.uint8)
    cv2.circle(labels, (320 + shift, 240), 170, BOARD, -1)
    cv2.circle(labels, (320 + shift, 240), 130, BODY, -1)
    cv2.circle(labels, (320 + shift, 160), 20, DECORATION, -1)
    return labels


def said(report, *, usable: bool, words: str) -> None:
    assert report.usable is usable
    assert any(words in r for r in report.reasons), report.reasons
    for r in report.reasons:
        assert r.startswith("The ")
        assert " photo" in r
        assert r.endswith(".")
        assert r.count(". ") == 0


# ---------------------------------------------------------------- analytic
def test_sharpness_is_the_transfer_of_a_gaussian_blur():
    """At the frequency where half the contrast is left (tests/published/optics.py), 1 mm lines read 0.5."""
    ids = np.arange(36)
    for sigma_px, mtf50 in optics.MTF50_GAUSSIAN.items():
        if sigma_px < 12**-0.5:
            continue
        px_per_mm = 0.5 / mtf50  # so that lines 1 mm wide, 0.5 pairs per mm, have mtf50 cycles per pixel
        blur = np.sqrt(sigma_px**2 - 1 / 12)  # the pixel's own blur is added again
        panel = PanelView("floor", ids, corner_mm(ids) * px_per_mm, np.ones(36), blur_px=float(blur))
        assert sharpness(panel) == pytest.approx(0.5, abs=1e-6)


# ---------------------------------------------------------------- recovery of known truth
def test_good_photos_are_usable(top, side):
    for photo, lower in ((top, 0), (side, 60)):  # from the side a cake lies below the horizon
        report = check_photo(photo, photo.name, finding=finding(photo, np.roll(cake(), lower, axis=0)))
        assert report.usable
        assert report.reasons == ()
        assert report.card_corners == 72
        assert 0.6 < report.sharpness <= 1


@pytest.mark.parametrize("angle", [3.0, 15.0, 40.0, 65.0, 85.0])
def test_elevation_is_read_from_the_card(angle):
    scene = Scene(elevation_deg=angle, fold_deg=180 if angle > 60 else 90, distance_mm=650)
    photo = drawn(scene, "side")
    assert elevation_deg(photo, find_card(photo)) == pytest.approx(angle, abs=1.0)


def test_elevation_without_a_floor_panel(side):
    card = find_card(side)
    assert elevation_deg(side, CardView(None, card.standing)) == pytest.approx(12.0, abs=1.0)
    assert elevation_deg(side, CardView(None, None)) is None


# ---------------------------------------------------------------- faults
def test_no_card(side):
    report = check_photo(changed(side, np.full(side.pixels.shape, 128)), "side")
    said(report, usable=False, words="does not show the reference card")
    assert report.card_corners == 0
    assert report.sharpness == 0


def test_hidden_floor_panel_in_the_photo_from_above(top):
    card = find_card(top)
    assert card.floor is not None
    few = PanelView("floor", card.floor.ids[:8], card.floor.corners_px[:8], card.floor.sigma_px[:8], None, 0.5, 0.6)
    said(check_photo(top, "top", CardView(few, card.standing)), usable=False, words="floor panel is hidden")
    part = dataclasses.replace(
        card.floor,
        ids=card.floor.ids[:18],
        corners_px=card.floor.corners_px[:18],
        sigma_px=card.floor.sigma_px[:18],
    )
    said(check_photo(top, "top", CardView(part, card.standing)), usable=True, words="part of the card's floor panel")


def test_blurred(side):
    soft = changed(side, cv2.GaussianBlur(side.pixels, (0, 0), 1.8))
    said(check_photo(soft, "side"), usable=False, words="blurred; hold the phone still")
    softer = changed(side, cv2.GaussianBlur(side.pixels, (0, 0), 15))
    said(check_photo(softer, "side"), usable=False, words="too blurred")


def test_dark():
    dark = drawn(dataclasses.replace(SIDE, exposure=0.04, noise=1.0), "side")
    said(check_photo(dark, "side"), usable=False, words="too dark; bring more light")
    dim = drawn(dataclasses.replace(SIDE, exposure=0.12, noise=1.0), "side")
    said(check_photo(dim, "side"), usable=True, words="rather dark")


def test_burnt_out_icing(side):
    labels = cake()
    mask = cv2.resize(labels, (side.width_px, side.height_px), interpolation=cv2.INTER_NEAREST) == BODY
    card = find_card(side)
    for share, usable, words in ((1.0, False, "burnt out to plain white"), (0.12, True, "part of the icing")):
        pixels = side.pixels.copy()
        rows = np.flatnonzero(mask.any(1))
        cut = rows[0] + int(share * len(rows) * 1.05)
        pixels[:cut][mask[:cut]] = 255
        said(check_photo(changed(side, pixels), "side", card, finding(side, labels)), usable=usable, words=words)


def test_burnt_out_without_knowing_the_cake(side):
    pixels = side.pixels.copy()
    pixels[: side.height_px // 2] = 255
    said(check_photo(changed(side, pixels), "side", find_card(side)), usable=False, words="burnt out")


def test_cake_cut_off_missing_or_board_cut_off(side):
    card = find_card(side)
    report = check_photo(side, "side", card, finding(side, cake(shift=240)))
    said(report, usable=False, words="the cake runs out of the picture; step back")
    said(check_photo(side, "side", card, finding(side, cake(shift=170))), usable=True, words="the board runs out")
    nothing = np.zeros((480, 640), np.uint8)
    said(check_photo(side, "side", card, finding(side, nothing)), usable=False, words="no cake large enough")


def test_clutter_at_the_pictures_edge_is_not_the_cake(side):
    labels = cake()
    labels[:12, 100:400] = BODY
    report = check_photo(side, "side", find_card(side), finding(side, labels))
    assert report.usable
    assert not any("runs out" in r for r in report.reasons)


def test_top_and_side_swapped(top, side):
    said(check_photo(side, "top"), usable=False, words="looks like a photo from the side; swap it")
    said(check_photo(top, "side"), usable=False, words="looks like a photo from above; swap it")


@pytest.mark.parametrize(
    ("kind", "angle", "usable", "words"),
    [
        ("top", 48.0, False, "degrees off straight down; hold the phone level"),
        ("top", 58.0, True, "25 and less is better"),
        ("side", 40.0, False, "hold the phone lower"),
        ("side2", 27.0, True, "20 and less is better"),
    ],
)
def test_tilt(kind, angle, usable, words):
    photo = drawn(Scene(elevation_deg=angle, distance_mm=600), kind)
    said(check_photo(photo, kind), usable=usable, words=words)


def test_unknown_kind(side):
    with pytest.raises(ValueError, match="kind must be one of top, side, side2"):
        check_photo(side, "front")


def test_same_photo_twice(top, side):
    check_together({"top": top, "side": side})
    with pytest.raises(PhotoError, match="The side and side2 photos are the same picture;"):
        check_together({"top": top, "side": side, "side2": dataclasses.replace(side, name="side2")})
    data = cv2.imencode(".jpg", side.pixels[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 75])[1].tobytes()
    with pytest.raises(PhotoError, match="same picture"):
        check_together({"side": side, "side2": read_photo(data, "side2")})


# ---------------------------------------------------------------- speed
def test_the_check_costs_a_few_decodings():
    """At 4032 x 3024, without the network: at most five times what decoding the photo costs, in one run."""
    photo = drawn(dataclasses.replace(SIDE, size=(4032, 3024)), "side")
    data = cv2.imencode(".jpg", photo.pixels[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()

    def seconds(act) -> float:
        times = []
        for _ in range(3):
            start = time.process_time()
            act()
            times.append(time.process_time() - start)
        return min(times)

    assert seconds(lambda: check_photo(photo, "side")) < 5 * seconds(lambda: read_photo(data))


@pytest.mark.parametrize(("below_deg", "hinted"), [(-3.0, True), (0.5, True), (4.0, False), (9.0, False)])
def test_a_lens_that_sees_the_top_edge_on(side: Photo, below_deg: float, hinted: bool) -> None:
    """Analytic: in a photo taken 12 degrees down, what lies d below the horizon is f tan(12 - d) over its middle."""
    lens, labels = exif_prior(side).lens, np.zeros((480, 640), np.uint8)
    row = (lens.cy_px - lens.f_px * np.tan(np.radians(12 - below_deg))) * 640 / side.width_px
    labels[round(row) : round(row) + 150, 240:400] = BODY
    seen, card = finding(side, labels), find_card(side)
    assert far_rim_deg(side, card, seen) == pytest.approx(below_deg, abs=0.4)
    report = check_photo(side, "side", card, seen)
    assert any("edge-on" in r for r in report.reasons) is hinted
