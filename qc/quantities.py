"""What is measured: the names, units and words of every quantity, and the value that travels with its uncertainty.

The definitions are those of the project's table of measurements (DEVELOPERS.md). Everything that judges, stores,
charts or prints a quantity takes its unit, label and number of decimals from here.
"""

from dataclasses import dataclass, field

PHOTO_NAMES = ("top", "side", "side2")


@dataclass(frozen=True)
class Quantity:
    """One row of the table of measurements."""

    name: str
    label: str  # what a decorator calls it
    unit: str  # "mm", "deg", "%", "h" (clock hours), "1" (a count)
    decimals: int
    magnitude: bool  # cannot be negative
    clocked: bool = False  # is a clock direction, not a size
    meaning: str = ""


_ROWS = [
    Quantity("diameter", "Diameter", "mm", 1, True, meaning="best circle through the outline seen from above"),
    Quantity("out_of_round", "Out of round", "mm", 1, True, meaning="largest minus smallest distance from that circle"),
    Quantity("height", "Height", "mm", 1, True, meaning="from the board to the level of the top"),
    Quantity("level", "Slope of the top", "mm", 1, True, meaning="how much the top falls across the diameter"),
    Quantity("level_low_clock", "Top falls towards", "h", 1, True, True, meaning="where the top is lowest"),
    Quantity("dome", "Dome", "mm", 1, False, meaning="middle of the top above its rim; negative when dished"),
    Quantity("lean", "Lean", "mm", 1, True, meaning="how far the upper part stands to one side of the foot"),
    Quantity("lean_clock", "Leans towards", "h", 1, True, True, meaning="the direction of the lean"),
    Quantity("taper", "Taper", "mm", 1, False, meaning="upper diameter minus lower; negative narrows upwards"),
    Quantity("side_straightness", "Side straightness", "mm", 2, True, meaning="highest to lowest along a side line"),
    Quantity("side_ridges", "Side ridges", "mm", 2, True, meaning="what the blade leaves: ridges finer than 8 mm"),
    Quantity("edge_radius", "Top edge radius", "mm", 1, True, meaning="rounding of the top edge; small is crisp"),
    Quantity("decoration_count", "Decorations", "1", 0, True, meaning="pieces standing on the top"),
    Quantity("decoration_missing", "Missing decorations", "1", 0, True, meaning="places on the ring without a piece"),
    Quantity("decoration_size", "Decoration size", "mm", 1, True, meaning="mean diameter seen from above"),
    Quantity("decoration_size_cv", "Decoration size spread", "%", 1, True, meaning="how unequal the pieces are"),
    Quantity("ring_radius", "Ring radius", "mm", 1, True, meaning="circle through the middles of the pieces"),
    Quantity("ring_scatter", "Off the ring line", "mm", 1, True, meaning="how far pieces stand off that circle"),
    Quantity("ring_offset", "Ring off centre", "mm", 1, True, meaning="ring's middle against the cake's"),
    Quantity("spacing_error", "Uneven gaps", "deg", 1, True, meaning="worst gap against an even spacing"),
    Quantity("foot_shells", "Shells round the foot", "1", 0, True, meaning="touching shells or pearls, all round"),
    Quantity("foot_pitch", "Foot shells apart", "mm", 1, True, meaning="from one shell's middle to the next"),
    Quantity("foot_pitch_cv", "Uneven foot shells", "%", 0, True, meaning="how unequal their distances are"),
    Quantity("rim_shells", "Shells along the rim", "1", 0, True, meaning="touching shells or pearls, all round"),
    Quantity("rim_pitch", "Rim shells apart", "mm", 1, True, meaning="from one shell's middle to the next"),
    Quantity("rim_pitch_cv", "Uneven rim shells", "%", 0, True, meaning="how unequal their distances are"),
    Quantity("board_offset", "Off centre on the board", "mm", 1, True, meaning="cake's middle against the board's"),
    Quantity("show_through", "Show-through, side", "%", 1, True, meaning="side where filling or sponge shows"),
    Quantity("show_through_top", "Show-through, top", "%", 1, True, meaning="top where filling or sponge shows"),
    Quantity("blemishes", "Blemishes", "1", 0, True, meaning="pits, crumbs and finger marks of 1.5 mm and more"),
    Quantity(
        "top_relief", "Waves on the top", "mm", 2, True, meaning="ridges and lumps 2 to 20 mm from one to the next"
    ),
    Quantity(
        "side_relief", "Waves on the side", "mm", 2, True, meaning="ridges and lumps 2 to 20 mm from one to the next"
    ),
    # CIELAB (D65), white-balanced on the card's paper; differences are CIEDE2000. A chef reads plain words for them
    Quantity("colour_L", "Colour, dark to light", "1", 1, True, meaning="0 is black, 100 is white"),
    Quantity("colour_a", "Colour, green to red", "1", 1, False, meaning="below 0 greenish, above 0 reddish"),
    Quantity("colour_b", "Colour, blue to yellow", "1", 1, False, meaning="below 0 bluish, above 0 yellowish"),
    Quantity("colour_evenness", "Uneven colour", "1", 1, True, meaning="how far the icing's colour varies"),
    Quantity(
        "colour_shift", "Off the house colour", "1", 1, True, meaning="from about 2 on an eye sees it side by side"
    ),
]
QUANTITIES: dict[str, Quantity] = {q.name: q for q in _ROWS}


@dataclass(frozen=True)
class Measurement:
    """A value that never travels without its uncertainty.

    Attributes
    ----------
    uncertainty : float
        Expanded, coverage factor 2 (JCGM 100).
    interval : (low, high) or None
        95 % coverage interval where a magnitude's components lie within their uncertainty.
    clock : float or None
        Hours; None for the overall figure.
    """

    name: str
    value: float
    uncertainty: float
    unit: str
    photos: tuple[str, ...]
    note: str | None = None
    clock: float | None = None
    interval: tuple[float, float] | None = None
    budget: dict[str, float] = field(default_factory=dict)  # contribution -> standard uncertainty


@dataclass(frozen=True)
class Decoration:
    """One piece on the top, in the cake frame."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    clock: float
    ring: int  # 0 = centre or off the rings, 1 = main ring, 2 = second ring
    move_x_mm: float | None = None  # what would put it right
    move_y_mm: float | None = None
    outline_mm: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Blemish:
    """One fault on the icing. `height_mm` on the side; `x_mm`, `y_mm` in the cake frame for either face."""

    kind: str  # "pit", "crumb", "finger", "patch"
    photo: str
    clock: float
    height_mm: float
    size_mm: float
    x_mm: float
    y_mm: float


@dataclass(frozen=True)
class Meridian:
    """The radial profile of the side at one clock position."""

    clock: float
    photo: str
    height_mm: tuple[float, ...]
    radius_mm: tuple[float, ...]


@dataclass(frozen=True)
class PhotoReport:
    """Whether one photo is usable, in words."""

    usable: bool
    reasons: tuple[str, ...]
    card_corners: int
    sharpness: float


@dataclass(frozen=True)
class Line:
    """A line drawn over a photo, in its (upright) pixels. kind: "card", "body", "board", "level", "decoration"."""

    kind: str
    points_px: tuple[tuple[float, float], ...]
    closed: bool = True
    text: str = ""


@dataclass(frozen=True)
class Overlay:
    """What is drawn over one photo to show what was measured."""

    width_px: int
    height_px: int
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class CheckResult:
    """Everything measured on one cake; what is stored, judged and drawn."""

    measurements: tuple[Measurement, ...]
    decorations: tuple[Decoration, ...] = ()
    blemishes: tuple[Blemish, ...] = ()
    meridians: tuple[Meridian, ...] = ()
    photos: dict[str, PhotoReport] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    overlays: dict[str, Overlay] = field(default_factory=dict)

    def overall(self, name: str) -> Measurement | None:
        """The row of a quantity that belongs to the whole cake, or None when it was left out."""
        return next((m for m in self.measurements if m.name == name and m.clock is None), None)
