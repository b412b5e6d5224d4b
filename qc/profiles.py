"""Camera profiles: cameras that have been learnt, kept in a small JSON file in the user's data directory.

The file holds no picture: for each camera its make, model, lens and picture size, and for each of its last photos what
the card's corners said of the lens, with the corners themselves so that it can be worked out anew. A file that cannot
be read is set aside, never overwritten.
"""

import json
import os
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from qc.calibration import LEARNING, ONE_SCALE, Calibration, LensEvidence, belongs, calibrate, estimate, lens_evidence
from qc.card import CardView
from qc.data_folder import data_folder
from qc.errors import CardError, RecordError
from qc.lens_prior import Array, CameraKey, CameraProfile, LensPrior, camera_key, exif_prior
from qc.photo import Photo

__all__ = [
    "Calibration",
    "CameraKey",
    "CameraProfile",
    "CameraStore",
    "LensPrior",
    "calibrate",
    "camera_key",
    "exif_prior",
    "prior_for",
]

FORMAT = "cakeqc-cameras/1"
_lock = threading.Lock()


class CameraStore:
    """All cameras learnt so far.

    Parameters
    ----------
    path : Path, optional
        The JSON file; `cameras.json` in `data_folder()` when left out. It need not exist.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or data_folder() / "cameras.json"

    def profiles(self) -> list[CameraProfile]:
        """Every camera as far as it is known."""
        cameras = [(_key(c), [_evidence(p) for p in _own(c["photos"])]) for c in self._read()["cameras"]]
        return [estimate(key, evidence) for key, evidence in cameras if evidence]

    def profile(self, key: CameraKey, without: str | None = None) -> CameraProfile | None:
        """One camera, from its last photos but for the one whose sha256 is `without`; None when nothing is left."""
        photos = [_evidence(p) for p in _own(self._photos(self._read(), key))]
        used = [e for e in photos if e.sha256 != without]
        return estimate(key, used) if used else None

    def learn(self, photo: Photo, card: CardView, print_scale: Array = ONE_SCALE, source: str = "check") -> bool:
        """Add one accepted photo's card; a photo that the camera cannot have taken unchanged does not count.

        Such photos are set aside. When the last few are all of that kind, the lens itself has changed: what was known
        of it is dropped, and the camera is learnt anew from them.

        Returns
        -------
        bool
            Whether it counts.
        """
        key = camera_key(photo)
        if key is None:
            return False
        try:
            evidence = lens_evidence(photo, card, print_scale)
        except CardError:
            return False
        known = self.profile(key, without=photo.sha256)
        strange = known is not None and known.photo_count >= LEARNING.least and not belongs(known, evidence)
        self.add(key, [evidence], source, [card], print_scale, strange)
        return evidence.sha256 in self._counted(key)

    def _counted(self, key: CameraKey) -> set[str]:
        return {p["sha256"] for p in _own(self._photos(self._read(), key))}

    def add(
        self,
        key: CameraKey,
        evidence: Sequence[LensEvidence],
        source: str,
        cards: Sequence[CardView | None] = (),
        print_scale: Array = ONE_SCALE,
        strange: bool = False,
    ) -> None:
        """Write photos' evidence; one that is there already is replaced, only the last ones are kept.

        Parameters
        ----------
        strange : bool
            They do not fit what is known of the camera and do not count, unless there are only such lately.

        Raises
        ------
        RecordError
            The file cannot be written.
        """
        with _lock:
            content = self._read(set_aside=True)
            photos = self._photos(content, key)
            now = datetime.now(UTC).isoformat(timespec="seconds")
            for number, e in enumerate(evidence):
                photos[:] = [p for p in photos if p["sha256"] != e.sha256]
                card = cards[number] if number < len(cards) else None
                photos.append(_row(e, source, now, card, print_scale) | ({"strange": True} if strange else {}))
            photos[:] = _lately(photos)
            self._write(content)

    # ------------------------------------------------------------ the file
    def _read(self, set_aside: bool = False) -> dict[str, Any]:
        """The file's content, empty when there is none or none that can be understood."""
        empty: dict[str, Any] = {"format": FORMAT, "cameras": []}
        try:
            content = json.loads(self.path.read_text(encoding="utf-8"))
            if content["format"] != FORMAT:
                raise ValueError("another format")
            for camera in content["cameras"]:
                _key(camera)
                for photo in camera["photos"]:
                    _evidence(photo)
            return content
        except (FileNotFoundError, NotADirectoryError):
            return empty
        except OSError as error:
            if set_aside:
                raise _unsaved(self.path, error) from error
            return empty
        except (ValueError, KeyError, TypeError):
            if set_aside:
                stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
                self.path.replace(self.path.with_suffix(f".unreadable-{stamp}.json"))
            return empty

    @staticmethod
    def _photos(content: dict[str, Any], key: CameraKey) -> list[dict[str, Any]]:
        """The list of a camera's photos within the content, made when it is not there."""
        for camera in content["cameras"]:
            if _key(camera) == key:
                return camera["photos"]
        camera = {**asdict(key), "photos": []}
        content["cameras"].append(camera)
        return camera["photos"]

    def _write(self, content: dict[str, Any]) -> None:
        """Whole or not at all: to a file beside it, flushed, then renamed."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with tempfile.NamedTemporaryFile("w", dir=self.path.parent, delete=False, encoding="utf-8") as file:
                json.dump(content, file)
                file.flush()
                os.fsync(file.fileno())
            os.replace(file.name, self.path)
        except OSError as error:
            raise _unsaved(self.path, error) from error


def _unsaved(path: Path, error: OSError) -> RecordError:
    return RecordError(
        f"What was learnt about the camera cannot be saved in {path} ({error.strerror}); "
        "make room or set CAKEQC_DATA to a folder that can be written."
    )


def prior_for(
    photo: Photo, store: CameraStore | None = None, card: CardView | None = None, print_scale: Array = ONE_SCALE
) -> LensPrior:
    """What is known of the lens that took a photo.

    Parameters
    ----------
    store : CameraStore, optional
        Cameras learnt so far; without it the EXIF alone counts. A photo never counts for itself.
    card : CardView, optional
        The photo's card, printed at `print_scale`: when it does not fit the camera's profile (another lens, a photo
        cropped or edited to the same size), the EXIF is gone back to and `LensPrior.note` says so.
    """
    key = camera_key(photo)
    profile = store.profile(key, without=photo.sha256) if store is not None and key is not None else None
    plain = exif_prior(photo)
    if profile is None or key is None:
        return plain
    if card is not None and not _fits(profile, photo, card, print_scale):
        note = f"{photo.name} does not fit what earlier photos say of {key.label}; it was measured without them."
        return LensPrior(plain.mean, plain.covariance, plain.source, note)
    return profile.prior(photo)


def _fits(profile: CameraProfile, photo: Photo, card: CardView, print_scale: Array) -> bool:
    try:
        return belongs(profile, lens_evidence(photo, card, print_scale))
    except CardError:
        return False


# ---------------------------------------------------------------- rows
def _own(photos: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The photos that count for their camera."""
    return [p for p in photos if not p.get("strange")]


def _lately(photos: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What is kept: the last photos that count and the last that do not; only these when the lens has changed."""
    last = photos[-LEARNING.least :]
    if len(last) == LEARNING.least and not _own(last):
        return [{k: v for k, v in p.items() if k != "strange"} for p in last]
    strange = [p for p in photos if p.get("strange")][-LEARNING.least :]
    kept = [*_own(photos)[-LEARNING.keep :], *strange]
    return [p for p in photos if any(p is k for k in kept)]


def _key(camera: dict[str, Any]) -> CameraKey:
    return CameraKey(
        str(camera["make"]),
        str(camera["model"]),
        float(camera["focal_35mm"]),
        int(camera["width_px"]),
        int(camera["height_px"]),
    )


def _evidence(row: dict[str, Any]) -> LensEvidence:
    information, vector = np.array(row["information"], float), np.array(row["vector"], float)
    if information.shape != (5, 5) or vector.shape != (5,) or not np.isfinite(information).all():
        raise ValueError("no evidence of a lens")
    return LensEvidence(information, vector, str(row["sha256"]))


def _row(e: LensEvidence, source: str, now: str, card: CardView | None, print_scale: Array) -> dict[str, Any]:
    corners = {
        panel.panel: {
            "ids": panel.ids.tolist(),
            "corners_px": np.round(panel.corners_px, 3).tolist(),
            "sigma_px": np.round(panel.sigma_px, 4).tolist(),
        }
        for panel in ((card.floor, card.standing) if card is not None else ())
        if panel is not None
    }
    return {
        "sha256": e.sha256,
        "time": now,
        "source": source,
        "information": e.information.tolist(),
        "vector": e.vector.tolist(),
        "print_scale": np.asarray(print_scale, float).tolist(),
        "corners": corners,
    }
