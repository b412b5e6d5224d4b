"""Finding the card: corners against drawn and rendered truth and real photographs, and what is refused."""

import dataclasses
from pathlib import Path

import cv2
import numpy as np
import pytest

from qc.card import CardView, PanelView, corner_mm, find_card
from qc.card_layout import board, marker_mm
from qc.card_map import fit_robust, project
from qc.card_refine import REFINE, Print, refine
from qc.errors import CardError
from qc.photo import Photo, read_photo
from qc.pose import floor_points, standing_points
from tests.card_scene import Scene, draw, true_corners
from tests.published import optics
from tests.truth import load, true_view

OPENCV_DOC = Path("/usr/share/doc/opencv-doc")
SAMPLES = sorted(Path(__file__).parent.parent.glob("sample_images/*/truth.json"))


def misses(view: CardView, truth: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Error vectors (N, 2) in px by panel."""
    panels = {p.panel: p for p in (view.floor, view.standing) if p is not None}
    return {name: p.corners_px - truth[name][p.ids] for name, p in panels.items()}


def with_pixels(photo: Photo, pixels: np.ndarray) -> Photo:
    return dataclasses.replace(photo, pixels=np.ascontiguousarray(np.clip(pixels, 0, 255).astype(np.uint8)))


@pytest.fixture(scope="module")
def side() -> tuple[Scene, Photo]:
    scene = Scene()
    return scene, draw(scene, np.random.default_rng(7))


# ---------------------------------------------------------------- published and analytic
def test_layout():
    """the card: 7 x 7 squares of 15 mm, markers of 11 mm in the middle of the white squares, ids 0-23 and 24-47."""
    assert corner_mm(np.array([0, 5, 35])).tolist() == [[15, 15], [90, 15], [90, 90]]
    for panel, first in (("floor", 0), ("standing", 24)):
        assert np.ravel(board(panel).getIds()).tolist() == list(range(first, first + 24))
        library = np.asarray(board(panel).getChessboardCorners())[:, :2]
        assert np.allclose(library, corner_mm(np.arange(36)))
        assert np.allclose(np.linalg.norm(np.diff(marker_mm(panel), axis=1), axis=2), 11)
    assert np.allclose(marker_mm("floor")[0, 0], (17, 2))  # second square of the first row, 2 mm inside


def test_board_of_a_real_photograph():
    """choriginal.jpg: a homography fits our corners as well as the library's, and the markers lie where it says."""
    path = OPENCV_DOC / "opencv4/html/choriginal.jpg"
    if not path.exists():
        pytest.skip("Debian's opencv-doc is not installed")
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    known = optics.CHARUCO
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    sheet = cv2.aruco.CharucoBoard(known["squares"], known["square_mm"], known["marker_mm"], dictionary)
    raster = sheet.generateImage((800, 1120), None, 0, 1).astype(np.float32) / 255
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
    by_id = dict(zip(np.ravel(sheet.getIds()).tolist(), np.asarray(sheet.getObjPoints())[..., :2], strict=True))
    mm = np.concatenate([by_id[i] for i in np.ravel(ids).tolist()])
    where, _ = fit_robust(mm, np.concatenate([np.reshape(c, (4, 2)) for c in corners]), np.ones(len(mm)), 2, 0.5)
    points = np.asarray(sheet.getChessboardCorners())[:, :2].astype(float)
    for _ in range(4):
        found = refine(grey, Print(raster, 4.0, 0.0), points, where, dataclasses.replace(REFINE, window_mm=9.9))
        where, _ = fit_robust(points, found.corners_px, np.ones(len(points)), 3, 0.1)
    assert (found.fit > REFINE.least_fit).sum() == known["corners"]
    homography, _ = cv2.findHomography(points, found.corners_px, 0)
    away = found.corners_px - project(homography, points)
    assert np.sqrt(np.square(away).sum(1).mean()) <= known["homography_rms_px"]
    for number, corners_px in optics.CHARUCO_MARKERS.items():  # whole pixels, of edges found on the dark side
        off = where.to_pixels(by_id[number].astype(float)) - np.reshape(corners_px, (4, 2))
        assert np.abs(off).max() < 2.0
    library, numbers, *_ = cv2.aruco.CharucoDetector(sheet).detectBoard(grey)
    assert np.linalg.norm(found.corners_px[np.ravel(numbers)] - np.reshape(library, (-1, 2)), axis=1).max() < 0.5


def chessboard_corners(grey: np.ndarray) -> np.ndarray | None:
    """The 54 corners of one of the photographs, refined by our own code; None when the library finds no board."""
    ok, rough = cv2.findChessboardCorners(grey, optics.CHESSBOARD["inner"])
    if not ok:
        return None
    square, k = optics.CHESSBOARD["square_mm"], 8
    points = np.array([[square * (1 + i), square * (1 + j)] for j in range(6) for i in range(9)])
    grid = np.reshape(rough, (6, 9, 2)).astype(float)
    a, b = grid[0, 8] - grid[0, 0], grid[5, 0] - grid[0, 0]
    px = (grid[:, ::-1] if a[0] * b[1] - a[1] * b[0] < 0 else grid).reshape(-1, 2)
    best: tuple[float, np.ndarray] | None = None
    for dark in (0, 1):  # which way round the board was held
        raster = np.kron((np.indices((7, 10)).sum(0) + dark) % 2, np.ones((int(square * k),) * 2)).astype(np.float32)
        where, _ = fit_robust(points, px, np.ones(54), 3, 0.3)
        for _ in range(3):
            found = refine(grey, Print(raster, k, 0.0), points, where, dataclasses.replace(REFINE, window_mm=10.0))
            good = found.fit > 0.5
            if good.sum() < 54:
                break
            where, _ = fit_robust(points, found.corners_px, np.ones(54), 4, 0.1)
        else:
            fit = float(np.median(found.fit))
            if best is None or fit > best[0]:
                best = (fit, found.corners_px)
    return None if best is None else best[1]


@pytest.fixture(scope="module")
def chessboards() -> list[np.ndarray]:
    folder = OPENCV_DOC / "examples/data"
    if not (folder / "left01.jpg").exists():
        pytest.skip("Debian's opencv-doc is not installed")
    files = sorted(folder.glob("left[01][0-9].jpg"))
    found = [chessboard_corners(cv2.imread(str(f), cv2.IMREAD_GRAYSCALE)) for f in files]
    return [f for f in found if f is not None]


def test_intrinsics_of_published_photographs(chessboards):
    """Corners refined by our code give the published lens, with less than half the published residual."""
    known = optics.CHESSBOARD
    assert len(chessboards) == known["photos"]
    square = known["square_mm"]
    solid = np.array([[square * i, square * j, 0] for j in range(6) for i in range(9)], np.float32)
    rms, matrix, distortion, *_ = cv2.calibrateCamera(
        [solid] * len(chessboards),
        [c.astype(np.float32) for c in chessboards],
        (640, 480),
        np.array([[500.0, 0, 320], [0, 500, 240], [0, 0, 1]]),
        None,
        flags=cv2.CALIB_FIX_ASPECT_RATIO,
    )
    assert rms < 0.5 * known["rms_px"]  # the published corners hold gross errors in two of the photographs
    assert matrix[0, 0] == pytest.approx(known["f_px"], rel=0.01)
    assert matrix[:2, 2] == pytest.approx([known["cx_px"], known["cy_px"]], abs=2.5)
    assert np.ravel(distortion)[0] == pytest.approx(known["k1"], abs=0.03)


# ---------------------------------------------------------------- recovery of known truth
@pytest.mark.parametrize(
    ("scene", "worst_px"),
    [
        (Scene(), 0.15),
        (Scene(elevation_deg=20, azimuth_deg=-20, fold_deg=86), 0.15),
        (Scene(elevation_deg=6, fold_deg=93), 0.25),
        (Scene(elevation_deg=2.5, fold_deg=92), 0.40),
        (Scene(elevation_deg=82, fold_deg=180), 0.12),
        (Scene(elevation_deg=66, fold_deg=178, focal_35mm=52, distance_mm=900), 0.12),
        (Scene(elevation_deg=9, size=(4032, 3024)), 0.25),
        (Scene(elevation_deg=9, focal_ratio=1.015), 0.25),
        (Scene(elevation_deg=15, size=(1512, 2016), distance_mm=700), 0.25),
    ],
    ids=lambda v: "" if isinstance(v, float) else f"{v.elevation_deg:g} deg {v.size[0]} px",
)
def test_all_corners_where_they_are(scene, worst_px):
    photo = draw(scene, np.random.default_rng(3))
    errors = misses(find_card(photo), true_corners(scene))
    assert {name: len(e) for name, e in errors.items()} == {"floor": 36, "standing": 36}
    for e in errors.values():
        assert np.linalg.norm(e, axis=1).max() < worst_px
        assert np.linalg.norm(e.mean(0)) < 0.03  # no common shift: pixel centres are at integers


def test_a_flat_floor_panel_is_found_without_one_readable_marker():
    """At 2.5 degrees no marker of the floor panel can be read; the standing panel says where it is."""
    scene = Scene(elevation_deg=2.5, fold_deg=90)
    photo = draw(scene, np.random.default_rng(5))
    _, ids, _ = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100)).detectMarkers(
        cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
    )
    assert (np.ravel(ids) >= 24).all()
    view = find_card(photo)
    assert view.floor is not None
    assert len(view.floor.ids) >= 30


def test_stated_uncertainty_is_that_of_the_errors():
    """Over two dozen drawn panels of all kinds, errors over stated sigma scatter by about one."""
    rng = np.random.default_rng(11)
    ratios = []
    for _ in range(12):
        scene = Scene(
            elevation_deg=float(rng.uniform(5, 25)),
            azimuth_deg=float(rng.uniform(-25, 25)),
            distance_mm=float(rng.uniform(450, 800)),
            fold_deg=float(rng.uniform(87, 93)),
            blur_px=float(rng.uniform(0.5, 1.3)),
            noise=float(rng.uniform(2, 6)),
            exposure=float(rng.uniform(0.3, 1.4)),
        )
        view = find_card(draw(scene, rng))
        for panel, e in zip((view.floor, view.standing), misses(view, true_corners(scene)).values(), strict=True):
            assert panel is not None
            assert panel.covariance_px2 is not None
            whitener = np.linalg.inv(np.linalg.cholesky(panel.covariance_px2))
            ratios.append(np.einsum("nij,nj->ni", whitener, e))
    scatter = float(np.sqrt(np.mean(np.square(np.concatenate(ratios)))))
    assert 0.5 < scatter < 1.2  # a real photo's processing adds what this drawing lacks


@pytest.mark.parametrize("path", SAMPLES, ids=[p.parent.name for p in SAMPLES])
def test_rendered_samples(path):
    """Physically rendered photos with lens distortion, bow, sharpening, JPEG: all corners within a third of a pixel."""
    truth = load(path.parent)
    for name, meta in truth["photos"].items():
        view = find_card(read_photo(path.parent / f"{name}.jpg", name))
        pose, card = meta["card_to_camera"], meta["card"]
        camera = dataclasses.replace(
            true_view(truth, name), rotation=np.array(pose["R"]), translation_mm=np.array(pose["t"])
        )
        scale, ids = np.full(2, card["print_scale"]), np.arange(36)
        fold = np.radians(card["fold_deg"])
        expected = {
            "floor": camera.project(floor_points(ids, scale)),
            "standing": camera.project(standing_points(ids, scale, fold, card["bow_mm"], card["curl_mm"])),
        }
        for panel, e in misses(view, expected).items():
            assert len(e) == 36, (name, panel)
            assert np.linalg.norm(e, axis=1).max() < 0.34, (name, panel)


# ---------------------------------------------------------------- metamorphic
def moved(photo: Photo, pixels: np.ndarray, expected: dict[str, np.ndarray]) -> float:
    """Largest distance of the corners of a changed photo from where the change has moved them."""
    errors = misses(find_card(with_pixels(photo, pixels)), expected)
    assert sum(len(e) for e in errors.values()) == 72
    return max(float(np.linalg.norm(e, axis=1).max()) for e in errors.values())


def test_turned_halved_cropped_recompressed_mirrored_light(side):
    """The same corners, moved as the photo was."""
    _, photo = side
    view = find_card(photo)
    assert view.floor is not None
    assert view.standing is not None
    plain = {p.panel: p.corners_px for p in (view.floor, view.standing)}
    w, h = photo.width_px, photo.height_px
    turned = {k: np.stack([h - 1 - c[:, 1], c[:, 0]], 1) for k, c in plain.items()}
    assert moved(photo, cv2.rotate(photo.pixels, cv2.ROTATE_90_CLOCKWISE), turned) < 0.08
    upside = {k: np.array([w - 1, h - 1]) - c for k, c in plain.items()}
    assert moved(photo, photo.pixels[::-1, ::-1], upside) < 0.08
    half = cv2.resize(photo.pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    assert moved(photo, half, {k: (c + 0.5) / 2 - 0.5 for k, c in plain.items()}) < 0.12
    assert moved(photo, photo.pixels[150:, 101:], {k: c - [101, 150] for k, c in plain.items()}) < 0.05
    packed = cv2.imencode(".jpg", photo.pixels, [cv2.IMWRITE_JPEG_QUALITY, 75])[1]
    assert moved(photo, cv2.imdecode(packed, cv2.IMREAD_COLOR), plain) < 0.15
    ramp = np.linspace(0.6, 1.2, w)[None, :, None]
    assert moved(photo, photo.pixels * ramp, plain) < 0.08
    assert moved(photo, photo.pixels * ramp[:, ::-1], plain) < 0.08


# ---------------------------------------------------------------- partly hidden, blurred, dark
def test_partly_hidden_card_keeps_its_free_corners(side):
    scene, photo = side
    truth = true_corners(scene)
    pixels = photo.pixels.copy()
    x = int(np.median(truth["standing"][:, 0]))
    pixels[:, x : x + 900] = (180, 150, 120)
    errors = misses(find_card(with_pixels(photo, pixels)), truth)
    assert 14 <= len(errors["standing"]) <= 20
    for e in errors.values():
        assert np.linalg.norm(e, axis=1).max() < 0.3


def test_a_floor_panel_that_is_not_there_is_not_made_up(side):
    """The standing panel says where it should lie; what lies there instead is not taken for it."""
    scene, photo = side
    truth = true_corners(scene)
    pixels = photo.pixels.copy()
    low = int(truth["standing"][:, 1].max()) + 22
    rng = np.random.default_rng(0)
    pixels[low:] = cv2.GaussianBlur(rng.integers(0, 256, pixels[low:].shape, dtype=np.uint8), (0, 0), 3)
    view = find_card(with_pixels(photo, pixels))
    assert view.floor is None
    assert view.standing is not None
    assert len(view.standing.ids) == 36


def test_a_thing_lying_on_the_floor_panel_shifts_no_corner(side):
    scene, photo = side
    truth = true_corners(scene)
    pixels = photo.pixels.copy()
    for corner in truth["floor"][[8, 14, 21]]:
        x, y = np.round(corner).astype(int)
        cv2.ellipse(pixels, (int(x) + 5, int(y)), (16, 7), 20, 0, 360, (200, 60, 80), -1)
    errors = misses(find_card(with_pixels(photo, pixels)), truth)
    assert len(errors["floor"]) >= 28
    assert np.linalg.norm(errors["floor"], axis=1).max() < 0.5


@pytest.mark.parametrize("blur_px", [1.0, 2.0])
def test_blurred_photos_are_measured_as_well_as_they_can_be(side, blur_px):
    scene, photo = side
    view = find_card(with_pixels(photo, cv2.GaussianBlur(photo.pixels, (0, 0), blur_px)))
    errors = misses(view, true_corners(scene))["standing"]
    assert len(errors) == 36
    assert np.linalg.norm(errors, axis=1).max() < 0.3
    assert view.standing is not None
    assert view.standing.blur_px == pytest.approx(np.hypot(0.7, blur_px), rel=0.35)


def test_paper_and_ink_are_read_in_linear_light(side):
    _, photo = side
    standing = find_card(photo).standing
    assert standing is not None
    assert standing.paper == pytest.approx(0.60, abs=0.02)  # as drawn
    assert standing.ink == pytest.approx(0.03, abs=0.01)


def test_the_same_photo_gives_the_same_corners(side):
    _, photo = side
    one, two = find_card(photo), find_card(photo)
    assert one.floor is not None
    assert two.floor is not None
    assert np.array_equal(one.floor.corners_px, two.floor.corners_px)


# ---------------------------------------------------------------- refused
def refused(photo: Photo) -> str:
    with pytest.raises(CardError) as caught:
        find_card(photo)
    words = str(caught.value)
    assert words.startswith("The side photo")
    assert words.endswith(".")
    assert words.count(". ") == 0
    return words


def test_no_card(side):
    _, photo = side
    pixels = np.random.default_rng(0).integers(90, 130, photo.pixels.shape)
    cv2.circle(pixels := pixels.astype(np.uint8), (900, 700), 300, (240, 230, 200), -1)
    assert "does not show the reference card" in refused(with_pixels(photo, pixels))


def test_too_little_of_the_card(side):
    scene, photo = side
    truth = true_corners(scene)
    pixels = photo.pixels.copy()
    pixels[:, : int(truth["standing"][4, 0]) - 10] = (180, 150, 120)
    assert "card" in refused(with_pixels(photo, pixels))


def test_two_cards(side):
    _, photo = side
    smaller = cv2.resize(photo.pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    pixels = np.concatenate([smaller, smaller], 1)
    assert "two reference cards" in refused(with_pixels(photo, pixels))


def test_dark_burnt_out_and_blurred_say_so(side):
    _, photo = side
    assert "too dark" in refused(with_pixels(photo, photo.pixels * 0.01))
    assert "burnt out" in refused(with_pixels(photo, photo.pixels * 30.0 + 200))
    assert "too blurred" in refused(with_pixels(photo, cv2.GaussianBlur(photo.pixels, (0, 0), 14)))


def test_views_without_a_panel_count_right():
    empty = CardView(None, None)
    assert empty.corner_count == 0
    panel = PanelView("floor", np.arange(3), np.zeros((3, 2)), np.ones(3))
    assert CardView(panel, None).corner_count == 3
