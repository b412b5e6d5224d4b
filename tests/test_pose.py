"""Lens and pose of one photo: do they lie where they say they do? Kind: recovery of known truth."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.stats import chi2

from qc.camera import Lens, View
from qc.card import CardView, PanelView, find_card
from qc.errors import CardError
from qc.lens_prior import LensPrior, exif_prior
from qc.photo import read_photo
from qc.pose import Pose, floor_points, solve_pose, standing_points, view_of
from tests import truth as truths

SAMPLES = Path(__file__).parent.parent / "sample_images"
NAMES = ("cream-dollops", "pink-plain", "seminaked-blueberries", "white-strawberries")
LENS_SD = np.array([16.0, 8.0, 8.0, 0.03, 0.01])
NOISE_PX = 0.2


def eye_of(pose: Pose) -> tuple[np.ndarray, np.ndarray]:
    """The lens's place (3,) and its covariance (3, 3), by differences."""
    at = pose.view.eye_mm
    jacobian = np.zeros((3, len(pose.parameters)))
    for j in range(11):
        moved = pose.parameters.copy()
        step = 1e-3 * np.sqrt(pose.covariance[j, j])
        moved[j] += step
        jacobian[:, j] = (view_of(moved, 0, 0).eye_mm - at) / step
    return at, jacobian @ pose.covariance @ jacobian.T


def test_scatter_is_what_is_stated() -> None:
    """150 noisy cards of a known pose: pulls of focal length and lens place follow chi-square (99.9 % bounds)."""
    rng, one, ids = np.random.default_rng(3), np.ones(2), np.arange(36)
    photo = read_photo(SAMPLES / NAMES[0] / "side.jpg", "side")
    rotation = np.asarray(cv2.Rodrigues(np.array([1.9, 0.1, 0.05]))[0])
    lens = np.array([1600.0, 1007.5, 755.5, 0.0, 0.0])
    focal, eye, runs = 0.0, 0.0, 150
    for _ in range(runs):
        fold, bow, curl = np.pi / 2 + rng.normal(0, np.radians(2.5)), rng.normal(0, 1.2), rng.normal(0, 0.7)
        view = View(Lens(*lens), rotation, np.array([-60.0, 20.0, 520.0]), 2016, 1512)
        world = floor_points(ids, one), standing_points(ids, one, fold, bow, curl)
        seen = [view.project(w) + rng.normal(0, NOISE_PX, (36, 2)) for w in world]
        panels = [PanelView(n, ids, p, np.full(36, NOISE_PX)) for n, p in zip(("floor", "standing"), seen, strict=True)]
        prior = LensPrior(lens + rng.normal(0, LENS_SD), np.diag(LENS_SD**2), "EXIF")
        pose = solve_pose(photo, CardView(*panels), prior, one, False)
        focal += (pose.parameters[0] - lens[0]) ** 2 / pose.covariance[0, 0]
        at, covariance = eye_of(pose)
        off = at - view.eye_mm
        eye += off @ np.linalg.solve(covariance, off)
    for total, freedom in ((focal, runs), (eye, 3 * runs)):
        low, high = chi2.ppf([0.0005, 0.9995], freedom)
        assert low < total < high, (total, freedom)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("photo_name", ["top", "side", "side2"])
def test_photos_of_known_cameras(name: str, photo_name: str) -> None:
    """Focal length and lens place of the sample photos within 3.5 stated standard deviations of the renderer's."""
    camera = truths.load(SAMPLES / name)["photos"][photo_name]
    photo = read_photo(SAMPLES / name / f"{photo_name}.jpg", photo_name)
    scale = np.full(2, camera["print_scale"])
    pose = solve_pose(photo, find_card(photo), exif_prior(photo), scale, photo_name == "top")
    pull = (pose.parameters[0] - camera["K"][0][0]) / np.sqrt(pose.covariance[0, 0])
    rotation, t = (np.array(camera["card_to_camera"][k]) for k in ("R", "t"))
    at, covariance = eye_of(pose)
    off = at + rotation.T @ t
    assert abs(pull) < 3.5
    assert off @ np.linalg.solve(covariance, off) < chi2.ppf(0.9995, 3)


def test_too_few_corners_are_refused_in_one_sentence() -> None:
    photo = read_photo(SAMPLES / NAMES[0] / "side.jpg", "side")
    few = PanelView("floor", np.arange(6), np.zeros((6, 2)), np.ones(6))
    prior = LensPrior(np.array([1600.0, 1007.5, 755.5, 0, 0]), np.diag(LENS_SD**2), "EXIF")
    with pytest.raises(CardError, match="side photo shows too little of the reference card"):
        solve_pose(photo, CardView(few, None), prior, np.ones(2), False)
