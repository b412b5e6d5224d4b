"""Which kind of board, and which start on it, the photos of a check agree with most.

How thick the board is moves the foot of a cake by a centimetre, and where piping hides the foot the board alone can
tell: so each kind of board is supposed in turn and fitted. Followed are those with which most of the photos' edges
agree and which lie least off the icing that the finder saw.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.contour import body_contours
from qc.errors import OutlineError
from qc.fit_terms import FitSettings, PhotoInput, Round, cake_prior, terms_of
from qc.many_starts import likeliest
from qc.pose import Pose
from qc.regions import misfit_mm
from qc.solver import NEARLY_SETTLED, Solution, solve
from qc.start import StartSettings, cover_board, cover_body, misread_board, rough

Array = NDArray[np.float64]
FOLLOWED = 2  # starts that are followed closely
SAME_MM = 1.0  # starts whose sizes differ by less, on the same kind of board, lead to the same cake
OTHER_BOARD = 0.85  # a kind of board on which fewer edges near a rough outline agree than this share is the wrong one
FAR_BEHIND = 0.9  # on a kind of board with fewer agreeing edges than this share of the most no further start is tried
STILL_OPEN = 0.8  # a start with so few is not followed: a quick look's counts tell no finer ...
STILL_OPEN_BOARD = 0.6  # ... and less of another kind of board, whose thickness moves the foot by a centimetre
AS_LIKELY = 0.85  # with so many of the most agreeing edges, at the quick look and closely, another start may be right:
# of 519 rendered cakes 40 had one, four times it was the better (three by the board), once a worse one was kept
AGREES = 3.0  # an edge nearer than so many of its standard deviations agrees
FAR_MOVED_MM = 6.0  # from where the regions had the top to where the borders have it
OFF_REGION = 0.25  # a body that lies a millimetre off what the finder saw is as unlikely as such a share of its outline
# without an edge: 0.8 to 2.0 mm in side photos where a wrong line was followed, otherwise 0.5 (0.9 in one of twenty)
ROUND_ENOUGH = 0.2  # share of the seen board that a circle may leave out; of six square ones it left 0.32 and more


@dataclass(frozen=True)
class Trial:
    """A kind of board supposed, and the cake that fits the finder's borders best with it."""

    parameters: Array
    start: Array  # what the finder's borders said: places and sizes are expected about it
    cost: float  # per border point
    square: bool
    settings: FitSettings


def boards_seen(
    inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], settings: FitSettings
) -> tuple[list[tuple[Array, float, bool]], bool]:
    """Where to begin, by the board, and whether the finder misread it in the top photo.

    Returns
    -------
    list of (ndarray, float, bool)
        Parameters of all blocks (qc.joint) on a round and, where that does not fit, a square board; the share of the
        seen board that it leaves out; whether it is square.
    bool
    """
    sizes = [(i.photo.width_px, i.photo.height_px) for i in inputs.values()]
    findings = {n: i.finding for n, i in inputs.items()}
    start = cover_body(findings, rough(inputs, poses, settings), sizes, StartSettings())
    boards: list[tuple[Array, float, bool]] = []
    for square in (False, True):
        if not boards or boards[0][1] > ROUND_ENOUGH:
            boards.append((*cover_board(findings, start, sizes, square, StartSettings()), square))
    left_out, square = min(b[1:] for b in boards)
    return boards, misread_board(findings, start, sizes, (left_out, square), StartSettings())


def trials_on(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    boards: Sequence[tuple[Array, float, bool]],
    scale: Array,
    settings: FitSettings,
) -> list[Trial]:
    """Coarse fits for every kind of board that covers what was seen of it."""
    out: list[Trial] = []
    fault: OutlineError | None = None
    for begin, left_out, square in boards:
        if left_out > min(b[1] for b in boards) + 0.1:  # the other kind of board covers far more
            continue
        for thickness, spread, seldom in settings.boards_mm:
            begin[joint.BOARD_T] = thickness
            guess = replace(settings, board_t_mm=thickness, board_t_sd_mm=spread, seldom=seldom)
            try:
                p, cost = _coarse(inputs, poses, begin, scale, square, guess)
            except OutlineError as error:
                fault = error
                continue
            out.append(Trial(_on_supposed(p, guess), p, cost, square, guess))
            # borders of one photo may have outvoted the regions of the others
            if abs(p[joint.HEIGHT] - begin[joint.HEIGHT]) > FAR_MOVED_MM:
                out.append(Trial(_on_supposed(begin, guess), begin.copy(), cost, square, guess))
    if not out and fault is not None:
        raise fault
    shape = min(out, key=lambda t: t.cost).square
    return [t for t in out if t.square == shape]


def likely_trials(
    trials: list[Trial], inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], scale: Array
) -> list[Trial]:
    """The supposed boards and starts with which most of the photos' edges agree, less what lies off the seen icing.

    The likeliest comes first, then what is about as likely (`AS_LIKELY`).

    Where the rim is hard to see the finder's borders may lead to a wrong edge, so the cake is also begun where most
    edges agree among many that the borders allow. A quick look at every start, with fewer points, tells which two are
    worth following closely.
    """
    faults: list[OutlineError] = []

    def looked(t: Trial, held: Trial, looks: Sequence[tuple[float, float, int]]) -> list[Look]:
        try:
            problem, solution = rounds(inputs, poses, held, scale, looks)
        except OutlineError as error:
            faults.append(error)
            return []
        against = _off_regions(inputs, problem, solution) + t.settings.seldom
        return [Look(replace(t, parameters=solution.parameters), _agreeing(problem, solution), against)]

    def likely(found: list[Look], board_t_mm: float) -> bool:
        on_it = [q.edges for q in found if q.trial.settings.board_t_mm == board_t_mm]
        return not on_it or max(on_it) > FAR_BEHIND * max(q.edges for q in found)

    quick: list[Look] = []
    counted = [(trial, *_drawn(inputs, poses, trial, scale)) for trial in trials]
    most = max(count for *_, count in counted)
    trials = [trial for trial, _, count in counted if count > OTHER_BOARD * most]
    drawn = [t for _, t, count in counted if count > OTHER_BOARD * most]
    for t in drawn:
        quick += looked(t, _stiff(t), t.settings.wide_px)
    for t in [trial for trial in trials if likely(quick, trial.settings.board_t_mm)]:
        if not any(_alike(t, d) for d in drawn):
            quick += looked(t, _stiff(t), t.settings.wide_px)
    for t in _elsewhere(quick, drawn):
        quick += looked(t, _stiff(t), t.settings.wide_px)
    followed: list[tuple[Look, Look]] = []  # closely, and at the quick look
    for q in _promising(quick):
        followed += [(close, q) for close in looked(q.trial, q.trial, q.trial.settings.close_px)]
    if not followed:
        raise faults[0]
    best = max(followed, key=lambda pair: pair[0].worth)
    near = [p for p in followed if all(_near(q, b, AS_LIKELY) for q, b in zip(p, best, strict=True))]
    others = [p for p in near if p is not best]
    return [close.trial for close, _ in (best, *others)]


@dataclass(frozen=True)
class Look:
    """A start after some rounds: how many edges agree with it, and how many its regions and its board outweigh."""

    trial: Trial
    edges: float
    against: float

    @property
    def worth(self) -> float:
        return self.edges - self.against


def _near(q: Look, best: Look, share: float) -> bool:
    """Whether this start has such a share of the best one's edges: its worth may be below nothing."""
    return q.worth >= best.worth - (1 - share) * abs(best.worth)


def _promising(quick: Sequence[Look]) -> list[Look]:
    """The starts worth following: the best on each kind of board, then others that a quick look puts near the best.

    Of starts that lead to the same cake one is enough.
    """
    ranked = sorted(quick, key=lambda q: -q.worth)
    first: dict[float, Look] = {}  # on each kind of board
    for q in ranked:
        if _near(q, ranked[0], STILL_OPEN_BOARD):
            first.setdefault(q.trial.settings.board_t_mm, q)
    out: list[Look] = []
    for q in [*first.values(), *(q for q in ranked if _near(q, ranked[0], STILL_OPEN))]:
        if not any(_alike(q.trial, before.trial) for before in out):
            out.append(q)
    return out[:FOLLOWED]


def _elsewhere(quick: Sequence[Look], drawn: Sequence[Trial]) -> list[Trial]:
    """The best start so far on the other kinds of board, where none like it was looked at."""
    if not quick:
        return []
    best = max(quick, key=lambda q: q.worth).trial
    out = {}
    for s in {t.settings.board_t_mm: t.settings for t in drawn}.values():
        moved = replace(
            best, parameters=_on_supposed(best.parameters, s), start=_on_supposed(best.start, s), settings=s
        )
        if not any(_alike(moved, q.trial) for q in quick):
            out[s.board_t_mm] = moved
    return list(out.values())


def _alike(a: Trial, b: Trial) -> bool:
    """Whether two starts are so near each other that looking for edges about both would be looking twice."""
    sizes = [joint.RADIUS, joint.HEIGHT]
    near = np.abs(a.parameters[sizes] - b.parameters[sizes]) < SAME_MM
    return a.settings.board_t_mm == b.settings.board_t_mm and bool(near.all())


def _drawn(
    inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], trial: Trial, scale: Array
) -> tuple[Trial, float]:
    """The trial begun where most of the photos' edges agree, of many cakes near the finder's borders, and how many."""
    t = _stiff(trial)
    terms = terms_of(inputs, poses, t.parameters, t.start, scale, t.square, t.settings, Round(0.0, 0.0))
    rows, mean = cake_prior(t.settings, t.start)
    problem = joint.Problem(terms, rows, mean, t.square, t.settings.robust)
    parameters, agreeing = likeliest(inputs, problem, t.parameters)
    return replace(trial, parameters=_on_supposed(parameters, t.settings)), agreeing


def _on_supposed(parameters: Array, settings: FitSettings) -> Array:
    """The same cake with its top where it is, on a board as thick as it is supposed to be."""
    p = parameters.copy()
    p[joint.HEIGHT] += p[joint.BOARD_T] - settings.board_t_mm
    p[joint.BOARD_T] = settings.board_t_mm
    return p


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


def _off_regions(inputs: Mapping[str, PhotoInput], problem: joint.Problem, solution: Solution) -> float:
    """How many agreeing edges it outweighs that the fitted body lies off the icing that the finder saw."""
    p = solution.parameters
    cake = p[: joint.CAKE]
    views = joint.views_of(p, problem.sizes_px)
    before = [t.contour_px for t in problem.terms if t.contour_px is not None]
    body, board = joint.body_of(cake), joint.board_of(cake, problem.square)
    total = 0.0
    for i, view, c in zip(inputs.values(), views, body_contours(views, body, len(before[0]), before), strict=True):
        total += len(c.points_px) * misfit_mm(i.finding, view, body, board, c.points_px)
    return OFF_REGION * total


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
    enough(terms)
    solution = solve(joint.Problem(terms, *cake_prior(stiff, start), square), start, 6)
    return solution.parameters, solution.cost / max(sum(len(t.board) + len(t.body) for t in terms), 1)


def enough(terms: list[joint.PhotoTerm]) -> None:
    """Raises OutlineError where a photo hardly shows the cake's outline."""
    for t in terms:
        if len(t.body) < 10:
            raise OutlineError(
                f"The cake's outline can hardly be seen in the {t.name} photo: lay a mat of another colour under and "
                "behind the cake, and take the photo again with the whole cake in the frame."
            )


def _stiff(trial: Trial) -> Trial:
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


def rounds(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    trial: Trial,
    scale: Array,
    looks: Sequence[tuple[float, float, int]],
) -> tuple[joint.Problem, Solution]:
    """Fit to the photos' own edges, in rounds that look ever closer."""
    settings, p = trial.settings, trial.parameters
    terms: list[joint.PhotoTerm] = []
    for reach, expected, steps in looks:
        terms = terms_of(inputs, poses, p, trial.start, scale, trial.square, settings, Round(reach, expected), terms)
        enough(terms)
        rows, mean = cake_prior(settings, trial.start)
        problem = joint.Problem(terms, rows, mean, trial.square, settings.robust)
        solution = solve(problem, p, steps, NEARLY_SETTLED)
        p = solution.parameters
    return problem, solution
