"""Learning a camera from photos of the card, one photo at a time or a set at once.

Each photo's corners say something of its lens: a Gaussian in natural form (information matrix and vector), what is left
of the solved pose when the prior that went into it is taken out again. A camera's lenses are alike but not the same
from photo to photo (focus, stabilisation), so the photos are put together as a normal hierarchical model: lens of
photo i ~ N(mean, spread^2), its likelihood as above. Mean and spread are estimated by expectation maximisation
(Dempster, Laird and Rubin 1977; the normal case as in Gelman et al., Bayesian Data Analysis, 3rd ed., section 5.4).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from qc.camera import Lens
from qc.card import CardView, PanelView, corner_mm, find_card
from qc.card_fold import standing_pose
from qc.errors import CardError
from qc.lens_prior import PRIOR, Array, CameraKey, CameraProfile, LensPrior, camera_key, exif_prior, sensor_to_upright
from qc.photo import Photo
from qc.pose import solve_pose

ONE_SCALE = np.ones(2)


@dataclass(frozen=True)
class LearningSettings:
    """How a camera is learnt."""

    # standard deviation from photo to photo that is expected before it is seen, in the units of CameraProfile
    spread: tuple[float, ...] = (0.006, 0.003, 0.003, 0.015, 0.005)
    # what is known of a camera before its first photo (standard deviations, the same units): its EXIF
    start: tuple[float, ...] = (PRIOR.focal_ratio, PRIOR.centre_ratio, PRIOR.centre_ratio, PRIOR.k1, PRIOR.k2)
    spread_photos: float = 4.0  # photos that this expectation counts for
    rounds: int = 100  # of expectation maximisation, at most
    settled: float = 1e-3  # relative change of a variance in one round at which it ends
    keep: int = 50  # photos a camera is estimated from: the last ones
    least: int = 5  # photos to calibrate from
    surprise: float = 0.999  # probability beyond which a photo does not belong to its camera's profile
    worst_chi2: float = 4.0  # reduced chi-square of a photo's corners from which its card is bent or badly found


LEARNING = LearningSettings()


@dataclass(frozen=True)
class LensEvidence:
    """What one photo's card says of its lens, in the camera's units: exp(-x' information x / 2 + vector' x).

    Attributes
    ----------
    information : ndarray, shape (5, 5)
    vector : ndarray, shape (5,)
    sha256 : str
        Of the photo.
    """

    information: Array
    vector: Array
    sha256: str


def lens_evidence(
    photo: Photo, card: CardView, print_scale: Array = ONE_SCALE, prior: LensPrior | None = None
) -> LensEvidence:
    """What a photo's card says of its lens.

    Parameters
    ----------
    print_scale : ndarray, shape (2,)
        Printed length over nominal length, along the fold and across it.
    prior : LensPrior, optional
        What the solution starts from, the EXIF when left out; it is taken out of the result again.

    Raises
    ------
    CardError
        The corners fit no card: bent, badly found, or an edited photo.
    """
    prior = prior or exif_prior(photo)
    pose = solve_pose(photo, card, prior, np.asarray(print_scale, float), lies_flat(photo, card))
    if pose.reduced_chi2 > LEARNING.worst_chi2:
        raise CardError(f"{photo.name}: the card's corners do not fit a card; press it flat and take the photo again.")
    before, after = np.linalg.inv(prior.covariance), np.linalg.inv(pose.covariance[:5, :5])
    trust = 1 / max(1.0, pose.reduced_chi2)  # corners that scatter more than they say count for less
    information = trust * _positive(after - before)
    vector = trust * (after @ pose.parameters[:5] - before @ prior.mean)
    to_px, offset = sensor_to_upright(photo)
    return LensEvidence(to_px.T @ information @ to_px, to_px.T @ (vector - information @ offset), sha256=photo.sha256)


def _positive(matrix: Array) -> Array:
    """Nearest positive semi-definite matrix."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-12))
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T) / np.outer(scale, scale))
    return np.outer(scale, scale) * ((vectors * np.maximum(values, 0)) @ vectors.T)


def lies_flat(photo: Photo, card: CardView) -> bool:
    """Whether the standing panel lies on the bench behind the floor panel."""
    if card.floor is None or card.standing is None:
        return card.standing is None
    lens = exif_prior(photo).lens
    normals = [_normal(panel, lens) for panel in (card.floor, card.standing)]
    return bool(np.dot(*normals) > 0.7)


def _normal(panel: PanelView, lens: Lens) -> Array:
    pose = standing_pose(corner_mm(panel.ids), panel.corners_px, lens)
    if pose is None:
        raise CardError("A panel of the card has no pose; press the card flat and take the photo again.")
    return pose[0][:, 2]


def estimate(key: CameraKey, evidence: Sequence[LensEvidence], settings: LearningSettings = LEARNING) -> CameraProfile:
    """A camera's profile from what its last photos say."""
    used = evidence[-settings.keep :]
    information = np.array([e.information for e in used]).reshape(-1, 5, 5)
    vector = np.array([e.vector for e in used]).reshape(-1, 5)
    start, trust = np.array([1.0, 0, 0, 0, 0]), np.diag(1 / np.square(settings.start))
    expected = settings.spread_photos * np.square(settings.spread)
    variance = np.square(settings.spread)
    for _ in range(settings.rounds):
        mean, covariance = _mean(information, vector, variance, start, trust)
        # each photo's own lens given all that is known, and how it follows the mean, which is not known exactly either
        own = np.linalg.inv(information + np.diag(1 / variance))
        off = np.einsum("nij,nj->ni", own, vector + mean / variance) - mean
        follow = np.eye(5) - own / variance
        square = off**2 + np.einsum("nii->ni", own) + np.einsum("nij,jk,nik->ni", follow, covariance, follow)
        before, variance = variance, (expected + square.sum(0)) / (settings.spread_photos + len(used))
        if np.abs(variance / before - 1).max() < settings.settled:
            break
    mean, covariance = _mean(information, vector, variance, start, trust)
    return CameraProfile(key, mean, covariance, np.sqrt(variance), len(used))


def _mean(information: Array, vector: Array, variance: Array, start: Array, trust: Array) -> tuple[Array, Array]:
    """Mean lens (5,) and its covariance, with every photo's own lens integrated out.

    A photo's likelihood of the mean has the covariance information^-1 + variance; its inverse is
    (1 + information variance)^-1 information, also where the information is singular.
    """
    gain = np.linalg.inv(np.eye(5) + information * variance)
    total = trust + (gain @ information).sum(0)
    pull = trust @ start + np.einsum("nij,nj->i", gain, vector)
    covariance: Array = np.asarray(np.linalg.inv(0.5 * (total + total.T)), float)
    return covariance @ pull, covariance


@dataclass(frozen=True)
class Calibration:
    """What a set of photos says of their camera."""

    profile: CameraProfile
    evidence: tuple[LensEvidence, ...]
    cards: tuple[CardView, ...]  # that the evidence is from
    problems: tuple[str, ...]  # a sentence for each photo that could not be used


def calibrate(
    photos: Iterable[Photo], print_scale: Array = ONE_SCALE, settings: LearningSettings = LEARNING
) -> Calibration:
    """A camera's profile from photos of the card taken for that purpose.

    Parameters
    ----------
    photos : iterable of Photo
        Ten or so of the card alone, from other sides and distances, by one lens at one picture size. Each is let go
        before the next is asked for.

    Returns
    -------
    Calibration

    Raises
    ------
    CardError
        Photos of several cameras or none that the EXIF names, too few that show the card well.
    """
    key: CameraKey | None = None
    evidence, cards, problems = [], [], []
    for photo in photos:
        key = _same_camera(photo, key)
        try:
            card = find_card(photo)
            evidence.append(lens_evidence(photo, card, print_scale))
            cards.append(card)
        except CardError as error:
            problems.append(str(error))
    if key is None or len(evidence) < settings.least:
        why = f" ({problems[0]})" if problems else ""
        raise CardError(
            f"Only {len(evidence)} photos show the card well enough and {settings.least} are needed; take more{why}."
        )
    return Calibration(estimate(key, evidence, settings), tuple(evidence), tuple(cards), tuple(problems))


def _same_camera(photo: Photo, first: CameraKey | None) -> CameraKey:
    """The photo's camera, which must be the one of the photos before."""
    key = camera_key(photo)
    if key is None:
        raise CardError(f"{photo.name} does not say which camera took it; use it as the phone or camera saved it.")
    if first is not None and key != first:
        raise CardError(f"{photo.name} is from {key.label}, not from {first.label}; calibrate one camera at a time.")
    return key


def belongs(profile: CameraProfile, evidence: LensEvidence, settings: LearningSettings = LEARNING) -> bool:
    """Whether a photo's card fits its camera's profile: chi-square of their difference, as far as the photo says one.

    In coordinates in which the profile's prediction is a standard normal one, and along the axes of the photo's
    information there, the difference has the variance 1 + 1 / information.
    """
    axes = np.linalg.cholesky(profile.covariance + np.diag(np.square(profile.spread)))
    information, directions = np.linalg.eigh(axes.T @ evidence.information @ axes)
    off = directions.T @ axes.T @ (evidence.vector - evidence.information @ profile.mean)
    told = information > 1e-3
    square = float(np.sum(off[told] ** 2 / (information[told] * (information[told] + 1))))
    return square < chi2.ppf(settings.surprise, max(int(told.sum()), 1))
