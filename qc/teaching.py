"""Learning on the job: the card's corners of every saved check teach the camera that took its photos.

It happens in a thread of its own once the check is saved: no answer waits for it, and nothing of the check is lost when
it fails. The program's end waits for what is under way.
"""

import logging
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np

from qc.card import find_card
from qc.errors import CakeQCError
from qc.photo import Photo
from qc.profiles import CameraStore

_log = logging.getLogger(__name__)
_pool = ThreadPoolExecutor(1, "teaching")  # one at a time: the file of the cameras has one writer


def teach_later(
    photos: Mapping[str, Photo], print_scale: tuple[float, float], cameras: CameraStore
) -> "Future[tuple[str, ...]]":
    """Let the cameras learn from an accepted check's photos, some time soon.

    Parameters
    ----------
    print_scale : (float, float)
        Printed over nominal length of the card, along the fold and across it.

    Returns
    -------
    Future of tuple of str
        Names of the photos that taught their camera; it never raises. Nobody needs to wait for it.
    """
    return _pool.submit(_teach, dict(photos), print_scale, cameras)


def _teach(photos: dict[str, Photo], print_scale: tuple[float, float], cameras: CameraStore) -> tuple[str, ...]:
    taught = []
    for name, photo in photos.items():
        try:
            if cameras.learn(photo, find_card(photo), np.array(print_scale)):
                taught.append(name)
        except CakeQCError as error:
            _log.warning("The %s photo taught its camera nothing: %s", name, error)
        except Exception as error:  # the check is saved and answered: whatever this was, it is no trouble of the user's
            _log.warning("The %s photo taught its camera nothing (%r)", name, error)
            _log.debug("where it failed", exc_info=True)
    return tuple(taught)
