"""Camera profiles: what the EXIF says, what the card's corners teach, what is kept, when it is not believed."""

import dataclasses
import json

import numpy as np
import pytest
from typer.testing import CliRunner

from qc.calibration import LearningSettings, belongs, estimate, lens_evidence, lies_flat
from qc.camera import Lens
from qc.card import CardView, PanelView, find_card
from qc.card_layout import CORNERS
from qc.commands.camera import cameras
from qc.errors import CardError, RecordError
from qc.lens_prior import CameraKey, LensPrior, cropped, sensor_to_upright
from qc.photo import Photo
from qc.pose import floor_points, standing_points
from qc.profiles import CameraStore, calibrate, camera_key, exif_prior, prior_for
from tests.card_scene import Scene, draw, view_of
from tests.published import optics
from tests.test_card import chessboards  # noqa: F401  (a fixture)

SIZE = (2016, 1512)
IDS = np.arange(CORNERS)
KEY = CameraKey("Demo", "Demo phone", 26.0, *SIZE)


def bare(number: int = 0, size: tuple[int, int] = SIZE, **changes) -> Photo:
    """A photo without a picture: only what is known of it counts."""
    blank = np.broadcast_to(np.uint8(0), (size[1], size[0], 3))
    photo = Photo("side", blank, 26.0, 6.86, "Demo", "Demo phone", 1, f"{number:064x}")
    return dataclasses.replace(photo, **changes)


def corners_seen(lens: Lens, rng: np.random.Generator, sigma_px: float = 0.03, size=SIZE) -> CardView:
    """Both panels' corners as a lens shows them from somewhere, with noise."""
    scene = Scene(
        elevation_deg=float(rng.uniform(8, 30)),
        azimuth_deg=float(rng.uniform(-25, 25)),
        distance_mm=float(rng.uniform(300, 500)),
        size=size,
        aim_mm=(60 + float(rng.normal(0, 40)), -30, float(rng.normal(40, 30))),
    )
    view = dataclasses.replace(view_of(scene), lens=lens)
    fold, bow, curl = np.radians(90 + rng.normal(0, 1.5)), rng.normal(0, 0.8), rng.normal(0, 0.4)
    one = np.ones(2)
    panels = []
    for panel, points in (
        ("floor", floor_points(IDS, one)),
        ("standing", standing_points(IDS, one, float(fold), float(bow), float(curl))),
    ):
        px = view.project(points) + sigma_px * rng.normal(size=(CORNERS, 2))
        panels.append(PanelView(panel, IDS, px, np.full(CORNERS, sigma_px)))
    return CardView(*panels)


def lenses(rng: np.random.Generator, count: int, ratio: float, spread: float) -> list[Lens]:
    """Lenses of one camera, focused a little differently for each photo."""
    f = exif_prior(bare()).mean[0]
    middle = (np.array(SIZE) - 1) / 2 + np.array([6.0, -4.0])
    return [
        Lens(f * (ratio + spread * rng.normal()), *middle, 0.02 + 0.001 * rng.normal(), -0.004) for _ in range(count)
    ]


def evidence_of(rng: np.random.Generator, count: int, ratio: float, spread: float, first: int = 0):
    return [
        lens_evidence(bare(first + i), corners_seen(lens, rng))
        for i, lens in enumerate(lenses(rng, count, ratio, spread))
    ]


# ---------------------------------------------------------------- published and analytic
def test_exif_prior_is_the_standards_formula():
    """f = f35 x diagonal / 43.27 (CIPA DCG-001): 26 mm at 640 x 480 are 480.74 px (tests/published/optics.py)."""
    prior = exif_prior(bare(size=(640, 480)))
    assert prior.mean[0] == pytest.approx(optics.PHONE_FOCAL_PX, rel=1e-4)
    assert prior.mean[1:].tolist() == [319.5, 239.5, 0, 0]
    assert np.sqrt(prior.covariance[0, 0]) == pytest.approx(0.010 * prior.mean[0])
    assert np.sqrt(prior.covariance[1, 1]) == pytest.approx(0.004 * 640)
    assert prior.source == "EXIF"
    white = prior.whitening
    assert np.allclose(white.T @ white, np.linalg.inv(prior.covariance))


def test_without_exif_little_is_known():
    prior = exif_prior(bare(focal_35mm=None))
    assert prior.source == "nothing known"
    assert np.sqrt(prior.covariance[0, 0]) / prior.mean[0] == pytest.approx(0.25)


def test_published_lens_from_our_own_chain(chessboards):  # noqa: F811
    """The photographs left01.jpg to left14.jpg again, now by evidence and estimate, from a prior of 25 %.

    Half boards of 6 x 6 corners stand for floor panels with squares of 25 mm. The published lens has a tangential part
    and a sixth-order one, ours has not; a corner is taken to be good to 0.3 px.
    """
    wide = (0.25, 0.02, 0.02, 0.4, 0.4)
    settings = LearningSettings(spread=(0.002, 0.002, 0.002, 0.01, 0.02), start=wide)
    size, key = (640, 480), CameraKey("", "", 27.0, 640, 480)
    mean = np.array([1.0, 0, 0, 0, 0])
    for _ in range(3):  # each time linearised about the last result
        evidence = []
        for number, corners in enumerate(chessboards):
            photo = bare(number, size, focal_35mm=None)
            to_px, offset = sensor_to_upright(photo)
            sd = np.array([0.15, 0.02, 0.02, 0.3, 0.3])
            prior = LensPrior(to_px @ mean + offset, to_px @ np.diag(sd**2) @ to_px.T, "EXIF")
            for half in (0, 3):
                px = corners.reshape(6, 9, 2)[:, half : half + 6].reshape(-1, 2)
                card = CardView(PanelView("floor", IDS, px, np.full(CORNERS, 0.3)), None)
                evidence.append(lens_evidence(photo, card, np.full(2, 25 / 15), prior))
        profile = estimate(key, evidence, settings)
        mean = profile.mean
    found = to_px @ mean + offset
    known = optics.CHESSBOARD
    assert found[0] == pytest.approx(known["f_px"], rel=0.015)
    assert found[1:3] == pytest.approx([known["cx_px"], known["cy_px"]], abs=5)
    assert found[3] == pytest.approx(known["k1"], abs=0.04)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_principal_point_turns_with_the_photo(orientation):
    """A point of the sensor, turned as the EXIF flag says (Exif 2.32, tag 0x0112), is where the matrix puts it."""
    from qc.photo import _upright

    width, height = 60, 40
    sensor = np.zeros((height, width), np.uint8)
    sensor[12, 45] = 255
    upright = _upright(sensor, orientation)
    y, x = np.argwhere(upright == 255)[0]
    photo = bare(size=(upright.shape[1], upright.shape[0]), orientation=orientation)
    to_px, offset = sensor_to_upright(photo)
    at = np.array([1, (45 - (width - 1) / 2) / width, (12 - (height - 1) / 2) / width, 0, 0])
    assert (to_px @ at + offset)[1:3] == pytest.approx([x, y])
    key = camera_key(photo)
    assert key is not None
    assert (key.width_px, key.height_px) == (width, height)


# ---------------------------------------------------------------- recovery of known truth
def test_one_photos_evidence_scatters_as_it_says():
    """Along the directions that a photo tells anything of, truth and evidence differ by their stated uncertainty."""
    rng = np.random.default_rng(4)
    ratios = []
    for number, lens in enumerate(lenses(rng, 16, 1.004, 0.004)):
        photo = bare(number)
        e = lens_evidence(photo, corners_seen(lens, rng))
        to_px, offset = sensor_to_upright(photo)
        truth = np.linalg.solve(to_px, np.array([lens.f_px, lens.cx_px, lens.cy_px, lens.k1, lens.k2]) - offset)
        values, axes = np.linalg.eigh(e.information)
        told = values > 1e3
        ratios.append((axes.T @ (e.vector - e.information @ truth))[told] / np.sqrt(values[told]))
    assert 0.7 < np.sqrt(np.mean(np.square(np.concatenate(ratios)))) < 1.3


def test_a_camera_is_learnt_and_surer_with_every_photo():
    rng = np.random.default_rng(5)
    evidence = evidence_of(rng, 30, 1.006, 0.002)
    sure = []
    for count in (1, 3, 10, 30):
        profile = estimate(KEY, evidence[:count])
        sd = np.sqrt(profile.covariance[0, 0] + profile.spread[0] ** 2)
        sure.append(sd)
        assert abs(profile.mean[0] - 1.006) < 3 * sd
    assert sure == sorted(sure, reverse=True)
    assert sure[-1] < 0.0035 < 0.010  # a third of what the EXIF leaves open
    assert profile.mean[0] == pytest.approx(1.006, abs=0.0015)
    assert profile.mean[3] == pytest.approx(0.02, abs=0.004)
    assert profile.spread[0] == pytest.approx(0.002, abs=0.0015)


def test_only_the_last_photos_count():
    rng = np.random.default_rng(6)
    old, new = evidence_of(rng, 6, 0.99, 0.001), evidence_of(rng, 12, 1.006, 0.001)
    settings = LearningSettings(keep=12)
    profile = estimate(KEY, [*old, *new], settings)
    assert profile.photo_count == 12
    assert profile.mean[0] == pytest.approx(1.006, abs=0.002)


def test_calibration_from_drawn_photographs():
    """Pictures in, profile out: the focal length within its uncertainty of the drawn one."""
    rng = np.random.default_rng(8)
    places = [(8, 0), (15, 20), (25, -20), (12, 10), (20, -8), (30, 15)]
    photos = [
        draw(Scene(elevation_deg=e, azimuth_deg=a, distance_mm=380, focal_ratio=1.008, noise=2), rng, f"photo {e}")
        for e, a in places
    ]
    result = calibrate(photos)
    assert result.profile.photo_count == 6
    assert result.problems == ()
    sd = np.sqrt(result.profile.covariance[0, 0])
    assert abs(result.profile.mean[0] - 1.008) < 3 * sd
    assert sd < 0.004


# ---------------------------------------------------------------- the store
@pytest.fixture
def store(tmp_path) -> CameraStore:
    return CameraStore(tmp_path / "data" / "cameras.json")


def test_learning_on_the_job(store):
    rng = np.random.default_rng(9)
    views = [corners_seen(lens, rng) for lens in lenses(rng, 8, 1.006, 0.002)]
    before = prior_for(bare(100), store)
    assert before.source == "EXIF"
    for number, card in enumerate(views):
        assert store.learn(bare(number), card)
    after = prior_for(bare(100), store, views[0])
    assert after.source == "profile"
    assert after.covariance[0, 0] < 0.5 * before.covariance[0, 0]
    assert after.mean[0] == pytest.approx(1.006 * before.mean[0], rel=0.004)
    assert [p.photo_count for p in store.profiles()] == [8]
    assert store.learn(bare(3), views[3])  # again: replaced, not counted twice
    assert store.profiles()[0].photo_count == 8
    rows = json.loads(store.path.read_text())["cameras"][0]["photos"]
    assert len(rows[0]["corners"]["floor"]["corners_px"]) == CORNERS


def test_a_photo_never_counts_for_itself(store):
    rng = np.random.default_rng(10)
    view = corners_seen(lenses(rng, 1, 1.006, 0.0)[0], rng)
    assert store.learn(bare(1), view)
    assert prior_for(bare(1), store).source == "EXIF"
    assert prior_for(bare(2), store).source == "profile"


def test_another_lens_cropped_or_unknown_photos_fall_back_to_exif(store):
    rng = np.random.default_rng(11)
    for number, lens in enumerate(lenses(rng, 8, 1.006, 0.001)):
        store.learn(bare(number), corners_seen(lens, rng))
    edited = corners_seen(lenses(rng, 1, 0.955, 0.0)[0], rng)  # enlarged after it was taken, saved at the same size
    prior = prior_for(bare(50), store, edited)
    assert prior.source == "EXIF"
    assert prior.note is not None
    assert prior.note.endswith("it was measured without them.")
    assert not store.learn(bare(50), edited)
    for other in (
        bare(51, focal_35mm=52.0),
        bare(52, size=(1600, 1200)),
        bare(53, model=None),
        bare(54, recorded_size=(4032, 3024), size=(2016, 1000)),
    ):
        assert prior_for(other, store).source == "EXIF"


def test_a_cropped_photo_is_noticed_and_little_is_taken_for_known():
    photo = bare(size=(3000, 3024), recorded_size=(4032, 3024))
    assert cropped(photo)
    assert camera_key(photo) is None
    prior = exif_prior(photo)
    whole = exif_prior(bare(size=(4032, 3024)))
    assert prior.mean[0] == pytest.approx(whole.mean[0])  # px of the recorded size
    assert np.sqrt(prior.covariance[1, 1]) > 250
    assert not cropped(bare(recorded_size=(4032, 3024)))  # smaller, same shape


def test_unreadable_file_is_set_aside_not_overwritten(store):
    rng = np.random.default_rng(12)
    view = corners_seen(lenses(rng, 1, 1.0, 0.0)[0], rng)
    store.path.parent.mkdir(parents=True)
    for content in ("{broken", '{"format": "something else"}', '{"format": "cakeqc-cameras/1", "cameras": [{}]}'):
        store.path.write_text(content)
        assert store.profiles() == []
        assert prior_for(bare(2), store).source == "EXIF"
    assert store.learn(bare(1), view)
    kept = list(store.path.parent.glob("cameras.unreadable-*.json"))
    assert [k.read_text() for k in kept] == [content]
    assert store.profiles()[0].photo_count == 1


def test_disk_trouble_is_told(tmp_path):
    rng = np.random.default_rng(13)
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    store = CameraStore(blocked / "cameras.json")
    with pytest.raises(RecordError, match="cannot be saved"):
        store.learn(bare(1), corners_seen(lenses(rng, 1, 1.0, 0.0)[0], rng))


def test_data_directory_can_be_chosen(tmp_path, monkeypatch):
    monkeypatch.setenv("CAKEQC_DATA", str(tmp_path))
    assert CameraStore().path == tmp_path / "cameras.json"


# ---------------------------------------------------------------- degenerate input
def test_bent_card_teaches_nothing(store):
    rng = np.random.default_rng(14)
    card = corners_seen(lenses(rng, 1, 1.0, 0.0)[0], rng)
    assert card.standing is not None
    bent = card.standing.corners_px + 3 * np.sin(np.arange(CORNERS))[:, None]
    view = CardView(card.floor, dataclasses.replace(card.standing, corners_px=bent))
    with pytest.raises(CardError, match="do not fit a card"):
        lens_evidence(bare(1), view)
    assert not store.learn(bare(1), view)


def test_flat_and_standing_cards_are_told_apart():
    rng = np.random.default_rng(15)
    upright = draw(Scene(), rng)
    flat = draw(Scene(elevation_deg=80, fold_deg=178), rng)
    assert not lies_flat(upright, find_card(upright))
    assert lies_flat(flat, find_card(flat))


def test_calibration_needs_one_camera_and_enough_photos():
    rng = np.random.default_rng(16)
    photo = draw(Scene(), rng, "one.jpg")
    with pytest.raises(CardError, match="Only 0 photos"):
        calibrate([])
    with pytest.raises(CardError, match="does not say which camera"):
        calibrate([dataclasses.replace(photo, model=None)])
    with pytest.raises(CardError, match="calibrate one camera at a time"):
        calibrate([photo, dataclasses.replace(photo, name="two.jpg", focal_35mm=52.0)])
    with pytest.raises(CardError, match="Only 1 photos show the card well enough and 5 are needed"):
        calibrate([photo])


def test_evidence_without_information_belongs_anywhere():
    rng = np.random.default_rng(17)
    profile = estimate(KEY, evidence_of(rng, 5, 1.0, 0.001))
    nothing = dataclasses.replace(evidence_of(rng, 1, 1.0, 0.0)[0], information=np.zeros((5, 5)), vector=np.zeros(5))
    assert belongs(profile, nothing)


# ---------------------------------------------------------------- command line
def test_camera_list(tmp_path, monkeypatch):
    monkeypatch.setenv("CAKEQC_DATA", str(tmp_path))
    runner = CliRunner()
    assert "No camera has been learnt yet" in runner.invoke(cameras, ["list"]).output
    rng = np.random.default_rng(18)
    store = CameraStore()
    for number, lens in enumerate(lenses(rng, 3, 1.006, 0.001)):
        store.learn(bare(number), corners_seen(lens, rng))
    output = runner.invoke(cameras, ["list"]).output
    assert "Demo Demo phone, 26 mm, 2016 x 1512: 3 photos" in output
    assert "focal length +0." in output
