"""An invented shop's history for the demo: half a year of cakes by four people who do not exist.

A learning apprentice, a drifting hand, a steady hand and a helper with too few cakes for any trend; a change of recipe
in the fourth month; rush before the weekend. Everything is drawn from a seeded generator and marked as invented in
every row; the pseudonyms say so on every screen. It goes into a database of its own, never into the shop's records.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from qc import house
from qc.errors import RecordError
from qc.living import new_version
from qc.quantities import QUANTITIES, CheckResult, Measurement
from qc.record_types import Circumstances, NewCheck
from qc.records import Store
from qc.verdict import Judgement, Verdict, judge

SEED = 20261125
DAYS = 182  # six months
RECIPE_DAY = 110
RECIPE = "cream with less gelatine"
TIGHTER_DAY = 60  # the house tightens one limit
CREAM, BUTTERCREAM = "cream-15", "buttercream-20"
APPRENTICE, DRIFTING, STEADY, HELPER = (f"{name} (invented)" for name in ("Juniper", "Saffron", "Clover", "Marigold"))


@dataclass(frozen=True)
class Skill:
    """How a practised hand's cakes come out: offset from nominal and spread, in the quantity's unit."""

    offset: float
    spread: float
    uncertainty: float  # expanded, of the photos


SKILLS = {  # invented, of the size of the house tolerances
    "diameter": Skill(0.3, 1.1, 0.9),
    "height": Skill(0.2, 1.1, 0.6),
    "level": Skill(0.0, 0.75, 0.4),
    "dome": Skill(0.1, 0.5, 0.5),
    "lean": Skill(0.0, 0.8, 0.5),
    "taper": Skill(-0.4, 0.6, 0.5),
    "out_of_round": Skill(0.9, 0.5, 0.5),
    "side_straightness": Skill(0.75, 0.22, 0.25),
    "side_ridges": Skill(0.16, 0.05, 0.06),
    "edge_radius": Skill(2.4, 0.35, 0.5),
    "show_through": Skill(0.05, 0.05, 0.06),
    "board_offset": Skill(0.0, 1.1, 0.6),
    "decoration_count": Skill(0.0, 0.0, 0.0),
    "spacing_error": Skill(1.6, 0.7, 0.7),
    "decoration_size_cv": Skill(4.0, 1.2, 1.0),
    "ring_radius": Skill(0.3, 1.0, 0.6),
}
NOMINAL = {
    CREAM: {"diameter": 165.0, "height": 65.0, "ring_radius": 55.0, "decoration_count": 8.0},
    BUTTERCREAM: {"diameter": 215.0, "height": 100.0, "ring_radius": 88.0, "decoration_count": 12.0},
}
TWO_WAYS = ("level", "lean", "board_offset")  # lengths of a shift with two components


@dataclass(frozen=True)
class Hand:
    """One invented decorator.

    Attributes
    ----------
    cakes_a_day : float
    clumsy : function of the cakes made so far, giving the factor on offsets and spreads
    drift : mapping of quantity to what is added by the last day, growing from the middle of the history
    """

    pseudonym: str
    role: str
    cakes_a_day: float
    clumsy: Callable[[int], float]
    drift: dict[str, float]


HANDS = (
    Hand(APPRENTICE, "apprentice", 1.1, lambda cakes: 1.0 + 1.7 * math.exp(-cakes / 22), {}),
    Hand(DRIFTING, "", 1.2, lambda _: 1.0, {"side_straightness": 0.9, "side_ridges": 0.22, "height": -2.2}),
    Hand(STEADY, "", 1.3, lambda _: 0.8, {}),
    Hand(HELPER, "helps out", 0.04, lambda _: 1.2, {}),
)


def fill(store: Store, today: datetime | None = None, seed: int = SEED) -> int:
    """Write the invented history into a demo's records; gives the number of cakes.

    Raises
    ------
    RecordError
        The records have real cakes in them.
    """
    if any(not c.invented for c in store.checks(limit=100_000)):
        raise RecordError(
            "These records have real cakes in them: the demo's history goes only into records of its own."
        )
    end = today or datetime.now(UTC)
    house.begin(store)
    for hand in HANDS:
        store.add_decorator(hand.pseudonym, hand.role, invented=True)
    _tighten(store, end)
    ids = store.save_many(_judged(store, history(end, np.random.default_rng(seed))))
    _afterwards(store, ids)
    return len(ids)


def _tighten(store: Store, end: datetime) -> None:
    """A second version of the cream cake's standard, so that the history has one."""
    day = end - timedelta(days=DAYS - TIGHTER_DAY)
    standard = house.in_force(store, CREAM, end - timedelta(days=DAYS)).standard
    lines = dict(standard.lines)
    lines["side_straightness"] = lines["side_straightness"].model_copy(update={"at_most": 2.0})
    tighter = new_version(standard.model_copy(update={"lines": lines}), day.date())
    store.add_standard(CREAM, tighter.to_toml(), day, "invented: straighter sides", invented=True)


def _judged(store: Store, checks: Iterator[NewCheck]) -> list[NewCheck]:
    kept = {kind: house.versions(store, kind) for kind in (CREAM, BUTTERCREAM)}
    rng = np.random.default_rng(SEED + 1)
    out = []
    for check in checks:
        assert check.time is not None
        version = [v for v in kept[check.kind] if v.valid_from <= check.time][-1]
        judgement = judge(check.result, version.standard, check.order)
        decision, reason = decide(judgement, rng)
        made = {**check.__dict__, "judgement": judgement, "standard_id": version.id}
        out.append(
            NewCheck(**{**made, "decision": decision, "decision_reason": reason, "decision_by": "chef (invented)"})
        )
    return out


def decide(judgement: Judgement, rng: np.random.Generator) -> tuple[str, str]:
    """What the invented chef did with a cake."""
    worst = next((x.label.lower() for x in judgement.lines if x.must and x.verdict is Verdict.OUTSIDE), "")
    if not worst:
        return "passed", ""
    choice = rng.choice(["sent back", "downgraded", "passed", "discarded"], p=[0.55, 0.2, 0.2, 0.05])
    return str(choice), f"{worst} (invented)"


def history(end: datetime, rng: np.random.Generator) -> Iterator[NewCheck]:
    """The invented cakes, day by day, not yet judged.

    Parameters
    ----------
    end : datetime
        The history ends on the day before.
    """
    made = {hand.pseudonym: 0 for hand in HANDS}
    start = end.replace(hour=8, minute=0, second=0, microsecond=0) - timedelta(days=DAYS)
    for day in range(DAYS):
        when = start + timedelta(days=day)
        if when.weekday() == 6:  # closed on Sundays
            continue
        rush = when.weekday() == 4 and rng.random() < 0.6
        warm = 20.5 + 3.0 * math.sin(2 * math.pi * day / DAYS) + rng.normal(0, 0.8)
        about = Circumstances(round(warm, 1), rush, RECIPE if day >= RECIPE_DAY else "", "invented")
        for hand in HANDS:
            for _ in range(rng.poisson(hand.cakes_a_day)):
                kind = CREAM if rng.random() < 0.7 else BUTTERCREAM
                at = when + timedelta(minutes=int(rng.integers(0, 540)))
                result = cake(hand, kind, made[hand.pseudonym], day, about, rng)
                made[hand.pseudonym] += 1
                changed = about if kind == CREAM else Circumstances(about.kitchen_temperature_c, rush, "", "invented")
                yield NewCheck(hand.pseudonym, kind, result, circumstances=changed, time=at, invented=True)


def cake(hand: Hand, kind: str, made: int, day: int, about: Circumstances, rng: np.random.Generator) -> CheckResult:
    """One invented cake."""
    factor = hand.clumsy(made) * (1.25 if about.rush else 1.0)
    late = max(0.0, (day - DAYS / 2) / (DAYS / 2))
    soft = 1.0 if kind == CREAM and about.recipe_change else 0.0  # the new recipe stands softer
    rows = []
    for name, skill in SKILLS.items():
        value = _value(name, skill, factor, NOMINAL[kind].get(name, 0.0), rng)
        value += late * hand.drift.get(name, 0.0)
        value += soft * {"height": -1.3, "edge_radius": 0.9, "taper": -0.5}.get(name, 0.0)
        uncertainty = skill.uncertainty * float(rng.uniform(0.8, 1.3))
        if rng.random() < 0.01 and skill.uncertainty:  # a photo against the light
            uncertainty *= 6
        value = max(value, 0.0) if QUANTITIES[name].magnitude else value
        photos = ("top",) if name in _TOP else ("side", "side2")
        rows.append(
            Measurement(name, round(value, 3), round(uncertainty, 3), QUANTITIES[name].unit, photos, "invented")
        )
    return CheckResult(tuple(rows), warnings=("Invented for the demo: no photo was taken of this cake.",))


_TOP = (
    "diameter",
    "out_of_round",
    "board_offset",
    "spacing_error",
    "decoration_size_cv",
    "ring_radius",
    "decoration_count",
)


def _value(name: str, skill: Skill, factor: float, nominal: float, rng: np.random.Generator) -> float:
    if name == "decoration_count":
        return nominal - float(rng.random() < 0.01 * factor**2)
    if name in TWO_WAYS:
        return float(np.hypot(*rng.normal(0, skill.spread * factor, 2)))
    return nominal + float(rng.normal(skill.offset * factor, skill.spread * factor))


def _afterwards(store: Store, ids: list[int]) -> None:
    """A few comments, a cake left out, one corrected entry."""
    store.add_comment(ids[40], "The bag was refilled half way (invented).", APPRENTICE, "seen")
    store.add_comment(ids[75], "Dropped on the way to the photo (invented).", STEADY, "left out")
    store.correct(
        ids[90], "notes", "invented; the board was the wrong size", "noted later (invented)", "chef (invented)"
    )
