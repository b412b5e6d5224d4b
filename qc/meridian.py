"""The radial profile of the side that explains a silhouette: the envelope of lines of sight, turned back into radii.

Each point of the silhouette is a line of sight that touches the body. About the cake's axis that line is a hyperbola
rho(z)^2 = rho0^2 + ((z - z0) / tan(elevation))^2, and the body's radius is nowhere larger than any of them: the
silhouette of a camera that looks slightly down widens crests and fills valleys. The profile is a smooth curve, a
sum of cosines whose strength per wavelength band is learnt from the silhouette itself (empirical Bayes by
expectation-maximisation; Bishop, Pattern Recognition and Machine Learning, 2006, section 3.5 and 9.3.4). What noise
adds is thereby told from what the blade left, and the valleys that no line of sight reaches are bridged in the
rhythm of the rest, with the uncertainty that follows.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack
from scipy.ndimage import median_filter

from qc.body import Body
from qc.camera import View

Array = NDArray[Any]


@dataclass(frozen=True)
class Rays:
    """Lines of sight about the vertical axis of the frame."""

    rho_mm: Array  # (n,) smallest distance from the axis
    z_mm: Array  # (n,) height there
    slope: Array  # (n,) tangent of the elevation, signed
    bearing_rad: Array  # (n,) direction from the axis to the nearest point

    def some(self, which: NDArray[np.bool_]) -> "Rays":
        """The lines picked out by a mask (n,)."""
        return Rays(self.rho_mm[which], self.z_mm[which], self.slope[which], self.bearing_rad[which])

    def touch(self, z_mm: Array, radius_mm: Array, leans: Array) -> tuple[Array, Array]:
        """Height (n,) and distance from the axis (n,) where each line comes nearest to a profile (m,).

        A line that touches where the profile leans by m = dr/dz does so R slope^2 m below its own height and
        R slope^2 m^2 / 2 outside its own distance (the hyperbola to second order); the best of the given leans counts.
        """
        give = self.rho_mm * self.slope**2
        at = self.z_mm[:, None] - give[:, None] * leans[None, :]
        rho = self.rho_mm[:, None] + give[:, None] * leans[None, :] ** 2 / 2
        best = (rho - np.interp(at, z_mm, radius_mm)).argmin(1)
        row = np.arange(len(best))
        return at[row, best], rho[row, best]


def rays_of(view: View, points_px: Array, body: Body) -> Rays:
    """The lines of sight through pixels (n, 2), seen from the cake's axis.

    An oval or leaning body is not touched where a line of sight is nearest to the axis but a little before or behind;
    the height is taken there.
    """
    eye, d = view.eye_mm, view.rays(points_px)
    flat = np.hypot(d[:, 0], d[:, 1])
    s = -(d[:, 0] * eye[0] + d[:, 1] * eye[1]) / flat**2
    x, y = eye[0] + s * d[:, 0], eye[1] + s * d[:, 1]
    slope = d[:, 2] / flat
    slope = np.where(np.abs(slope) < 1e-4, 1e-4, slope)
    bearing, z = np.arctan2(y, x), eye[2] + s * d[:, 2]
    ahead = np.stack([d[:, 0], d[:, 1]], 1) / flat[:, None]
    for _ in range(2):
        z = eye[2] + s * d[:, 2] + slope * _touch_ahead(body, bearing, z, ahead)
    return Rays(np.hypot(x, y), z, slope, bearing)


def _touch_ahead(body: Body, bearing: Array, z: Array, ahead: Array) -> Array:
    """How far (n,) behind the point nearest to the axis lines of sight of a given normal touch the body (mm)."""
    theta = bearing
    z = np.clip(z, 0, body.height_mm)
    for _ in range(3):
        r = body.side_radius_mm(theta, z)
        turn = (body.side_radius_mm(theta + 0.02, z) - body.side_radius_mm(theta - 0.02, z)) / 0.04
        theta = bearing + np.arctan2(turn, r)
    return (body.side_point_mm(theta, z)[..., :2] * ahead).sum(-1)


@dataclass(frozen=True)
class FitSettings:
    """How the profile is modelled."""

    shortest_mm: float = 1.5  # shortest wavelength of the model
    pad_mm: float = 8.0  # the cosines run on beyond the profile, so that its ends are free
    grid_mm: float = 0.25  # heights at which the profile is given
    bands_per_octave: int = 2  # wavelength bands whose strength is learnt
    rounds: int = 24  # of expectation, contact and maximisation, at most ...
    least_rounds: int = 6  # ... and at least
    settled_mm: float = 0.01  # root mean square change of the profile from which it has settled ...
    last_rounds: int = 3  # ... and so many rounds follow with the whole step
    correlation: float = 1.5  # neighbouring rows err together: their noise counts this much more
    first_power: float = 3e-4  # mm^2, of a cosine before any is learnt: 0.1 mm of ridges in all
    steepest: float = 1.0  # a line of sight touches where the profile leans no more than this (mm per mm)
    least_misfit: float = 0.5  # the stated uncertainty of a silhouette point is believed down to this share
    draws: int = 48  # profiles drawn from the posterior


@dataclass(frozen=True)
class Profile:
    """A radial profile with what is not known about it."""

    z_mm: Array  # (m,)
    radius_mm: Array  # (m,) posterior mean
    draws_mm: Array  # (k, m) profiles drawn from the posterior
    misfit: float  # spread of the silhouette's points about the profile, in units of their stated uncertainty
    seen: NDArray[np.bool_]  # (m,) a line of sight touches near here
    kept: int  # silhouette points that the fit believed


class _Cosines:
    """Basis of the profile: a line and cosines down to the shortest wavelength."""

    def __init__(self, low: float, high: float, settings: FitSettings) -> None:
        self.low, self.span = low - settings.pad_mm, high - low + 2 * settings.pad_mm
        count = int(2 * self.span / settings.shortest_mm)
        self.k = np.arange(1, count + 1)
        wavelength = 2 * self.span / self.k
        self.band = np.floor(settings.bands_per_octave * np.log2(wavelength[0] / wavelength)).astype(int)

    def at(self, z: Array) -> Array:
        u = (z - self.low) / self.span
        out = np.empty((len(u), 2 + len(self.k)))
        out[:, 0], out[:, 1], out[:, 2:] = 1.0, u - 0.5, _waves(np.pi * u, len(self.k))
        return out


def _waves(angle_rad: Array, count: int) -> Array:
    """cos(k angle) (n, count) for k = 1 to count: by the sum of a coarse and a fine multiple, few of which are many."""
    few = int(np.ceil(np.sqrt(count)))
    fine = angle_rad[:, None] * np.arange(1, few + 1)
    coarse = angle_rad[:, None] * (few * np.arange(-(-count // few)))
    out = np.cos(coarse)[..., None] * np.cos(fine)[:, None] - np.sin(coarse)[..., None] * np.sin(fine)[:, None]
    return np.asarray(out.reshape(len(angle_rad), -1)[:, :count])


def fit_profile(
    rays: Rays,
    sigma_mm: Array,
    low_mm: float,
    high_mm: float,
    rng: np.random.Generator,
    settings: FitSettings,
) -> Profile:
    """The profile between two heights that explains the silhouette.

    Parameters
    ----------
    rays : Rays
        Lines of sight of the silhouette.
    sigma_mm : ndarray, shape (n,)
        Standard uncertainty of each, relative to one another.
    low_mm, high_mm : float
        Heights between which the profile is wanted.
    rng : numpy.random.Generator
        For the draws from the posterior.
    settings : FitSettings
    """
    z = np.arange(low_mm, high_mm + 1e-9, settings.grid_mm)
    basis = _Cosines(low_mm, high_mm, settings)
    grid = basis.at(z)
    near = (rays.z_mm > low_mm - 2) & (rays.z_mm < high_mm + 0.7 * rays.rho_mm * np.abs(rays.slope))
    rays = rays.some(near)
    sigma = sigma_mm[near]
    leans = np.linspace(-settings.steepest, settings.steepest, 61)
    order = np.argsort(rays.z_mm)
    radius = np.interp(z, rays.z_mm[order], median_filter(rays.rho_mm[order], 5))
    power = np.r_[1e6, 1e6, np.where(basis.band < 4, 0.3, settings.first_power)]
    weight, last = np.ones(len(sigma)), 0
    for i in range(settings.rounds):
        at, rho = rays.touch(z, radius, leans)
        inner = (at > low_mm) & (at < high_mm)
        here = basis.at(at)
        rows = here * (inner * weight / sigma**2)[:, None]
        inverse = _inverse_factor(here.T @ rows + np.diag(1 / power))
        mean = inverse.T @ (inverse @ (rows.T @ rho))
        spread = (inverse**2).sum(0)
        moved = float(np.sqrt(((grid @ mean - radius) ** 2).mean()))
        settled = i >= settings.least_rounds and moved < settings.settled_mm
        last += last > 0 or settled or i + settings.last_rounds >= settings.rounds
        radius = grid @ mean if last else 0.5 * (radius + grid @ mean)
        power[2:] = _band_power(basis.band, mean[2:] ** 2 + spread[2:])
        rest = rho - here @ mean
        misfit = float(np.median(np.abs(rest / sigma_mm[near])[inner])) * 1.4826 if inner.any() else 1.0
        sigma = sigma_mm[near] * settings.correlation * max(misfit, settings.least_misfit)
        far = max(3.0, 12.0 / (i + 1))
        weight = 1 / (1 + (rest / sigma / far) ** 2) ** 2
        if last == settings.last_rounds:
            break
    draws = mean[:, None] + inverse.T @ rng.normal(size=(len(mean), settings.draws))
    believed = inner & (weight > 0.3)
    seen = np.zeros(len(z), bool)
    seen[np.round(np.minimum((at[believed] - low_mm) / settings.grid_mm, len(z) - 1)).astype(int)] = True
    return Profile(z, radius, (grid @ draws).T, misfit, seen, int(believed.sum()))


def _inverse_factor(information: Array) -> Array:
    """Inverse (k, k) of the lower Cholesky factor: by its shape a fifth of the work of solving for each unit vector."""
    inverse, fault = lapack.dtrtri(np.linalg.cholesky(information), lower=1)
    if fault:
        raise np.linalg.LinAlgError(f"The factor of a profile's information is singular in row {fault}.")
    return np.asarray(inverse)


def _band_power(band: NDArray[np.int64], power: Array) -> Array:
    """Mean power of each band, given back to its members;"""
    total = np.bincount(band, power) / np.maximum(np.bincount(band), 1)
    return np.maximum(total[band], 1e-10)
