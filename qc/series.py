"""A series of one quantity over many cakes: what the trend, consistency and report stages work on."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

_TIMES = np.dtype("datetime64[ms]")


@dataclass(frozen=True)
class Series:
    """One quantity of one kind of cake, in the order of time.

    Attributes
    ----------
    time : (n,) datetime64[ms]
        When the cake was checked, UTC.
    value, uncertainty : (n,) float
        In the quantity's unit; the uncertainty is expanded (k = 2).
    low, high : (n,) float
        95 % coverage interval where the measurement gave one, else NaN.
    check_id : (n,) int
    decorator : (n,) str
        Pseudonyms.
    counts : (n,) bool
        False while the decorator may still comment on the result, and when the chef has left the cake out.
    remeasured : (n,) bool
        True when the value comes from a later measurement of the same photos.
    rush : (n,) bool
    kitchen_temperature_c : (n,) float
        NaN where it was not noted.
    recipe_change : (n,) str
        Empty where none was noted.
    """

    quantity: str
    kind: str
    time: NDArray[np.datetime64] = field(default_factory=lambda: np.empty(0, _TIMES))
    value: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    uncertainty: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    low: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    high: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    check_id: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    decorator: NDArray[np.str_] = field(default_factory=lambda: np.empty(0, np.str_))
    counts: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, np.bool_))
    remeasured: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, np.bool_))
    rush: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, np.bool_))
    kitchen_temperature_c: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    recipe_change: NDArray[np.str_] = field(default_factory=lambda: np.empty(0, np.str_))

    def __len__(self) -> int:
        return len(self.value)

    def only(self, keep: NDArray[np.bool_]) -> "Series":
        """The same series with the points where `keep` (n,) is true."""
        arrays = {name: getattr(self, name)[keep] for name in self.__dataclass_fields__ if name not in _NAMES}
        return Series(self.quantity, self.kind, **arrays)

    def counted(self) -> "Series":
        """Only the points that count in a trend."""
        return self.only(self.counts)

    def of(self, pseudonym: str) -> "Series":
        """Only one decorator's points."""
        return self.only(self.decorator == pseudonym)


_NAMES = ("quantity", "kind")
