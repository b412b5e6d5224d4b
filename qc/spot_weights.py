"""How likely a place that stands out is a blemish: small networks, learnt on rendered cakes of all kinds and lights.

Four networks of one hidden layer on standardised numbers; the mean of what they say counts. Learnt by
`tests/long/spot_weights.py`, which writes `qc/spot_net.npz` anew; what a place is said to be is in `qc.spot_words`.
"""

from dataclasses import dataclass
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


@dataclass(frozen=True)
class Weights:
    """Networks on what `qc.blemishes.describe` says of a place.

    Attributes
    ----------
    names : tuple of str
        Of the n numbers, in their order.
    mean, spread : ndarray, shape (n,)
        By which they are standardised.
    inner, inner_offset : ndarray, shape (k, n, h), (k, h)
        Of the hidden layer (tanh) of each of k networks.
    outer, outer_offset : ndarray, shape (k, h), (k,)
        Of the answer, whose logistic function is the probability.
    """

    names: tuple[str, ...]
    mean: Array
    spread: Array
    inner: Array
    inner_offset: Array
    outer: Array
    outer_offset: Array

    def chance(self, said: Array) -> Array:
        """Probability (m,) that each of m places is a blemish, from what is said of them (m, n)."""
        hidden = np.tanh((said - self.mean) / self.spread @ self.inner + self.inner_offset[:, None])  # (k, m, h)
        answer = (hidden @ self.outer[..., None])[..., 0] + self.outer_offset[:, None]
        return np.asarray((1 / (1 + np.exp(-answer))).mean(0))


def _stored() -> Weights:
    with resources.files("qc").joinpath("spot_net.npz").open("rb") as file, np.load(file) as kept:
        parts = {k: kept[k].astype(float) for k in kept.files if k != "names"}
        return Weights(tuple(str(n) for n in kept["names"]), **parts)


LEARNT = _stored()
