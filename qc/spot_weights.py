"""How likely a place that stands out is a blemish: logistic weights, learnt on rendered cakes of all kinds and lights.

Learnt by `tests/long/spot_weights.py`, which prints this table anew.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Weights:
    """Logistic regression on what `qc.blemishes.describe` says of a place."""

    names: tuple[str, ...]
    weight: tuple[float, ...]
    offset: float


LEARNT = Weights(
    (
        "strength",
        "over_near",
        "over_median",
        "blob",
        "flanks_up",
        "flanks_across",
        "colour",
        "colour_over_near",
        "dark",
        "light",
        "rivals",
        "row_strong",
        "row_weak",
        "column_strong",
        "column_weak",
        "to_border",
        "facing",
        "glare",
        "luminance",
        "top",
        "grain",
        "dark_over_grain",
        "strength_on_dark",
        "strength_on_top",
        "scale",
        "amplitude",
        "row_peak",
        "row_dark",
        "row_light",
        "row_peak_dark",
    ),
    (
        0.0459,
        1.0542,
        -0.2844,
        1.0472,
        -0.1436,
        -0.0169,
        0.8348,
        -0.5835,
        0.3441,
        -0.0397,
        -0.4741,
        -1.5256,
        -0.1938,
        -1.6095,
        -0.1741,
        0.4656,
        0.8924,
        -0.4441,
        0.3398,
        -0.0400,
        -0.4691,
        0.4027,
        0.1166,
        0.2947,
        0.8012,
        -0.0375,
        0.8505,
        -1.0905,
        2.7398,
        1.1133,
    ),
    -8.1077,
)
