"""One cake fitted to all photos of a check at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.body import Body
from qc.camera import View
from qc.closing import Read, close_rounds
from qc.contour import Board
from qc.errors import CakeQCError, FitError, OutlineError
from qc.finder import BODY, FOOT_BORDER
from qc.fit_terms import FitSettings, PhotoInput
from qc.pose import Pose, solve_pose
from qc.solver import Solution
from qc.start import board_as_icing
from qc.trials import AGREES, Trial, boards_seen, likely_trials, trials_on

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
    start: Array  # places and sizes about which the parameters were expected
    settings: FitSettings
    read: Mapping[str, Read]  # where the photos' outlines run
    warnings: tuple[str, ...] = ()
    board_misread: bool = False  # what the finder took for the board in the top photo is icing

    def covariance_shares(self) -> dict[str, Array]:
        """Covariance (CAKE, CAKE) of the cake's block by where it comes from."""
        return self.shares

    @property
    def disagreeing(self) -> float:
        """Share of the photos' edges along the icing's outlines that lie off the fitted cake, 0..1."""
        asked = sum(q.asked for q in self.quality.values())
        return 1 - sum(q.kept for q in self.quality.values()) / asked if asked else 0.0


KNOWN_TURN_RAD = np.radians(1.2)  # standard uncertainty of a turn that decorations tell
DOME_SHOWS_MM = 0.5  # from here on the top's middle stands out over its rim
LIP_MM = 0.65  # standard uncertainty of a dome that outlines show, and of the height then: lips at the rim look like it
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
    boards, misread = boards_seen(inputs, poses, settings)
    if misread:
        inputs = _top_board_as_icing(inputs)
        boards, _ = boards_seen(inputs, poses, settings)
    likely = likely_trials(trials_on(inputs, poses, boards, print_scale, settings), inputs, poses, print_scale)
    fit = _most_settled(likely, inputs, poses, print_scale)
    return _told(replace(fit, board_misread=misread), print_scale_uncertainty)


def _most_settled(
    trials: Sequence[Trial], inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], print_scale: Array
) -> CakeFit:
    """Of starts that are about as likely, the one that the outlines read by the network fit best.

    The first of the last rounds tells which; that one alone is followed to the end.

    Raises
    ------
    OutlineError, FitError
        Where none of them meets outlines on which the photos agree.
    """
    if len(trials) == 1:
        return _result(inputs, poses, trials[0], *close_rounds(inputs, poses, trials[0], print_scale))
    begun: list[tuple[float, Trial, Mapping[str, Read]]] = []
    faults: list[CakeQCError] = []
    for trial in trials:
        read = begun[0][2] if begun else None
        first = trial.settings.last_steps[:1]
        try:
            problem, solution, read = close_rounds(inputs, poses, trial, print_scale, read, first)
        except OutlineError as error:
            faults.append(error)
            continue
        begun.append((reduced_chi2(problem, solution), replace(trial, parameters=solution.parameters), read))
    for _, trial, read in sorted(begun, key=lambda b: b[0]):
        rest = trial.settings.last_steps[1:]
        try:
            return _result(inputs, poses, trial, *close_rounds(inputs, poses, trial, print_scale, read, rest))
        except (OutlineError, FitError) as error:
            faults.append(error)
    raise faults[0]


def reduced_chi2(problem: joint.Problem, solution: Solution) -> float:
    """Sum of the squared residuals, each up to the robust limit, over their number less that of the parameters."""
    r = np.concatenate(solution.residuals)
    return float(np.minimum(r * r, problem.robust**2).sum() / max(len(r) - problem.size, 1))


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
    if fit.board_misread:
        inputs = _top_board_as_icing(inputs)
    start, p = fit.start.copy(), fit.parameters.copy()
    for k, name in enumerate(inputs):
        yaw = joint.photo_block(k).start + joint.YAW
        p[yaw] += turns_rad.get(name, 0.0)
        start[yaw] = p[yaw]
    trial = Trial(p, start, 0.0, fit.board.square, replace(fit.settings, yaw_sd_rad=KNOWN_TURN_RAD))
    again = _result(inputs, fit.poses, trial, *close_rounds(inputs, fit.poses, trial, print_scale, fit.read))
    return _told(replace(again, board_misread=fit.board_misread), print_scale_uncertainty)


def _told(fit: CakeFit, print_scale_uncertainty: float) -> CakeFit:
    """With what the print scale adds to the uncertainty, and a warning where the photos did not settle."""
    warnings = fit.warnings if fit.converged else (*fit.warnings, UNSETTLED)
    shares = {**fit.shares, "print scale": _scale_share(fit, print_scale_uncertainty)}
    return replace(fit, shares=shares, warnings=warnings)


def _top_board_as_icing(inputs: Mapping[str, PhotoInput]) -> dict[str, PhotoInput]:
    return {n: replace(i, finding=board_as_icing(i.finding)) if n == "top" else i for n, i in inputs.items()}


def _scale_share(fit: CakeFit, uncertainty: float) -> Array:
    """Covariance that a wrong print scale gives: every length of the cake grows with it."""
    lengths = fit.cake.copy()
    lengths[[joint.SLOPE.start, joint.SLOPE.start + 1, joint.BOARD_TURN]] = 0.0
    return np.outer(lengths, lengths) * uncertainty**2


def _result(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    trial: Trial,
    problem: joint.Problem,
    solution: Solution,
    read: Mapping[str, Read],
) -> CakeFit:
    p = solution.parameters
    cake = p[: joint.CAKE]
    covariance, shares = _covariance(joint.information_by_source(problem, p), cake[joint.DOME], trial.settings)
    if not np.isfinite(covariance).all():
        raise FitError("The photos do not agree on one cake: check that all were taken of the same cake.")
    views = dict(zip(inputs, joint.views_of(p, problem.sizes_px), strict=True))
    quality: dict[str, OutlineQuality] = {}
    for term, r in zip(problem.terms, solution.residuals, strict=True):
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
        reduced_chi2(problem, solution),
        quality,
        {source: share[: joint.CAKE, : joint.CAKE] for source, share in shares.items()},
        _foot_hidden(inputs),
        trial.start,
        trial.settings,
        read,
    )


def _covariance(parts: Mapping[str, Array], dome_mm: float, settings: FitSettings) -> tuple[Array, dict[str, Array]]:
    """Covariance (P, P) and its shares by source (P, P), domes spreading as they truly do, not as the fit keeps to.

    Below `DOME_SHOWS_MM` the outlines tell nothing of the dome, whatever their slope by it says: a hollow behind the
    rim looks like a level top. Then the dome is what cakes are like, and the rest goes with it as the outlines have it.
    A dome that they do show may be a lip in part.
    """
    total, cakes, dome = np.asarray(sum(parts.values()), np.float64), "what cakes are like", joint.DOME
    others = np.arange(len(total)) != dome
    inverse = np.zeros_like(total)
    inverse[np.ix_(others, others)] = np.linalg.inv(total[np.ix_(others, others)])
    follows = -inverse @ total[:, dome]
    follows[dome] = 1.0
    unknown = np.outer(follows, follows) * settings.dome_spread_mm**2
    if dome_mm >= DOME_SHOWS_MM:
        own = parts[cakes].copy()
        own[dome, dome] += 1 / settings.dome_spread_mm**2 - 1 / settings.dome_sd_mm**2
        inverse = np.asarray(np.linalg.inv(total + own - parts[cakes]), np.float64)
        parts, unknown = {**parts, cakes: own}, np.outer(follows, follows) * LIP_MM**2
        unknown[joint.HEIGHT, joint.HEIGHT] += LIP_MM**2
    shares = {s: inverse @ part @ inverse for s, part in parts.items()}
    shares[cakes] = shares[cakes] + unknown
    return inverse + unknown, shares


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
