"""The measuring core: camera, pose, contour, shape, joint fit, and the command line over them."""

import json
import shutil
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from scipy.stats import rice
from typer.testing import CliRunner

from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.camera import FULL_FRAME_DIAGONAL_MM, Lens, View, focal_px_from_35mm
from qc.card import find_card
from qc.cli import app
from qc.contour import graze
from qc.lens_prior import exif_prior
from qc.measure import measure
from qc.photo import read_photo
from qc.pose import solve_pose
from qc.quantities import CheckResult
from qc.shape import components, roundness_mm
from qc.stages import MeasureSettings
from qc.uncertainty import magnitude, monte_carlo, rounded
from tests import truth as truths

SAMPLES = Path(__file__).parent.parent / "sample_images"
CREAM, WHITE = SAMPLES / "cream-dollops", SAMPLES / "white-strawberries"


def body(radius: float = 75.0, height: float = 70.0, **more: object) -> Body:
    plain: dict[str, object] = {
        "taper_mm": 0.0,
        "lean_mm": np.zeros(2),
        "slope": np.zeros(2),
        "dome_mm": 0.0,
        "edge_mm": 0.3,
        "harmonics_mm": np.zeros((len(HARMONICS), 2)),
        "profile_mm": np.zeros(len(PROFILE_KNOTS)),
    }
    return Body(radius, height, **{**plain, **more})  # type: ignore[arg-type]


# ---------------------------------------------------------------- published or analytic values
def test_lens_agrees_with_opencv() -> None:
    lens = Lens(1500.0, 1007.0, 755.0, 0.03, -0.008)
    rng = np.random.default_rng(1)
    points = np.column_stack([rng.uniform(-200, 200, (50, 2)), rng.uniform(400, 700, 50)])
    distortion = np.array([lens.k1, lens.k2, 0, 0, 0])
    theirs, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), lens.matrix, distortion)
    ours = lens.to_pixels(points)
    assert np.abs(ours - theirs[:, 0]).max() < 1e-8
    back = lens.to_directions(ours)
    assert np.abs(back[:, :2] - points[:, :2] / points[:, 2:]).max() < 1e-9


def test_focal_length_of_the_full_frame_diagonal() -> None:
    """CIPA DCG-001: the 35 mm equivalent goes by the diagonal of the 36 x 24 mm frame."""
    assert pytest.approx(np.hypot(36, 24), abs=0.005) == FULL_FRAME_DIAGONAL_MM
    assert focal_px_from_35mm(26, 4032, 3024) == pytest.approx(26 * 5040 / 43.27)


def test_a_close_lens_sees_a_round_body_too_wide() -> None:
    """Tangents from 400 mm touch a circle of 75 mm radius at 75 / sqrt(1 - (75/400)^2): 150 mm read 152.7 mm."""
    eye = np.array([0.0, -400.0, 35.0])
    half = np.arcsin(75 / 400)
    for angle, sign in ((half - 1e-4, -1), (half + 1e-4, 1)):
        ray = np.array([[np.sin(angle), np.cos(angle), 0.0]])
        assert np.sign(graze(eye, ray, body()).clearance_mm[0]) == sign
    assert 2 * 400 * np.tan(half) == pytest.approx(152.7, abs=0.05)


@pytest.mark.parametrize(("n", "amplitude", "ront"), [(3, 0.05, 0.1), (5, 0.02, 0.04)])
def test_roundness_of_analytic_profiles(n: int, amplitude: float, ront: float) -> None:
    """ISO 12181-1:2011, RONt of R0 + A cos(n t); its filter (half transmission at 15 upr) takes off 0.5^((n/15)^2)."""
    t = np.linspace(0, 2 * np.pi, 3600, endpoint=False)
    profile = 100 + amplitude * np.cos(n * t) + 1.3 * np.cos(t)
    assert roundness_mm(profile) == pytest.approx(ront * 0.5 ** ((n / 15) ** 2), rel=1e-6)


def test_components_of_an_analytic_body() -> None:
    """A frustum of known taper, lean and slope."""
    b = body(taper_mm=-2.0, lean_mm=np.array([1.5, -0.5]), slope=np.array([0.01, 0.0]))
    c = components(b, np.array([0.4, 0.0]))
    upright = components(body(taper_mm=-2.0), np.zeros(2))
    assert upright[0] == pytest.approx(2 * (75 + 0.5 * 2.0 * 0.5 / 0.8), abs=0.02)  # widest at the foot
    assert upright[0] < c[0] < upright[0] + 1.0  # a leaning rim stands out over the foot
    assert c[2] == pytest.approx(0.01 * c[0], rel=1e-6)
    assert c[5:7] == pytest.approx([1.5, -0.5])
    assert c[7] == pytest.approx(-2.0, abs=0.02)


def test_end_gauge_of_the_gum() -> None:
    """JCGM 100:2008 H.1: u_c = 32 nm to first order, 34 nm with second-order terms; Monte Carlo finds the latter."""
    mean = np.array([50000623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0])
    u = np.array([25.0, 9.7, 1.2e-6, 0.41, 0.58e-6, 0.029])

    def length(x: np.ndarray) -> np.ndarray:
        ls, d, alpha, theta, dalpha, dtheta = x
        return np.array([ls + d - ls * (dalpha * theta + alpha * dtheta)])

    drawn = monte_carlo(length, mean, np.diag(u**2), 40000, np.random.default_rng(5))
    assert drawn.mean() == pytest.approx(50000838, abs=1)
    assert drawn.std() == pytest.approx(33.9, abs=0.6)


def test_additive_model_of_the_supplement() -> None:
    """JCGM 101:2008 9.2.2: the sum of four standard normals has u = 2.0 and a 95 % interval of +- 3.92."""
    drawn = monte_carlo(lambda x: np.array([x.sum()]), np.zeros(4), np.eye(4), 60000, np.random.default_rng(7))[:, 0]
    assert drawn.std() == pytest.approx(2.0, abs=0.03)
    assert np.quantile(drawn, [0.025, 0.975]) == pytest.approx([-3.92, 3.92], abs=0.06)


def test_magnitudes_respect_zero() -> None:
    near = magnitude(np.array([0.1, 0.0]), 0.09 * np.eye(2))
    assert near.interval is not None
    assert near.interval[0] == 0.0
    assert 0.5 < near.interval[1] < 1.0  # 95 % of a Rayleigh of 0.3 lies under 0.73
    far = magnitude(np.array([3.0, 4.0]), 0.01 * np.eye(2))
    assert far.interval is None
    assert far.value == pytest.approx(5.0, abs=0.01)
    assert far.uncertainty == pytest.approx(0.2, abs=1e-4)


@pytest.mark.parametrize("size", [2.0, 3.0, 6.0])
def test_magnitudes_of_two_components_are_right_on_average(size: float) -> None:
    """Reference: scipy.stats.rice is how the length of (size, 0) is distributed with errors of 1 in both components."""
    length = rice.ppf((np.arange(2000) + 0.5) / 2000, size)
    assert length.mean() > size + 0.8 / (2 * size)  # what is to be taken off
    mean = np.mean([magnitude(np.array([r, 0.0]), np.eye(2), samples=50).value for r in length])
    assert mean == pytest.approx(size, abs=0.05)


def test_magnitude_counts_what_is_uncertain_across_its_direction() -> None:
    """Reference: the spread of sizes drawn by Monte Carlo (JCGM 101), here of one known twelve times worse across."""
    components, covariance = np.array([5.0, 0.0]), np.diag([0.1**2, 1.2**2])
    drawn = np.random.default_rng(4).multivariate_normal(components, covariance, 200_000)
    spread = float(np.linalg.norm(drawn, axis=1).std())
    assert spread > 2 * 0.1  # what is uncertain along its direction
    assert magnitude(components, covariance).uncertainty == pytest.approx(2 * spread, rel=0.1)


def test_rounding_keeps_two_digits_of_the_uncertainty() -> None:
    """JCGM 100:2008 7.2.6."""
    assert rounded(161.3279, 0.234) == ("161.33", "0.23")
    assert rounded(161.3279, 1.84) == ("161.3", "1.8")


# ---------------------------------------------------------------- recovery of known truth
def test_pose_recovers_lens_and_place() -> None:
    """Focal length and lens place of real detections lie within three stated standard deviations of the truth."""
    truth = truths.load(CREAM)
    for name in ("top", "side", "side2"):
        photo = read_photo(CREAM / f"{name}.jpg", name)
        scale = np.full(2, truth["photos"][name]["print_scale"])
        pose = solve_pose(photo, find_card(photo), exif_prior(photo), scale, name == "top")
        camera = truth["photos"][name]
        sd = np.sqrt(np.diag(pose.covariance))
        assert abs(pose.parameters[0] - camera["K"][0][0]) < 3 * sd[0] + 1
        rotation, t = (np.array(camera["card_to_camera"][k]) for k in ("R", "t"))
        assert np.linalg.norm(pose.view.eye_mm + rotation.T @ t) < 12


def test_scatter_of_the_focal_length_is_what_is_stated() -> None:
    """Noise of 0.2 px on the corners of a known pose: the pulls of the focal length have unit variance."""
    from qc.card import CardView, PanelView
    from qc.lens_prior import LensPrior
    from qc.pose import floor_points, standing_points

    rng = np.random.default_rng(3)
    rotation = cv2.Rodrigues(np.array([1.9, 0.1, 0.05]))[0]
    view = View(Lens(1600.0, 1007.5, 755.5), rotation, np.array([-60.0, 20.0, 520.0]), 2016, 1512)
    ids, one = np.arange(36), np.ones(2)
    world = floor_points(ids, one), standing_points(ids, one, np.pi / 2, 0.0, 0.0)
    sd = np.array([16.0, 8.0, 8.0, 0.03, 0.01])
    pulls = []
    for _ in range(25):
        seen = [view.project(w) + rng.normal(0, 0.2, (36, 2)) for w in world]
        panels = [PanelView(n, ids, px, np.full(36, 0.2)) for n, px in zip(("floor", "standing"), seen, strict=True)]
        mean = np.array([1600.0, 1007.5, 755.5, 0, 0]) + rng.normal(0, sd)
        prior = LensPrior(mean, np.diag(sd**2), "EXIF")
        photo = read_photo(CREAM / "side.jpg", "side") if not pulls else photo  # noqa: F821
        pose = solve_pose(photo, CardView(*panels), prior, one, False)
        pulls.append((pose.parameters[0] - 1600.0) / np.sqrt(pose.covariance[0, 0]))
    assert 0.6 < np.std(pulls) < 1.5


@cache
def measured(folder: Path, scale: float = 1.0) -> CheckResult:
    photos = {n: read_photo(folder / f"{n}.jpg", n) for n in ("top", "side", "side2")}
    true = truths.load(folder)["photos"]["top"]["print_scale"] * scale
    return measure(photos, MeasureSettings((true, true), 0.0))


@pytest.mark.parametrize("folder", [CREAM, WHITE], ids=lambda p: p.name)
def test_cakes_are_recovered(folder: Path) -> None:
    """Shape and pattern within 1.5 expanded uncertainties of the rendered truth, and never far from it."""
    result, true = measured(folder), truths.load(folder)["quantities"]
    names = ("diameter", "height", "level", "lean", "taper", "board_offset", "out_of_round", "ring_radius")
    for name in names:
        row = result.overall(name)
        assert row is not None, name
        assert abs(row.value - true[name]) < 1.5 * row.uncertainty, name
        assert abs(row.value - true[name]) < 2.5, name
    count = result.overall("decoration_count")
    assert count is not None
    assert count.value == true["decoration_count"]


# ---------------------------------------------------------------- metamorphic
def test_a_larger_print_makes_a_larger_cake() -> None:
    """Print scale times 1.1: every length times 1.1, counts and angles unchanged."""
    plain, larger = measured(WHITE), measured(WHITE, 1.1)
    for name in ("diameter", "height", "ring_radius"):
        a, b = plain.overall(name), larger.overall(name)
        assert a is not None
        assert b is not None
        assert b.value / a.value == pytest.approx(1.1, rel=0.012), name
    a, b = plain.overall("decoration_count"), larger.overall("decoration_count")
    assert a is not None
    assert b is not None
    assert a.value == b.value


def test_recompressed_photos_say_the_same(tmp_path: Path) -> None:
    for n in ("top", "side", "side2"):
        with Image.open(WHITE / f"{n}.jpg") as picture:
            picture.save(tmp_path / f"{n}.jpg", quality=80, exif=picture.getexif())
    photos = {n: read_photo(tmp_path / f"{n}.jpg", n) for n in ("top", "side", "side2")}
    again, first = measure(photos, MeasureSettings((1.0, 1.0), 0.0)), measured(WHITE)
    for name in ("diameter", "height", "taper", "level"):
        a, b = first.overall(name), again.overall(name)
        assert a is not None
        assert b is not None
        assert abs(a.value - b.value) < a.uncertainty + b.uncertainty, name


# ---------------------------------------------------------------- command line
def run(*arguments: object) -> tuple[int, str]:
    from qc.errors import CakeQCError

    result = CliRunner().invoke(app, [str(a) for a in arguments])
    if isinstance(result.exception, CakeQCError):  # main() prints it and exits with 2
        return 2, str(result.exception)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def test_json_and_drawings(tmp_path: Path) -> None:
    out = tmp_path / "result.json"
    photos = [f"--{n}={WHITE / f'{n}.jpg'}" for n in ("top", "side", "side2")]
    code, said = run("measure", *photos, "--json", out, "--draw", tmp_path / "seen", "--budget")
    assert code == 0
    assert "Diameter" in said
    assert "print scale" in said
    data = json.loads(out.read_text())
    assert data["format"] == "cakeqc-measurement/1"
    assert {"name", "value", "uncertainty", "unit", "photos", "note"} <= set(data["measurements"][0])
    assert {"top.jpg", "side.jpg", "side2.jpg", "pattern.jpg"} <= {p.name for p in (tmp_path / "seen").iterdir()}


@pytest.mark.parametrize("fault", ["twice", "swapped", "no card", "truncated", "missing"])
def test_bad_input_is_one_sentence(fault: str, tmp_path: Path) -> None:
    top, side = tmp_path / "a.jpg", tmp_path / "b.jpg"
    shutil.copy(WHITE / "top.jpg", top)
    shutil.copy(WHITE / "side.jpg", side)
    if fault == "twice":
        shutil.copy(top, side)
    elif fault == "swapped":
        top, side = side, top
    elif fault == "no card":
        Image.fromarray(np.full((1200, 1600, 3), 120, np.uint8)).save(side)
    elif fault == "truncated":
        side.write_bytes(side.read_bytes()[:50000])
    else:
        side.unlink()
    out = tmp_path / "result.json"
    code, said = run("measure", "--top", top, "--side", side, "--json", out)
    assert code == 2
    assert "Traceback" not in said
    assert len(said.strip()) > 20
    assert not out.exists()
