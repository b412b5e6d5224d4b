"""One cake fitted to all photos of a check at once."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.body import PROFILE_KNOTS, Body
from qc.camera import View
from qc.card import THICKNESS_MM, CardView
from qc.contour import Board, Contour, board_contours, body_contour, clearance_gradient
from qc.errors import FitError, OutlineError
from qc.finder import BOARD, BODY, DECORATION, FOOT_BORDER, Finding
from qc.outline import Border, Edges, EdgeSettings, board_sides_fit, body_sides_fit, finder_border, photo_edges
from qc.photo import Photo
from qc.pose import CardPriors, LensPriorLike, Pose, prior_rows, solve_pose
from qc.start import StartSettings, cover_board, cover_body

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FitSettings:
    """Sizes, counts and what is known of cakes beforehand (standard deviations about the mean)."""

    body_points: int = 240  # directions in which the body's outline is sought
    board_points: int = 160  # places along the board's edge
    reach_px: tuple[tuple[float, float], ...] = (
        (16.0, 6.0),
        (12.0, 5.0),
        (8.0, 3.0),
        (6.0, 2.5),
        (5.0, 2.0),
        (4.0, 1.5),
    )  # per 2016 px of width: how far a
    # round looks for edges, and how far off (one standard deviation) it expects them
    border_net: float = 2.0  # standard deviation of the finder's border, network pixels, which anchors the fine rounds
    texture_mm: float = 0.12  # icing's own unevenness at one point, that a smooth body can't follow
    crowd: float = 6.0  # neighbouring points share their texture: their weight falls by this much squared
    common_px: float = 0.25  # error that a whole outline may share: where does soft cream end?
    common_mm: float = 0.05  # the same, as a length on the cake
    yaw_sd_rad: float = np.radians(4.0)  # where a person stands; measurements.md allows 0.7 h
    taper_sd_mm: float = 3.0
    lean_sd_mm: float = 3.0
    slope_sd: float = 0.012
    dome_sd_mm: float = 0.05
    edge_mm: float = 4.0
    edge_sd_mm: float = 2.5
    wave_sd_mm: float = 0.35  # of the second harmonic; falls as (2 / m)
    profile_sd_mm: float = 0.6
    foot_mm: float = 0.3  # cream creeps out a little where it meets the board
    foot_reach_mm: float = 3.5
    profile_bend_sd_mm: float = 0.35  # second difference of the side profile from knot to knot
    board_t_mm: float = 6.0
    board_t_sd_mm: float = 6.0
    robust: float = 2.5
    enough: tuple[float, ...] = (12.0, 1e9)  # how edges are weighed, one trial each: see EdgeSettings
    start_sd_mm: float = 4.0  # of radius and height as the finder's regions give them
    boards_mm: tuple[tuple[float, float], ...] = ((2.8, 1.2), (12.0, 2.0))  # thickness and spread: cake
    # cards and drums (common practice); a kind between them is told by the edges alone


@dataclass(frozen=True)
class PhotoInput:
    """What the stages before have found in one photo."""

    photo: Photo
    card: CardView
    finding: Finding
    prior: LensPriorLike


@dataclass(frozen=True)
class OutlineQuality:
    """How well a photo's outline was seen."""

    kept: int  # body points that agree with the fitted body
    asked: int  # body points at which the icing's border could be seen
    rms_px: float
    points_px: Array
    residual_px: Array


@dataclass(frozen=True)
class CakeFit:
    """The fitted cake, the photos' views of it, and the covariance of everything.

    `covariance` belongs to the cake's block (qc.joint), all photos' parameters marginalised.
    """

    body: Body
    board: Board
    views: dict[str, View]
    poses: dict[str, Pose]
    cake: Array
    covariance: Array
    parameters: Array
    information: Array
    converged: bool
    reduced_chi2: float
    quality: dict[str, OutlineQuality]
    shares: dict[str, Array]  # covariance of the cake's block by source; they sum to `covariance`
    foot_hidden: bool  # piping hides where the icing meets the board
    dome_seen: bool  # the top's middle shows on a silhouette
    at_limits: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def covariance_shares(self) -> dict[str, Array]:
        """Covariance (CAKE, CAKE) of the cake's block by where it comes from."""
        return self.shares


def fit_cake(
    inputs: Mapping[str, PhotoInput],
    print_scale: Array,
    print_scale_uncertainty: float = 0.001,
    settings: FitSettings | None = None,
) -> CakeFit:
    """Fit one cake to its photos.

    Parameters
    ----------
    inputs : mapping of "top", "side", "side2" to PhotoInput
    print_scale : ndarray, shape (2,)
        True over nominal length of the printed card, along the fold and across.

    Raises
    ------
    CardError, OutlineError, FitError
    """
    settings = settings or FitSettings()
    poses = {n: solve_pose(i.photo, i.card, i.prior, print_scale, n == "top") for n, i in inputs.items()}
    start = _start(inputs, poses, settings)
    findings, sizes = (
        {n: i.finding for n, i in inputs.items()},
        [(i.photo.width_px, i.photo.height_px) for i in inputs.values()],
    )
    start = cover_body(findings, start, sizes, StartSettings())
    boards = [(*cover_board(findings, start, sizes, square, StartSettings()), square) for square in (False, True)]
    best = None
    for begin, left_out, square in boards:
        if left_out > min(b[1] for b in boards) + 0.1:  # the other kind of board covers far more
            continue
        for board in settings.boards_mm:
            begin[joint.BOARD_T] = board[0]
            guess = replace(settings, board_t_mm=board[0], board_t_sd_mm=board[1])
            p, shape_cost = _coarse(inputs, poses, begin, print_scale, square, guess)
            if best is None or shape_cost < best[1]:
                best = (p, shape_cost, square, guess)
    assert best is not None
    p, _, square, settings = best
    # a strong edge is mostly the cake's, but a horizon is strong too: what more of the outline agrees with is believed
    fits = [_fine(inputs, poses, p, print_scale, square, settings, enough) for enough in settings.enough]
    fit = max(fits, key=lambda f: sum(q.kept for q in f.quality.values()))
    return replace(fit, shares={**fit.shares, "print scale": _scale_share(fit, print_scale_uncertainty)})


def _scale_share(fit: CakeFit, uncertainty: float) -> Array:
    """Covariance that a wrong print scale gives: every length of the cake grows with it."""
    lengths = fit.cake.copy()
    lengths[[joint.SLOPE.start, joint.SLOPE.start + 1, joint.BOARD_TURN]] = 0.0
    return np.outer(lengths, lengths) * uncertainty**2


# ---------------------------------------------------------------- where to begin
def _mask_box(finding: Finding, labels: tuple[int, ...]) -> tuple[Array, Array]:
    """Corner pixels (2,), (2,) of the largest patch of the given labels, in photo pixels."""
    import cv2

    mask = np.isin(finding.net_labels(), labels).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        raise OutlineError("No cake was found.")
    x, y, w, h, _ = stats[1 + stats[1:, 4].argmax()]
    corners = finding.to_photo(np.array([[x - 0.5, y - 0.5], [x + w - 0.5, y + h - 0.5]], float))
    return corners[0], corners[1]


def _start(inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], settings: FitSettings) -> Array:
    """Cake and places from the finder's rough boxes."""
    cake = np.zeros(joint.CAKE)
    cake[joint.EDGE], cake[joint.BOARD_T] = settings.edge_mm, settings.board_t_mm
    radii, heights, blocks = [], [], []
    for name, i in inputs.items():
        view = poses[name].view
        try:
            low, high = _mask_box(i.finding, (BODY, DECORATION, FOOT_BORDER))
        except OutlineError:
            raise OutlineError(
                f"No cake was found in the {name} photo: bring the whole cake and the card into the frame."
            ) from None
        if name == "top":
            at = view.onto_height(0.5 * (low + high), 60.0)
            radii.append(0.25 * (high - low).sum() / view.px_per_mm(at))
        else:
            foot = view.onto_height(np.array([0.5 * (low[0] + high[0]), high[1]]), settings.board_t_mm)
            away = foot[:2] - view.eye_mm[:2]
            away = away / np.linalg.norm(away)
            size = 0.5 * (high[0] - low[0]) / view.px_per_mm(foot)
            radius = size * (1 + size / np.linalg.norm(foot - view.eye_mm))
            at = np.array([*(foot[:2] + radius * away), 0.0])
            radii.append(radius)
            heights.append((high[1] - low[1]) / view.px_per_mm(at))
        blocks.append(_place(name, poses[name], at))
    cake[joint.RADIUS] = np.median(radii)
    cake[joint.HEIGHT] = 0.8 * np.median(heights) if heights else 70.0
    cake[joint.BOARD_HALF] = 1.25 * cake[joint.RADIUS]
    return np.concatenate([cake, *blocks])


def _place(name: str, pose: Pose, at: Array) -> Array:
    """A photo's block: the card's parameters, the cake's place, and the nominal clock."""
    view, block = pose.view, np.zeros(joint.PHOTO)
    block[: joint.PARAMETERS] = pose.parameters
    block[joint.PLACE_X], block[joint.PLACE_Y] = at[:2]
    if name == "top":
        px = view.project(np.array([*at[:2], 0.0]))
        six = view.onto_height(px + [0.0, 50.0], 0.0)[:2] - view.onto_height(px, 0.0)[:2]
    else:
        six = view.eye_mm[:2] - at[:2]
    block[joint.YAW] = np.arctan2(six[1], six[0]) + (0.0 if name == "side2" else np.pi / 2)
    return block


# ---------------------------------------------------------------- the problem of one round
def _cake_prior(settings: FitSettings, start: Array) -> tuple[Array, Array]:
    """What is known of any cake: rows and mean."""
    mean, sd = np.zeros(joint.CAKE), np.full(joint.CAKE, np.inf)
    mean[joint.RADIUS], sd[joint.RADIUS] = start[joint.RADIUS], settings.start_sd_mm
    mean[joint.HEIGHT], sd[joint.HEIGHT] = start[joint.HEIGHT], settings.start_sd_mm
    sd[joint.TAPER], sd[joint.LEAN], sd[joint.SLOPE] = settings.taper_sd_mm, settings.lean_sd_mm, settings.slope_sd
    sd[joint.DOME], mean[joint.EDGE], sd[joint.EDGE] = settings.dome_sd_mm, settings.edge_mm, settings.edge_sd_mm
    foot = PROFILE_KNOTS * start[joint.HEIGHT] / settings.foot_reach_mm
    mean[joint.PROFILE] = settings.foot_mm * np.exp(-foot)
    waves = settings.wave_sd_mm * np.repeat(2 / joint.HARMONICS, 2)
    sd[joint.WAVES], sd[joint.PROFILE] = waves, settings.profile_sd_mm
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
    return np.concatenate([rows, bend]), mean


def _photo_prior(name: str, i: PhotoInput, pose: Pose, block: Array, settings: FitSettings) -> tuple[Array, Array]:
    """What is known of a photo: its lens and fold, where the person stands, what its outlines share."""
    rows, mean = np.zeros((11, joint.PHOTO)), np.zeros(joint.PHOTO)
    rows[:8, : joint.PARAMETERS], mean[: joint.PARAMETERS] = prior_rows(i.prior, pose.flat, CardPriors())
    mean[joint.YAW] = block[joint.YAW]
    rows[8, joint.YAW] = 1 / settings.yaw_sd_rad
    view = pose.view
    scale = view.px_per_mm(np.array([block[joint.PLACE_X], block[joint.PLACE_Y], 40.0]))
    common = float(np.hypot(settings.common_px, settings.common_mm * scale))
    rows[9, joint.BODY_SHIFT] = rows[10, joint.BOARD_SHIFT] = 1 / common
    return rows, mean


def _outline_points(view: View, body: Body, contour: Contour, edges: Edges, sigma_px: Array) -> joint.OutlinePoints:
    grazing, gradient = clearance_gradient(view, body, edges.points_px)
    size = np.linalg.norm(gradient, axis=1)
    flat = contour.foot[edges.index]
    no = np.zeros(len(flat), bool)
    return joint.OutlinePoints(edges.points_px, np.maximum(size, 1e-4), grazing.along_mm, flat, no, sigma_px)


def _joined(a: joint.OutlinePoints, b: joint.OutlinePoints) -> joint.OutlinePoints:
    return joint.OutlinePoints(
        *(np.concatenate([getattr(a, f.name), getattr(b, f.name)]) for f in fields(joint.OutlinePoints))
    )


def _board_points(
    upper: tuple[Contour, Edges], lower: tuple[Contour, Edges], sigma: float, crowd: float
) -> joint.OutlinePoints:
    points = np.concatenate([e.points_px for _, e in (upper, lower)])
    gradient = np.concatenate([c.gradient_mm[e.index] for c, e in (upper, lower)])
    low = np.concatenate([np.zeros(len(upper[1].index), bool), np.ones(len(lower[1].index), bool)])
    n = len(points)
    own = np.concatenate([e.sigma_px for _, e in (upper, lower)])
    return joint.OutlinePoints(points, gradient, np.zeros(n), np.ones(n, bool), low, np.hypot(own, sigma) * crowd)


_NO_EDGES = Edges(np.zeros(0, int), np.zeros((0, 2)), np.zeros(0), np.zeros(0))


def _take(edges: Edges, keep: NDArray[np.bool_]) -> Edges:
    return Edges(edges.index[keep], edges.points_px[keep], edges.sigma_px[keep], edges.strength[keep])


@dataclass(frozen=True)
class _Round:
    """How one round looks for edges: by the finder (reach_px 0) or in the photo."""

    reach_px: float
    expected_px: float
    enough: float = 12.0  # see EdgeSettings


def _terms(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    p: Array,
    start: Array,
    scale: Array,
    square: bool,
    settings: FitSettings,
    how: _Round,
) -> list[joint.PhotoTerm]:
    """Contours predicted from p, edges found along them, per photo."""
    out = []
    body, board = joint.body_of(p[: joint.CAKE]), joint.board_of(p[: joint.CAKE], square)
    for k, (name, i) in enumerate(inputs.items()):
        b = slice(joint.CAKE + joint.PHOTO * k, joint.CAKE + joint.PHOTO * (k + 1))
        size = (i.photo.width_px, i.photo.height_px)
        view = joint.cake_view(p[: joint.CAKE], p[b], size)
        zoom = size[0] / 2016 if size[0] > size[1] else size[1] / 2016
        per_mm = view.px_per_mm(np.array([0.0, 0.0, 0.5 * body.height_mm]))
        ask = EdgeSettings()
        border = _border_contour(view, body, finder_border(i.finding, (BODY,), settings.body_points))
        anchors = _border_edges(i.finding, border, body_sides_fit(i.finding, border, ask, True), settings)
        points = _outline_points(view, body, border, anchors, anchors.sigma_px * settings.crowd)
        if how.reach_px == 0:
            whole = finder_border(i.finding, (BOARD, BODY, DECORATION, FOOT_BORDER), settings.board_points)
            boards = _board_border(view, board, whole)
            board_edges = [
                _border_edges(i.finding, c, board_sides_fit(i.finding, c, ask) & (c.foot == lower), settings)
                for lower, c in enumerate(boards)
            ]
        else:
            contour = body_contour(view, body, settings.body_points)
            edges = _fine_edges(i, contour, body_sides_fit(i.finding, contour, ask, False), how, zoom)
            own = np.hypot(edges.sigma_px, settings.texture_mm * per_mm) * settings.crowd
            points = _joined(_outline_points(view, body, contour, edges, own), points)
            boards = board_contours(view, board, settings.board_points)
            board_edges = [
                _fine_edges(i, c, board_sides_fit(i.finding, c, ask) & (c.foot == lower), how, zoom)
                for lower, c in enumerate(boards)
            ]
        on_board = _board_points((boards[0], board_edges[0]), (boards[1], board_edges[1]), 0.2 * per_mm, settings.crowd)
        rows, mean = _photo_prior(name, i, poses[name], start[b], settings)
        out.append(
            joint.PhotoTerm(
                name,
                size,
                i.card,
                scale,
                points,
                on_board,
                rows,
                mean,
                len(points) - len(anchors.index),
                settings.crowd,
            )
        )
    return out


def _fine_edges(i: PhotoInput, contour: Contour, keep: NDArray[np.bool_], how: _Round, zoom: float) -> Edges:
    return photo_edges(
        i.photo.pixels, contour, keep, how.reach_px * zoom, how.expected_px * zoom, EdgeSettings(enough=how.enough)
    )


def _border_contour(view: View, body: Body, border: Border) -> Contour:
    """The finder's border as a contour: which of its points lie on the board is the body's to say."""
    grazing, gradient = clearance_gradient(view, body, border.points_px)
    size = np.linalg.norm(gradient, axis=1)
    return Contour(border.points_px, border.normals, np.maximum(size, 1e-4), grazing.foot)


def _border_edges(finding: Finding, contour: Contour, keep: NDArray[np.bool_], settings: FitSettings) -> Edges:
    index = np.nonzero(keep)[0]
    sigma = np.full(len(index), settings.border_net / finding.scale_px)
    return Edges(index, contour.points_px[index], sigma, np.ones(len(index)))


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


# ---------------------------------------------------------------- the rounds
def _coarse(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    start: Array,
    scale: Array,
    square: bool,
    settings: FitSettings,
) -> tuple[Array, float]:
    """Fit to the finder's borders, first places and sizes alone; the cost tells round boards from square ones."""
    p, cost, count = start, np.inf, 1
    cake_only = np.zeros(joint.CAKE, bool)
    cake_only[[joint.RADIUS, joint.HEIGHT, joint.BOARD_HALF, joint.BOARD_X, joint.BOARD_Y, joint.BOARD_TURN]] = True
    place_only = np.zeros(joint.PHOTO, bool)
    place_only[[joint.PLACE_X, joint.PLACE_Y]] = True
    stiff = replace(
        settings,
        taper_sd_mm=0.5,
        lean_sd_mm=0.5,
        slope_sd=0.002,
        edge_sd_mm=0.5,
        wave_sd_mm=0.1,
        profile_sd_mm=0.1,
    )
    everything = np.ones(joint.CAKE, bool), np.ones(joint.PHOTO, bool)
    rounds = [
        (4.0, (cake_only, place_only)),
        (2.5, everything),
        (2.5, everything),
    ]
    for robust, (free_cake, free_photo) in rounds:
        terms = _terms(inputs, poses, p, start, scale, square, stiff, _Round(0.0, 0.0))
        _enough(terms)
        rows, mean = _cake_prior(stiff, start)
        problem = joint.Problem(terms, rows, mean, square, robust, free_cake, free_photo)
        solution = joint.solve(problem, p, 6)
        p, cost = solution.parameters, solution.cost
        count = sum(len(t.board) + len(t.body) for t in terms)
    return p, cost / max(count, 1)


def _enough(terms: list[joint.PhotoTerm]) -> None:
    for t in terms:
        if len(t.body) < 10:
            raise OutlineError(
                f"The cake's outline can hardly be seen in the {t.name} photo: lay a mat of another colour under and "
                "behind the cake, and take the photo again with the whole cake in the frame."
            )


def _fine(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    p: Array,
    scale: Array,
    square: bool,
    settings: FitSettings,
    enough: float,
) -> CakeFit:
    """Fit to the photos' own edges, in rounds that look ever closer."""
    start = p
    for reach, expected in settings.reach_px:
        terms = _terms(inputs, poses, p, start, scale, square, settings, _Round(reach, expected, enough))
        _enough(terms)
        rows, mean = _cake_prior(settings, start)
        problem = joint.Problem(terms, rows, mean, square, settings.robust)
        solution = joint.solve(problem, p, 15)
        p = solution.parameters
    return _result(inputs, poses, problem, solution)


def _result(
    inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], problem: joint.Problem, solution: joint.Solution
) -> CakeFit:
    p = solution.parameters
    cake = p[: joint.CAKE]
    covariance: Array = np.asarray(np.linalg.inv(solution.information), np.float64)
    if not np.isfinite(covariance).all():
        raise FitError("The photos do not agree on one cake: check that all were taken of the same cake.")
    views, quality = {}, {}
    squares, count = 0.0, 0
    for k, term in enumerate(problem.terms):
        views[term.name] = joint.cake_view(cake, p[problem.block(k)], term.size_px)
        r = solution.residuals[k]
        squares += float(np.sum(np.minimum(r * r, problem.robust**2)))
        count += len(r)
        n = 2 * term.card.corner_count
        quality[term.name] = _quality(term, r[n : n + len(term.body)])
    return CakeFit(
        joint.body_of(cake),
        joint.board_of(cake, problem.square),
        views,
        dict(poses),
        cake,
        covariance[: joint.CAKE, : joint.CAKE],
        p,
        solution.information,
        solution.converged,
        squares / max(count - len(p), 1),
        quality,
        {"fit": covariance[: joint.CAKE, : joint.CAKE]},
        _foot_hidden(inputs),
        False,
    )


def _foot_hidden(inputs: Mapping[str, PhotoInput]) -> bool:
    """Whether piping runs along the foot in a side photo: more of it than of decorations' stray pixels."""
    shares = [
        (i.finding.net_labels() == FOOT_BORDER).sum() / max((i.finding.net_labels() == BODY).sum(), 1)
        for i in inputs.values()
    ]
    return bool(max(shares) > 0.02)


def _quality(term: joint.PhotoTerm, r: Array) -> OutlineQuality:
    fine = term.fine
    px = (r * term.body.sigma_px)[:fine]
    kept = np.abs(r[:fine]) * term.crowd < 3
    rms = float(np.sqrt(np.mean(px[kept] ** 2))) if kept.any() else float("nan")
    return OutlineQuality(int(kept.sum()), fine, rms, term.body.points_px[:fine], px)


__all__ = ["THICKNESS_MM", "CakeFit", "FitSettings", "OutlineQuality", "PhotoInput", "fit_cake"]
