"""Which solid each piece is most like: by its colour, by how the nozzle wound it, and by how well its outline fits.

Seen from one side an outline hardly tells a dome from an egg, so looks must help: berries are redder or bluer than any
icing near them, a wound rosette has edges round its middle, a star-nozzle kiss has edges that run outwards, a macaron
is smooth. Where looks say little, several shapes keep their weight and the result's uncertainty grows.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import rgb2lab

from qc.camera import View
from qc.decoration_shapes import RAYS_ALIKE, SHAPES, Fit, Outline, fit_shape

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Look:
    """How a piece looks inside its outline."""

    lab: Array  # (3,) median CIELAB of the photo's own colours
    winding: float  # log ratio of lightness steps along the radius to those round the middle
    relief: float  # mean lightness step, L* per step of 1/25 radius


@dataclass(frozen=True)
class KindSettings:
    """Limits that tell kinds apart."""

    same_hue: float = 15.0  # distance in a*, b* (and a third of L*) within which pieces are of one kind
    same_size: float = 1.45  # ratio of radii within which pieces are of one kind
    red: float = 24.0  # a* from which a piece may be a red fruit
    flesh: float = 8.0  # a* from which a pale piece may be the inside of a red fruit
    rays: int = 64  # directions of an outline


@dataclass(frozen=True)
class KindFit:
    """Pieces of one kind, fitted with every shape."""

    members: NDArray[np.int64]  # (M,) their numbers
    fits: tuple[Fit, ...]  # (S,) in the order of SHAPES
    share: Array  # (S,) probability of each shape

    @property
    def best(self) -> Fit:
        """The likeliest one."""
        return self.fits[int(self.share.argmax())]


def fit_kinds(
    outlines: list[Outline], looks: list[Look], settings: KindSettings, seen_ratio: Array | None = None
) -> list[KindFit]:
    """Sort pieces into kinds and fit every shape to each kind.

    seen_ratio (N,): height over breadth as the side photos show it, NaN where they don't.
    """
    if not outlines:
        return []
    size = np.array([np.sqrt((o.radius_mm**2).mean()) for o in outlines])
    kinds = groups(looks, size, settings)
    cut = cut_faces(kinds, looks, size, settings)
    out = []
    for group, cut_face in zip(kinds, cut, strict=True):
        known = seen_ratio[group][np.isfinite(seen_ratio[group])] if seen_ratio is not None else np.zeros(0)
        ratio = float(np.median(known)) if len(known) else None
        fits = tuple(fit_shape([outlines[i] for i in group], s, ratio) for s in SHAPES)
        share = weigh(fits, [looks[i] for i in group], settings, cut_face, any(cut))
        out.append(KindFit(group, fits, share))
    return out


def look_at(outline: Outline, pixels: NDArray[np.uint8], view: View) -> Look:
    """Colour and texture of one piece on rays from its middle."""
    share = np.linspace(0.05, 0.9, 24)
    places = outline.middle_mm + outline.ray[:, None] * (outline.radius_mm[:, None] * share)[..., None]
    q = view.project(np.concatenate([places, np.full((*places.shape[:2], 1), outline.foot_z_mm)], -1))
    q = q.astype(np.float32)
    lab = rgb2lab(cv2.remap(pixels, q[..., 0], q[..., 1], cv2.INTER_LINEAR))
    core = lab[:, 3:18, 0]
    along, around = np.abs(np.diff(core, axis=1)).mean(), np.abs(np.diff(core, axis=0)).mean()
    return Look(np.median(lab.reshape(-1, 3), 0), float(np.log((along + 0.1) / (around + 0.1))), float(along + around))


def groups(looks: list[Look], radii_mm: Array, settings: KindSettings) -> list[NDArray[np.int64]]:
    """Pieces of one kind together: alike in hue and size, by single linkage."""
    n = len(looks)
    hue = np.array([look.lab / [3, 1, 1] for look in looks])
    apart = np.linalg.norm(hue[:, None] - hue[None], axis=-1) > settings.same_hue
    apart |= np.abs(np.log(radii_mm[:, None] / radii_mm[None])) > np.log(settings.same_size)
    label = np.arange(n)
    for i in range(n):
        for j in range(i):
            if not apart[i, j]:
                label[label == label[i]] = label[j]
    return [np.nonzero(label == k)[0] for k in np.unique(label)]


def cut_faces(kinds: list[NDArray[np.int64]], looks: list[Look], radii_mm: Array, settings: KindSettings) -> list[bool]:
    """Which groups are the pale cut faces of halved fruit: smooth, still reddish, as large as red fruit beside them."""
    shown = [_typical([looks[i] for i in g]) for g in kinds]
    size = [float(np.median(radii_mm[g])) for g in kinds]
    red = [k for k, look in enumerate(shown) if _red(look, settings)]
    out = []
    for k, look in enumerate(shown):
        alike = [j for j in red if abs(np.log(size[j] / size[k])) < np.log(settings.same_size)]
        pale = look.lab[1] > settings.flesh and look.lab[2] > 0.3 * look.lab[1]
        out.append(k not in red and pale and any(look.relief < 0.4 * shown[j].relief for j in alike))
    return out


def weigh(
    fits: Sequence[Fit], looks: list[Look], settings: KindSettings, cut_face: bool = False, cut_beside: bool = False
) -> Array:
    """Probability (S,) of each shape for one group of pieces.

    cut_face: the group shows the cut faces of fruit; cut_beside: another group does.
    """
    share = _by_look(_typical(looks), settings, cut_face, cut_beside)
    n, rays = len(looks), settings.rays
    # a shape whose footprint bends more freely fits better for nothing: 2 log(prior / data) for each of 4 harmonics
    freedom = np.array([8 * n * np.log(s.plan_sd / 0.03) for s in SHAPES])
    cost = np.array([f.cost for f in fits]) + freedom
    noise = max(1.0, float(cost.min()) / (n * rays * 0.2))  # outlines that fit nothing well decide little
    log = np.log(share) - (cost - cost.min()) / (2 * RAYS_ALIKE * np.sqrt(noise))
    weight = np.exp(log - log.max())
    return weight / weight.sum()


def _typical(looks: list[Look]) -> Look:
    return Look(
        np.median([look.lab for look in looks], 0),
        float(np.median([look.winding for look in looks])),
        float(np.median([look.relief for look in looks])),
    )


def _red(look: Look, settings: KindSettings) -> bool:
    return bool(look.lab[1] > settings.red and look.lab[2] > 0.25 * look.lab[1])


def _by_look(look: Look, settings: KindSettings, cut_face: bool, cut_beside: bool) -> Array:
    """Share (S,) of each shape among pieces that look so."""
    if cut_face:
        share = {"open half": 0.9, "disc": 0.05}
    elif _red(look, settings) and cut_beside:
        share = {"egg": 0.05, "lying half": 0.9}
    elif _red(look, settings):
        share = {"egg": 0.6, "lying half": 0.25, "ball": 0.1}
    elif look.lab[0] < 42 and look.lab[2] < -5:  # dark and blue
        share = {"ball": 0.95, "egg": 0.05}
    else:
        wound = 1 / (1 + np.exp(-(look.winding - 0.13) / 0.04))
        smooth = 1 / (1 + np.exp((look.relief - 1.5) / 0.2))
        share = {
            "swirl": wound * (1 - smooth) + 0.02,
            "drop": (1 - wound) * (1 - smooth) + 0.02,
            "dome": smooth * 0.6 + 0.02,
            "disc": smooth * 0.4 + 0.02,
        }
    return np.array([share.get(s.name, 0.0) + 0.002 for s in SHAPES])
