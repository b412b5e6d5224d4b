"""How likely an edge along an outline's normal is the icing's, by what is said of it: a small network, learnt on cakes.

One network of two hidden layers on standardised words (`qc.edge_words`). Learnt by `tests/long/edge_weights.py`, which
writes `qc/edge_net.npz` anew.
"""

from dataclasses import dataclass
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
FAR = 5.0  # standard deviations beyond which a word says no more


@dataclass(frozen=True)
class Weights:
    """The network: mean and spread (F,) of the words, weights and offsets of each layer, and the worth of none."""

    mean: Array
    spread: Array
    weights: tuple[Array, ...]
    offsets: tuple[Array, ...]
    none: float

    def log_odds(self, words: Array) -> Array:
        """Logarithm of the odds (...) that an edge with words (..., F) is the icing's against that none is."""
        x = np.clip((words - self.mean) / self.spread, -FAR, FAR)
        for w, b in zip(self.weights[:-1], self.offsets[:-1], strict=True):
            x = np.maximum(x @ w + b, 0)
        return np.asarray((x @ self.weights[-1] + self.offsets[-1])[..., 0] - self.none, np.float64)


def _stored() -> Weights:
    with resources.files("qc").joinpath("edge_net.npz").open("rb") as file, np.load(file) as kept:
        layers = range(sum(k.startswith("weights") for k in kept.files))
        return Weights(
            kept["mean"],
            kept["spread"],
            tuple(kept[f"weights{k}"] for k in layers),
            tuple(kept[f"offsets{k}"] for k in layers),
            float(kept["none"]),
        )


LEARNT = _stored()
