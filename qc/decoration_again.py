"""A second look at pieces whose outline no solid fits: where does a solid of the usual size have edges all round?

Glare, a piece's own shadow and icing of its colour make the network lose part of a piece, and the edges near a wrong
outline are wrong ones. Pieces of one kind are nearly alike, though: their usual solid is moved about and resized until
the picture's edges run along its outline, and where that is clearly better, the edges are followed anew from there.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.camera import View
from qc.decoration_edges import LINEAR, EdgeSettings, refine
from qc.decoration_kinds import KindFit
from qc.decoration_regions import Regions
from qc.decoration_shapes import Fit, Outline, solid_outline

Array = NDArray[np.float64]


@dataclass(frozen=True)
class AgainSettings:
    """When to look again, and what counts; shares chosen on rendered cakes kept for that."""

    rounds: int = 2  # the usual size is better known after the first
    least_pieces: int = 3  # of a kind, to know what is usual
    asked_pieces: int = 6  # at most so many are asked how well a piece that is there fits its edges
    misfit_mm: float = 0.4  # rms of an outline about its solid from which it is doubted: whole pieces leave 0.1 to 0.4
    unusual: float = 0.2  # log ratio to the usual size from which it is doubted too
    gain: float = 0.12  # of the score by which another place must be better
    seen_share: float = 0.8  # of the known pieces' edges from which a piece stands at an empty place
    bent: float = 0.05  # spread of the footprint's harmonics from which a round solid says nothing
    reach_mm: float = 6.0  # to either side
    coarse_mm: float = 1.0
    fine_mm: float = 0.25
    size_sd: float = 0.07  # log spread of sizes by hand
    size_price: float = 0.03  # of the score for one such spread, squared and halved
    region: float = 0.3  # worth of the network's opinion beside the edges
    band_mm: tuple[float, ...] = (1.0, 2.0, 3.0)  # inside and outside the outline, where its opinion is asked
    slack_mm: tuple[float, ...] = (-0.6, -0.3, 0.0, 0.3, 0.6)  # across the outline, where an edge may lie
    step_mm: float = 0.3  # of the flattened picture
    blur_mm: float = 0.4
    usual_edge: float = 85.0  # percentile of the gradient that is worth half a perfect edge
    trust_mm: float = 1.0  # when edges are followed from the new place
    black: float = 0.02  # of full light, added before the logarithm: sensor noise in the dark


@dataclass(frozen=True)
class TopScene:
    """The top photo as a second look needs it: what the first one saw, the picture (H, W, 3) RGB, and how to look."""

    regions: Regions
    pixels: NDArray[np.uint8]
    view: View
    edges: EdgeSettings
    again: AgainSettings

    def followed(self, outline: Outline) -> Outline:
        """An outline whose edges are followed anew from where it is."""
        return refine([outline], self.pixels, self.view, self.edges, self.again.trust_mm)[0]


@dataclass(frozen=True)
class Patch:
    """The flattened picture round one piece, on the horizontal plane through its foot.

    Layers lie apart: a single one is sampled in a fifth of the time of six together, and not rounded to 1/32 of a step.
    """

    slopes: tuple[NDArray[np.float32], ...]  # six (N, N) of log linear light, per step: along x, then y, by colour
    piece: NDArray[np.float32]  # (N, N) probability that it shows this piece
    low_mm: Array  # (2,) place of [0, 0]
    step_mm: float
    usual: float  # slope worth half a perfect edge

    def places_px(self, line_mm: Array, shifts_mm: Array) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Columns and rows (K, M) of the places of a line (M, 2) shifted by (K, 2)."""
        line, shift = (line_mm - self.low_mm) / self.step_mm, shifts_mm / self.step_mm
        x, y = ((line[:, k] + shift[:, k, None]).astype(np.float32) for k in range(2))
        return x, y

    def across(self, line_mm: Array, normal: Array, shifts_mm: Array) -> NDArray[np.float32]:
        """Slope (K, M), over all colours, along the normals (M, 2) of a line (M, 2) shifted by (K, 2)."""
        x, y = self.places_px(line_mm, shifts_mm)
        by_x, by_y = (np.ascontiguousarray(n, np.float32) for n in normal.T)
        square = np.zeros(x.shape, np.float32)
        for along_x, along_y in zip(self.slopes[:3], self.slopes[3:], strict=True):
            slope = cv2.remap(along_x, x, y, cv2.INTER_LINEAR) * by_x
            slope += cv2.remap(along_y, x, y, cv2.INTER_LINEAR) * by_y
            cv2.accumulateSquare(slope, square)
        return np.sqrt(square)

    def share(self, line_mm: Array, shifts_mm: Array) -> Array:
        """Mean probability (K,) that a line (M, 2) shifted by (K, 2) runs over this piece."""
        return np.asarray(cv2.remap(self.piece, *self.places_px(line_mm, shifts_mm), cv2.INTER_LINEAR).mean(1), float)


@dataclass(frozen=True)
class _Place:
    """A solid somewhere, and how well the picture agrees."""

    centre_mm: Array
    radius_mm: float
    score: float


def look_again(outlines: list[Outline], kinds: list[KindFit], scene: TopScene) -> list[Outline]:
    """Outlines (N) with the doubtful ones followed anew where the usual solid fits the picture better elsewhere."""
    out, settings = list(outlines), scene.again
    for kind in kinds:
        fit = kind.best
        if len(kind.members) < settings.least_pieces or fit.shape.plan_sd > settings.bent:
            continue
        usual = float(np.median(fit.radii_mm))
        for k, i in enumerate(kind.members):
            unusual = abs(np.log(fit.radii_mm[k] / usual)) > settings.unusual
            if fit.rms_mm[k] < settings.misfit_mm and not unusual:
                continue
            patch = patch_round(outlines[i], scene, scene.regions.pieces[i].label, usual)
            here = _Place(fit.centres_mm[k], float(fit.radii_mm[k]), 0.0)
            here = replace(here, score=_score(patch, fit, outlines[i], here, np.zeros((1, 2)), usual, settings)[0])
            found = search(patch, fit, outlines[i], fit.centres_mm[k], usual, settings)
            if found.score > here.score + settings.gain:
                out[i] = scene.followed(_outline_at(found, fit, outlines[i]))
    return out


def look_at_empty(places_mm: Array, outlines: list[Outline], kinds: list[KindFit], scene: TopScene) -> list[Outline]:
    """Outlines of pieces that stand at places (M, 2) where the network saw none, as far as their edges show.

    Only edges count here; a place is empty unless they run round a usual solid nearly as well as round the pieces that
    are known. On 45 rendered cakes bare icing came to 0.74 times the pieces' median at most.
    """
    settings = scene.again
    round_ones = [k for k in kinds if k.best.shape.plan_sd <= settings.bent]
    kind = max(round_ones, key=lambda k: len(k.members), default=None)
    if len(places_mm) == 0 or kind is None or len(kind.members) < settings.least_pieces:
        return []
    fit, only_edges = kind.best, replace(settings, region=0.0)
    usual = float(np.median(fit.radii_mm))
    best = lambda outline, at, label: search(  # noqa: E731
        patch_round(outline, scene, label, usual), fit, outline, at, usual, only_edges
    )
    labels = [piece.label for piece in scene.regions.pieces]
    some = list(enumerate(kind.members))[:: -(-len(kind.members) // settings.asked_pieces)]
    known = [best(outlines[i], fit.centres_mm[k], labels[i]).score for k, i in some]
    out = []
    for place in places_mm:
        near = min(outlines, key=lambda o: float(np.hypot(*(o.middle_mm - place))))
        empty = replace(near, middle_mm=place)
        found = best(empty, place, -1)
        if found.score > settings.seen_share * float(np.median(known)):
            out.append(scene.followed(_outline_at(found, fit, empty)))
    return out


def patch_round(outline: Outline, scene: TopScene, label: int, radius_mm: float) -> Patch:
    """Flatten the picture round a piece; what the network gave to other pieces counts as none of it."""
    settings, regions = scene.again, scene.regions
    half = 2.5 * radius_mm + settings.reach_mm + max(settings.band_mm)
    g = np.arange(-half, half, settings.step_mm)
    places = outline.middle_mm + np.stack(np.meshgrid(g, g), -1)
    q = scene.view.project(np.concatenate([places, np.full((*places.shape[:2], 1), outline.foot_z_mm)], -1))
    q = q.astype(np.float32)
    light = np.log(LINEAR[cv2.remap(scene.pixels, q[..., 0], q[..., 1], cv2.INTER_AREA)] + settings.black)
    bell, steep = _bell(settings.blur_mm / settings.step_mm)
    along = [cv2.sepFilter2D(light, -1, *w, borderType=cv2.BORDER_REFLECT) for w in ((steep, bell), (bell, steep))]
    slopes = tuple(np.ascontiguousarray(slope[..., c], np.float32) for slope in along for c in range(3))
    strength = np.sqrt(np.sum([s * s for s in slopes], 0))
    other = (regions.labels != 0) & (regions.labels != label)
    mine = np.where(other, np.float32(0), regions.map.probability)
    px = regions.map.to_px(places).astype(np.float32)
    piece = np.asarray(cv2.remap(mine, px[..., 0], px[..., 1], cv2.INTER_LINEAR), np.float32)
    usual = max(float(np.percentile(strength, settings.usual_edge)), 1e-6)
    return Patch(slopes, piece, places[0, 0], settings.step_mm, usual)


def _bell(sigma_px: float) -> tuple[Array, Array]:
    """Gaussian weights out to four standard deviations, and those of its slope."""
    reach = int(4 * sigma_px + 0.5)
    x = np.arange(-reach, reach + 1)
    weight = np.exp(-0.5 * (x / sigma_px) ** 2)
    weight /= weight.sum()
    return weight, weight * x / sigma_px**2


def search(
    patch: Patch, fit: Fit, outline: Outline, start_mm: Array, usual_mm: float, settings: AgainSettings
) -> _Place:
    """Best place and size of the usual solid about `start_mm`: a coarse grid, then a fine one."""
    best = _Place(start_mm, usual_mm, -np.inf)
    spans = ((settings.reach_mm, settings.coarse_mm, 1.0), (0.75 * settings.coarse_mm, settings.fine_mm, 0.25))
    for reach, step, share in spans:
        g = np.arange(-reach, reach + 1e-9, step)
        shifts = np.stack(np.meshgrid(g, g), -1).reshape(-1, 2)
        shifts = shifts[np.hypot(*shifts.T) <= np.sqrt(2) * reach]
        first = best
        for sizes in np.exp(settings.size_sd * share * np.arange(-2, 3)):
            tried = replace(first, radius_mm=float(first.radius_mm * sizes))
            score = _score(patch, fit, outline, tried, shifts, usual_mm, settings)
            k = int(score.argmax())
            if score[k] > best.score:
                best = _Place(first.centre_mm + shifts[k], tried.radius_mm, float(score[k]))
    return best


def _score(
    patch: Patch, fit: Fit, outline: Outline, place: _Place, shifts_mm: Array, usual_mm: float, settings: AgainSettings
) -> Array:
    """Agreement (K,) of the picture with a solid shifted by (K, 2): edges along it, the network inside and outside it.

    0 (nothing there) to about 1 for the edges; the outline moves with its solid, which over some millimetres is exact
    enough to search by.
    """
    middle, ray, radius = solid_outline(fit, place.centre_mm, place.radius_mm, outline.eye_mm, len(outline.ray))
    size = 0.5 * (np.log(place.radius_mm / usual_mm) / settings.size_sd) ** 2
    line = middle + ray * radius[:, None]
    along = np.roll(line, -1, 0) - np.roll(line, 1, 0)
    normal = np.stack([along[:, 1], -along[:, 0]], -1) / np.linalg.norm(along, axis=1)[:, None]
    slack = np.array(settings.slack_mm, np.float32)
    beside = lambda steps: (line + normal * steps[:, None, None]).reshape(-1, 2)  # noqa: E731
    across = patch.across(beside(slack), np.tile(normal, (len(slack), 1)), shifts_mm)
    across = (across / (across + patch.usual)).reshape(len(shifts_mm), len(slack), len(line))
    edge = (across * (1 - 0.1 * (slack / slack.max()) ** 2)[:, None]).max(1).mean(1)
    score = edge - settings.size_price * size
    if settings.region > 0:
        band = np.array(settings.band_mm)
        score += settings.region * (patch.share(beside(-band), shifts_mm) - patch.share(beside(band), shifts_mm))
    return np.asarray(score, float)


def _outline_at(place: _Place, fit: Fit, outline: Outline) -> Outline:
    """The solid's outline, free all round: what it was bounded by before belongs to the old place."""
    middle, ray, radius = solid_outline(fit, place.centre_mm, place.radius_mm, outline.eye_mm, len(outline.ray))
    return replace(outline, middle_mm=middle, ray=ray, radius_mm=radius, weight=np.ones(len(ray)))
