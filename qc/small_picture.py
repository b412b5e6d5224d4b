"""Pictures that the program draws, as small files: WebP, which every browser of today shows."""

import io
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

Pixels = NDArray[np.uint8]
LONGEST_PX = 1000  # a phone's width at its usual sharpness; a cake's ten pictures then take some 250 kB
QUALITY = 60  # of WebP: drawn lines and words stay sharp
SUFFIX = ".webp"
_NO_PICTURE = (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError)


def packed(pixels: Pixels) -> bytes:
    """A picture, shape (H, W, 3) RGB, as a file's bytes, at most `LONGEST_PX` long."""
    image = Image.fromarray(pixels)
    image.thumbnail((LONGEST_PX, LONGEST_PX))
    out = io.BytesIO()
    image.save(out, "WEBP", quality=QUALITY)
    return out.getvalue()


def packed_again(data: bytes) -> bytes | None:
    """A file's bytes made anew from its pixels alone, such as of an import; None where it is no picture."""
    try:
        with Image.open(io.BytesIO(data)) as image:
            return packed(np.asarray(image.convert("RGB")))
    except _NO_PICTURE:
        return None


def unpacked(path: Path) -> Pixels | None:
    """The picture in a file, shape (H, W, 3) RGB; None where it is gone or damaged."""
    try:
        with Image.open(path) as image:
            return np.asarray(image.convert("RGB"))
    except _NO_PICTURE:
        return None
