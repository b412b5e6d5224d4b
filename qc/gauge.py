"""Gauge study: is the photo set-up good enough for the tolerances.

The same cakes are photographed several times by several people. Repeatability is what one person's photos of one cake
differ by, reproducibility what people add, part variation what the cakes differ by. Two methods: analysis of variance
of the crossed design with random effects, and averages and ranges (AIAG, Measurement Systems Analysis, 4th ed. 2010,
chapter III B; NIST/SEMATECH e-Handbook 2.4).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f

from qc.errors import RecordError
from qc.limits import Limit, figure
from qc.quantities import QUANTITIES
from qc.spc import constants

FloatArray = NDArray[np.float64]
POOL_ABOVE_P = 0.25  # AIAG: an interaction less certain than this is counted as repeatability
CATEGORIES_FACTOR = 1.41  # AIAG's rounded sqrt(2)
GOOD_SHARE, USABLE_SHARE = 10.0, 30.0  # % of the tolerance: AIAG's guidance, chapter II D
FEWEST_CATEGORIES = 5  # AIAG's guidance


@dataclass(frozen=True)
class GaugeStudy:
    """Standard deviations of one quantity's study; None where the design cannot show it.

    Attributes
    ----------
    repeatability, reproducibility, total_gauge, parts, total : float or None
        One standard deviation each, in the quantity's unit (AIAG: EV, AV, GRR, PV, TV).
    method : str
        "analysis of variance" or "averages and ranges".
    interaction_p : float or None
        Of the cake-by-person interaction.
    """

    quantity: str
    method: str
    cakes: int
    people: int
    repeats: int
    repeatability: float
    reproducibility: float | None
    total_gauge: float
    parts: float | None
    interaction_p: float | None = None

    @property
    def total(self) -> float | None:
        """Everything together."""
        return None if self.parts is None else math.hypot(self.total_gauge, self.parts)

    @property
    def categories(self) -> float | None:
        """Number of distinct categories: how many groups of cakes the set-up can tell apart (AIAG's ndc)."""
        if self.parts is None:
            return None
        return CATEGORIES_FACTOR * self.parts / self.total_gauge if self.total_gauge > 0 else math.inf

    def share_of_total(self) -> float | None:
        """The gauge's part of all variation, in %."""
        return None if not self.total else 100 * self.total_gauge / self.total

    def share_of_tolerance(self, limit: Limit) -> float:
        """Six gauge standard deviations as % of the tolerance; of a one-sided limit, as % of that limit."""
        return 100 * 6 * self.total_gauge / tolerance_width(limit)


def tolerance_width(limit: Limit) -> float:
    """Width of the tolerance; from zero to the limit where it is one-sided."""
    if limit.kind == "count":
        return 1.0
    if limit.low is not None and limit.high is not None:
        return limit.high - limit.low
    bound = limit.high if limit.high is not None else limit.low
    assert bound is not None
    return abs(bound)


@dataclass(frozen=True)
class CrossedAnova:
    """Table of the crossed design: cakes by people, with repeats."""

    ss_people: float
    ss_cakes: float
    ss_interaction: float
    ss_repeats: float
    df_people: int
    df_cakes: int
    df_interaction: int
    df_repeats: int

    @property
    def ms_people(self) -> float:
        return self.ss_people / self.df_people

    @property
    def ms_cakes(self) -> float:
        return self.ss_cakes / self.df_cakes

    @property
    def ms_interaction(self) -> float:
        return self.ss_interaction / self.df_interaction

    @property
    def ms_repeats(self) -> float:
        return self.ss_repeats / self.df_repeats

    @property
    def interaction_p(self) -> float:
        """Probability of an interaction this large by chance."""
        if self.ms_repeats == 0:
            return 0.0 if self.ms_interaction > 0 else 1.0
        return float(f.sf(self.ms_interaction / self.ms_repeats, self.df_interaction, self.df_repeats))


def crossed_anova(table: FloatArray) -> CrossedAnova:
    """Sums of squares of a table (cakes, people, repeats) with at least two of each."""
    c, p, r = table.shape
    off = table - table.mean()
    cell, cake, person = off.mean(axis=2), off.mean(axis=(1, 2)), off.mean(axis=(0, 2))
    return CrossedAnova(
        float(c * r * (person**2).sum()),
        float(p * r * (cake**2).sum()),
        float(r * ((cell - cake[:, None] - person[None, :]) ** 2).sum()),
        float(((off - cell[:, :, None]) ** 2).sum()),
        p - 1,
        c - 1,
        (c - 1) * (p - 1),
        c * p * (r - 1),
    )


def by_anova(quantity: str, table: FloatArray) -> GaugeStudy:
    """Gauge study by analysis of variance.

    Parameters
    ----------
    table : (cakes, people, repeats) float
        Two repeats at least; with one person or one cake only the repeatability (and part variation) can be shown.

    Raises
    ------
    RecordError
        Fewer than two repeats, or a value is missing.
    """
    c, p, r = _checked(quantity, table)
    if p == 1 or c == 1:
        return _one_factor(quantity, table)
    found = crossed_anova(table)
    interaction_p = found.interaction_p
    if interaction_p > POOL_ABOVE_P:  # AIAG: pool it with the repeatability
        df = found.df_interaction + found.df_repeats
        ev2, inter2 = (found.ss_interaction + found.ss_repeats) / df, 0.0
        base = ev2
    else:
        ev2, base = found.ms_repeats, found.ms_interaction
        inter2 = max(0.0, (base - ev2) / r)
    people2 = max(0.0, (found.ms_people - base) / (c * r))
    parts2 = max(0.0, (found.ms_cakes - base) / (p * r))
    av = math.sqrt(people2 + inter2)
    total = math.sqrt(ev2 + people2 + inter2)
    name = "analysis of variance"
    return GaugeStudy(quantity, name, c, p, r, math.sqrt(ev2), av, total, math.sqrt(parts2), interaction_p)


def by_ranges(quantity: str, table: FloatArray) -> GaugeStudy:
    """Gauge study by averages and ranges: K1 = 1/d2 of the repeats, K2 and K3 = 1/d2* of people and cakes.

    Raises
    ------
    RecordError
        Fewer than two repeats, or a value is missing.
    """
    c, p, r = _checked(quantity, table)
    ev = float(np.ptp(table, axis=2).mean()) / constants(r).d2
    av = parts = None
    if p > 1:
        spread = float(np.ptp(table.mean(axis=(0, 2)))) / constants(p).d2_star
        av = math.sqrt(max(0.0, spread**2 - ev**2 / (c * r)))
    if c > 1:
        parts = float(np.ptp(table.mean(axis=(1, 2)))) / constants(c).d2_star
    return GaugeStudy(quantity, "averages and ranges", c, p, r, ev, av, math.hypot(ev, av or 0.0), parts)


def _one_factor(quantity: str, table: FloatArray) -> GaugeStudy:
    """One person (cakes and repeats), or one cake (people and repeats)."""
    c, p, r = table.shape
    groups = table.reshape(c * p, r)
    ev2 = float(groups.var(axis=1, ddof=1).mean())
    between2 = None
    if c * p > 1:
        between2 = max(0.0, float(groups.mean(axis=1).var(ddof=1)) - ev2 / r)
    av = math.sqrt(between2) if between2 is not None and p > 1 else None
    parts = math.sqrt(between2) if between2 is not None and c > 1 else None
    total = math.hypot(math.sqrt(ev2), av or 0.0)
    return GaugeStudy(quantity, "analysis of variance", c, p, r, math.sqrt(ev2), av, total, parts)


def _checked(quantity: str, table: FloatArray) -> tuple[int, int, int]:
    c, p, r = table.shape
    label = QUANTITIES[quantity].label if quantity in QUANTITIES else quantity
    if r < 2:
        raise RecordError(f"{label}: a gauge study needs each cake photographed at least twice by each person.")
    if not np.isfinite(table).all():
        raise RecordError(f"{label}: a value is missing in the study; leave that cake out or photograph it again.")
    return c, p, r


@dataclass(frozen=True)
class GaugeVerdict:
    """What a study says of one quantity."""

    quantity: str
    grade: str  # "good enough", "usable with care", "not good enough"
    share: float | None  # % of the tolerance
    categories: float | None
    sentence: str


def verdict(study: GaugeStudy, limit: Limit | None) -> GaugeVerdict:
    """A plain verdict, by the share of the tolerance where there is a limit, else by the categories.

    Under 10 % good, 10 to 30 % usable with care, more is not (AIAG's guidance, common practice in industry).
    """
    q = QUANTITIES[study.quantity]
    share = None if limit is None else study.share_of_tolerance(limit)
    rating = share if share is not None else study.share_of_total()
    spread = f"repeated photos differ by ± {figure(q.name, 2 * study.total_gauge)}"
    of_what = "its tolerance" if share is not None else "the cakes' own variation"
    if rating is None:
        return GaugeVerdict(q.name, "usable with care", None, None, f"{q.label}: {spread}; no limit to compare with.")
    grade, words = _grade(rating)
    text = f"{q.label}: {words} ({spread}, {rating:.0f} % of {of_what})"
    if study.categories is not None and study.categories < FEWEST_CATEGORIES and grade != "not good enough":
        text += f"; these cakes were too alike to tell more than {max(1, int(study.categories))} groups apart"
    return GaugeVerdict(q.name, grade, share, study.categories, text + ".")


def _grade(share: float) -> tuple[str, str]:
    if share <= GOOD_SHARE:
        return "good enough", "good enough to judge"
    if share <= USABLE_SHARE:
        return "usable with care", "usable, cakes near the limit will often be too close to call"
    return "not good enough", "not good enough to judge"


def summary(verdicts: tuple[GaugeVerdict, ...]) -> str:
    """One sentence over all quantities: 'Good enough to judge level; usable with care for ...; not for ridges.'"""
    parts = []
    for grade, words in (
        ("good enough", "good enough to judge"),
        ("usable with care", "usable with care for"),
        ("not good enough", "not for"),
    ):
        labels = [QUANTITIES[v.quantity].label.lower() for v in verdicts if v.grade == grade]
        if labels:
            parts.append(f"{words} {', '.join(labels)}")
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] + "." if text else "No quantity was studied."


def finer_than_setup(quantity: str, limit: Limit, uncertainty: float) -> str | None:
    """A warning where a tolerance is finer than the set-up can tell, else None.

    Parameters
    ----------
    uncertainty : float
        Typical expanded uncertainty (k = 2) of the quantity in the shop's own photos.

    Notes
    -----
    Half the tolerance must be larger than the expanded uncertainty, or no cake can be proven within it
    (ISO 14253-1); at a third of it most good cakes still come out "too close to call".
    """
    half = tolerance_width(limit) / 2
    if not math.isfinite(uncertainty) or uncertainty <= half / 3:
        return None
    label, u = QUANTITIES[quantity].label, figure(quantity, uncertainty)
    if uncertainty >= half:
        return (
            f"{label}: the tolerance is finer than these photos can tell (± {u}), so no cake can be proven within it."
        )
    return (
        f"{label}: the photos' uncertainty (± {u}) takes much of the tolerance; many cakes will be too close to call."
    )
