"""Height and dome of the top from the feet of decorations: drawn cakes, and figures worked out by hand."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from qc import joint
from qc.body import Body
from qc.camera import Lens, View
from qc.decoration_kinds import KindFit
from qc.decoration_shapes import SHAPES, Fit
from qc.finder import BODY, DECORATION, LABELS, Finding
from qc.fit import CakeFit
from qc.fit_terms import FitSettings
from qc.piece_feet import Feet, FeetSettings, _border, find_feet
from qc.piece_solids import chains, front_arc, solids_of
from qc.piece_tops import seen_heights
from qc.top_height import TopHeight, TopHeightSettings, raise_top, top_height, weigh
from tests.decoration_scene import flat_body, looking_down, shape

BENCH, ICING, PIECE = (90, 84, 78), (225, 220, 205), (150, 60, 80)
SIZE = (2016, 1512)
TOP_EYE = (0.0, -60.0, 560.0)


# ---------------------------------------------------------------- drawn cakes
@dataclass(frozen=True)
class Drawn:
    """A side photo of a cake, what a network would see in it, and the pieces as the top photo shows them."""

    view: View
    pixels: np.ndarray
    finding: Finding
    kinds: tuple[KindFit, ...]


def side_view(elevation_deg: float, distance_mm: float = 560.0, aim_z_mm: float = 60.0) -> View:
    """Camera at 6 o'clock that looks at the cake's axis."""
    up = np.radians(elevation_deg)
    eye = np.array([0.0, -distance_mm * np.cos(up), aim_z_mm + distance_mm * np.sin(up)])
    z = (np.array([0, 0, aim_z_mm]) - eye) / distance_mm
    x = np.cross(z, [0.0, 0.0, 1.0])
    x = x / np.linalg.norm(x)
    rotation = np.stack([x, np.cross(z, x), z])
    return View(Lens(2200.0, 1007.5, 755.5), rotation, -rotation @ eye, *SIZE)


def ring(count: int, radius_mm: float) -> np.ndarray:
    a = 2 * np.pi * (np.arange(count) + 0.3) / count
    return radius_mm * np.stack([np.cos(a), np.sin(a)], -1)


def kinds_of(groups: list[tuple[str, np.ndarray, float]]) -> tuple[KindFit, ...]:
    """Pieces (shape, places, radius) of which the top photo is sure."""
    out, first = [], 0
    for name, places, radius in groups:
        n = len(places)
        fits = tuple(
            Fit(s, places, np.full(n, radius), np.zeros((n, 4)), shape(name).height_ratio, 0.0, np.zeros(n))
            for s in SHAPES
        )
        share = np.array([1.0 if s.name == name else 0.0 for s in SHAPES])
        out.append(KindFit(np.arange(first, first + n), fits, share))
        first += n
    return tuple(out)


def draw(
    truth: Body, view: View, groups: list[tuple[str, np.ndarray, float]], turn_rad: float, rng: np.random.Generator
) -> Drawn:
    """Painter's picture, twice oversampled: side, top, then pieces from the far ones to the near ones."""
    label = np.zeros((2 * SIZE[1], 2 * SIZE[0]), np.uint8)
    a = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    x, y = truth.radius_mm * np.cos(a), truth.radius_mm * np.sin(a)
    rim = truth.top_point_mm(x, y)
    outline = np.concatenate(
        [rim, rim * [1, 1, 0], truth.top_point_mm(0.6 * x, 0.6 * y), truth.top_point_mm(0, 0)[None]]
    )
    _fill(label, view, outline, BODY)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    pieces = [(np.array([[c, -s], [s, c]]) @ p, name, r) for name, places, r in groups for p in places]
    for place, name, radius in sorted(pieces, key=lambda p: -view.to_camera([*p[0], 60.0])[2]):
        solid = shape(name)
        for up, out in zip(solid.height_share, solid.radius_share, strict=True):
            cx, cy = place[0] + radius * out * np.cos(a), place[1] + radius * out * np.sin(a)
            z = truth.top_z_mm(cx, cy) + 2 * solid.height_ratio * radius * up  # it follows the icing that it stands on
            _fill(label, view, np.stack([cx, cy, z], -1), DECORATION)
    if view.eye_mm[2] < truth.height_mm:  # the side hides what stands behind its rim
        front = rim[view.to_camera(rim)[:, 2] < view.to_camera([0, 0, truth.height_mm])[2]]
        front = front[np.argsort(np.arctan2(front[:, 1], front[:, 0]) % (2 * np.pi))]
        wall = np.concatenate([front, front[::-1] * [1, 1, 0]])
        corners = np.round(((view.project(wall) + 0.5) * 2 - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(label, [corners], BODY, shift=4)
    colour = np.zeros((len(LABELS), 3), np.float32)
    colour[[0, BODY, DECORATION]] = BENCH, ICING, PIECE
    pixels = cv2.resize(colour[label], SIZE, interpolation=cv2.INTER_AREA)
    pixels = np.clip(cv2.GaussianBlur(pixels, (0, 0), 0.8) + rng.normal(0, 2.0, pixels.shape), 0, 255).astype(np.uint8)
    return Drawn(view, pixels, network(label), kinds_of(groups))


def _fill(label: np.ndarray, view: View, points_mm: np.ndarray, value: int) -> None:
    p = (view.project(points_mm) + 0.5) * 2 - 0.5
    cv2.fillConvexPoly(label, cv2.convexHull(np.round(p * 16).astype(np.int32)), value, shift=4)


def network(label: np.ndarray) -> Finding:
    """What a network of 640 x 480 pixels would say: the truth, blurred."""
    scale = 640 / SIZE[0]
    layers = [cv2.resize((label == k).astype(np.float32), (640, 480), interpolation=cv2.INTER_AREA) for k in range(6)]
    p = np.stack([cv2.GaussianBlur(layer, (0, 0), 0.8) for layer in layers])
    return Finding(p / p.sum(0), scale, ((scale - 1) / 2, (scale - 1) / 2), SIZE, 1.0, ())


def fit_of(body: Body, views: dict[str, View]) -> CakeFit:
    """No more of a fit than the search looks at."""
    covariance = 1e-5 * np.eye(joint.CAKE)
    return SimpleNamespace(body=body, views=views, covariance=covariance)  # type: ignore[return-value]


RING = [("drop", ring(9, 58.0), 10.0)]


class TestRecovery:
    """Recovery of known truth."""

    @pytest.mark.parametrize(("rise", "turn"), [(0.0, 0.0), (2.0, 0.2), (-1.5, -0.3)])
    def test_feet_and_turn(self, rise, turn):
        drawn = draw(flat_body(80, 70 + rise), side_view(13), RING, turn, np.random.default_rng(1))
        eye = looking_down(TOP_EYE).eye_mm + [0, 0, 1000 * 500]  # from straight above: places do not move with height
        feet = find_feet(drawn.pixels, drawn.view, flat_body(), drawn.finding, solids_of(drawn.kinds), eye)
        assert feet.turn_rad == pytest.approx(turn, abs=0.02)
        seen = np.isfinite(feet.rise_mm)
        assert seen.sum() >= 5
        assert np.median(feet.rise_mm[seen]) == pytest.approx(rise, abs=0.3)
        assert np.median(np.abs(feet.rise_mm[seen] - rise)) < 0.4

    @pytest.mark.parametrize("name", ["drop", "swirl", "ball", "dome"])
    def test_heights_of_pieces(self, name):
        """Supposed a fifth too low, and turned by 0.2 rad, they are seen as high as they are, but for lost tips."""
        groups = [(name, ring(9, 58.0), 10.0)]
        drawn = draw(flat_body(), side_view(13), groups, 0.2, np.random.default_rng(4))
        low = replace(
            drawn.kinds[0], fits=tuple(replace(f, height_ratio=0.8 * f.height_ratio) for f in drawn.kinds[0].fits)
        )
        seen = seen_heights({"side": drawn.view}, flat_body(), {"side": drawn.finding}, (low,), turned=False)
        assert seen == pytest.approx(np.full(9, shape(name).shown * shape(name).height_ratio), rel=0.08)

    def test_heights_of_two_pieces_tell_nothing(self):
        drawn = draw(flat_body(), side_view(13), [("drop", ring(2, 40.0), 10.0)], 0.0, np.random.default_rng(5))
        assert np.isnan(seen_heights({"side": drawn.view}, flat_body(), {"side": drawn.finding}, drawn.kinds)).all()

    def test_places_move_with_height_in_a_slanted_top_photo(self):
        """A piece that stands 3 mm higher than supposed is placed 3 mm times the slope of its line of sight off."""
        eye = np.array([0.0, -300.0, 500.0])
        drawn = draw(flat_body(80, 73), side_view(13), RING, 0.0, np.random.default_rng(2))
        supposed = eye[:2] + (RING[0][1] - eye[:2]) * (eye[2] - 70) / (eye[2] - 73)
        solids = solids_of(kinds_of([("drop", supposed, 10.0)]))
        feet = find_feet(drawn.pixels, drawn.view, flat_body(), drawn.finding, solids, eye)
        assert np.nanmedian(feet.rise_mm) == pytest.approx(3.0, abs=0.35)

    @pytest.mark.parametrize("dome", [3.0, -2.5])
    def test_dome_with_a_piece_in_the_middle(self, dome):
        groups = [*RING, ("drop", np.array([[1.0, -2.0]]), 9.0)]
        truth = replace(flat_body(), dome_mm=dome)
        drawn = draw(truth, side_view(17), groups, 0.1, np.random.default_rng(3))
        fitted = flat_body(80, 70 - 0.95 * dome + 0.3)  # a silhouette shows the rim alone
        views = {"top": looking_down(TOP_EYE), "side": drawn.view}
        found = top_height(
            fit_of(fitted, views), {"side": drawn.pixels}, {"side": drawn.finding}, drawn.kinds, TopHeightSettings()
        )
        assert found is not None
        height = fitted.height_mm + found.rise_mm
        assert abs(height - 70) < 2 * found.rise_sd_mm
        assert abs(height - 70) < 0.5 * abs(fitted.height_mm - 70)
        assert abs(found.dome_mm - dome) < 2 * found.dome_sd_mm
        assert np.sign(found.dome_mm) == np.sign(dome)

    def test_front_and_back_show_the_dome(self):
        """On a dome the foot in front touches lower, the one behind higher than the middle of its base."""
        truth = replace(flat_body(), dome_mm=3.0)
        drawn = draw(truth, side_view(17), [("swirl", ring(7, 52.0), 13.0)], 0.0, np.random.default_rng(4))
        flat = flat_body(80, float(truth.top_z_mm(52.0, 0.0)))
        eye = np.array([0.0, 0.0, 1e6])
        feet = find_feet(drawn.pixels, drawn.view, flat, drawn.finding, solids_of(drawn.kinds), eye)
        behind = feet.place_mm[:, 1] > 0
        step = np.nanmedian(feet.rise_mm[behind]) - np.nanmedian(feet.rise_mm[~behind])
        z = truth.top_z_mm(*feet.contact_mm.T)
        assert step == pytest.approx(np.median(z[behind]) - np.median(z[~behind]), abs=0.5)
        assert step > 0.5


class TestBehindTheRim:
    """Feet that the rim hides, or that stand so near it in the photo that either may be what is seen."""

    @pytest.mark.parametrize("rise", [0.0, -1.5])
    def test_pieces_end_at_the_rim(self, rise):
        """Seen from below the top all that shows of the pieces ends where the side begins."""
        drawn = draw(flat_body(80, 70 + rise), side_view(-2.0), RING, 0.0, np.random.default_rng(5))
        views = {"top": looking_down(TOP_EYE), "side": drawn.view}
        fit = fit_of(flat_body(), views)
        feet = find_feet(
            drawn.pixels, drawn.view, fit.body, drawn.finding, solids_of(drawn.kinds), views["top"].eye_mm + [0, 0, 1e6]
        )
        told = np.isfinite(feet.end_mm)
        assert told.sum() >= 3
        assert np.isnan(feet.rise_mm).all()
        assert np.median(feet.end_mm[told]) == pytest.approx(rise, abs=0.6)
        found = top_height(fit, {"side": drawn.pixels}, {"side": drawn.finding}, drawn.kinds)
        assert found is not None
        assert found.rise_sd_mm > 0.4  # lips and dome stay unknown

    def test_border_by_hand(self):
        """A foot supposed just over the rim, one behind it, one that stands clear, one that a nearer piece hides."""
        ends, above = np.array([-1.2, 0.8, -0.5, 0.3]), np.array([0.5, -2.0, 5.0, 0.5])
        free = np.repeat(np.array([True, True, True, False])[:, None], 5, 1)
        border = _border(np.repeat(ends[:, None], 5, 1), np.repeat(above[:, None], 5, 1), free, FeetSettings())
        assert border.end_mm == pytest.approx([-0.7, -1.2, np.nan, np.nan], nan_ok=True)
        assert border.foot_mm[:3] == pytest.approx([0.5, -2.0, 5.0])

    def test_rough_feet_count_less(self):
        """The same figures from feet at the rim move the height less, and leave it less sure."""
        feet = some_feet(np.full(6, -1.5), ring(6, 58.0))
        clear, rough = (
            weigh({"side": f}, np.zeros(6, int), BODY_80, RIM_TILT, TopHeightSettings())
            for f in (feet, replace(feet, rough=np.ones(6, bool)))
        )
        assert clear is not None
        assert rough is not None
        assert clear.rise_mm < rough.rise_mm < 0
        assert clear.rise_sd_mm < rough.rise_sd_mm

    def test_a_piece_that_ends_at_the_rim_stands_no_higher(self):
        """What shows ends at the rim: had the top been where it was fitted, feet would be seen 2 mm over it."""
        low = self.at_the_rim(2.0)
        assert low.rise_mm < -1.2
        assert low.feet == 0, "they say nothing of the tilt"

    def test_a_foot_behind_the_rim_may_lie_however_low(self):
        """Where the fitted top's feet are hidden deep already, that they are tells nothing: 6 mm or 9 are the same."""
        low, lower = self.at_the_rim(-6.0), self.at_the_rim(-9.0)
        assert low.rise_mm == pytest.approx(lower.rise_mm, abs=0.02)
        assert low.rise_sd_mm == pytest.approx(lower.rise_sd_mm, rel=0.02)
        assert low.rise_sd_mm > 1.2 > self.at_the_rim(0.0).rise_sd_mm

    @staticmethod
    def at_the_rim(foot_mm):
        """What eight pieces tell that all end at the rim, where the fitted top's feet would be seen foot_mm over it."""
        feet = some_feet(np.full(8, np.nan), ring(8, 58.0))
        feet = replace(feet, end_mm=np.zeros(8), foot_mm=np.full(8, foot_mm))
        found = weigh({"side": feet}, np.zeros(8, int), BODY_80, RIM_TILT, TopHeightSettings())
        assert found is not None
        return found


class TestNotSeen:
    """Nothing is said where nothing shows."""

    def test_no_decorations(self):
        drawn = draw(flat_body(), side_view(12.0), [], 0.0, np.random.default_rng(6))
        views = {"top": looking_down(TOP_EYE), "side": drawn.view}
        assert top_height(fit_of(flat_body(), views), {"side": drawn.pixels}, {"side": drawn.finding}, ()) is None

    def test_too_few_feet(self):
        feet = {"side": some_feet(np.array([0.5, np.nan, 0.4]), ring(3, 58.0))}
        assert weigh(feet, np.zeros(3, int), BODY_80, RIM_TILT, TopHeightSettings()) is None


# ---------------------------------------------------------------- worked out by hand
def some_feet(rise_mm: np.ndarray, place_mm: np.ndarray) -> Feet:
    n = len(rise_mm)
    return Feet(0.0, rise_mm, np.zeros(n), place_mm, place_mm, np.zeros(n, bool), np.full(n, np.nan), np.zeros(n))


BODY_80 = replace(flat_body(), radius_mm=80.0, dome_mm=0.0)
RIM_TILT = np.eye(2) * 0.003**2  # as outlines tell the slopes of a top
PLAIN = TopHeightSettings(
    sunk_mm=0.0, kind_mm=1e-3, photo_mm=1e-3, tilt=1e-6, wrong_share=0.0, domed_share=0.0, rim_bias_mm=0.0
)


class TestWeighing:
    """Analytic values: with normal errors alone the mean is that of weighted least squares (JCGM 102, 6.2)."""

    def test_normal_errors(self):
        place = np.concatenate([ring(8, 60.0), [[0.0, 0.0]]])
        rise = np.full(9, 0.8)
        rise[-1] = 1.6
        found = weigh({"side": some_feet(rise, place)}, np.zeros(9, int), BODY_80, RIM_TILT, PLAIN)
        share = 0.5 - (np.hypot(*place.T) / 64.0) ** 2
        rows = np.concatenate([np.stack([np.ones(9), share], 1) / PLAIN.piece_mm, [[-1, 0.95], [0, 1]]])
        rows[9] /= PLAIN.rim_mm
        rows[10] /= PLAIN.dome_mm
        right = np.concatenate([rise / PLAIN.piece_mm, [0.0, PLAIN.dome_mean_mm / PLAIN.dome_mm]])
        mean, covariance = np.linalg.lstsq(rows, right, rcond=None)[0], np.linalg.inv(rows.T @ rows)
        assert found is not None
        # the feet far from the mean weigh a little less: outliers are expected
        assert found.rise_mm == pytest.approx(mean[0], abs=0.06)
        assert found.dome_mm == pytest.approx(mean[1], abs=0.15)
        assert found.rise_sd_mm == pytest.approx(np.sqrt(covariance[0, 0]), rel=0.25)
        assert found.dome_sd_mm == pytest.approx(np.sqrt(covariance[1, 1]), rel=0.25)

    def test_ring_at_the_neutral_radius_is_the_height(self):
        """At 0.8/sqrt(2) of the radius a paraboloid lies at its mean height over the disc of 0.8."""
        neutral = 80 * 0.8 / np.sqrt(2)
        settings = replace(PLAIN, rim_mm=50.0)
        found = weigh(
            {"side": some_feet(np.full(8, 1.2), ring(8, neutral))}, np.zeros(8, int), BODY_80, RIM_TILT, settings
        )
        assert found is not None
        assert found.rise_mm == pytest.approx(1.2, abs=0.02)
        assert abs(found.correlation) < 0.05

    def test_one_wrong_foot_hardly_counts(self):
        rise = np.full(9, 0.5)
        wrong = rise.copy()
        wrong[4] = 5.0
        place, kind = ring(9, 58.0), np.zeros(9, int)
        good = weigh({"side": some_feet(rise, place)}, kind, BODY_80, RIM_TILT, TopHeightSettings())
        bad = weigh({"side": some_feet(wrong, place)}, kind, BODY_80, RIM_TILT, TopHeightSettings())
        assert good is not None
        assert bad is not None
        assert bad.rise_mm == pytest.approx(good.rise_mm, abs=0.1)

    def test_a_lone_foot_in_the_middle_is_not_believed_outright(self):
        """A hollow that one foot alone makes so deep may be that foot's own fault, and is stated so."""
        place = np.concatenate([ring(8, 68.0), [[0.0, 0.0]]])
        feet = {"side": some_feet(np.append(np.full(8, -0.7), -2.6), place)}
        believed, doubted = (
            weigh(feet, np.zeros(9, int), BODY_80, RIM_TILT, TopHeightSettings(wrong_dome_mm=wide))
            for wide in (0.0, TopHeightSettings().wrong_dome_mm)
        )
        assert believed is not None
        assert doubted is not None
        assert doubted.dome_sd_mm > 1.3 * believed.dome_sd_mm
        assert believed.dome_mm < doubted.dome_mm < 0

    def test_two_photos_know_more_than_one(self):
        feet = some_feet(np.full(6, 0.5), ring(6, 58.0))
        one = weigh({"side": feet}, np.zeros(6, int), BODY_80, RIM_TILT, TopHeightSettings())
        two = weigh({"side": feet, "side2": feet}, np.zeros(6, int), BODY_80, RIM_TILT, TopHeightSettings())
        assert one is not None
        assert two is not None
        assert two.rise_sd_mm < one.rise_sd_mm
        assert two.feet == 12

    def test_feet_on_the_fitted_plane_tell_no_dome(self):
        settings = TopHeightSettings()
        found = weigh(
            {"side": some_feet(np.full(8, -settings.sunk_mm), ring(8, 58.0))},
            np.zeros(8, int),
            BODY_80,
            RIM_TILT,
            settings,
        )
        assert found is not None
        assert abs(found.rise_mm) < 0.35
        assert abs(found.dome_mm) < 0.6

    def test_tilt_is_the_weighted_mean_of_feet_and_rim(self):
        """Analytic: a ring of n feet tells a slope with the variance 2 s^2 / (n r^2); the rim's weighs against it."""
        place, slope, settings = ring(12, 60.0), np.array([0.004, -0.002]), replace(PLAIN, rim_level_mm=0.0)
        found = weigh({"side": some_feet(place @ slope, place)}, np.zeros(12, int), BODY_80, RIM_TILT, settings)
        assert found is not None
        own = 2 * settings.piece_mm**2 / (12 * 60.0**2)
        share = 0.003**2 / (0.003**2 + own)
        np.testing.assert_allclose(found.slope, share * slope, atol=2e-4)
        np.testing.assert_allclose(found.slope_covariance, np.eye(2) * share * own, rtol=0.3, atol=1e-8)


class TestRaised:
    """The corrected fit."""

    def test_height_and_covariance(self):
        cake = np.zeros(joint.CAKE)
        cake[[joint.RADIUS, joint.HEIGHT, joint.EDGE, joint.BOARD_HALF]] = 80, 70, 3, 100
        c = np.eye(joint.CAKE) + 0.1
        fit = CakeFit(
            joint.body_of(cake),
            joint.board_of(cake, False),
            {},
            {},
            cake,
            c,
            np.concatenate([cake, np.zeros(joint.PHOTO)]),
            True,
            1.0,
            {},
            {"corners": c},
            False,
            np.concatenate([cake, np.zeros(joint.PHOTO)]),
            FitSettings(),
            {},
        )
        found = TopHeight(1.5, 0.4, 2.0, 0.7, 0.3, np.array([0.001, 0.0]), np.eye(2) * 1e-6, 9, {"side": 0.1})
        raised = raise_top(fit, found)
        assert raised.body.height_mm == pytest.approx(71.5)
        assert raised.body.dome_mm == pytest.approx(2.0)
        assert raised.body.slope == pytest.approx([0.001, 0.0])
        assert raised.covariance[joint.HEIGHT, joint.HEIGHT] == pytest.approx(0.16)
        assert raised.covariance[joint.HEIGHT, joint.DOME] == pytest.approx(0.3 * 0.4 * 0.7)
        assert raised.covariance[joint.HEIGHT, joint.RADIUS] == 0
        np.testing.assert_allclose(sum(raised.shares.values()), raised.covariance)
        assert fit.cake[joint.HEIGHT] == 70
        assert np.linalg.eigvalsh(raised.covariance).min() > 0
        by_marks = raise_top(fit, replace(found, feet=0, slope=np.zeros(2)))  # the tilt stays the outlines'
        np.testing.assert_allclose(
            by_marks.covariance[joint.SLOPE],
            fit.covariance[joint.SLOPE]
            * (np.arange(joint.CAKE) != joint.HEIGHT)
            * (np.arange(joint.CAKE) != joint.DOME),
        )
        np.testing.assert_allclose(sum(by_marks.shares.values()), by_marks.covariance)


class TestOutlines:
    """Small pieces of geometry, by hand."""

    def test_front_arc_is_the_nearer_one(self):
        a = np.linspace(0, 2 * np.pi, 100, endpoint=False)
        u, v = front_arc(np.stack([np.cos(a), np.sin(a)], -1), -np.sin(a))  # the part with v > 0 is nearer
        assert np.all(np.diff(u) >= 0)
        assert v.min() > -1e-9

    def test_chains_of_a_square(self):
        square = np.array([[0, 0], [2, 1], [3, 3], [1, 2.5]], float)
        (upper_u, upper_v), (lower_u, lower_v) = chains(square)
        assert np.interp(2, upper_u, upper_v) == pytest.approx(1)
        assert np.interp(1, lower_u, lower_v) == pytest.approx(2.5)
