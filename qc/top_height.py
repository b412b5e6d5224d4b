"""Height, dome and tilt of the top from the feet of the decorations on it and from the marks on its icing.

A silhouette shows the rim of the top alone, so a domed middle is measured too low and a lip too high. A ring of pieces
stands at about 0.75 of the radius, where the top is nearly at its mean height whatever its dome; a piece in the middle
shows the dome itself. Marks on the icing (`top_texture`) show its whole surface where a camera looks down on it. What
the feet (`piece_feet`), the marks and the rim say is weighed as probabilities over height and dome (Bayes' rule on a
grid): each may be wrong outright, so each has heavy tails. The tilt is the weighted mean of feet and rim.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.body import RIM, Body
from qc.decoration_kinds import KindFit
from qc.finder import Finding
from qc.fit import CakeFit
from qc.piece_feet import Feet, FeetSettings, find_feet
from qc.piece_solids import solids_of
from qc.top_texture import finer, texture_log

Array = NDArray[np.float64]
AT_RIM_STEP = 4  # of the grid's, where pieces at the rim are weighed: what they say changes slowly


@dataclass(frozen=True)
class TopHeightSettings:
    """Spreads of what is weighed (standard deviations), of 58 rendered cakes whose feet show; near the rim of 200."""

    feet: FeetSettings = field(default_factory=FeetSettings)
    sunk_mm: float = 0.15  # feet are seen so much below the icing's level: pieces sink in a little
    piece_mm: float = 0.20  # one foot
    kind_mm: float = 0.35  # all feet of one kind of piece: how its underside is rounded
    photo_mm: float = 0.20  # all feet in one photo: its pose
    rough_mm: float = 0.5  # one foot near the rim, by the network's border
    rough_photo_mm: float = 0.3  # all such feet in one photo
    rim_line_mm: float = 0.5  # one piece that ends at the rim: the rim's own line, whose lip is uneven
    rim_line_worth: float = 0.8  # of such a piece: those in one photo err together
    tilt: float = 0.0015  # slope of one photo's pose against the top
    rim_level_mm: float = 0.3  # how far the rim's plane leans against the top's, across the diameter: lips are uneven
    least_feet: int = 3
    guess_dome_mm: float = 1.5  # of the dome, to judge which feet are wrong
    dome_mm: float = 0.5  # of a level top
    dome_mean_mm: float = 0.2
    domed_share: float = 0.20  # of cakes whose top is domed or dished
    domed_mm: float = 2.5  # of such a top
    rim_follows_dome: float = 0.95  # the fitted plane lies so much of the dome below the true one
    rim_bias_mm: float = 0.30  # and so much above it: lip and edge
    rim_mm: float = 0.65  # spread of that: mostly lips
    wrong_share: float = 0.12  # of fits, and of all feet of a cake, that are wrong outright
    wrong_rim_mm: float = 2.0  # spread of such fits
    wrong_feet: float = 4.0  # times the spread of such feet
    wrong_dome_mm: float = 2.0  # by which they spread the dome besides: a piece in the middle tells it alone
    marks_told_mm: float = 0.6  # standard uncertainty of the dome by marks, rim and what cakes are like, from which the
    # marks of a top without feet tell nothing
    turn_sd_rad: float | None = None  # of the cake between its photos, where marks are looked at; None: they are not


@dataclass(frozen=True)
class TopHeight:
    """What to add to the fitted plane's height, and the dome; standard uncertainties.

    Attributes
    ----------
    rise_mm : float
        Mean plane of the top (within 0.8 of the radius) above the fitted body's.
    rise_sd_mm : float
        Its standard uncertainty, the rim's included: the whole of what is not known of the top's height above the
        fitted body's frame.
    dome_mm, dome_sd_mm : float
        Middle above the rim circle at 0.8 of the radius.
    correlation : float
        Of both.
    slope : ndarray, shape (2,)
        What to add to the fitted plane's slopes towards 3 and 12 o'clock.
    slope_covariance : ndarray, shape (2, 2)
        Of the slopes then, the rim's part included.
    feet : int
        Feet seen, all side photos together.
    turns_rad : mapping
        Photo to turn of the pieces against its view: the clock's error there.
    """

    rise_mm: float
    rise_sd_mm: float
    dome_mm: float
    dome_sd_mm: float
    correlation: float
    slope: Array
    slope_covariance: Array
    feet: int
    turns_rad: Mapping[str, float]


@dataclass(frozen=True)
class _Said:
    """What the feet say of rise and dome above the fitted ones (2,), covariance (2, 2), and how many they are.

    slope (2,) and its covariance (2, 2) are what feet and rim say together.
    """

    value_mm: Array
    covariance: Array
    slope: Array
    slope_covariance: Array
    feet: int


def top_height(
    fit: CakeFit,
    pixels: Mapping[str, NDArray[np.uint8]],
    findings: Mapping[str, Finding],
    kinds: tuple[KindFit, ...],
    settings: TopHeightSettings | None = None,
) -> TopHeight | None:
    """Height of the top's mean plane and its dome; None where neither feet nor marks tell anything.

    Parameters
    ----------
    fit : CakeFit
        The cake as its outlines say.
    pixels : mapping of photo names to ndarray (H, W, 3), uint8
        Upright photos, RGB.
    findings : mapping of photo names to Finding
    kinds : tuple of KindFit
        The decorations that the top photo shows, as `fit` places them (DecorationResult.kinds).
    """
    settings = settings or TopHeightSettings()
    solids = solids_of(kinds)
    eye = fit.views["top"].eye_mm
    names = [n for n in fit.views if n != "top" and len(solids.kind)]
    feet = {n: find_feet(pixels[n], fit.views[n], fit.body, findings[n], solids, eye, settings.feet) for n in names}
    marks = None
    if settings.turn_sd_rad is not None:
        marks = texture_log(pixels, fit.views, fit.body, findings, settings.turn_sd_rad)
    return weigh(feet, solids.kind, fit.body, fit.covariance[joint.SLOPE, joint.SLOPE], settings, marks)


def raise_top(fit: CakeFit, found: TopHeight) -> CakeFit:
    """The fit with the top's height, dome and tilt as feet, marks and rim together say.

    Their variances are the whole of what is not known of them (`TopHeight`), so they no longer go with the other
    parameters; they come as a share of their own (`joint.ON_TOP`). Marks alone leave the tilt to the outlines.
    """
    cake = fit.cake.copy()
    cake[joint.HEIGHT] += found.rise_mm
    cake[joint.DOME] = found.dome_mm
    cake[joint.SLOPE] += found.slope
    plane, tilt = [joint.HEIGHT, joint.DOME], list(range(joint.SLOPE.start, joint.SLOPE.stop))
    at = plane + (tilt if found.feet else [])
    shares = {name: c.copy() for name, c in fit.shares.items()}
    for c in shares.values():
        c[at] = c[:, at] = 0.0
    own = np.zeros_like(fit.covariance)
    sd = np.array([found.rise_sd_mm, found.dome_sd_mm])
    own[np.ix_(plane, plane)] = np.outer(sd, sd) * [[1, found.correlation], [found.correlation, 1]]
    if found.feet:
        own[np.ix_(tilt, tilt)] = found.slope_covariance
    shares[joint.ON_TOP] = own
    covariance = fit.covariance.copy()
    covariance[at] = covariance[:, at] = 0.0
    parameters = fit.parameters.copy()
    parameters[: joint.CAKE] = cake
    return replace(
        fit,
        body=joint.body_of(cake),
        cake=cake,
        parameters=parameters,
        covariance=covariance + own,
        shares=shares,
    )


def weigh(
    feet: Mapping[str, Feet],
    kind: NDArray[np.int64],
    body: Body,
    slope_covariance: Array,
    s: TopHeightSettings,
    marks: Array | None = None,
) -> TopHeight | None:
    """Height, dome and tilt from feet and marks already found on a fitted body; None where neither tells anything.

    Parameters
    ----------
    kind : ndarray, shape (N,)
        Which pieces are alike.
    slope_covariance : ndarray, shape (2, 2)
        Of the fitted plane's slopes, as the outlines tell them.
    marks : ndarray, optional
        What the marks on the icing say (`top_texture.texture_log`).
    """
    tilt = slope_covariance + np.eye(2) * (s.rim_level_mm / body.diameter_mm) ** 2
    said = _said(list(feet.values()), kind, body.radius_mm, tilt, s)
    rise, dome = np.arange(-10, 10.01, 0.05)[:, None], np.arange(-8, 8.01, 0.05)[None]
    bent = dome - body.dome_mm
    log = np.log(_mixed(dome - s.dome_mean_mm, s.dome_mm, s.domed_mm, s.domed_share))
    rim = s.rim_follows_dome * bent - rise - s.rim_bias_mm
    log = log + np.log(_mixed(rim, s.rim_mm, s.wrong_rim_mm, s.wrong_share))
    ends = sum(int((np.isfinite(f.rise_mm) | np.isfinite(f.end_mm)).sum()) for f in feet.values())
    if ends < s.least_feet and marks is None:
        return None
    for f in feet.values():
        log = log + _log_at_rim(f, body.radius_mm, rise, bent, s)
    if marks is not None:
        log = log + finer(marks, rise, bent)
        if ends < s.least_feet and moments(log, rise, dome)[1][1] > s.marks_told_mm:
            return None
    if said is not None:
        log = log + _log_feet(said, rise, bent, s)
    mean, sd, shared = moments(log, rise, dome)
    slope, covariance = (np.zeros(2), slope_covariance) if said is None else (said.slope, said.slope_covariance)
    turns = {n: f.turn_rad for n, f in feet.items()}
    feet_seen = 0 if said is None else said.feet
    return TopHeight(mean[0], sd[0], mean[1], sd[1], shared, slope, covariance, feet_seen, turns)


def moments(log: Array, rise: Array, dome: Array) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Means and standard deviations of rise and dome, and their correlation, of a log density over the grid."""
    p = np.exp(log - log.max())
    p /= p.sum()
    mean = float((p * rise).sum()), float((p * dome).sum())
    by_rise, by_dome = rise - mean[0], dome - mean[1]
    sd = float(np.sqrt((p * by_rise**2).sum())), float(np.sqrt((p * by_dome**2).sum()))
    return mean, sd, float((p * by_rise * by_dome).sum()) / (sd[0] * sd[1])


def _mixed(error: Array, sd: float, wide_sd: float, wide_share: float) -> Array:
    """Density, but for a factor, of an error that is mostly small and sometimes large."""
    narrow = np.exp(-0.5 * (error / sd) ** 2) / sd
    wide = np.exp(-0.5 * (error / wide_sd) ** 2) / wide_sd
    return np.asarray((1 - wide_share) * narrow + wide_share * wide)


def _log_feet(said: _Said, rise: Array, dome: Array, s: TopHeightSettings) -> Array:
    """Log likelihood over the grid."""
    e = np.stack(np.broadcast_arrays(rise - said.value_mm[0], dome - said.value_mm[1]), -1)
    square = np.einsum("...i,ij,...j->...", e, np.linalg.inv(said.covariance), e)
    wider = s.wrong_feet**2 * said.covariance + np.diag([0.0, s.wrong_dome_mm**2])
    off = np.einsum("...i,ij,...j->...", e, np.linalg.inv(wider), e)
    wide = s.wrong_share * np.sqrt(np.linalg.det(said.covariance) / np.linalg.det(wider)) * np.exp(-0.5 * off)
    return np.log((1 - s.wrong_share) * np.exp(-0.5 * square) + wide + 1e-300)


def _log_at_rim(feet: Feet, radius_mm: float, rise: Array, dome: Array, s: TopHeightSettings) -> Array:
    """Log likelihood over the grid of the pieces in one photo that end at the rim.

    What is seen of such a piece ends at its foot or at the rim before it, whichever stands higher: the top there may
    lie lower by any amount, but hardly higher.
    """
    coarse, coarse_dome = rise[::AT_RIM_STEP], dome[:, ::AT_RIM_STEP]
    log = np.zeros((coarse.size, coarse_dome.size))
    for i in np.nonzero(np.isfinite(feet.end_mm))[0]:
        share = 0.5 - float((feet.contact_mm[i] ** 2).sum()) / (RIM * radius_mm) ** 2
        foot = feet.foot_mm[i] + coarse + share * coarse_dome
        off = (feet.end_mm[i] - np.maximum(foot, 0.0)) / s.rim_line_mm
        log += s.rim_line_worth * np.log((1 - s.wrong_share) * np.exp(-0.5 * off**2) + s.wrong_share)
    at = np.meshgrid(np.arange(dome.size) / AT_RIM_STEP, np.arange(rise.size) / AT_RIM_STEP)
    column, row = (v.astype(np.float32) for v in at)
    return np.asarray(cv2.remap(log.astype(np.float32), column, row, cv2.INTER_LINEAR), np.float64)


def _said(
    feet: list[Feet], kind: NDArray[np.int64], radius_mm: float, rim_tilt: Array, s: TopHeightSettings
) -> _Said | None:
    """Rise, dome and tilt by robust least squares; offsets of kinds and photos and tilts of photos are small."""
    rows = [(p, i) for p, f in enumerate(feet) for i in np.nonzero(np.isfinite(f.rise_mm))[0]]
    if len(rows) < s.least_feet:
        return None
    photo, piece = np.array(rows).T
    rise = np.array([feet[p].rise_mm[i] for p, i in rows]) + s.sunk_mm
    place = np.array([feet[p].place_mm[i] for p, i in rows])
    contact = np.array([feet[p].contact_mm[i] for p, i in rows])
    spread = np.array([feet[p].spread_mm[i] for p, i in rows])
    rough = np.array([feet[p].rough[i] for p, i in rows])
    dome_share = 0.5 - (contact**2).sum(1) / (RIM * radius_mm) ** 2
    columns, prior = [np.ones(len(rows)), dome_share, contact[:, 0], contact[:, 1]], [0.0, 0.0, 0.0, 0.0]
    for k in np.unique(kind[piece]):
        here = kind[piece] == k
        columns.append(here.astype(float))
        prior.append(1 / float(np.hypot(s.kind_mm, np.median(spread[here]))))
    for p in range(len(feet)):
        here = (photo == p).astype(float)
        columns += [here, here * place[:, 0], here * place[:, 1], here * rough]
        prior += [1 / s.photo_mm, 1 / s.tilt, 1 / s.tilt, 1 / s.rough_photo_mm]
    worth = np.where(rough, s.piece_mm / s.rough_mm, 1.0)
    x, covariance = _robust(np.stack(columns, 1) * worth[:, None], rise * worth, np.array(prior), rim_tilt, s)
    return _Said(x[:2], covariance[:2, :2], x[2:4], covariance[2:4, 2:4], len(rows))


def _robust(design: Array, value: Array, prior: Array, rim_tilt: Array, s: TopHeightSettings) -> tuple[Array, Array]:
    """Solution (P,) and covariance (P, P) of a least-squares problem with outliers; prior (P,): weights of zero.

    What the rim says of the tilt, columns 2 and 3 with covariance rim_tilt (2, 2), is weighed in. What it and other
    cakes say of rise and dome only helps to judge which rows are outliers.
    """
    rim = np.zeros((2, design.shape[1]))
    rim[0, :2], rim[1, 1] = (-1 / s.rim_mm, s.rim_follows_dome / s.rim_mm), 1 / s.guess_dome_mm
    said = np.array([s.rim_bias_mm / s.rim_mm, s.dome_mean_mm / s.guess_dome_mm])
    known = np.diag(prior**2)
    known[2:4, 2:4] += np.linalg.inv(rim_tilt)
    weight = np.full(len(value), 1 / s.piece_mm**2)
    for turn in range(12):
        normal = design.T @ (design * weight[:, None]) + known
        x = np.linalg.solve(normal + rim.T @ rim, design.T @ (weight * value) + rim.T @ said)
        residual = np.abs(value - design @ x)
        wide = max(s.piece_mm, 1.48 * float(np.median(residual)))
        weight = 1 / (1 + (residual / (2 * wide)) ** 2) ** (1 if turn < 6 else 2) / wide**2
    normal = design.T @ (design * weight[:, None]) + known
    normal[[0, 1], [0, 1]] += 1e-4  # mm^-2: what the feet do not say at all stays open
    return np.linalg.solve(normal, design.T @ (weight * value)), np.linalg.inv(normal)
