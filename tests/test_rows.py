"""Running medians along rows: those of scipy's filter of two dimensions."""

import numpy as np
import pytest
from scipy.ndimage import median_filter

from qc.rows import channel_mean, row_median


@pytest.mark.parametrize("width", [3, 15, 29, 91])
def test_medians_along_rows_are_scipys(width: int) -> None:
    """Published value: `scipy.ndimage.median_filter` over (1, width) with its ends carried on."""
    picture = np.random.default_rng(width).normal(size=(23, 60)).astype(np.float32)
    assert np.array_equal(row_median(picture, width), median_filter(picture, (1, width), mode="nearest"))


def test_mean_of_channels_is_numpys() -> None:
    picture = np.random.default_rng(0).normal(size=(9, 7, 3)).astype(np.float32)
    assert channel_mean(picture) == pytest.approx(picture.mean(-1), abs=1e-6)
