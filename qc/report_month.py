"""The printed page of a month: of one decorator, or of the whole bench."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from qc import house
from qc.consistency import consistency
from qc.errors import RecordError, StandardError
from qc.learning import learning_report
from qc.limits import Limit, unit_words
from qc.quantities import QUANTITIES
from qc.record_types import CheckSummary
from qc.records import Store
from qc.report_page import GREY, MARGIN_MM, Page, trend_picture
from qc.series import Series
from qc.trends import Period, Trend, trend

_CHARTS, _CHART_MM, _CHART_ROW_MM = 6, 24.0, 33.0
_MOST_CAKES = 100_000
_SEED = 0  # the learning band's resampling; the same page comes out the same


@dataclass(frozen=True)
class _Month:
    start: datetime
    end: datetime


def month_report(store: Store, year: int, month: int, decorator: str | None = None) -> bytes:
    """One A4 page (PDF) for a month, about the kind of cake that was made most.

    Raises
    ------
    RecordError
        The month does not exist, or no cake was checked in it.
    """
    when = _month(year, month)
    made = store.checks(decorator, since=when.start, until=when.end, limit=_MOST_CAKES)
    who = decorator or "the whole bench"
    if not made:
        raise RecordError(f"No cake of {who} was checked in {when.start:%B %Y}: choose another month.")
    page = Page(any(c.invented for c in made))
    page.say(who[:1].upper() + who[1:], 17, True)
    page.say(f"{when.start:%B %Y}  ·  {_counted(len(made), 'cake')}", 10, colour=GREY)
    page.ln(1)
    _counts(page, store, made)
    kind = Counter(c.kind for c in made).most_common(1)[0][0]
    page.ln(2)
    page.say(_kind_name(store, kind), 12, True)
    limits = _limits(store, kind)
    series = store.all_series(kind, decorator, until=when.end)
    trends = _chosen(store, kind, decorator, series, limits, when)
    _charts(page, trends, limits)
    _sentences(page, trends, when)
    if decorator is None:
        _bench(page, store, kind, trends, when)
    else:
        _learning(page, series, limits)
    return page.finish()


def _month(year: int, month: int) -> _Month:
    try:
        start = datetime(year, month, 1, tzinfo=UTC)
        return _Month(start, datetime(year + month // 12, month % 12 + 1, 1, tzinfo=UTC))
    except ValueError as error:
        raise RecordError(f"There is no month {month} of {year}: write it like 2026-10.") from error


def _counted(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _kind_name(store: Store, kind: str) -> str:
    try:
        return house.in_force(store, kind).standard.name
    except StandardError:
        return kind


def _limits(store: Store, kind: str) -> dict[str, Limit]:
    try:
        standard = house.in_force(store, kind).standard
    except StandardError:
        return {}
    found = {name: standard.limit(name) for name in standard.lines}
    return {name: limit for name, limit in found.items() if limit is not None}


def _counts(page: Page, store: Store, made: tuple[CheckSummary, ...]) -> None:
    for kind, n in Counter(c.kind for c in made).most_common():
        verdicts = Counter(c.verdict or "not judged" for c in made if c.kind == kind)
        decided = Counter(c.decision for c in made if c.kind == kind and c.decision)
        said = ", ".join(f"{count} {verdict}" for verdict, count in verdicts.most_common())
        chef = ", ".join(f"{count} {decision}" for decision, count in decided.most_common()) or "none yet"
        page.say(f"{_kind_name(store, kind)}: {_counted(n, 'cake')}; {said}. The chef's decisions: {chef}.", 8.5)


def _chosen(
    store: Store,
    kind: str,
    decorator: str | None,
    series: Mapping[str, Series],
    limits: Mapping[str, Limit],
    when: _Month,
) -> dict[str, Trend]:
    """Trends of the quantities that say most: signals of this month first, then the standard's own order."""
    kept = store.baseline(kind, decorator)
    period = None if kept is None else Period(_plain(kept.start), _plain(kept.end))
    names = [n for n in limits if n in series] or [n for n in series if n in QUANTITIES]
    found = {n: trend(series[n], limits.get(n), period) for n in names if limits.get(n) is None or n not in _COUNTS}
    first = sorted(found, key=lambda n: not _signals_in(found[n], when))
    return {n: found[n] for n in first[:_CHARTS]}


_COUNTS = tuple(q.name for q in QUANTITIES.values() if q.unit == "1" and q.decimals == 0)


def _plain(when: datetime) -> np.datetime64:
    return np.datetime64(when.astimezone(UTC).replace(tzinfo=None), "ms")


def _signals_in(found: Trend, when: _Month) -> list[str]:
    start = _plain(when.start)
    return [s.words for s in found.signals if found.series.time[s.at] >= start]


def _charts(page: Page, trends: Mapping[str, Trend], limits: Mapping[str, Limit]) -> None:
    top, width = page.get_y() + 5, (page.width_mm - 14) / 2
    for i, (name, found) in enumerate(trends.items()):
        x, y = MARGIN_MM + (i % 2) * (width + 10), top + (i // 2) * _CHART_ROW_MM
        unit = unit_words(name).strip()
        title = QUANTITIES[name].label + (f", {unit}" if unit else "")
        trend_picture(page, x, y, width, _CHART_MM, title, found, limits.get(name))
    page.set_y(top + ((len(trends) + 1) // 2) * _CHART_ROW_MM - 7)
    page.say(
        "Each point is a cake, in order. Thin dashes: what chance alone does; long orange dashes: the house limit; "
        "ringed: stands out.",
        6.5,
        colour=GREY,
    )
    page.ln(1)


def _sentences(page: Page, trends: Mapping[str, Trend], when: _Month) -> None:
    page.say("What stood out this month", 9.5, True)
    told = False
    for name, found in trends.items():
        for words in dict.fromkeys(_signals_in(found, when)):
            told = _bullet(page, f"{QUANTITIES[name].label}: {words}.") or told
        if not found.enough:
            told = _bullet(page, found.sentences[0]) or told
    if not told:
        _bullet(page, "Nothing: the differences between these cakes are what chance does.")


def _learning(page: Page, series: Mapping[str, Series], limits: Mapping[str, Limit]) -> None:
    page.say("Learning", 9.5, True)
    for sentence in learning_report(series, limits, np.random.default_rng(_SEED)).sentences:
        _bullet(page, sentence)


def _bench(page: Page, store: Store, kind: str, trends: Mapping[str, Trend], when: _Month) -> None:
    page.say("Across the bench (by the alphabet, never ranked)", 9.5, True)
    for name in list(trends)[:4]:
        for sentence in consistency(store.series(kind, name, until=when.end)).sentences[:2]:
            _bullet(page, sentence)


def _bullet(page: Page, text: str) -> bool:
    """A sentence, while there is room on the page; the records have the rest."""
    if page.get_y() > page.h - 34:
        return False
    page.say(f"• {text}", 8)
    return True
