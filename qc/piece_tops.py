"""How high the pieces on the top are, where a side photo shows them.

From above a piece that is taken for too high seems to stand too far towards the lens. The top photo hardly tells: the
side photos do, by where the network's decoration ends above the piece's middle.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.camera import View
from qc.decoration_kinds import KindFit
from qc.finder import Finding
from qc.piece_feet import find_turn
from qc.piece_solids import Solids, chains, hulls_px, solids_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TopsSettings:
    """Where the pieces' upper ends are looked for."""

    columns: tuple[float, ...] = (-0.12, -0.06, 0.0, 0.06, 0.12)  # shares of a piece's breadth beside its middle
    from_share: float = 0.5  # of the height: from where the column is followed upwards
    beyond_share: float = 0.6  # of the height: how far past the expected end
    step_net: float = 0.25  # network pixels
    least_pieces: int = 3  # of a kind


def seen_heights(
    views: Mapping[str, View],
    body: Body,
    findings: Mapping[str, Finding],
    kinds: tuple[KindFit, ...],
    turned: bool = True,
    settings: TopsSettings | None = None,
) -> Array:
    """Height over breadth (N,) of every piece as the side photos show its kind; NaN where too few show.

    Parameters
    ----------
    views : mapping of photo names to View
    body : Body
    findings : mapping of photo names to Finding
    kinds : tuple of KindFit
        The pieces as the top photo shows them.
    turned : bool
        Whether the views know how the cake was turned between the photos; else that is looked for first.
    """
    settings = settings or TopsSettings()
    solids = solids_of(kinds)
    count = len(solids.kind)
    best, out = solids.likeliest(), np.full(count, np.nan)
    if not count:
        return out
    heights = []
    for name, view in ((n, v) for n, v in views.items() if n != "top"):
        there = solids if turned else solids.turned(find_turn(view, body, findings[name], solids))
        heights.append(_heights_mm(view, body, findings[name], there, settings))
    breadth = 2 * solids.radius_mm[best, np.arange(count)]
    ratio = np.array(heights).reshape(-1, count) / breadth
    for kind in np.unique(solids.kind):
        of = ratio[:, solids.kind == kind]
        if np.isfinite(of).sum() >= settings.least_pieces:
            out[solids.kind == kind] = np.nanmedian(of)
    return out


def _heights_mm(view: View, body: Body, finding: Finding, solids: Solids, s: TopsSettings) -> Array:
    """Height (N,) of each piece in one side photo, NaN where another hides its upper half or it can't be told."""
    k = solids.likeliest()
    each = np.arange(len(k))
    height = solids.height_mm[k, each]
    foot = body.top_point_mm(*solids.centre_mm[k, each].T)
    top = foot + np.column_stack([0 * height, 0 * height, height])
    low, high = finding.to_net(view.project(foot)), finding.to_net(view.project(top))
    per_mm = (low[:, 1] - high[:, 1]) / height
    hulls = [finding.to_net(h) for h in hulls_px(view, body, solids, levels=16)]
    outlines = [chains(h) for h in hulls]
    x = high[:, :1] + np.array(s.columns) * np.array([np.ptp(h[:, 0]) for h in hulls])[:, None]  # (N, C)
    upper = np.array([[np.interp(x, *side, left=np.nan, right=np.nan) for side in line] for line in outlines])
    out = np.full(len(k), np.nan)
    for i in each:
        expected = upper[i, 0, i]
        middle, end = low[i, 1] - s.from_share * height[i] * per_mm[i], s.beyond_share * height[i] * per_mm[i]
        ends = _where_it_ends(finding.probability("decoration"), x[i], middle, expected.min() - end, s.step_net)
        others = np.delete(upper[:, :, i], i, 0)  # (N - 1, 2, C): upper and lower line of every other piece
        hidden = ((others[:, 0] < middle) & (others[:, 1] > expected - end)).any(0)
        seen = height[i] + (expected - ends)[~hidden] / per_mm[i]
        if np.isfinite(seen).sum() >= 0.6 * len(s.columns):
            out[i] = np.nanmedian(seen)
    return out


def _where_it_ends(layer: NDArray[np.float32], x: Array, start: float, stop: float, step: float) -> Array:
    """Row (C,) where a probability, followed from row `start` up to `stop` in columns x (C,), falls below a half."""
    rows = np.arange(start, stop, -step)
    out = np.full(len(x), np.nan)
    if len(rows) < 2:
        return out
    across, down = (np.ascontiguousarray(m, np.float32) for m in np.meshgrid(x, rows, indexing="ij"))
    p = cv2.remap(layer, across, down, cv2.INTER_LINEAR)
    under = p < 0.5
    for c in np.nonzero(under.any(1) & ~under[:, 0])[0]:
        j = int(under[c].argmax())
        out[c] = rows[j - 1] - step * (p[c, j - 1] - 0.5) / (p[c, j - 1] - p[c, j])
    return out
