"""What is known of a photo's lens before looking at it: from its EXIF, or from earlier photos of its camera."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.camera import Lens, focal_px_from_35mm
from qc.photo import Photo

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PriorSettings:
    """How far lenses are from what their EXIF says (standard uncertainties)."""

    focal_ratio: float = 0.010  # 1; true against EXIF focal length: rounding to whole mm, focus breathing, tolerance
    unknown_35mm: float = 27.0  # mm; the main camera of most phones, when no EXIF is left
    unknown_ratio: float = 0.25  # 1; from wide to twice magnified lenses
    centre_ratio: float = 0.004  # share of the picture's longer side; principal point off the middle
    k1: float = 0.03  # 1; phones correct their distortion before they save
    k2: float = 0.01  # 1
    cropped_ratio: float = 0.10  # 1; focal length of a photo whose size is not what the camera recorded


PRIOR = PriorSettings()


@dataclass(frozen=True)
class LensPrior:
    """Gaussian knowledge of a photo's lens, for the upright photo.

    Attributes
    ----------
    mean : ndarray, shape (5,)
        f_px, cx_px, cy_px, k1, k2 (`qc.camera.Lens`).
    covariance : ndarray, shape (5, 5)
    source : str
        "profile", "EXIF" or "nothing known".
    """

    mean: Array
    covariance: Array
    source: str

    @property
    def lens(self) -> Lens:
        """The most probable lens."""
        return Lens(*(float(v) for v in self.mean))

    @property
    def whitening(self) -> Array:
        """(5, 5) matrix W with W.T @ W = inverse of the covariance: W @ (parameters - mean) has unit variance."""
        return np.linalg.inv(np.linalg.cholesky(self.covariance))


def exif_prior(photo: Photo, settings: PriorSettings = PRIOR) -> LensPrior:
    """Prior from the EXIF alone, or a broad one where it says nothing.

    f_px = f_35mm x diagonal_px / 43.27 (CIPA DCG-001). A photo whose shape is not the recorded one was cropped: its
    focal length in pixels is then that of the recorded size, and its middle is no longer the lens's.
    """
    width, height = photo.width_px, photo.height_px
    centre_sd = settings.centre_ratio * max(width, height)
    known, ratio = photo.focal_35mm is not None, settings.focal_ratio
    size, shift = (width, height), (0.0, 0.0)
    if _cropped(photo) and photo.recorded_size is not None:
        size, ratio = photo.recorded_size, settings.cropped_ratio
        shift = (max(size[0] - width, 0) / 3.46, max(size[1] - height, 0) / 3.46)  # sd of a uniform place: 1/sqrt(12)
    if photo.focal_35mm is None:
        ratio = settings.unknown_ratio
    f_px = focal_px_from_35mm(photo.focal_35mm or settings.unknown_35mm, *size)
    mean = np.array([f_px, (width - 1) / 2, (height - 1) / 2, 0.0, 0.0])
    sd = [ratio * f_px, np.hypot(centre_sd, shift[0]), np.hypot(centre_sd, shift[1]), settings.k1, settings.k2]
    return LensPrior(mean, np.diag(np.square(sd)), "EXIF" if known else "nothing known")


def _cropped(photo: Photo) -> bool:
    """Whether the photo's shape is not the recorded one (a mere change of size keeps the shape)."""
    if photo.recorded_size is None:
        return False
    width, height = photo.recorded_size
    return abs(photo.width_px * height / (photo.height_px * width) - 1) > 0.01


def prior_for(photo: Photo, store: object | None = None) -> LensPrior:
    """What is known of the lens that took a photo."""
    return exif_prior(photo)
