"""House standards: what a kind of cake should be, written by the chef in TOML and checked line by line.

A standard names the cake (name, code, pan or ring, notes) and has one table per quantity it limits:

    [lines.diameter]          [lines.level]        [lines.decoration_count]
    nominal = 165             at_most = 3          per_order = true
    tolerance = 4             decides = "coach"
    decides = "must"          weight = 2

The finished diameter is the line `diameter`; the pan or ring it was baked in is `pan_mm`. They are two things.
"""

import math
import tomllib
from collections.abc import Mapping
from datetime import date as Date
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from qc import limits
from qc.errors import StandardError
from qc.limits import Limit
from qc.quantities import QUANTITIES
from qc.standard_errors import explain, explain_toml

MAX_TEXT_CHARS = 200_000  # a standard is a page of text; anything longer is another file
KINDS = {
    "nominal": ("nominal", "tolerance"),
    "at_most": ("at_most",),
    "at_least": ("at_least",),
    "range": ("low", "high"),
    "count": ("count",),
    "per_order": ("per_order",),
    "from_layers": ("from_layers",),
}
FIGURE = Field(default=None, allow_inf_nan=False)


class _Checked(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class LayerPlan(_Checked):
    """The layers from the board up: the planned height is their sum.

    Attributes
    ----------
    sponge_mm, filling_mm : tuple of float
        Thickness of each layer.
    coat_mm : float
        Icing on the top.
    sponge_tolerance_mm, filling_tolerance_mm, coat_tolerance_mm : float
        How far one layer may be off. The defaults are starting values of our own.
    """

    sponge_mm: tuple[float, ...] = Field(min_length=1, strict=False)
    filling_mm: tuple[float, ...] = Field(default=(), strict=False)
    coat_mm: float = Field(default=0.0, ge=0, le=100)
    sponge_tolerance_mm: float = Field(default=1.5, gt=0, le=20)
    filling_tolerance_mm: float = Field(default=1.0, gt=0, le=20)
    coat_tolerance_mm: float = Field(default=1.0, gt=0, le=20)

    @model_validator(mode="after")
    def _sizes(self) -> "LayerPlan":
        if any(not 0 < mm <= 300 for mm in self.sponge_mm + self.filling_mm):
            raise ValueError("a layer's thickness must lie between 0 and 300 mm")
        return self

    @property
    def height_mm(self) -> float:
        """Sponges, fillings and the top coat together."""
        return math.fsum([*self.sponge_mm, *self.filling_mm, self.coat_mm])

    @property
    def filling_heights_mm(self) -> tuple[float, ...]:
        """Height of each filling's middle above the board: sponge and filling lie in turn, a sponge lowest."""
        floors = [math.fsum([*self.sponge_mm[: i + 1], *self.filling_mm[:i]]) for i in range(len(self.filling_mm))]
        return tuple(low + thick / 2 for low, thick in zip(floors, self.filling_mm, strict=True))

    @property
    def tolerance_mm(self) -> float:
        """Root of the sum of squares of the layers' tolerances: they vary independently (JCGM 100, 5.1.2)."""
        squares = len(self.sponge_mm) * self.sponge_tolerance_mm**2
        squares += len(self.filling_mm) * self.filling_tolerance_mm**2
        squares += self.coat_tolerance_mm**2 if self.coat_mm else 0.0
        return math.sqrt(squares)


class Line(_Checked):
    """One limit of a standard. Exactly one kind of limit is written; see `KINDS`."""

    nominal: float | None = FIGURE
    tolerance: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    at_most: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    at_least: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    low: float | None = FIGURE
    high: float | None = FIGURE
    count: int | None = Field(default=None, ge=0, le=1000)
    per_order: Literal[True] | None = None
    from_layers: Literal[True] | None = None
    aim: float | None = FIGURE
    decides: Literal["must", "coach"] = "coach"
    weight: float = Field(default=1.0, gt=0, le=100)
    note: str = Field(default="", max_length=500)

    @property
    def must(self) -> bool:
        """True when this line decides the overall verdict."""
        return self.decides == "must"

    @property
    def kind(self) -> str:
        """Which kind of limit this is, a key of `KINDS`."""
        return next(kind for kind, keys in KINDS.items() if getattr(self, keys[0]) is not None)

    @model_validator(mode="after")
    def _one_kind(self) -> "Line":
        found = [kind for kind, keys in KINDS.items() if any(getattr(self, k) is not None for k in keys)]
        if "from_layers" in found or "per_order" in found:  # a tolerance of their own may stand beside them
            found = [kind for kind in found if kind != "nominal" or self.nominal is not None]
        if len(found) != 1:
            raise ValueError(f"one limit is needed, found {' and '.join(found) if found else 'none'}")
        missing = [k for k in KINDS[found[0]] if getattr(self, k) is None]
        if missing:
            raise ValueError(f"{missing[0]} is missing")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"low ({self.low:g}) must be smaller than high ({self.high:g})")
        if self.aim is not None and found[0] not in ("at_most", "at_least"):
            raise ValueError("aim goes only with at_most or at_least")
        return self


class HouseStandard(_Checked):
    """What one kind of cake should be. `lines` maps a quantity's name to its limit."""

    name: str = Field(min_length=1, max_length=80)
    code: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")
    version: int = Field(default=1, ge=1)
    date: Date | None = None
    starting_values: bool = False
    pan_mm: float | None = Field(default=None, gt=0, le=1000)
    icing: str = Field(default="", max_length=200)
    board: str = Field(default="", max_length=200)
    nozzle: str = Field(default="", max_length=200)
    decoration: str = Field(default="", max_length=500)
    notes: str = Field(default="", max_length=2000)
    allergens: str = Field(default="", max_length=500)
    holding: str = Field(default="", max_length=500)
    cold: bool = False
    house_colour: tuple[float, float, float] | None = Field(default=None, strict=False)
    layers: LayerPlan | None = None
    lines: dict[str, Line] = Field(min_length=1)

    @model_validator(mode="after")
    def _lines_make_sense(self) -> "HouseStandard":
        for name, line in self.lines.items():
            problem = _problem(self, name, line)
            if problem:
                raise ValueError(f"lines.{name}: {problem}")
        if not any(line.must for line in self.lines.values()):
            raise ValueError('at least one line must decide the verdict, for example decides = "must" under height')
        return self

    @property
    def order_lines(self) -> tuple[str, ...]:
        """Names of the quantities whose figure is entered when the cake is checked."""
        return tuple(name for name, line in self.lines.items() if line.per_order)

    @property
    def sponge_is_meant(self) -> bool:
        """True where the standard asks for sponge or filling to show through."""
        limit = self.limit("show_through") if "show_through" in self.lines else None
        return limit is not None and limit.low is not None and limit.low > 0

    def limit(self, name: str, order_values: Mapping[str, float] | None = None) -> Limit | None:
        """The resolved limit of one line; None when it needs an order's figure that was not given.

        Raises
        ------
        StandardError
            When the order's figure cannot be one: not a number, negative, or not whole for a count.
        """
        line = self.lines[name]
        if line.per_order:
            value = (order_values or {}).get(name)
            return None if value is None else _per_order(name, line, value)
        if line.from_layers:
            assert self.layers is not None  # checked in _lines_make_sense
            return limits.nominal(self.layers.height_mm, line.tolerance or self.layers.tolerance_mm)
        return _fixed(line)

    def to_toml(self) -> str:
        """The standard as TOML text that `load_standard` reads back to the same standard."""
        data = self.model_dump(exclude_none=True, exclude_defaults=True)
        data["version"] = self.version
        if self.house_colour is not None:
            data["house_colour"] = list(self.house_colour)
        head = {key: value for key, value in data.items() if not isinstance(value, dict)}
        tables = {key: value for key, value in data.items() if isinstance(value, dict)}
        return tomli_w.dumps(head | tables)


def _fixed(line: Line) -> Limit:
    if line.nominal is not None:
        assert line.tolerance is not None
        return limits.nominal(line.nominal, line.tolerance)
    if line.at_most is not None:
        return limits.at_most(line.at_most, line.aim)
    if line.at_least is not None:
        return limits.at_least(line.at_least, line.aim)
    if line.low is not None and line.high is not None:
        return limits.between(line.low, line.high)
    assert line.count is not None
    return limits.exactly(line.count)


def _per_order(name: str, line: Line, value: float) -> Limit:
    label = QUANTITIES[name].label
    if not math.isfinite(value) or (value < 0 and QUANTITIES[name].magnitude):
        raise StandardError(f"The order's figure for {label} is {value:g}; enter a number that a cake can have.")
    if line.tolerance is not None:
        return limits.nominal(value, line.tolerance)
    if value != round(value):
        raise StandardError(f"The order's figure for {label} is {value:g}; enter a whole number.")
    return limits.exactly(round(value))


def _problem(standard: HouseStandard, name: str, line: Line) -> str | None:
    """What is wrong with a line as a limit of this quantity, or None."""
    quantity = QUANTITIES.get(name)
    if quantity is None:
        return "no such quantity is measured"
    if quantity.clocked:
        return "a direction on the clock cannot have a limit"
    if (line.at_most or line.at_least) and not quantity.magnitude:
        return "this figure can be negative, so it needs nominal and tolerance, or low and high"
    if line.count is not None and not limits.is_count(quantity):
        return "this is no count, so it needs another kind of limit"
    if line.per_order and line.tolerance is None and not limits.is_count(quantity):
        return "a figure given per order needs a tolerance"
    if line.from_layers and (name != "height" or standard.layers is None):
        return "from_layers goes only with height and a [layers] table"
    if name == "colour_shift" and standard.house_colour is None:
        return "a limit on the colour needs house_colour"
    return None


def load_standard(source: Path | str) -> HouseStandard:
    """Read and check a house standard.

    Parameters
    ----------
    source : Path or str
        A file, or the TOML text itself (a str with a line break or an equals sign in it).

    Raises
    ------
    StandardError
        One sentence: file, line's name, what is wrong, an example.
    """
    text, where = _text(source)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise StandardError(explain_toml(where, text, str(error))) from error
    return check_standard(data, where)


def check_standard(data: Mapping[str, Any], where: str = "This standard") -> HouseStandard:
    """Check a standard given as plain values, as a form on the page gives it. Raises StandardError."""
    try:
        return HouseStandard.model_validate(dict(data))
    except ValidationError as error:
        raise StandardError(explain(where, error)) from error


def _text(source: Path | str) -> tuple[str, str]:
    if isinstance(source, str) and ("\n" in source or "=" in source or not source.strip()):
        text, where = source, "This standard"
    else:
        path = Path(source)
        try:
            text, where = path.read_text(encoding="utf-8"), path.name
        except (OSError, UnicodeDecodeError) as error:
            raise StandardError(
                f"{path.name or path} cannot be read as a house standard; choose a text file whose name ends in .toml."
            ) from error
    if len(text) > MAX_TEXT_CHARS:
        raise StandardError(f"{where} is too long to be a house standard; choose the right file.")
    return text, where


@cache
def starting_standards() -> tuple[HouseStandard, ...]:
    """The five standards to start from. Every tolerance in them is a starting value: the house sets its own."""
    folder = files("qc") / "standards"
    names = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".toml"))
    return tuple(load_standard((folder / name).read_text(encoding="utf-8")) for name in names)
