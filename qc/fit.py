"""One cake fitted to all photos of a check at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.body import Body
from qc.camera import View
from qc.contour import Board
from qc.errors import FitError, OutlineError
from qc.finder import BODY, FOOT_BORDER
from qc.fit_terms import FitSettings, PhotoInput, Round, cake_prior, terms_of
from qc.many_starts import likeliest
from qc.pose import Pose, solve_pose
from qc.solver import NEARLY_SETTLED, SETTLED, Solution, solve
from qc.start import StartSettings, cover_board, cover_body, rough

Array = NDArray[np.float64]


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
    converged: bool
    reduced_chi2: float
    quality: dict[str, OutlineQuality]
    shares: dict[str, Array]  # covariance of the cake's block by source; they sum to `covariance`
    foot_hidden: bool  # piping hides where the icing meets the board
    dome_seen: bool  # the top's middle shows on a silhouette
    start: Array  # places and sizes about which the parameters were expected
    settings: FitSettings
    warnings: tuple[str, ...] = ()

    def covariance_shares(self) -> dict[str, Array]:
        """Covariance (CAKE, CAKE) of the cake's block by where it comes from."""
        return self.shares

    @property
    def disagreeing(self) -> float:
        """Share of the photos' edges along the icing's outlines that lie off the fitted cake, 0..1."""
        asked = sum(q.asked for q in self.quality.values())
        return 1 - sum(q.kept for q in self.quality.values()) / asked if asked else 0.0


KNOWN_TURN_RAD = np.radians(1.2)  # standard uncertainty of a turn that decorations tell
FAR_TURN_RAD = np.radians(2.0)  # beyond this the shape changes, so that edges are looked for in several rounds
FOLLOWED = 2  # starts that are followed closely
SAME_MM = 1.0  # starts whose sizes differ by less, on the same kind of board, lead to the same cake
OTHER_BOARD = (
    0.85  # of the edges that agree among all near a rough outline: a kind of board with fewer is the wrong one
)
FAR_BEHIND = 0.9  # on a kind of board with fewer agreeing edges than this share of the most no further start is tried
STILL_OPEN = 0.8  # a start with so few is not followed: a quick look's counts tell no finer
AGREES = 3.0  # an edge nearer than so many of its standard deviations agrees
DOME_SHOWS_MM = 0.5  # from here on the top's middle stands out over its rim
ROUND_ENOUGH = 0.2  # share of the seen board that a circle may leave out; of six square ones it left 0.32 and more
UNSETTLED = "The photos did not settle on one shape; measure the cake by hand before you lean on these figures."


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
    if _foot_hidden(inputs):
        settings = replace(settings, foot_mm=settings.hidden_foot_mm, foot_sd_mm=settings.hidden_foot_sd_mm)
    poses = {n: solve_pose(i.photo, i.card, i.prior, print_scale, n == "top") for n, i in inputs.items()}
    fit = _best_of(_trials(inputs, poses, print_scale, settings), inputs, poses, print_scale)
    return _told(fit, print_scale_uncertainty)


def fit_turned(
    fit: CakeFit,
    turns_rad: Mapping[str, float],
    inputs: Mapping[str, PhotoInput],
    print_scale: Array,
    print_scale_uncertainty: float = 0.001,
) -> CakeFit:
    """The same cake fitted once more, now that it is known how it was turned between the photos.

    Outlines of a round cake hardly tell that, and the clock that a person keeps to is off by up to 0.7 h.

    Parameters
    ----------
    turns_rad : mapping of photo names to radians
        From where `fit` takes the cake to be turned to where it is, as against the top photo.
    """
    start, p = fit.start.copy(), fit.parameters.copy()
    for k, name in enumerate(inputs):
        yaw = joint.CAKE + joint.PHOTO * k + joint.YAW
        p[yaw] += turns_rad.get(name, 0.0)
        start[yaw] = p[yaw]
    far = max(map(abs, turns_rad.values()), default=0.0) > FAR_TURN_RAD
    settings = replace(fit.settings, yaw_sd_rad=KNOWN_TURN_RAD)
    trial = _Trial(p, start, 0.0, fit.board.square, settings)
    looks = settings.last_px if far else settings.last_px[-1:]
    again = _result(inputs, fit.poses, trial, *_rounds(inputs, fit.poses, trial, print_scale, looks))
    return _told(again, print_scale_uncertainty)


def _told(fit: CakeFit, print_scale_uncertainty: float) -> CakeFit:
    """With what the print scale adds to the uncertainty, and a warning where the photos did not settle."""
    warnings = fit.warnings if fit.converged else (*fit.warnings, UNSETTLED)
    shares = {**fit.shares, "print scale": _scale_share(fit, print_scale_uncertainty)}
    return replace(fit, shares=shares, warnings=warnings)


@dataclass(frozen=True)
class _Trial:
    """A kind of board supposed, and the cake that fits the finder's borders best with it."""

    parameters: Array
    start: Array  # what the finder's borders said: places and sizes are expected about it
    cost: float  # per border point
    square: bool
    settings: FitSettings


def _trials(
    inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], scale: Array, settings: FitSettings
) -> list[_Trial]:
    """Coarse fits for every kind of board that covers what was seen of it."""
    sizes = [(i.photo.width_px, i.photo.height_px) for i in inputs.values()]
    findings = {n: i.finding for n, i in inputs.items()}
    start = cover_body(findings, rough(inputs, poses, settings), sizes, StartSettings())
    boards: list[tuple[Array, float, bool]] = []
    for square in (False, True):
        if not boards or boards[0][1] > ROUND_ENOUGH:
            boards.append((*cover_board(findings, start, sizes, square, StartSettings()), square))
    out: list[_Trial] = []
    fault: OutlineError | None = None
    for begin, left_out, square in boards:
        if left_out > min(b[1] for b in boards) + 0.1:  # the other kind of board covers far more
            continue
        for thickness, spread in settings.boards_mm:
            begin[joint.BOARD_T] = thickness
            guess = replace(settings, board_t_mm=thickness, board_t_sd_mm=spread)
            try:
                p, cost = _coarse(inputs, poses, begin, scale, square, guess)
            except OutlineError as error:
                fault = error
                continue
            out.append(_Trial(p, p, cost, square, guess))
    if not out and fault is not None:
        raise fault
    shape = min(out, key=lambda t: t.cost).square
    return [t for t in out if t.square == shape]


def _best_of(
    trials: list[_Trial], inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], scale: Array
) -> CakeFit:
    """The supposed board and start with which most of the photos' edges agree.

    Where the rim is hard to see the finder's borders may lead to a wrong edge, so the cake is also begun where most
    edges agree among many that the borders allow. A quick look at every start, with fewer points, tells which two are
    worth following closely.
    """
    faults: list[OutlineError] = []

    def looked(t: _Trial, held: _Trial, looks: Sequence[tuple[float, float, int]]) -> list[tuple[float, _Trial]]:
        try:
            problem, solution = _rounds(inputs, poses, held, scale, looks)
        except OutlineError as error:
            faults.append(error)
            return []
        return [(_agreeing(problem, solution), replace(t, parameters=solution.parameters))]

    def likely(found: list[tuple[float, _Trial]], board_t_mm: float) -> bool:
        on_it = [count for count, t in found if t.settings.board_t_mm == board_t_mm]
        return not on_it or max(on_it) > FAR_BEHIND * max(count for count, _ in found)

    quick: list[tuple[float, _Trial]] = []
    counted = [(trial, *_drawn(inputs, poses, trial, scale)) for trial in trials]
    most = max(count for *_, count in counted)
    trials = [trial for trial, _, count in counted if count > OTHER_BOARD * most]
    drawn = [t for _, t, count in counted if count > OTHER_BOARD * most]
    for t in drawn:
        quick += looked(t, _stiff(t), t.settings.wide_px)
    for t in [trial for trial in trials if likely(quick, trial.settings.board_t_mm)]:
        if not any(_alike(t, d) for d in drawn):
            quick += looked(t, _stiff(t), t.settings.wide_px)
    followed: list[tuple[float, _Trial]] = []
    for t in _promising(quick):
        followed += looked(t, t, t.settings.close_px)
    if not followed:
        raise faults[0]
    best = max(followed, key=lambda q: q[0])[1]
    best = replace(best, settings=replace(best.settings, dark_line=True))
    return _result(inputs, poses, best, *_rounds(inputs, poses, best, scale, best.settings.last_px[1:]))


def _promising(quick: Sequence[tuple[float, _Trial]]) -> list[_Trial]:
    """The starts worth following, the best first: those that differ, of those that a quick look puts near the best."""
    most = max((count for count, _ in quick), default=0.0)
    out: list[_Trial] = []
    for count, t in sorted(quick, key=lambda q: -q[0]):
        if count > STILL_OPEN * most and not any(_alike(t, before) for before in out):
            out.append(t)
    return out[:FOLLOWED]


def _alike(a: _Trial, b: _Trial) -> bool:
    """Whether two starts are so near each other that looking for edges about both would be looking twice."""
    sizes = [joint.RADIUS, joint.HEIGHT]
    near = np.abs(a.parameters[sizes] - b.parameters[sizes]) < SAME_MM
    return a.settings.board_t_mm == b.settings.board_t_mm and bool(near.all())


def _drawn(
    inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], trial: _Trial, scale: Array
) -> tuple[_Trial, float]:
    """The trial begun where most of the photos' edges agree, of many cakes near the finder's borders, and how many."""
    t = _stiff(trial)
    terms = terms_of(inputs, poses, t.parameters, t.start, scale, t.square, t.settings, Round(0.0, 0.0))
    rows, mean = cake_prior(t.settings, t.start)
    problem = joint.Problem(terms, rows, mean, t.square, t.settings.robust)
    parameters, agreeing = likeliest(inputs, problem, t.parameters)
    return replace(trial, parameters=parameters), agreeing


def _agreeing(problem: joint.Problem, solution: Solution) -> float:
    """How many edges of the photos lie where the fitted body and board say, less what is unusual about the cake.

    An edge with more icing on its far side is a swirl or a shadow; it counts as little as the finder believes in it.
    """
    cake = solution.parameters[: joint.CAKE]
    count = -0.5 * float(np.sum((problem.cake_rows @ (cake - problem.cake_mean)) ** 2))
    for term, r in zip(problem.terms, solution.residuals, strict=True):
        n = 2 * term.card.corner_count
        agrees = np.abs(r[n:]) * term.crowd < AGREES
        count += float(term.worth[agrees[: term.fine]].sum()) + int(agrees[len(term.body) :].sum())
    return count


def _scale_share(fit: CakeFit, uncertainty: float) -> Array:
    """Covariance that a wrong print scale gives: every length of the cake grows with it."""
    lengths = fit.cake.copy()
    lengths[[joint.SLOPE.start, joint.SLOPE.start + 1, joint.BOARD_TURN]] = 0.0
    return np.outer(lengths, lengths) * uncertainty**2


# ---------------------------------------------------------------- the rounds
def _coarse(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    start: Array,
    scale: Array,
    square: bool,
    settings: FitSettings,
) -> tuple[Array, float]:
    """Fit to the finder's borders; the cost tells round boards from square ones."""
    stiff = replace(
        settings,
        taper_sd_mm=0.5,
        lean_sd_mm=0.5,
        slope_sd=0.002,
        edge_sd_mm=0.5,
        wave_sd_mm=0.1,
        profile_sd_mm=0.1,
    )
    terms = terms_of(inputs, poses, start, start, scale, square, stiff, Round(0.0, 0.0))
    _enough(terms)
    solution = solve(joint.Problem(terms, *cake_prior(stiff, start), square), start, 6)
    return solution.parameters, solution.cost / max(sum(len(t.board) + len(t.body) for t in terms), 1)


def _enough(terms: list[joint.PhotoTerm]) -> None:
    for t in terms:
        if len(t.body) < 10:
            raise OutlineError(
                f"The cake's outline can hardly be seen in the {t.name} photo: lay a mat of another colour under and "
                "behind the cake, and take the photo again with the whole cake in the frame."
            )


def _stiff(trial: _Trial) -> _Trial:
    """For a quick look: fewer points, and a cake that keeps to what is usual."""
    settings = trial.settings
    settings = replace(
        settings,
        body_points=settings.body_points // 2,
        board_points=settings.board_points // 2,
        board_t_sd_mm=0.3 * settings.board_t_sd_mm,
        dome_sd_mm=0.05,
        taper_sd_mm=1.0,
        lean_sd_mm=1.0,
        wave_sd_mm=0.15,
        profile_sd_mm=0.2,
    )
    return replace(trial, settings=settings)


def _rounds(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    trial: _Trial,
    scale: Array,
    looks: Sequence[tuple[float, float, int]],
) -> tuple[joint.Problem, Solution]:
    """Fit to the photos' own edges, in rounds that look ever closer."""
    settings, p = trial.settings, trial.parameters
    terms: list[joint.PhotoTerm] = []
    for look in looks:
        reach, expected, steps = look
        terms = terms_of(inputs, poses, p, trial.start, scale, trial.square, settings, Round(reach, expected), terms)
        _enough(terms)
        rows, mean = cake_prior(settings, trial.start)
        problem = joint.Problem(terms, rows, mean, trial.square, settings.robust)
        solution = solve(problem, p, steps, SETTLED if look == settings.last_px[-1] else NEARLY_SETTLED)
        p = solution.parameters
    return problem, solution


def _result(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    trial: _Trial,
    problem: joint.Problem,
    solution: Solution,
) -> CakeFit:
    p = solution.parameters
    cake = p[: joint.CAKE]
    covariance, shares = _covariance(joint.information_by_source(problem, p), cake[joint.DOME], trial.settings)
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
        solution.converged,
        squares / max(count - len(p), 1),
        quality,
        {source: share[: joint.CAKE, : joint.CAKE] for source, share in shares.items()},
        _foot_hidden(inputs),
        False,
        trial.start,
        trial.settings,
    )


def _covariance(parts: Mapping[str, Array], dome_mm: float, settings: FitSettings) -> tuple[Array, dict[str, Array]]:
    """Covariance (P, P) and its shares by source (P, P), domes spreading as they truly do, not as the fit keeps to.

    Below `DOME_SHOWS_MM` the outlines tell nothing of the dome, whatever their slope by it says: a hollow behind the
    rim looks like a level top. Then the dome is what cakes are like, and the rest goes with it as the outlines have it.
    """
    total, cakes, dome = np.asarray(sum(parts.values()), np.float64), "what cakes are like", joint.DOME
    if dome_mm >= DOME_SHOWS_MM:
        own = parts[cakes].copy()
        own[dome, dome] += 1 / settings.dome_spread_mm**2 - 1 / settings.dome_sd_mm**2
        inverse = np.asarray(np.linalg.inv(total + own - parts[cakes]), np.float64)
        return inverse, {s: inverse @ part @ inverse for s, part in {**parts, cakes: own}.items()}
    others = np.arange(len(total)) != dome
    inverse = np.zeros_like(total)
    inverse[np.ix_(others, others)] = np.linalg.inv(total[np.ix_(others, others)])
    follows = -inverse @ total[:, dome]
    follows[dome] = 1.0
    shares = {s: inverse @ part @ inverse for s, part in parts.items()}
    by_dome = np.outer(follows, follows) * settings.dome_spread_mm**2
    shares[cakes] = shares[cakes] + by_dome
    return inverse + by_dome, shares


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
    kept = np.abs(r[:fine]) * term.crowd < AGREES
    rms = float(np.sqrt(np.mean(px[kept] ** 2))) if kept.any() else float("nan")
    return OutlineQuality(int(kept.sum()), fine, rms, term.body.points_px[:fine], px)
