"""Levenberg-Marquardt for the joint problem: Cauchy's robust cost on the photos' residuals, Gaussian priors."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.joint import CAKE, Problem

Array = NDArray[np.float64]
SETTLED = 0.02  # a fiftieth of a standard deviation squared: nothing left to gain
NEARLY_SETTLED = 0.3  # enough where edges are looked for anew afterwards
LEAST_CURVATURE = 0.3  # of a residual, as a share of its weight: beyond Cauchy's constant the cost bends downwards
TRIES = 4  # shorter and shorter steps before a direction is given up


@dataclass(frozen=True)
class Solution:
    """Where a fit ended."""

    problem: Problem  # its lines of sight followed to where the fit ended
    parameters: Array
    cost: float
    converged: bool
    residuals: tuple[Array, ...]  # per photo, in standard deviations


def solve(problem: Problem, start: Array, steps: int, settled: float = SETTLED) -> Solution:
    """Levenberg-Marquardt with the cost's own curvature.

    Weights alone (reweighted least squares) creep where many edges disagree; with the second derivative of Cauchy's
    cost, held positive (Triggs et al. 2000, Bundle Adjustment, 4.3; from memory), a fit settles in a few steps. Where
    such a step goes up the weights alone are tried, ever more damped.

    Parameters
    ----------
    problem : Problem
    start : ndarray, shape (P,)
        All parameters, the cake's block first.
    steps : int
        At most so many.
    settled : float
        Fall of the cost (standard deviations squared) under which a step is the last.
    """
    p, damping = _within_limits(start), 1e-3
    problem, cost, residuals = _evaluated(problem, p)
    converged = False
    for _ in range(steps):
        photos, gradient = _linear(problem, p, residuals)
        free = np.ones(problem.size, bool)
        free[joint.EDGE] = p[joint.EDGE] > joint.LEAST_EDGE_MM or gradient[joint.EDGE] < 0
        inner = _curvature(problem, photos, by_weight=False)
        for attempt in range(1 + TRIES):
            if attempt == 1:
                inner = _curvature(problem, photos, by_weight=True)
            step = np.zeros(problem.size)
            damped = inner + damping * np.diag(np.diag(inner))
            step[free] = np.linalg.solve(damped[np.ix_(free, free)], -gradient[free])
            step = _within_limits(p + step) - p
            promised = -float(step @ (2 * gradient + inner @ step))
            moved, new_cost, new_residuals = _evaluated(problem, p + step)
            gain = cost - new_cost
            if gain >= 0 or promised < settled:
                break
            if attempt > 0:
                damping *= 10
        if gain < 0:
            converged = True
            break
        p, damping = p + step, max(damping / 6, 1e-9)
        problem, cost, residuals = moved, new_cost, new_residuals
        if gain < settled:
            converged = True
            break
    return Solution(problem, p, cost, converged, residuals)


def _within_limits(p: Array) -> Array:
    """Parameters whose edge is no sharper than cream can be."""
    p = p.copy()
    p[joint.EDGE] = max(p[joint.EDGE], joint.LEAST_EDGE_MM)
    return p


def _evaluated(problem: Problem, p: Array) -> tuple[Problem, float, tuple[Array, ...]]:
    """The problem with its lines of sight followed, its cost, and the photos' residuals."""
    total = np.sum((problem.cake_rows @ (p[:CAKE] - problem.cake_mean)) ** 2)
    moved, residuals = joint.followed(problem, p)
    for k, (term, r) in enumerate(zip(problem.terms, residuals, strict=True)):
        c2 = problem.robust_scale(term) ** 2
        total += np.sum(c2 * np.log1p(r * r / c2))
        total += np.sum((term.prior_rows @ (p[joint.photo_block(k)] - term.prior_mean)) ** 2)
    return moved, float(total), tuple(residuals)


@dataclass(frozen=True)
class _Linear:
    """A photo's residuals to first order, and how much each counts."""

    at: NDArray[np.int64]  # the parameters they depend on: the cake's, then the photo's own
    jacobian: Array
    weight: Array  # Cauchy's
    bend: Array  # second derivative of the cost, held positive
    prior: Array  # (PHOTO, PHOTO) inverse covariance of what is known of the photo beforehand


def _linear(problem: Problem, p: Array, residuals: Sequence[Array]) -> tuple[list[_Linear], Array]:
    """All photos to first order, and the cost's gradient (P,), halved."""
    gradient = np.zeros(problem.size)
    gradient[:CAKE] = problem.cake_rows.T @ (problem.cake_rows @ (p[:CAKE] - problem.cake_mean))
    photos = []
    for k, (term, jacobian) in enumerate(zip(problem.terms, joint.jacobians(problem, p), strict=True)):
        b, r = joint.photo_block(k), residuals[k]
        photo, prior = p[b], term.prior_rows.T @ term.prior_rows
        square = (r / problem.robust_scale(term)) ** 2
        weight = 1 / (1 + square)
        bend = weight * np.maximum((1 - square) * weight, LEAST_CURVATURE)
        at = np.r_[:CAKE, b]
        gradient[at] += jacobian.T @ (weight * r)
        gradient[b] += prior @ (photo - term.prior_mean)
        photos.append(_Linear(at, jacobian, weight, bend, prior))
    return photos, gradient


def _curvature(problem: Problem, photos: Sequence[_Linear], by_weight: bool) -> Array:
    """Second derivatives (P, P) of the cost, halved: its own, or those of weights alone."""
    out = np.zeros((problem.size, problem.size))
    out[:CAKE, :CAKE] = problem.cake_rows.T @ problem.cake_rows
    for photo in photos:
        each = photo.weight if by_weight else photo.bend
        weighed = photo.jacobian * np.sqrt(each)[:, None]
        out[np.ix_(photo.at, photo.at)] += weighed.T @ weighed  # numpy calculates half of a matrix times its transpose
        own = photo.at[CAKE:]
        out[np.ix_(own, own)] += photo.prior
    return out
