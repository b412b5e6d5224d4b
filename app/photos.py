"""Photos on the page: read once, checked once, shown small."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
import streamlit as st
from numpy.typing import NDArray

from app.shop import store
from qc.card import CardView, find_card
from qc.drawing import draw_seen
from qc.errors import CardError
from qc.finder import find
from qc.photo import Photo, read_photo
from qc.quantities import PhotoReport
from qc.retake import check_photo

SHOWN_PX = 600  # longest side of a small picture: sharp on a phone, a fiftieth of the camera's data
TITLES = {"top": "From above", "side": "From the side", "side2": "From the side, turned a quarter"}


@st.cache_resource(max_entries=6, show_spinner=False)
def photo(sha256: str, name: str) -> Photo:
    """An uploaded photo, decoded; kept for as long as a check takes. Raises PhotoError, RecordError."""
    return read_photo(store().photos.received(sha256), name)


@dataclass(frozen=True)
class Look:
    """What the first look at a photo says, and shows."""

    report: PhotoReport
    picture: NDArray[np.uint8]


@st.cache_data(max_entries=60, show_spinner=False)
def first_look(sha256: str, name: str) -> Look:
    """Whether a photo is usable, in words: card, light, sharpness, the whole cake in the frame; its outline drawn."""
    shot = photo(sha256, name)
    with ThreadPoolExecutor(2) as pool:  # the network and the search for the card need half the time beside each other
        finding, card = pool.submit(find, shot.pixels), pool.submit(_card, shot)
    told = check_photo(shot, name, card.result(), finding.result())
    return Look(told, draw_seen(shot, finding.result(), card.result(), SHOWN_PX))


def _card(shot: Photo) -> CardView | None:
    try:
        return find_card(shot)
    except CardError:
        return None  # the retake check says it in words


@st.cache_data(max_entries=24, show_spinner=False)
def small(sha256: str, name: str) -> NDArray[np.uint8]:
    """The photo as a screen needs it."""
    return shrunk(photo(sha256, name).pixels)


def shrunk(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A picture (H, W, 3) with its longest side at most `SHOWN_PX`."""
    factor = SHOWN_PX / max(pixels.shape[:2])
    if factor >= 1:
        return pixels
    size = (round(pixels.shape[1] * factor), round(pixels.shape[0] * factor))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
