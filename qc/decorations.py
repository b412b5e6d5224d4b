"""Decorations on the top, one by one, and the pattern that they make.

The network says roughly where pieces are (`decoration_regions`), their outlines are followed in the full photo
(`decoration_edges`), leaning solids are fitted to these (`decoration_shapes`, `decoration_kinds`), and their middles
and sizes are judged as a pattern (`pattern`, `decoration_pattern`).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.camera import View
from qc.decoration_again import AgainSettings, TopScene, look_again, look_at_empty
from qc.decoration_borders import Border
from qc.decoration_edges import EdgeSettings, refine, rough_outlines
from qc.decoration_kinds import KindFit, KindSettings, fit_kinds, look_at
from qc.decoration_pattern import PatternSettings, Pieces, Plane, judge_pattern
from qc.decoration_regions import Regions, RegionSettings, find_regions, top_map
from qc.decoration_shapes import HARMONICS, SHAPES, Fit, Outline
from qc.finder import Finding
from qc.pattern import Evenness, Ideal, Ring
from qc.quantities import Decoration, Measurement

Array = NDArray[np.float64]
HARDLY_SEEN = 0.5  # probability given to a piece that the network missed: it stays in doubt


@dataclass(frozen=True)
class DecorationSettings:
    """Settings of all steps."""

    regions: RegionSettings = field(default_factory=RegionSettings)
    edges: EdgeSettings = field(default_factory=EdgeSettings)
    kinds: KindSettings = field(default_factory=KindSettings)
    again: AgainSettings = field(default_factory=AgainSettings)
    pattern: PatternSettings = field(default_factory=PatternSettings)


@dataclass(frozen=True)
class Traced:
    """The pieces' outlines in one photo, before they are judged.

    Attributes
    ----------
    outlines : tuple of Outline, N
    seen : ndarray, shape (N,)
        The network's mean probability of each piece.
    doubtful_mm : ndarray, shape (M, 2)
        Places of what hardly is a piece.
    expected : int or None
        Places on the main ring by the house standard.
    """

    outlines: tuple[Outline, ...]
    seen: Array
    doubtful_mm: Array
    expected: int | None


@dataclass(frozen=True)
class DecorationResult:
    """Pieces by the clock, what was measured on them, and the pattern behind it.

    Attributes
    ----------
    evenness : Evenness or None
        Uniformity test of the main ring; None without a ring.
    rings : tuple of Ring
        The main ring, then the second one; members index `pieces`.
    ideals : tuple of Ideal
        The even pattern nearest to each ring.
    borders : tuple of Border
        Piped borders of touching shells, which are no decorations: along the rim; that at the foot is the pipeline's to
        add, since all photos show it.
    kinds : tuple of KindFit
        Solids that the pieces are like, the doubtful ones included: what stands on the top in the other photos.
    traced : Traced or None
        What was judged; from it `seen_anew` judges again.
    """

    pieces: tuple[Decoration, ...]
    measurements: tuple[Measurement, ...]
    evenness: Evenness | None = None
    rings: tuple[Ring, ...] = ()
    ideals: tuple[Ideal, ...] = ()
    warnings: tuple[str, ...] = ()
    borders: tuple[Border, ...] = ()
    kinds: tuple[KindFit, ...] = ()
    traced: Traced | None = None


def find_decorations(
    pixels: NDArray[np.uint8],
    view: View,
    body: Body,
    finding: Finding | None = None,
    expected: int | None = None,
    settings: DecorationSettings | None = None,
    height_sd_mm: float = 0.0,
) -> DecorationResult:
    """Find every piece on the top and judge the pattern.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3), uint8
        The upright top photo, RGB.
    view : View
        Its lens and pose in the cake frame.
    body : Body
        The iced cake.
    finding : Finding, optional
        What the network saw in the whole photo; a closer look at the top is taken in any case.
    expected : int, optional
        Places on the main ring by the house standard; inferred from the gaps when left out.
    height_sd_mm : float
        Standard uncertainty of the height of the top's plane; 0 where view and body are known exactly.

    Returns
    -------
    DecorationResult
        Lengths in millimetres in the cake frame; uncertainties expanded (k = 2).
    """
    settings = settings or DecorationSettings()
    regions = find_regions(top_map(pixels, view, body, finding, settings.regions), settings.regions)
    outlines = refine(rough_outlines(regions, view, body, settings.edges), pixels, view, settings.edges)
    outlines, kinds = settle(outlines, regions, pixels, view, settings)
    traced = Traced(
        tuple(outlines),
        np.array([r.probability for r in regions.pieces]),
        regions.doubtful_mm(settings.regions),
        expected,
    )
    found = _judged(traced, kinds, view, body, settings, height_sd_mm)
    empty = found.rings[0].missing_mm if found.rings else np.zeros((0, 2))
    more = look_at_empty(empty, outlines, kinds, TopScene(regions, pixels, view, settings.edges, settings.again))
    if not more:
        return found
    seen = np.append(traced.seen, np.full(len(more), HARDLY_SEEN))
    traced = replace(traced, outlines=(*outlines, *more), seen=seen)
    return _judged(traced, _kinds(traced.outlines, pixels, view, settings), view, body, settings, height_sd_mm)


def seen_anew(
    found: DecorationResult,
    pixels: NDArray[np.uint8],
    before: View,
    view: View,
    body: Body,
    settings: DecorationSettings | None = None,
    height_sd_mm: float = 0.0,
    seen_ratio: Array | None = None,
) -> DecorationResult:
    """The same pieces judged once more, now that camera and cake are better known.

    Parameters
    ----------
    found : DecorationResult
        By `find_decorations` in the same photo, with the view `before`.
    seen_ratio : ndarray, shape (N,), optional
        Height over breadth of the pieces as the side photos show it (`piece_tops.seen_heights`).
    """
    if found.traced is None:
        return found
    settings = settings or DecorationSettings()
    traced = replace(found.traced, outlines=tuple(_carried(o, before, view, body) for o in found.traced.outlines))
    kinds = _kinds(traced.outlines, pixels, view, settings, seen_ratio)
    return _judged(traced, kinds, view, body, settings, height_sd_mm)


def _carried(outline: Outline, before: View, view: View, body: Body) -> Outline:
    """The same line in the photo, drawn on the plane through the piece's foot as it is known now."""
    line = np.concatenate([outline.middle_mm[None], outline.middle_mm + outline.ray * outline.radius_mm[:, None]])
    px = before.project(np.column_stack([line, np.full(len(line), outline.foot_z_mm)]))
    foot_z = float(body.top_z_mm(*view.onto_height(px[0], outline.foot_z_mm)[:2]))
    middle, *edge = view.onto_height(px, foot_z)[:, :2]
    away = np.array(edge) - middle
    length = np.hypot(*away.T)
    return replace(
        outline,
        middle_mm=middle,
        ray=away / length[:, None],
        radius_mm=length,
        eye_mm=view.eye_mm - [0, 0, foot_z],
        foot_z_mm=foot_z,
    )


def _kinds(
    outlines: Sequence[Outline],
    pixels: NDArray[np.uint8],
    view: View,
    settings: DecorationSettings,
    seen_ratio: Array | None = None,
) -> list[KindFit]:
    return fit_kinds(list(outlines), [look_at(o, pixels, view) for o in outlines], settings.kinds, seen_ratio)


def _judged(
    traced: Traced, kinds: list[KindFit], view: View, body: Body, settings: DecorationSettings, height_sd_mm: float
) -> DecorationResult:
    """The pattern that the pieces make."""
    pattern = judge_pattern(
        stand_upright(traced.seen, list(traced.outlines), kinds),
        body,
        traced.expected,
        settings.pattern,
        traced.doubtful_mm,
        Plane(view.eye_mm - [0, 0, body.height_mm], height_sd_mm),
    )
    return DecorationResult(
        pattern.pieces,
        pattern.measurements,
        pattern.evenness,
        pattern.rings,
        pattern.ideals,
        pattern.warnings,
        (pattern.rim,) if pattern.rim is not None else (),
        tuple(kinds),
        traced,
    )


def settle(
    outlines: list[Outline], regions: Regions, pixels: NDArray[np.uint8], view: View, settings: DecorationSettings
) -> tuple[list[Outline], list[KindFit]]:
    """Kinds and solids of the pieces, with a second look at outlines that no solid fits."""
    for turn in range(settings.again.rounds + 1):
        kinds = _kinds(outlines, pixels, view, settings)
        if turn == settings.again.rounds:
            break
        anew = look_again(outlines, kinds, TopScene(regions, pixels, view, settings.edges, settings.again))
        if all(a is b for a, b in zip(anew, outlines, strict=True)):
            break
        outlines = anew
    return outlines, kinds


def stand_upright(seen: Array, outlines: list[Outline], kinds: list[KindFit]) -> Pieces:
    """Footprints of the pieces: their lean in the photo taken out, shape by shape, weighed by how likely each is.

    seen (N,): the network's mean probability of each piece.
    """
    n = len(outlines)
    centre, radius = np.zeros((len(SHAPES), n, 2)), np.zeros((len(SHAPES), n))
    weight, rms = np.zeros((len(SHAPES), n)), np.zeros(n)
    plan = np.zeros((n, 2 * len(HARMONICS)))
    for kind in kinds:
        centre[:, kind.members] = [f.centres_mm for f in kind.fits]
        radius[:, kind.members] = [_equal_area_radius(f) for f in kind.fits]
        weight[:, kind.members] = kind.share[:, None]
        rms[kind.members], plan[kind.members] = kind.best.rms_mm, kind.best.harmonics
    eye = np.array([o.eye_mm for o in outlines]).reshape(n, 3)
    mean = np.einsum("sn,snc->nc", weight, centre)
    size_mm = np.einsum("sn,sn->n", weight, radius)
    lean = (mean - eye[:, :2]) / np.maximum(eye[:, 2:], 1.0)  # outward shift in the photo per mm of height
    return Pieces(mean, 2 * size_mm, lean, rms, seen, plan, centre, 2 * radius, weight)


def _equal_area_radius(fit: Fit) -> Array:
    """Radius (N,) of the circle of the footprint's area: pi a^2 (1 + sum of the harmonics' squares / 2)."""
    return fit.radii_mm * np.sqrt(1 + 0.5 * (fit.harmonics**2).sum(1))
