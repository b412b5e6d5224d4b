"""Where piping hides the foot: what is expected of it, and what a fit from above does not follow."""

from dataclasses import replace

import numpy as np
import pytest

from qc import joint
from qc.body import LOW, PROFILE_KNOTS
from qc.fit_terms import FitSettings, cake_prior

HEIGHT = 90.0


def residuals(settings: FitSettings, profile: np.ndarray) -> np.ndarray:
    """Prior residuals of a cake with some profile, all else as expected."""
    start = np.zeros(joint.CAKE)
    start[joint.RADIUS], start[joint.HEIGHT] = 80.0, HEIGHT
    rows, mean = cake_prior(settings, start)
    cake = mean.copy()
    cake[joint.PROFILE] = profile
    return rows @ (cake - mean)


def hidden() -> FitSettings:
    plain = FitSettings()
    return replace(plain, foot_mm=plain.hidden_foot_mm, foot_sd_mm=plain.hidden_foot_sd_mm)


def test_a_hidden_foot_is_held_to_its_expected_creep() -> None:
    """Analytic: one standard deviation more at the board than at a tenth of the height is a residual of one."""
    settings = hidden()
    expected = settings.foot_mm * np.exp(-PROFILE_KNOTS * HEIGHT / settings.foot_reach_mm)
    assert np.allclose(residuals(settings, expected), 0)
    low = int((PROFILE_KNOTS < LOW).sum())
    wider = expected + np.eye(len(PROFILE_KNOTS))[0] * settings.foot_sd_mm
    assert residuals(settings, wider)[-low:] == pytest.approx(np.eye(low)[0])
    assert residuals(settings, expected + 1.0)[-low:] == pytest.approx(np.zeros(low))  # a wider cake is no creep


def test_a_foot_that_is_seen_is_free() -> None:
    """The rows that hold a hidden foot say nothing where edges tell it."""
    settings = FitSettings()
    low = int((PROFILE_KNOTS < LOW).sum())
    assert not residuals(settings, np.full(len(PROFILE_KNOTS), 3.0))[-low:].any()
