"""How high the top lies under each decoration: where a side photo shows the pieces' feet.

The top photo tells where a piece stands, how broad it is and which solid it is like (`decoration_kinds`); standing on
the top at a supposed height, that solid has a known lower edge in a side photo. The height at which the photo's own
edges run along it is the top's. First the pieces are turned about the cake's axis until they cover what the network
takes for decorations: a round cake's silhouette does not say how it was turned between two photos.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from qc.body import Body
from qc.camera import View
from qc.decoration_edges import LINEAR
from qc.decoration_shapes import SHAPES
from qc.finder import Finding
from qc.piece_solids import FAINT, Solids, base_mm, chains, front_arc, hulls_px, near_arcs_mm, rim_mm, turn_matrix

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FeetSettings:
    """Search for the pieces' feet."""

    turn_rad: float = 0.47  # a person stands up to 0.7 h off 6 o'clock at each of two photos
    usual_turn_rad: float = 0.17  # a turn so large costs `turn_price` log odds of network pixels
    turn_price: float = 25.0  # neighbouring pixels err together: the sum of their log odds is far too sure
    turn_step_rad: float = 0.035  # at first; halved three times
    rise_mm: float = 7.0  # furthest that the top is looked for above and below the fitted one
    step_mm: float = 0.15
    columns: int = 15  # places along a piece's lower edge
    width: float = 0.7  # share of a piece's width that they span: further out its sides rise steeply
    blur_mm: float = 0.25  # of the picture along the search, or 0.8 px where that is more
    trust_mm: float = 1.7  # distance from the network's border at which an edge loses half of a strong edge's worth
    strong: float = 1.5  # edges count up to so many times the piece's 90th percentile
    black: float = 0.02  # of full light, added before the logarithm: sensor noise in the dark
    least_columns: float = 0.4  # share of the columns that must show
    hidden_mm: float = 0.8  # a nearer piece hides so much more than its outline: its shadow and blur
    rim_mm: float = 0.7  # likewise the rim of the top
    clear_mm: float = 1.2  # by which the network's border must stand off the rim: else its place is not told by edges
    over_rim_mm: float = 0.8  # nearer to the rim than this it may be the rim itself, and the foot hidden behind it
    base_reach: float = 0.9  # of the base's radius: where a seen foot touches, by rendered cakes with domed tops
    doubt: float = 0.02  # least probability of any shape before the side photo is asked
    shape_worth: float = 20.0  # natural log odds of a shape per strong edge's worth that its lower edges gain
    least_share: float = 0.4  # of the shapes, by their probability, must show a foot


@dataclass(frozen=True)
class Feet:
    """What one side photo says of the top's height under the pieces.

    Attributes
    ----------
    turn_rad : float
        From the cake frame to the photo's: the pieces are seen where their places turned by it are.
    rise_mm : (N,) top under the piece above the fitted top; NaN where its foot does not show
    spread_mm : (N,) standard uncertainty from not knowing the piece's shape
    place_mm : (N, 2) where the piece stands, in the photo's frame
    contact_mm : (N, 2) where the foot that is seen touches the top: nearer to the camera by the base's radius, so that
        on a domed top front pieces seem to stand lower than those behind the middle
    rough : (N,) the rise is the network's border's alone: the foot lies near the rim
    end_mm : (N,) how far above the near rim, in the picture, the piece ends, where that may be the rim: the foot lies
        there or is hidden; NaN elsewhere
    foot_mm : (N,) how far above the near rim the fitted top's foot would be seen
    """

    turn_rad: float
    rise_mm: Array
    spread_mm: Array
    place_mm: Array
    contact_mm: Array
    rough: NDArray[np.bool_]
    end_mm: Array
    foot_mm: Array


def find_feet(
    pixels: NDArray[np.uint8],
    view: View,
    body: Body,
    finding: Finding,
    solids: Solids,
    eye_top_mm: Array,
    settings: FeetSettings | None = None,
) -> Feet:
    """Height of the top under every piece whose foot a side photo shows.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3), uint8
        The upright side photo, RGB.
    view, body : View, Body
        Its lens and pose in the cake frame (the turn may be wrong), and the fitted cake.
    finding : Finding
        What the network saw in it.
    solids : Solids
        The pieces, as the top photo shows them.
    eye_top_mm : ndarray, shape (3,)
        Where the top photo was taken from: pieces that stand higher stand nearer to its foot point.
    """
    settings = settings or FeetSettings()
    turn = find_turn(view, body, finding, solids, settings)
    turned = solids.turned(turn)
    eye = np.array([*(turn_matrix(turn) @ eye_top_mm[:2]), eye_top_mm[2]])
    best = turned.likeliest()
    each = np.arange(len(best))
    place = turned.centre_mm[best, each]
    contact = place + settings.base_reach * _towards(view, place) * base_mm(turned)[:, None]
    if not len(each):
        return Feet(turn, np.zeros(0), np.zeros(0), place, contact, np.zeros(0, bool), np.zeros(0), np.zeros(0))
    rise, share, border = _search(pixels, view, body, finding, turned, eye, settings)
    weight = np.where(np.isfinite(rise), share, 0.0)
    whole = weight.sum(0)
    weight = weight / np.where(whole > 0, whole, 1)
    mean = np.nansum(weight * rise, 0)
    spread = np.sqrt(np.nansum(weight * (rise - mean) ** 2, 0))
    fine = whole > settings.least_share
    rough = ~fine & (border.end_mm >= settings.over_rim_mm)
    return Feet(
        turn,
        np.where(fine, mean, np.where(rough, border.end_mm - border.foot_mm, np.nan)),
        np.where(fine, spread, 0.0),
        place,
        contact,
        rough,
        np.where(fine | rough, np.nan, border.end_mm),
        border.foot_mm,
    )


@dataclass(frozen=True)
class _Border:
    """How far above the near rim, in the picture, pieces (N,) end by the network, and the fitted top's feet would.

    end_mm is NaN where that is not told, or lies clear of the rim.
    """

    end_mm: Array
    foot_mm: Array


def _search(
    pixels: NDArray[np.uint8],
    view: View,
    body: Body,
    finding: Finding,
    solids: Solids,
    eye_mm: Array,
    settings: FeetSettings,
) -> tuple[Array, Array, _Border]:
    """Rise (K, N) of every piece taken for each of the shapes, NaN where no foot shows, the shapes' shares, and where
    the pieces end near the rim.
    """
    each = range(len(solids.kind))
    shapes = np.array([(k, i) for k in range(len(SHAPES)) for i in each])
    rows = _Rows.at(view, body, solids, shapes, eye_mm, settings)
    gap = _rim_gap(rows, view, body)
    free = _unhidden(rows, view, body, solids, shapes, settings)
    ends = _network_rise(finding, rows)
    about = _middle(ends, free)
    level = np.abs(rows.rise_mm - about[:, None]).argmin(1)
    clear = np.median(gap[np.arange(len(gap)), :, level], axis=1) > settings.clear_mm
    rise, worth = _best_rise(pixels, rows, free[..., None] & (gap > settings.rim_mm), about, settings)
    rise[~clear] = np.nan
    by = (len(SHAPES), len(each))
    rise, hidden = rise.reshape(by), (~clear & (free.mean(1) >= settings.least_columns)).reshape(by)
    share = _shares_by_side(solids, rise, worth.reshape(by), settings)
    if np.sum(share * hidden) > np.sum(share * np.isfinite(rise)):
        rise[:] = np.nan  # the rim hides most feet: what else seems to stand free is none
    likeliest = share.argmax(0) * len(each) + np.array(each)
    above = gap[likeliest][..., int(np.abs(rows.rise_mm).argmin())]
    return rise, share, _border(ends[likeliest], above, free[likeliest], settings)


def _border(ends_mm: Array, above_mm: Array, free: NDArray[np.bool_], settings: FeetSettings) -> _Border:
    """Where pieces end near the rim.

    Parameters
    ----------
    ends_mm : ndarray, shape (N, C)
        Rise of the foot's columns at which the network's decoration ends.
    above_mm : ndarray, shape (N, C)
        How far above the near rim the fitted top's foot would be seen.
    free : ndarray, shape (N, C)
        Columns that no nearer piece hides.
    """
    rise, foot, end = (_middle(v, free) for v in (ends_mm, above_mm, above_mm + ends_mm))
    told = (free.sum(1) >= settings.least_columns * free.shape[1]) & (np.minimum(foot, end) < settings.clear_mm)
    return _Border(np.where(told & (np.abs(rise) < settings.rise_mm), end, np.nan), foot)


def _shares_by_side(solids: Solids, rise: Array, worth: Array, settings: FeetSettings) -> Array:
    """Probability (K, N) of the shapes, kind by kind, after the side photo was asked which lower edge fits."""
    share = solids.share + settings.doubt
    for kind in np.unique(solids.kind):
        of = (solids.kind == kind) & np.isfinite(rise).all(0)
        if of.any():
            gain = worth[:, of].mean(1)
            share[:, solids.kind == kind] *= np.exp(settings.shape_worth * (gain - gain.max()))[:, None]
    return np.asarray(share / share.sum(0), float)


def _towards(view: View, place_mm: Array) -> Array:
    """Unit directions (N, 2) from places on the top towards the camera."""
    to = view.eye_mm[:2] - place_mm
    return np.asarray(to / np.linalg.norm(to, axis=1, keepdims=True), float)


# ---------------------------------------------------------------- how the cake was turned
def find_turn(view: View, body: Body, finding: Finding, solids: Solids, settings: FeetSettings | None = None) -> float:
    """Turn about the axis (radians) with which the pieces cover what the network takes for decorations."""
    settings = settings or FeetSettings()
    worth, corner = _worth_map(view, body, finding, settings)
    scale = view.px_per_mm(np.array([0, 0, body.height_mm])) * finding.scale_px
    reach = int(settings.rise_mm * scale)
    padded = np.pad(worth, ((reach, reach), (0, 0)))

    def covered(angle: float) -> float:
        hulls = hulls_px(view, body, solids.turned(angle), levels=6)
        mask = np.zeros(worth.shape, np.uint8)
        for hull in hulls:
            cv2.fillConvexPoly(mask, np.round((finding.to_net(hull) - corner) * 16).astype(np.int32), 1, shift=4)
        x, y, width, height = cv2.boundingRect(mask)
        if not width:
            return FAINT
        lifted = sliding_window_view(padded[y : y + height + 2 * reach, x : x + width], height, axis=0)
        found = float(
            np.tensordot(lifted, mask[y : y + height, x : x + width].astype(np.float32), ((2, 1), (0, 1))).max()
        )
        return found - settings.turn_price * (angle / settings.usual_turn_rad) ** 2

    step = settings.turn_step_rad
    angles = np.arange(-settings.turn_rad, settings.turn_rad + 1e-9, step)
    best = max((covered(a), -abs(a), a) for a in angles)
    for _ in range(3):
        step /= 2
        best = max([best, *((covered(a), -abs(a), a) for a in (best[2] - step, best[2] + step))])
    return float(best[2])


def _worth_map(view: View, body: Body, finding: Finding, settings: FeetSettings) -> tuple[NDArray[np.float32], Array]:
    """Log odds of decoration round the top in network pixels, nothing below the rim, and its corner (x, y)."""
    rim = finding.to_net(view.project(rim_mm(body)))
    scale = view.px_per_mm(np.array([0, 0, body.height_mm])) * finding.scale_px
    height, width = finding.probabilities.shape[1:]
    x0, x1 = np.clip([rim[:, 0].min() - 5 * scale, rim[:, 0].max() + 5 * scale], 0, width).astype(int)
    y0, y1 = np.clip([rim[:, 1].min() - 45 * scale, rim[:, 1].max() + 8 * scale], 0, height).astype(int)
    p = np.clip(finding.probability("decoration")[y0:y1, x0:x1], 0.03, 0.97)
    u, v = front_arc(rim, view.to_camera(rim_mm(body))[:, 2])
    line = np.interp(np.arange(x0, x1), u, v, left=FAINT, right=FAINT)
    above = np.arange(y0, y1)[:, None] < line - 0.5
    return np.where(above, np.log(p / (1 - p)), 0).astype(np.float32), np.array([x0, y0], float)


# ---------------------------------------------------------------- the search along each foot
@dataclass(frozen=True)
class _Rows:
    """Pixels to look at: for every shape of every piece (M), columns (C) and supposed rises (G)."""

    x_px: Array  # (M, C, G)
    y_px: Array  # (M, C, G)
    rise_mm: Array  # (G,)
    px_per_mm: Array  # (M,)

    @classmethod
    def at(
        cls, view: View, body: Body, solids: Solids, shapes: NDArray[np.int64], eye_mm: Array, settings: FeetSettings
    ) -> "_Rows":
        beyond = settings.rise_mm + 2.0
        rise = np.arange(-beyond, beyond + 1e-9, settings.step_mm)
        u, v = _lower_edges(view.project(near_arcs_mm(solids, shapes, body, view.eye_mm)), settings)
        foot = body.top_point_mm(*solids.centre_mm[shapes[:, 0], shapes[:, 1]].T)
        nearer = (eye_mm[:2] - foot[:, :2]) / (eye_mm[2] - foot[:, 2:])  # in the top photo it stays where it is
        along = view.project(foot + np.pad(nearer, ((0, 0), (0, 1)), constant_values=1.0)) - view.project(foot)
        x = u[..., None] + along[:, :1, None] * rise
        y = v[..., None] + along[:, 1:, None] * rise
        return cls(x, y, rise, np.abs(along[:, 1]))


def _lower_edges(arcs_px: Array, settings: FeetSettings) -> tuple[Array, Array]:
    """Columns (M, C) and rows (M, C) of the lower edges of piles of arcs (M, L, P, 2) that run from left to right."""
    left, right = arcs_px[..., 0].min((1, 2)), arcs_px[..., 0].max((1, 2))
    across = np.linspace(-1, 1, settings.columns) * settings.width
    u = 0.5 * (left + right)[:, None] + 0.5 * (right - left)[:, None] * across
    low = np.full(u.shape, FAINT)
    for m, pile in enumerate(arcs_px):
        for arc in pile:
            low[m] = np.maximum(low[m], np.interp(u[m], arc[:, 0], arc[:, 1], left=FAINT, right=FAINT))
    return u, low


def _rim_gap(rows: _Rows, view: View, body: Body) -> Array:
    """How far (M, C, G) in the picture, in mm, each place lies above the near rim of the top."""
    rim = rim_mm(body)
    line = np.interp(rows.x_px, *front_arc(view.project(rim), view.to_camera(rim)[:, 2]), left=FAINT, right=FAINT)
    return (line - rows.y_px) / rows.px_per_mm[:, None, None]


def _unhidden(
    rows: _Rows, view: View, body: Body, solids: Solids, shapes: NDArray[np.int64], settings: FeetSettings
) -> NDArray[np.bool_]:
    """Where (M, C) no nearer piece hides a foot; all rise together, so the fitted top serves for every rise."""
    best = solids.likeliest()
    place = solids.centre_mm[best, np.arange(len(best))]
    depth = view.to_camera(body.top_point_mm(*place.T))[:, 2]
    level = int(np.abs(rows.rise_mm).argmin())
    u, v, margin = rows.x_px[..., level], rows.y_px[..., level], settings.hidden_mm * rows.px_per_mm[:, None]
    clear = np.ones(u.shape, bool)
    for j, hull in enumerate(hulls_px(view, body, solids, levels=16)):
        high, low = (np.interp(u, *side) for side in chains(hull))
        within = (u > hull[:, 0].min() - margin) & (u < hull[:, 0].max() + margin)
        nearer = (depth[j] < depth[shapes[:, 1]])[:, None]
        clear &= ~(within & (v > high - margin) & (v < low + margin) & nearer)
    return clear


def _best_rise(
    pixels: NDArray[np.uint8], rows: _Rows, seen: NDArray[np.bool_], about: Array, settings: FeetSettings
) -> tuple[Array, Array]:
    """Rise (M,) at which the photo's edges run along the foot best, NaN where too little shows, and their worth."""
    edge = _edges(pixels, rows, settings)
    count = seen.sum(1)
    shows = count >= settings.least_columns * seen.shape[1]
    bare = (edge * seen).sum(1) / np.maximum(count, 1)
    worth = bare - 0.5 * ((rows.rise_mm - about[:, None]) / settings.trust_mm) ** 2
    worth[~shows | (np.abs(rows.rise_mm) > settings.rise_mm)] = -np.inf
    out, gained = np.full(len(worth), np.nan), np.zeros(len(worth))
    for m, w in enumerate(worth):
        k = int(w.argmax())
        if not 0 < k < len(w) - 1 or not np.isfinite(w[k - 1 : k + 2]).all():
            continue
        bend = w[k - 1] - 2 * w[k] + w[k + 1]
        out[m] = rows.rise_mm[k] + settings.step_mm * 0.5 * (w[k - 1] - w[k + 1]) / min(bend, -1e-9)
        gained[m] = bare[m, k]
    return out, gained


def _edges(pixels: NDArray[np.uint8], rows: _Rows, settings: FeetSettings) -> Array:
    """Strength (M, C, G) of the photo's edges across the feet, in units of each piece's strong ones."""
    m, c, g = rows.x_px.shape
    x, y = rows.x_px.reshape(-1, g).astype(np.float32), rows.y_px.reshape(-1, g).astype(np.float32)
    light = LINEAR[cv2.remap(pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)]
    blur = max(settings.blur_mm, 0.8 / float(np.median(rows.px_per_mm))) / settings.step_mm
    size = 2 * int(np.ceil(4 * blur)) + 1
    kernel = cv2.getGaussianKernel(size, blur)
    log = cv2.sepFilter2D(np.log(light + settings.black), -1, kernel, np.ones(1), borderType=cv2.BORDER_REPLICATE)
    strength = np.sqrt((np.gradient(log, axis=1) ** 2).sum(-1)).reshape(m, c, g)
    usual = np.percentile(strength, 90, axis=(1, 2), keepdims=True)
    return np.asarray(np.minimum(strength / np.maximum(usual, 1e-6), settings.strong), float)


def _network_rise(finding: Finding, rows: _Rows) -> Array:
    """Rise (M, C) at which the network's decoration ends in each column."""
    q = finding.to_net(np.stack([rows.x_px, rows.y_px], -1).reshape(-1, 2)).astype(np.float32)
    q = q.reshape(-1, rows.x_px.shape[2], 2)
    p = cv2.remap(finding.probability("decoration"), q[..., 0], q[..., 1], cv2.INTER_LINEAR)
    p = np.clip(p, 0.02, 0.98).reshape(rows.x_px.shape)
    over, under = np.log(p), np.log(1 - p)
    fits = np.cumsum(over[..., ::-1], -1)[..., ::-1] + np.cumsum(under, -1) - under
    return rows.rise_mm[fits.argmax(-1)]


def _middle(values: Array, where: NDArray[np.bool_]) -> Array:
    """Medians (M,) of the columns (M, C) that show; 0 where none does."""
    return np.array([np.median(v[w]) if w.any() else 0.0 for v, w in zip(values, where, strict=True)])
