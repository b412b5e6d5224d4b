"""Reading a photograph safely: format, size limits, EXIF."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Photo:
    """A decoded photograph, upright (its EXIF orientation has been applied)."""

    name: str  # what messages call it: "top", "side", "side2", or the file's name
    pixels: NDArray[np.uint8]  # (H, W, 3) RGB
    focal_35mm: float | None
    focal_mm: float | None
    make: str | None
    model: str | None
    orientation: int  # EXIF flag 1..8 that was applied
    sha256: str  # of the original file's bytes

    @property
    def width_px(self) -> int:
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        return int(self.pixels.shape[0])


def read_photo(source: str | Path | bytes, name: str | None = None) -> Photo:
    """Decode one photo after checking its size and type."""
    raise NotImplementedError
