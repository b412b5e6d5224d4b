"""How far the fitted body's outline lies from the true one in each photo of rendered cakes.

python -m tests.long.contour_error FOLDER [FOLDER ...] [--keep FITS]

Each FOLDER holds */{top,side,side2}.jpg with truth.json, and masks where there are any.

The truth is the rendered body itself, waves, ridges, dome, lip and faults included: its mesh is built anew from the
cake's parameters and projected by the photo's true camera. Drips are no part of the body: where they stand over it the
outline is left out. Distances are taken along the fitted outline's normals and turned into millimetres at the cake's
middle. Two figures a photo: over the whole outline, and (where there are masks) over what no decoration, piping or
card hides. A cake is lost when the outline encloses less than 0.9 of what it should (intersection over union).
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from qc.camera import View
from qc.contour import Contour, body_contour
from qc.errors import CakeQCError
from qc.fit import CakeFit
from sample_images.render.geometry import build_body
from tests import truth as truths
from tests.long.fitted import cakes_of, fit_of

Array = NDArray[np.float64]
POINTS = 400  # along each outline
REACH_MM = 20.0  # how far from the fitted outline the true one is looked for
LOST = 0.9
FEWEST = 20  # points that make a figure; where drips run all round, a photo may show nothing of the body's outline
DRIP_MM = 0.05  # a drip that moves the outline by more hides the body
HIDDEN_PX = 3  # nearer to a piece's mask than this the outline counts as hidden


@dataclass(frozen=True)
class PhotoError:
    """One photo: signed distances (N,) of the fitted outline outside the true one, where both are known."""

    cake: str
    photo: str
    width_px: int
    error_mm: Array
    seen: NDArray[np.bool_] | None  # (N,) which points nothing hides; None without masks
    overlap: float  # intersection over union of the two outlines' hulls

    def __str__(self) -> str:
        known = len(self.error_mm) >= FEWEST
        middle = f"{np.median(np.abs(self.error_mm)):.2f}" if known else "drips all round"
        return f"{self.photo} {middle} ({self.overlap:.3f})"


def true_surface(truth: dict[str, Any]) -> tuple[Array, Array | None]:
    """Grid (rows, cols, 3) of the rendered body in the cake frame without drips, and with them where there are any."""
    body = build_body(truth["params"])
    if not truth["params"]["drips"]:
        return np.asarray(body.P, np.float64), None
    bare = build_body({**truth["params"], "drips": None})
    moved = np.append(bare.shift - body.shift, 0.0)  # each is centred on its own plan outline
    return np.asarray(bare.P + moved, np.float64), np.asarray(body.P, np.float64)


def outline_offsets(surface_mm: Array, view: View, contour: Contour, reach_px: float) -> Array:
    """Where the picture of a meshed surface ends, from contour points outwards along their normals (N,), pixels.

    Of all mesh lines that cross a normal the outermost counts. Not a number where none does within reach.
    """
    px = view.project(surface_mm)
    tree = cKDTree(contour.points_px)
    far, near = tree.query(px, distance_upper_bound=reach_px)
    inside, count = np.isfinite(far), len(contour.points_px)
    out = np.full(count, -np.inf)
    for a, b in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:])):  # along the rows, along the columns
        both = inside[a] & inside[b]
        p, q, k = px[a][both], px[b][both], near[a][both]
        for step in (-1, 0, 1):  # a mesh line is shorter than the points are apart
            _outermost(out, p, q, (k + step) % count, contour)
    return np.where(np.isfinite(out), out, np.nan)


def _outermost(out: Array, p: Array, q: Array, k: NDArray[np.int64], contour: Contour) -> None:
    """Raise out[k] to where the lines from p to q (M, 2) cross the normals of points k."""
    at, n = contour.points_px[k], contour.normals[k]
    along = np.stack([-n[:, 1], n[:, 0]], -1)
    s0, s1 = ((p - at) * along).sum(1), ((q - at) * along).sum(1)
    cross = (s0 * s1 <= 0) & (s0 != s1)
    share = s0[cross] / (s0 - s1)[cross]
    h0, h1 = ((p - at) * n).sum(1)[cross], ((q - at) * n).sum(1)[cross]
    np.maximum.at(out, k[cross], h0 + (h1 - h0) * share)


def even_contour(view: View, fit: CakeFit, count: int) -> Contour:
    """Points of the fitted outline about evenly spaced along it."""
    c = body_contour(view, fit.body, 3 * count)
    step = np.linalg.norm(np.roll(c.points_px, -1, 0) - c.points_px, axis=1)
    length = np.concatenate([[0.0], np.cumsum(step)[:-1]])
    k = np.unique(np.searchsorted(length, np.linspace(0, length[-1], count)))
    return Contour(c.points_px[k], c.normals[k], c.gradient_mm[k], c.foot[k])


def photo_error(cake: Path, photo: str, fit: CakeFit, truth: dict[str, Any], surfaces: tuple) -> PhotoError:
    """Compare one photo's outlines."""
    view, surface, dripped = truths.true_view(truth, photo), *surfaces
    scale = view.px_per_mm(np.array([0.0, 0.0, 0.5 * truth["quantities"]["height"]]))
    contour = even_contour(fit.views[photo], fit, POINTS)
    offset = outline_offsets(surface, view, contour, REACH_MM * scale)
    known = np.isfinite(offset)
    if dripped is not None:
        known &= np.abs(outline_offsets(dripped, view, contour, REACH_MM * scale) - offset) < DRIP_MM * scale
    seen = unhidden(cake, photo, (contour.points_px + np.nan_to_num(offset)[:, None] * contour.normals)[known])
    hull = cv2.convexHull(view.project(surface[::4, ::4]).reshape(-1, 1, 2).astype(np.float32))
    own = cv2.convexHull(contour.points_px.reshape(-1, 1, 2).astype(np.float32))
    common = cv2.intersectConvexConvex(hull, own)[0]
    overlap = common / (cv2.contourArea(hull) + cv2.contourArea(own) - common)
    return PhotoError(cake.name, photo, view.width_px, -offset[known] / scale, seen, overlap)


def unhidden(cake: Path, photo: str, points_px: Array) -> NDArray[np.bool_] | None:
    """Which points of the true outline (N, 2) no piece hides, by the photo's masks."""
    files = [cake / f"{photo}_mask_{what}.png" for what in ("decor", "body")]
    if not all(f.exists() for f in files):
        return None
    mask, body = (np.asarray(cv2.imread(str(f), cv2.IMREAD_GRAYSCALE), np.uint8) for f in files)
    size = np.ones((2 * HIDDEN_PX + 1, 2 * HIDDEN_PX + 1), np.uint8)
    free = (cv2.dilate(mask, size) < 128) & (cv2.dilate(body, size) > 127)
    x, y = np.clip(np.round(points_px).astype(int), 0, [mask.shape[1] - 1, mask.shape[0] - 1]).T
    return np.asarray(free[y, x], np.bool_)


def cake_errors(cake: Path, keep: Path | None) -> Iterator[PhotoError]:
    """Every photo of one cake; raises CakeQCError where there is no fit."""
    truth, fit = truths.load(cake), fit_of(cake, keep)
    if isinstance(fit, CakeQCError):
        raise fit
    surfaces = true_surface(truth)
    for photo in fit.views:
        yield photo_error(cake, photo, fit, truth, surfaces)


def measured(cakes: list[Path], keep: Path | None) -> tuple[list[PhotoError], list[str]]:
    """Every photo of every cake, told as they come, and the cakes that were refused."""
    rows: list[PhotoError] = []
    refused: list[str] = []
    for cake in cakes:
        try:
            found = list(cake_errors(cake, keep))
        except CakeQCError as error:
            print(f"{cake.name}: {error}", flush=True)
            refused.append(cake.name)
            continue
        rows += found
        print(f"{cake.name} {found[0].width_px}: {', '.join(map(str, found))}", flush=True)
    return rows, refused


def summary(rows: list[PhotoError]) -> str:
    """Medians over points and photos, and shares."""
    rows = [r for r in rows if len(r.error_mm) >= FEWEST]
    if not rows:
        return "nothing to compare"
    whole = np.array([np.median(np.abs(r.error_mm)) for r in rows])
    seen = np.array(
        [np.median(np.abs(r.error_mm[r.seen])) for r in rows if r.seen is not None and r.seen.sum() >= FEWEST]
    )
    bias = np.median([np.median(r.error_mm) for r in rows])
    text = (
        f"{len(rows)} photos: median over points, its median over photos {np.median(whole):.2f} mm, "
        f"95 % {np.quantile(whole, 0.95):.2f}, worst {whole.max():.2f}; all points together "
        f"{np.median(np.abs(np.concatenate([r.error_mm for r in rows]))):.2f}; outside by {bias:+.2f}"
    )
    if len(seen):
        text += f"; of what nothing hides {np.median(seen):.2f}, 95 % {np.quantile(seen, 0.95):.2f}"
    return text


def main() -> None:
    """Print every cake, then the figures by size of the photos and by what they show."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--keep", type=Path, help="folder to keep the fits in, used again where they are there")
    parser.add_argument("--every", type=int, nargs=2, default=(1, 0), metavar=("N", "FIRST"))
    asked = parser.parse_args()
    rows, refused = measured(cakes_of(asked.folders, *asked.every), asked.keep)
    names = {r.cake for r in rows}
    lost = sorted({r.cake for r in rows if r.overlap < LOST})
    print(f"{len(names)} cakes measured, {len(refused)} refused {refused}, {len(lost)} lost {lost}")
    for width in sorted({r.width_px for r in rows}):
        some = [r for r in rows if r.width_px == width]
        print(f"width {width}: {summary(some)}")
        for kind, chosen in (("top", lambda n: n == "top"), ("side", lambda n: n != "top")):
            print(f"  {kind}: {summary([r for r in some if chosen(r.photo)])}")


if __name__ == "__main__":
    main()
