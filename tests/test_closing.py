"""When an outline that was read in a photo serves again, and which of several followed starts is kept."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from qc import fit
from qc.closing import NEAR_MM, Read, read_outlines
from qc.errors import FitError, OutlineError
from qc.fit import _most_settled
from qc.fit_terms import FitSettings
from qc.trials import Trial
from tests.test_joint import SIZE, known_cake, photo_block


def read_once(monkeypatch: pytest.MonkeyPatch, p: np.ndarray, before: dict[str, Read]) -> tuple[dict[str, Read], int]:
    """The outlines of a side photo near parameters p, and how many strips were read for them; nothing is drawn."""
    strips = []
    nothing = SimpleNamespace(points_px=np.zeros((0, 2)), sigma_px=np.zeros(0), sure=np.ones(0), index=np.zeros(0, int))
    monkeypatch.setattr("qc.closing.read_strip", lambda *a: strips.append(a))
    monkeypatch.setattr("qc.closing.strip_edges", lambda *a: nothing)
    monkeypatch.setattr("qc.closing.body_sides_fit", lambda finding, contour, ask: np.ones(240, bool))
    monkeypatch.setattr("qc.closing.board_ends", lambda finding, at, normals, ask: np.ones(len(at)))
    photo = {"side": SimpleNamespace(photo=SimpleNamespace(pixels=None), finding=None)}
    return read_outlines(photo, p, [SIZE], False, FitSettings(), before), len(strips)  # type: ignore[arg-type]


def test_an_outline_near_the_one_that_was_read_is_not_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """The strip holds 7 mm on either side; icing and board are read anew once either lies further off than 4 mm."""
    cake, block = known_cake(), photo_block(10.0, 0.0)
    found, strips = read_once(monkeypatch, np.concatenate([cake, block]), {})
    assert strips == 2
    for wider_mm, again in ((0.5 * NEAR_MM, 0), (1.5 * NEAR_MM, 2)):
        other = cake.copy()
        other[0] += wider_mm
        reads, strips = read_once(monkeypatch, np.concatenate([other, block]), found)
        assert strips == again
        assert (reads["side"] is found["side"]) is (again == 0)


def test_the_start_that_the_outlines_fit_best_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the reduced chi-square of the first round; a start without outlines, or without a fit, is passed over."""
    first = Trial(np.zeros(1), np.zeros(1), 0.0, False, FitSettings())
    trials = [replace(first, cost=chi2) for chi2 in (-1.0, 0.3, 0.2, np.inf)]
    finished = []

    def closed(inputs: object, poses: object, trial: Trial, scale: object, read: object = None, rounds: object = None):
        if np.isinf(trial.cost):
            raise OutlineError("The cake's outline can hardly be seen.")
        assert rounds in (None, FitSettings().last_steps[:1], FitSettings().last_steps[1:])
        finished.extend([trial.cost] * (rounds != FitSettings().last_steps[:1]))
        return trial, SimpleNamespace(parameters=trial.parameters), {}

    monkeypatch.setattr(fit, "close_rounds", closed)
    monkeypatch.setattr(fit, "reduced_chi2", lambda problem, solution: problem.cost)

    def result(inputs: object, poses: object, trial: Trial, *closed: object) -> float:
        if trial.cost < 0:
            raise FitError("The photos do not agree on one cake.")
        return trial.cost

    monkeypatch.setattr(fit, "_result", result)
    assert _most_settled(trials, {}, {}, np.ones(2)) == 0.2
    assert finished == [-1.0, 0.2], "the one that no fit came of, and the best of the others"
    with pytest.raises(OutlineError, match="hardly be seen"):
        _most_settled(trials[3:], {}, {}, np.ones(2))


def test_reduced_chi_square_by_hand() -> None:
    """Analytic: a residual counts up to the robust limit; degrees of freedom are residuals less parameters."""
    problem = SimpleNamespace(robust=2.0, size=3)
    solution = SimpleNamespace(residuals=[np.array([1.0, 1.0, -1.0]), np.array([5.0, 0.0])])
    assert fit.reduced_chi2(problem, solution) == pytest.approx((3 + 4) / 2)  # type: ignore[arg-type]
