"""Rise and dome of the top from the marks on its icing: drawn tops of known shape, seen through known cameras."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from qc.body import Body
from qc.camera import View
from qc.finder import BODY, LABELS, Finding
from qc.top_height import TopHeightSettings, weigh
from qc.top_texture import TextureSettings, finer, texture_log
from tests.decoration_scene import flat_body, looking_down
from tests.test_top_height import SIZE, TOP_EYE, side_view

SETTINGS = TextureSettings()
ABOVE, ASIDE = looking_down(TOP_EYE), side_view(13)
RIM_TILT = 1e-6 * np.eye(2)


def marks(seed: int, mm: float = 2.0) -> np.ndarray:
    """Random marks (800, 800) of unit spread, at 4 px/mm."""
    rough = cv2.GaussianBlur(np.random.default_rng(seed).normal(size=(800, 800)), (0, 0), 4 * mm)
    return (rough / rough.std()).astype(np.float32)


def photograph(body: Body, view: View, pattern: np.ndarray, turn_rad: float = 0.0, light: float = 170.0) -> np.ndarray:
    """A photo of the top alone, marks of 6 % on it; every pixel's line of sight is followed to the domed surface."""
    column, row = np.meshgrid(np.arange(0, SIZE[0], 2), np.arange(0, SIZE[1], 2))
    at = np.stack([column, row], -1).reshape(-1, 2).astype(float)
    z = np.full(len(at), body.height_mm)
    for _ in range(8):
        p = view.onto_height(at, 0.0)
        eye = view.eye_mm
        p = eye + (p - eye) * ((eye[2] - z) / eye[2])[:, None]
        z = np.clip(body.top_z_mm(p[:, 0], p[:, 1]), 40, 100)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    own = p[:, :2] @ np.array([[c, -s], [s, c]])  # back to where the top photo has it
    x, y = ((own * [1, -1] * 4) + 400).astype(np.float32).reshape(*column.shape, 2).transpose(2, 0, 1)
    shade = light * (1 + 0.06 * cv2.remap(pattern, x, y, cv2.INTER_LINEAR))
    shade[np.hypot(p[:, 0], p[:, 1]).reshape(shade.shape) > body.radius_mm] = 60
    whole = cv2.resize(shade, SIZE, interpolation=cv2.INTER_LINEAR)
    noisy = whole + np.random.default_rng(9).normal(0, 1.5, whole.shape)
    return np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[..., None], 3, 2)


def all_icing() -> Finding:
    scale = 640 / SIZE[0]
    p = np.zeros((len(LABELS), 480, 640), np.float32)
    p[BODY] = 1
    return Finding(p, scale, ((scale - 1) / 2, (scale - 1) / 2), SIZE, 1.0, ())


def said_of(
    rise: float, dome: float, turn_rad: float = 0.0, other: bool = False, light: float = 170.0, blank: bool = False
) -> np.ndarray | None:
    """What is said of a top that truly lies so much above the supposed, level one."""
    true = replace(flat_body(80, 70 + rise), dome_mm=dome)
    pattern = 0 * marks(1) if blank else marks(1)
    views = {"top": ABOVE, "side": ASIDE, "side2": side_view(9)}
    photos = {"top": photograph(true, ABOVE, pattern)}
    for n in ("side", "side2"):
        photos[n] = photograph(true, views[n], marks(2) if other else pattern, turn_rad, light)
    return texture_log(photos, views, flat_body(80, 70), dict.fromkeys(views, all_icing()), 0.1)


def best(log: np.ndarray) -> tuple[float, float]:
    i, j = np.unravel_index(log.argmax(), log.shape)
    return float(SETTINGS.rises_mm()[i]), float(SETTINGS.domes_mm()[j])


@pytest.mark.parametrize(("rise", "dome", "turn"), [(2.0, 0.0, 0.12), (-1.5, 2.0, -0.1), (0.5, -2.5, 0.0)])
def test_height_dome_and_any_turn_are_recovered(rise, dome, turn):
    assert best(said_of(rise, dome, turn)) == pytest.approx((rise, dome), abs=0.3)


@pytest.mark.parametrize(("rise", "dome"), [(0.0, 0.0), (1.6, 2.0), (-2.3, -2.0)])  # the rim stays where it is
def test_weighed_with_the_rim(rise, dome):
    body = flat_body(80, 70)
    found = weigh({}, np.zeros(0, int), body, RIM_TILT, TopHeightSettings(), said_of(rise, dome))
    assert found.rise_mm == pytest.approx(rise, abs=0.35)
    assert found.dome_mm == pytest.approx(dome, abs=0.4)
    assert abs(found.dome_mm - dome) < 2.5 * found.dome_sd_mm
    assert found.slope == pytest.approx([0, 0])
    assert found.slope_covariance == pytest.approx(RIM_TILT)


def test_darker_photo_says_the_same():
    assert best(said_of(1.0, 1.0, light=90.0)) == best(said_of(1.0, 1.0))


@pytest.mark.parametrize("case", [{"other": True}, {"blank": True}])
def test_marks_of_another_cake_or_none_tell_nothing(case):
    log = said_of(1.0, 2.0, **case)
    assert weigh({}, np.zeros(0, int), flat_body(80, 70), RIM_TILT, TopHeightSettings(), log) is None


def test_camera_level_with_the_top_tells_nothing():
    photos = dict.fromkeys(("top", "side"), np.full((*SIZE[::-1], 3), 128, np.uint8))
    views = {"top": ABOVE, "side": side_view(1, aim_z_mm=65.0)}
    assert texture_log(photos, views, flat_body(80, 70), dict.fromkeys(photos, all_icing()), 0.1) is None


def test_decorations_all_over_tell_nothing():
    covered = all_icing()
    covered.probabilities[:] = 0
    covered.probabilities[LABELS.index("decoration")] = 1
    photos = dict.fromkeys(("top", "side"), np.full((*SIZE[::-1], 3), 128, np.uint8))
    findings = {"top": covered, "side": covered}
    assert texture_log(photos, {"top": ABOVE, "side": ASIDE}, flat_body(80, 70), findings, 0.1) is None


def test_finer_keeps_what_was_said_and_is_as_doubtful_as_can_be_beyond():
    log = np.random.default_rng(3).normal(size=(len(SETTINGS.rises_mm()), len(SETTINGS.domes_mm())))
    same = finer(log, SETTINGS.rises_mm()[:, None], SETTINGS.domes_mm()[None])
    assert same == pytest.approx(log, abs=1e-5)
    beyond = finer(log, np.array([[20.0]]), np.array([[0.0]]))
    assert beyond == pytest.approx(np.log(SETTINGS.wrong_share), abs=1e-6)
