"""Photos with what was measured drawn in, as small as a screen needs them."""

import numpy as np
from numpy.typing import NDArray

from app.photos import photo
from qc.drawing import draw
from qc.quantities import CheckResult


def annotated(hashes: dict[str, str], result: CheckResult) -> dict[str, NDArray[np.uint8]]:
    """Each uploaded photo with its measurements drawn in."""
    return {name: draw(photo(sha256, name), result, name, close=True) for name, sha256 in hashes.items()}
