"""What is known of a photo's lens before looking at it: from its EXIF, or from earlier photos of its camera.

A camera is one make, model, lens (35 mm-equivalent focal length) and picture size. Its parameters are kept in units
that do not depend on how the photo was turned: focal length over what the EXIF says, principal point off the middle
over the sensor's longer side, along the sensor's own axes, k1 and k2.
"""

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
    cropped_ratio: float = 0.10  # 1; focal length of a photo whose shape is not what the camera recorded


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
    note : str or None
        Why a camera's profile was not used, in a sentence.
    """

    mean: Array
    covariance: Array
    source: str
    note: str | None = None

    @property
    def lens(self) -> Lens:
        """The most probable lens."""
        return Lens(*(float(v) for v in self.mean))

    @property
    def whitening(self) -> Array:
        """(5, 5) matrix W with W.T @ W = inverse of the covariance: W @ (parameters - mean) has unit variance."""
        return np.linalg.inv(np.linalg.cholesky(self.covariance))


@dataclass(frozen=True)
class CameraKey:
    """Which camera, lens and picture size."""

    make: str
    model: str
    focal_35mm: float
    width_px: int  # as the sensor lies, not as the photo is held
    height_px: int

    @property
    def label(self) -> str:
        """As a person would say it."""
        return f"{self.make} {self.model}, {self.focal_35mm:g} mm, {self.width_px} x {self.height_px}".strip()


@dataclass(frozen=True)
class CameraProfile:
    """One camera as its earlier photos of the card show it.

    Attributes
    ----------
    mean : ndarray, shape (5,)
        Focal length over the EXIF's, principal point (2) over the longer side, k1, k2; sensor's axes.
    covariance : ndarray, shape (5, 5)
        Of the mean.
    spread : ndarray, shape (5,)
        Standard deviation from one photo to the next: the lens moves when it focuses and when it is stabilised.
    photo_count : int
    """

    key: CameraKey
    mean: Array
    covariance: Array
    spread: Array
    photo_count: int

    def prior(self, photo: Photo) -> LensPrior:
        """What it says of the next photo."""
        to_px, offset = sensor_to_upright(photo)
        covariance = self.covariance + np.diag(np.square(self.spread))
        return LensPrior(to_px @ self.mean + offset, to_px @ covariance @ to_px.T, "profile")


def camera_key(photo: Photo) -> CameraKey | None:
    """Which camera took a photo; None when its EXIF does not say, or when the photo was cropped since."""
    if photo.focal_35mm is None or photo.model is None or cropped(photo):
        return None
    size = (photo.width_px, photo.height_px)
    width, height = size[::-1] if photo.orientation >= 5 else size
    return CameraKey(photo.make or "", photo.model, float(photo.focal_35mm), width, height)


def sensor_to_upright(photo: Photo) -> tuple[Array, Array]:
    """Matrix (5, 5) and offset (5,) that turn a camera's parameters into those of an upright photo, in px.

    The EXIF orientation (Exif 2.32, tag 0x0112) turns and mirrors the principal point's offset.
    """
    turn = {
        1: [[1, 0], [0, 1]],
        2: [[-1, 0], [0, 1]],
        3: [[-1, 0], [0, -1]],
        4: [[1, 0], [0, -1]],
        5: [[0, 1], [1, 0]],
        6: [[0, -1], [1, 0]],
        7: [[0, -1], [-1, 0]],
        8: [[0, 1], [-1, 0]],
    }[photo.orientation]
    width, height = photo.width_px, photo.height_px
    to_px = np.eye(5)
    to_px[0, 0] = focal_px_from_35mm(photo.focal_35mm or PRIOR.unknown_35mm, width, height)
    to_px[1:3, 1:3] = max(width, height) * np.array(turn, float)
    return to_px, np.array([0, (width - 1) / 2, (height - 1) / 2, 0, 0])


def exif_prior(photo: Photo, settings: PriorSettings = PRIOR) -> LensPrior:
    """Prior from the EXIF alone, or a broad one where it says nothing.

    f_px = f_35mm x diagonal_px / 43.27 (CIPA DCG-001). A photo whose shape is not the recorded one was cropped: its
    focal length in pixels is then that of the recorded size, and its middle is no longer the lens's.
    """
    width, height = photo.width_px, photo.height_px
    centre_sd = settings.centre_ratio * max(width, height)
    ratio, size, shift = settings.focal_ratio, (width, height), (0.0, 0.0)
    if cropped(photo) and photo.recorded_size is not None:
        size, ratio = photo.recorded_size, settings.cropped_ratio
        shift = (max(size[0] - width, 0) / 3.46, max(size[1] - height, 0) / 3.46)  # sd of a uniform place: 1/sqrt(12)
    if photo.focal_35mm is None:
        ratio = settings.unknown_ratio
    f_px = focal_px_from_35mm(photo.focal_35mm or settings.unknown_35mm, *size)
    mean = np.array([f_px, (width - 1) / 2, (height - 1) / 2, 0.0, 0.0])
    sd = [ratio * f_px, np.hypot(centre_sd, shift[0]), np.hypot(centre_sd, shift[1]), settings.k1, settings.k2]
    source = "EXIF" if photo.focal_35mm is not None else "nothing known"
    return LensPrior(mean, np.diag(np.square(sd)), source)


def cropped(photo: Photo) -> bool:
    """Whether the photo's shape is not the recorded one (a mere change of size keeps the shape)."""
    if photo.recorded_size is None:
        return False
    width, height = photo.recorded_size
    return abs(photo.width_px * height / (photo.height_px * width) - 1) > 0.01
