"""The house's standards as they are kept in the records: which is in force, and what another would have said."""

from dataclasses import dataclass
from datetime import UTC, datetime

from qc.errors import RecordError, StandardError
from qc.record_types import CheckRecord, StandardVersion
from qc.records import Store
from qc.standard import HouseStandard, load_standard, starting_standards
from qc.verdict import Judgement, judge

LONG_LINE_MM, SHORT_LINE_MM = 200.0, 100.0  # the card's two lines that are measured after printing
FURTHEST_OFF = 0.2  # share; a printer that is off by more was not set to 100 %
CARD_LINES = "card_lines_mm"
ALWAYS = datetime(2000, 1, 1, tzinfo=UTC)  # the starting standards also hold for cakes that are entered later


@dataclass(frozen=True)
class KeptStandard:
    """One version of a standard with its number in the records."""

    standard: HouseStandard
    id: int
    valid_from: datetime
    note: str = ""


def begin(store: Store) -> None:
    """Give a new shop the starting standards, marked as such; kinds of cake that have a standard stay as they are."""
    there = {kept.kind for kept in store.standards()}
    for standard in starting_standards():
        if standard.code not in there:
            store.add_standard(standard.code, standard.to_toml(), ALWAYS, "starting values")


def in_force(store: Store, kind: str, when: datetime | None = None) -> KeptStandard:
    """The standard that a cake of this kind is judged by at a time (now when left out).

    Raises
    ------
    StandardError
        When there is none.
    """
    found = store.standard_in_force(kind, when)
    if found is None:
        raise StandardError(f'There is no house standard for "{kind}"; write one on the page of house standards.')
    return _kept(found)


def all_in_force(store: Store) -> tuple[KeptStandard, ...]:
    """Every kind of cake's standard that is in force now, by name."""
    kinds = sorted({kept.kind for kept in store.standards()})
    found = (store.standard_in_force(kind) for kind in kinds)
    return tuple(sorted((_kept(f) for f in found if f is not None), key=lambda kept: kept.standard.name.casefold()))


def versions(store: Store, kind: str) -> tuple[KeptStandard, ...]:
    """All versions of one kind of cake's standard, oldest first."""
    return tuple(_kept(found) for found in store.standards(kind))


def publish(store: Store, standard: HouseStandard, note: str = "") -> KeptStandard:
    """Keep a standard as its kind's next version, in force from now on; earlier versions stay.

    The same limits again add nothing.
    """
    earlier = versions(store, standard.code)
    if earlier and _same(earlier[-1].standard, standard):
        return earlier[-1]
    numbered = standard.model_copy(update={"version": len(earlier) + 1, "date": datetime.now(UTC).date()})
    return _kept(store.add_standard(numbered.code, numbered.to_toml(), note=note))


def judge_again(record: CheckRecord, kept: KeptStandard) -> Judgement:
    """What a version of the standard says of a cake's latest measurement; the record is not touched."""
    return judge(record.result, kept.standard, record.order)


def card_lines_mm(store: Store) -> tuple[float, float]:
    """The printed card's long and short line as the chef measured them, in mm."""
    kept = store.preference(CARD_LINES)
    if kept is None:
        return LONG_LINE_MM, SHORT_LINE_MM
    long_mm, short_mm = kept.split()
    return float(long_mm), float(short_mm)


def card_scale(store: Store) -> tuple[float, float]:
    """Printed over nominal length of the card, along its fold (the short line) and across it (the long line)."""
    long_mm, short_mm = card_lines_mm(store)
    return short_mm / SHORT_LINE_MM, long_mm / LONG_LINE_MM


def set_card_lines(store: Store, long_mm: float, short_mm: float) -> None:
    """Keep what a ruler says of the printed card.

    Raises
    ------
    RecordError
        A length that no print of the card has.
    """
    for measured, nominal in ((long_mm, LONG_LINE_MM), (short_mm, SHORT_LINE_MM)):
        if not abs(measured / nominal - 1) <= FURTHEST_OFF:
            raise RecordError(
                f"The card's {nominal:.0f} mm line cannot measure {measured:g} mm; "
                "print the card at 100 % and measure again."
            )
    store.set_preference(CARD_LINES, f"{long_mm:g} {short_mm:g}")


def _same(a: HouseStandard, b: HouseStandard) -> bool:
    bare = {"version": 1, "date": None}
    return a.model_copy(update=bare) == b.model_copy(update=bare)


def _kept(found: StandardVersion) -> KeptStandard:
    return KeptStandard(load_standard(found.text), found.id, found.valid_from, found.note)
