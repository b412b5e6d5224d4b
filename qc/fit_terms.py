"""What one round of the fit knows: what holds for any cake, and the outline points found about a predicted one."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.body import LOW, PROFILE_KNOTS, Body
from qc.camera import View
from qc.card import CardView
from qc.contour import (
    ROUGH_SEARCH,
    Board,
    Contour,
    Grazing,
    board_contours,
    board_crossings,
    body_contours,
    clearance_gradient,
    graze,
)
from qc.finder import BOARD, BODY, DECORATION, FOOT_BORDER, Finding
from qc.outline import (
    Border,
    Edges,
    EdgeSettings,
    SureSides,
    Surroundings,
    beyond,
    board_ends,
    body_sides_fit,
    finder_border,
    largest_share,
    photo_edges,
    piece_sides,
    sure_sides,
)
from qc.photo import Photo
from qc.pose import CardPriors, LensPriorLike, Pose, prior_rows

Array = NDArray[np.float64]
BORDER_POINTS = 200  # of the finder's borders
PARTED = 0.7  # share of the icing in one patch, below which pieces part it: the largest may be the middle of a ring
ROUGH_PX = 10.0  # rounds that reach so far take large photos as coarsely as small ones, and each edge by itself


@dataclass(frozen=True)
class FitSettings:
    """Sizes, counts and what is known of cakes beforehand (standard deviations about the mean)."""

    body_points: int = 240  # directions in which the body's outline is sought
    board_points: int = 160  # places along the board's edge
    wide_px: tuple[tuple[float, float, int], ...] = ((16.0, 6.0, 5),)  # per 2016 px of width: how far a
    # round looks for edges, how far off (one standard deviation) it expects them, and how many steps it takes
    close_px: tuple[tuple[float, float, int], ...] = ((10.0, 4.0, 4),)  # with nothing held stiff any more
    last_steps: tuple[int, ...] = (4, 12)  # of the rounds, two or more, about the outlines that the strip network
    # reads; the first tells which of two likely starts is followed
    read_crowd: float = 2.0  # as `crowd`, of its points: they err by the icing's unevenness alone
    board_read_mm: float = 0.05  # standard deviation of the board's points that it reads
    border_net: float = 2.0  # standard deviation of the finder's border, network pixels, which anchors the fine rounds
    texture_mm: float = 0.12  # icing's own unevenness at one point, that a smooth body can't follow
    crowd: float = 4.0  # neighbouring points share their texture: their weight falls by this much squared
    common_px: float = 0.25  # error that a whole outline may share: where does soft cream end?
    common_mm: float = 0.05  # the same, as a length on the cake
    board_common_mm: float = 0.1  # and of the board's
    yaw_sd_rad: float = np.radians(10.0)  # where a person stands; DEVELOPERS.md allows 0.7 h
    taper_sd_mm: float = 3.0
    lean_sd_mm: float = 1.5  # of either component; 200 rendered cakes' spread by 0.9. With one side photo nothing else
    # tells the lean towards the lens: with 3 mm places of 100 cakes on their boards were 1.66 mm off (95 %), now 1.28
    slope_sd: float = 0.012
    dome_mm: float = 0.1  # 50 rendered cakes rise by 0.35 in the middle, but the lip at the rim hides 0.25 of it
    dome_sd_mm: float = 0.6  # while fitting: outlines hardly show it, and wrong ones bend it
    dome_spread_mm: float = 1.2  # 166 rendered cakes spread by 1.0 about that: what is stated where it does not show
    edge_mm: float = 5.0  # 106 rendered cakes' roundings average 4.7
    edge_sd_mm: float = 2.5
    edge_uneven: float = 0.07  # of each harmonic of that rounding, as a share of it, in the last rounds; before it is
    # held even. Seen from above a wider rounding looks like a flat place: 12 cakes' out-of-roundness was 0.37 and up to
    # 1.5 mm off without, 0.30 and 0.8 with it
    wave_sd_mm: float = 0.5  # of the second harmonic: with less, cakes 3 mm out of round were read rounder
    wave_fall: float = 0.6  # how it falls for higher ones: as (2 / m) to this power
    profile_sd_mm: float = 0.6
    foot_mm: float = 0.5  # cream creeps out where it meets the board; half of that is lost as few points show it
    foot_sd_mm: float = np.inf  # of that creep, where edges tell it
    hidden_foot_sd_mm: float = 0.3  # under piping, whose own edges would bend it
    hidden_foot_mm: float = 0.3  # the same under piping, where no points show it and nothing is lost
    foot_reach_mm: float = 3.5
    profile_bend_sd_mm: float = 0.35  # second difference of the side profile from knot to knot
    board_t_mm: float = 6.0
    board_t_sd_mm: float = 6.0
    seldom: float = 0.0  # of the supposed kind of board, as in `boards_mm`
    robust: float = 1.8  # Cauchy's constant, standard deviations of a point: an edge much further off is another line
    clear_net: tuple[int, ...] = (13, 7, 1)  # network pixels kept clear of pieces, the widest that leaves enough
    least_border: int = 40  # border points that are enough
    least_over: int = 15  # and of the top's border in a photo from the side
    upright: float = -0.7  # there outward normals point up the photo by more than this
    start_sd_mm: float = 4.0  # of radius and height as the finder's regions give them
    boards_mm: tuple[tuple[float, float, float], ...] = ((2.6, 0.6, 0.0), (6.0, 1.5, 20.0), (12.0, 1.5, 0.0))
    # thickness, spread, and how many agreeing edges outweigh that a kind is seldom used: cake cards, boards of
    # hardboard, drums (common practice)


@dataclass(frozen=True)
class PhotoInput:
    """What the stages before have found in one photo."""

    photo: Photo
    card: CardView
    finding: Finding
    prior: LensPriorLike
    _sides: dict[int, SureSides] = field(default_factory=dict, init=False, repr=False, compare=False)

    @cached_property
    def icing_border(self) -> Border:
        """The border of the icing as the finder drew it; where pieces part it, the one round icing and pieces."""
        parted = largest_share(self.finding, BODY) < PARTED
        return finder_border(self.finding, (BODY, DECORATION, FOOT_BORDER) if parted else (BODY,), BORDER_POINTS)

    def icing_sides(self, clear_net: int) -> SureSides:
        """What lies on either side of that border, kept clear of pieces by so many network pixels."""
        if clear_net not in self._sides:
            self._sides[clear_net] = sure_sides(self.finding, self.icing_border, EdgeSettings(clear_net=clear_net))
        return self._sides[clear_net]

    @cached_property
    def icing_under_pieces(self) -> NDArray[np.bool_]:
        """Points (N,) of that border where a piece hides how far the icing goes on."""
        return piece_sides(self.finding, self.icing_border, EdgeSettings())

    @cached_property
    def whole_border(self) -> Border:
        """The border of board and cake together as the finder drew it."""
        return finder_border(self.finding, (BOARD, BODY, DECORATION, FOOT_BORDER), BORDER_POINTS)


# ---------------------------------------------------------------- the problem of one round
HELD_MM = 1e-3  # standard deviation of what is held fast


def cake_prior(settings: FitSettings, start: Array, edge_wave_mm: float = HELD_MM) -> tuple[Array, Array]:
    """What is known of any cake: rows and mean. edge_wave_mm: how much each harmonic of its edge's rounding may be."""
    mean, sd = np.zeros(joint.CAKE), np.full(joint.CAKE, np.inf)
    mean[joint.RADIUS], sd[joint.RADIUS] = start[joint.RADIUS], settings.start_sd_mm
    mean[joint.HEIGHT], sd[joint.HEIGHT] = start[joint.HEIGHT], settings.start_sd_mm
    sd[joint.TAPER], sd[joint.LEAN], sd[joint.SLOPE] = settings.taper_sd_mm, settings.lean_sd_mm, settings.slope_sd
    mean[joint.DOME] = settings.dome_mm
    sd[joint.DOME], mean[joint.EDGE], sd[joint.EDGE] = settings.dome_sd_mm, settings.edge_mm, settings.edge_sd_mm
    foot = PROFILE_KNOTS * start[joint.HEIGHT] / settings.foot_reach_mm
    mean[joint.PROFILE] = settings.foot_mm * np.exp(-foot)
    waves = settings.wave_sd_mm * np.repeat((2 / joint.HARMONICS) ** settings.wave_fall, 2)
    sd[joint.WAVES], sd[joint.PROFILE] = waves, settings.profile_sd_mm
    sd[joint.EDGE_WAVES] = edge_wave_mm
    mean[joint.BOARD_HALF], sd[joint.BOARD_HALF] = start[joint.BOARD_HALF], 60.0
    sd[[joint.BOARD_X, joint.BOARD_Y]] = 20.0
    mean[joint.BOARD_T], sd[joint.BOARD_T] = settings.board_t_mm, settings.board_t_sd_mm
    sd[joint.BOARD_TURN] = np.radians(10.0)
    rows = np.diag(1 / sd)
    bend = np.zeros((len(PROFILE_KNOTS) - 2, joint.CAKE))
    for k in range(len(bend)):
        bend[k, joint.PROFILE.start + k : joint.PROFILE.start + k + 3] = (
            np.array([1, -2, 1]) / settings.profile_bend_sd_mm
        )
    low = int((PROFILE_KNOTS < LOW).sum())
    creep = np.zeros((low, joint.CAKE))
    for k in range(low):
        creep[k, joint.PROFILE.start + k] = 1 / settings.foot_sd_mm
        creep[k, joint.PROFILE.start + low] = -1 / settings.foot_sd_mm
    return np.concatenate([rows, bend, creep]), mean


def photo_prior(name: str, i: PhotoInput, pose: Pose, block: Array, settings: FitSettings) -> tuple[Array, Array]:
    """What is known of a photo: its lens and fold, where the person stands, what its outlines share."""
    rows, mean = np.zeros((11, joint.PHOTO)), np.zeros(joint.PHOTO)
    rows[:8, : joint.PARAMETERS], mean[: joint.PARAMETERS] = prior_rows(i.prior, pose.flat, CardPriors())
    mean[joint.YAW] = block[joint.YAW]
    rows[8, joint.YAW] = 1 / settings.yaw_sd_rad
    view = pose.view
    scale = view.px_per_mm(np.array([block[joint.PLACE_X], block[joint.PLACE_Y], 40.0]))
    common = float(np.hypot(settings.common_px, settings.common_mm * scale))
    rows[9, joint.BODY_SHIFT] = 1 / common
    rows[10, joint.BOARD_SHIFT] = 1 / float(np.hypot(settings.common_px, settings.board_common_mm * scale))
    return rows, mean


def _body_points(
    edges: Edges, contour: Contour, along_mm: Array, gradient: Array, sigma_px: Array
) -> joint.OutlinePoints:
    """Edges (M,) of a contour for the fit: along_mm (M,) and gradient (M, 2) are those of their own lines of sight."""
    size = np.maximum(np.linalg.norm(gradient, axis=1), 1e-4)
    no = np.zeros(len(size), bool)
    foot = contour.foot[edges.index]
    return joint.OutlinePoints(edges.points_px, gradient / size[:, None], size, along_mm, foot, no, sigma_px)


def _board_points(
    upper: tuple[Contour, Edges], lower: tuple[Contour, Edges], sigma: float, crowd: float
) -> joint.OutlinePoints:
    points = np.concatenate([e.points_px for _, e in (upper, lower)])
    gradient = np.concatenate([c.gradient_mm[e.index] for c, e in (upper, lower)])
    normals = np.concatenate([c.normals[e.index] for c, e in (upper, lower)])
    low = np.concatenate([np.zeros(len(upper[1].index), bool), np.ones(len(lower[1].index), bool)])
    n = len(points)
    own = np.concatenate([e.sigma_px for _, e in (upper, lower)])
    return joint.OutlinePoints(
        points, normals, gradient, np.zeros(n), np.ones(n, bool), low, np.hypot(own, sigma) * crowd
    )


@dataclass(frozen=True)
class Round:
    """How one round looks for edges: by the finder (reach_px 0) or in the photo."""

    reach_px: float
    expected_px: float


def terms_of(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    p: Array,
    start: Array,
    scale: Array,
    square: bool,
    settings: FitSettings,
    how: Round,
    before: Sequence[joint.PhotoTerm] = (),
) -> list[joint.PhotoTerm]:
    """Contours predicted from p, edges found along them, per photo; `before`: the terms of the round before."""
    out, cake = [], p[: joint.CAKE]
    body, board = joint.body_of(cake), joint.board_of(cake, square)
    views = joint.views_of(p, [(i.photo.width_px, i.photo.height_px) for i in inputs.values()])
    contours: Sequence[Contour | None] = [None] * len(views)
    if how.reach_px > 0:
        near = [t.contour_px for t in before if t.contour_px is not None]
        contours = body_contours(views, body, settings.body_points, near or None)
    for k, ((name, i), view, contour) in enumerate(zip(inputs.items(), views, contours, strict=True)):
        predicted = _Predicted(view, body, board, contour)
        out.append(_term(name, i, poses[name], start[joint.photo_block(k)], predicted, scale, settings, how))
    return out


@dataclass(frozen=True)
class _Predicted:
    """The cake as it is known before a round, seen in one photo, and its outline there where edges are looked for."""

    view: View
    body: Body
    board: Board
    contour: Contour | None


def _term(
    name: str,
    i: PhotoInput,
    pose: Pose,
    start: Array,
    predicted: _Predicted,
    scale: Array,
    settings: FitSettings,
    how: Round,
) -> joint.PhotoTerm:
    """What one photo shows about the predicted cake."""
    view, body, board, contour = predicted.view, predicted.body, predicted.board, predicted.contour
    size, ask = (view.width_px, view.height_px), EdgeSettings()
    zoom = max(size) / 2016
    per_mm = view.px_per_mm(np.array([0.0, 0.0, 0.5 * body.height_mm]))
    points = finder_points(i, view, body, settings)
    anchors = len(points)
    worth, traced = np.zeros(0), None
    if contour is not None:
        traced = contour.points_px
        on_board = beyond(i.finding, contour.points_px, contour.normals, ask)[BOARD] > ask.least_probability
        boards = board_contours(view, board, settings.board_points)
        ends = board_crossings(contour, boards, ask.board_px * zoom)
        around = Surroundings(i.finding, on_board, ends, zoom)
        seen = body_sides_fit(i.finding, contour, ask)
        if name == "top" and np.isfinite(settings.foot_sd_mm):  # piping hides the foot; its edge is not the icing's
            seen &= ~contour.foot
        edges = _fine_edges(i, contour, seen, how, zoom, around)
        own = np.hypot(edges.sigma_px, settings.texture_mm * per_mm) * settings.crowd / np.sqrt(edges.sure)
        worth = edges.sure
        near = None if contour.along_mm is None else contour.along_mm[edges.index]
        sight, gradient = clearance_gradient(view, body, edges.points_px, near)
        points = joint.joined([_body_points(edges, contour, sight.along_mm, gradient, own), points])
    else:
        boards = _board_border(view, board, i.whole_border)
    on_edge = _on_board(i, view, boards, settings, how, zoom, per_mm)
    rows, mean = photo_prior(name, i, pose, start, settings)
    fine = len(points) - anchors
    return joint.PhotoTerm(name, size, i.card, scale, points, on_edge, rows, mean, fine, worth, settings.crowd, traced)


def finder_points(i: PhotoInput, view: View, body: Body, settings: FitSettings) -> joint.OutlinePoints:
    """The finder's border of plain icing, for the fit."""
    border, sight, gradient = _border_contour(view, body, i.icing_border)
    found = _anchors(i, border, sight.clearance_mm, settings)
    at = found.index
    crowd = crowding(at, len(border.points_px), settings.crowd)
    return _body_points(found, border, sight.along_mm[at], gradient[at], found.sigma_px * crowd)


def _on_board(
    i: PhotoInput,
    view: View,
    boards: tuple[Contour, Contour],
    settings: FitSettings,
    how: Round,
    zoom: float,
    per_mm: float,
) -> joint.OutlinePoints:
    """Points of the board's upper and lower edge: of the finder's border, or of the photo itself."""
    found = []
    for lower, c in enumerate(boards):
        keep = (board_ends(i.finding, c.points_px, c.normals, EdgeSettings()) > 0) & (c.foot == lower)
        rough = how.reach_px == 0
        edges = _border_edges(i.finding, c, keep, settings) if rough else _fine_edges(i, c, keep, how, zoom)
        found.append((c, edges))
    return _board_points(found[0], found[1], 0.2 * per_mm, settings.crowd)


def _anchors(i: PhotoInput, border: Contour, clearance_mm: Array, settings: FitSettings) -> Edges:
    """The finder's border of plain icing: well away from pieces, or nearer to them where they leave too little.

    In a photo from the side the top's border alone tells the height, and pieces may stand along all of it: it is
    looked at by itself, and icing that is seen under a piece and outside the predicted body (clearance_mm) counts.
    """
    over = border.normals[:, 1] < settings.upright if i.photo.name != "top" else np.zeros(len(border.normals), bool)
    keep = np.zeros(len(over), bool)
    for part, least in ((over, settings.least_over), (~over, settings.least_border)):
        for clear in settings.clear_net:
            found = part & i.icing_sides(clear).where(border.foot)
            if found.sum() >= least:
                break
        keep |= found
    keep |= over & i.icing_under_pieces & (clearance_mm > 0)
    return _border_edges(i.finding, border, keep, settings)


def crowding(index: NDArray[np.intp], count: int, crowd: float) -> Array:
    """By how much (N,) to widen the standard deviations of some points (N,) of a closed border of `count` points.

    Neighbours err alike: a run of them tells as much as one for every crowd squared, but never less than one.
    """
    if not len(index):
        return np.zeros(0)
    starts = np.diff(index, prepend=index[-1] - count) > 1
    run = np.cumsum(starts) % max(starts.sum(), 1)  # closed: the last run may be the beginning of the first
    size = np.bincount(run)[run]
    return np.asarray(np.sqrt(np.minimum(size, crowd**2)), np.float64)


def _fine_edges(
    i: PhotoInput,
    contour: Contour,
    keep: NDArray[np.bool_],
    how: Round,
    zoom: float,
    icing: Surroundings | None = None,
) -> Edges:
    ask = replace(EdgeSettings(), board_px=EdgeSettings().board_px * zoom)
    if how.reach_px >= ROUGH_PX:
        ask = replace(ask, step_px=ask.step_px * zoom, blur_px=ask.blur_px * zoom, jump_price=0.0)
    return photo_edges(i.photo.pixels, contour, keep, how.reach_px * zoom, how.expected_px * zoom, ask, icing)


def _border_contour(view: View, body: Body, border: Border) -> tuple[Contour, Grazing, Array]:
    """The finder's border as a contour, its lines of sight past the body, and the gradient (N, 2) of their clearance.

    Which of its points lie on the board is the body's to say.
    """
    near = graze(view.eye_mm, view.rays(border.points_px), body, samples=ROUGH_SEARCH).along_mm
    sight, gradient = clearance_gradient(view, body, border.points_px, near)
    size = np.linalg.norm(gradient, axis=1)
    return Contour(border.points_px, border.normals, np.maximum(size, 1e-4), sight.foot), sight, gradient


def _border_edges(finding: Finding, contour: Contour, keep: NDArray[np.bool_], settings: FitSettings) -> Edges:
    index = np.nonzero(keep)[0]
    sigma = np.full(len(index), settings.border_net / finding.scale_px)
    return Edges(index, contour.points_px[index], sigma, *np.ones((2, len(index))))


def _board_border(view: View, board: Board, border: Border) -> tuple[Contour, Contour]:
    """The finder's border of the board, taken as its upper edge and as its lower one."""
    out = []
    for z in (0.0, -board.thickness_mm):
        at = view.onto_height(border.points_px, z)
        beyond = view.onto_height(border.points_px + border.normals, z)
        gradient = board.distance_mm(beyond[:, 0], beyond[:, 1]) - board.distance_mm(at[:, 0], at[:, 1])
        n = at[:, :2] - [board.x_mm, board.y_mm]
        wall_seen = ((view.eye_mm[:2] - at[:, :2]) * n).sum(1) > 0
        out.append(Contour(border.points_px, border.normals, np.maximum(gradient, 1e-3), wall_seen))
    return out[0], out[1]
