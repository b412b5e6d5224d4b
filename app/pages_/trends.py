"""Trends of one decorator, or of the whole bench: charts, what they say in words, learning."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time

import numpy as np
import streamlit as st

from app.charts import days_chart, key_words, learning_chart, note_words, trend_chart
from app.choose import kind_of_cake
from app.look import plain
from app.shop import store
from qc.house import KeptStandard
from qc.learning import LearningReport, learning_report
from qc.limits import Limit
from qc.quantities import QUANTITIES
from qc.report_month import month_report
from qc.series import Series
from qc.trends import Period, TrendSettings, batch_trend, day_words, trend

BENCH = "the whole bench"


def run() -> None:
    """Choose whose cakes and which quantity; the chart and its sentences; the learning of one decorator."""
    st.title("Trends")
    names = [d.pseudonym for d in store().decorators()]
    left, right = st.columns(2)
    who = left.selectbox("Whose cakes", [*names, BENCH])
    with right:
        kept = kind_of_cake()
    kind = kept.standard.code
    decorator = None if who == BENCH else who
    there = store().measured_names(kind, decorator)
    limits = _limits(kept)
    shown = [name for name in limits if name in there] + [
        name for name in there if name in QUANTITIES and name not in limits and not QUANTITIES[name].clocked
    ]
    if not shown:
        st.info("No cakes of this kind yet. Check and save some; trends start at ten.")
        return
    name = st.selectbox("What", shown, format_func=lambda n: QUANTITIES[n].label)
    shown_too = _also()
    series = store().series(kind, name, decorator)
    _chart(series, limits.get(name), kind, decorator, shown_too)
    _days(series)
    if decorator is not None:
        _learning(
            kind, decorator, store().all_series(kind, decorator), {n: v for n, v in limits.items() if v is not None}
        )
    _month_page(decorator)
    st.caption("Trends are about cakes, for coaching, within one kind of cake. They never rank people.")


@dataclass(frozen=True)
class Also:
    """What else the chart is asked for."""

    drift: bool
    marks: bool
    nelson: bool


def _also() -> Also:
    columns = st.columns(3)
    return Also(
        columns[0].toggle("Slow drift", help="A running average of the latest cakes."),
        columns[1].toggle("Rush and warm kitchen", help="Marks cakes made in a rush or in a warm kitchen."),
        columns[2].toggle("More patterns", help="Also looks for steps, waves and too little change (Nelson 1984)."),
    )


def _limits(kept: KeptStandard) -> dict[str, Limit | None]:
    return {name: kept.standard.limit(name) for name in kept.standard.lines}


def _chart(series: Series, limit: Limit | None, kind: str, decorator: str | None, also: Also) -> None:
    rules = TrendSettings(rules="Nelson 1984" if also.nelson else "Western Electric 1956")
    found = trend(series, limit, _baseline(kind, decorator), rules)
    if not found.enough:
        st.info(found.sentences[0])
    st.altair_chart(trend_chart(found, limit, also.drift, also.marks), width="stretch")
    for words in note_words(found):
        plain(words)
    st.caption(key_words(series.quantity, limit, also.drift, also.marks))
    for sentence in found.sentences if found.enough else found.sentences[1:]:
        plain(f"• {sentence}")
    if found.signals:
        count = len(found.signals)
        with st.expander("The one thing that stands out" if count == 1 else f"All {count} things that stand out"):
            for signal in reversed(found.signals[-40:]):
                plain(f"{day_words(series.time[signal.at])}, cake {signal.check_id}: {signal.words}.")


def _baseline(kind: str, decorator: str | None) -> Period | None:
    """The period that the limits come from, which the chef can set."""
    kept = store().baseline(kind, decorator)
    with st.expander("Where the dashed limits come from"):
        if kept is None:
            st.caption("From the first twenty cakes. You can set another period: one in which the work was steady.")
        else:
            st.caption(f"From your period {kept.start:%d %b %Y} to {kept.end:%d %b %Y}.")
        days = st.date_input("Steady period", value=[], key=f"baseline_{kind}_{decorator}")
        if st.button("Take the limits from this period", width="stretch") and len(days) == 2:
            start, end = (datetime.combine(day, at, UTC) for day, at in zip(days, (time.min, time.max), strict=True))
            store().set_baseline(kind, decorator, start, end)
            st.rerun()
    if kept is None:
        return None
    return Period(*(np.datetime64(t.astimezone(UTC).replace(tzinfo=None), "ms") for t in (kept.start, kept.end)))


def _days(series: Series) -> None:
    fold = st.expander("Day by day", on_change="rerun")
    if not fold.open:
        return
    with fold:
        found = batch_trend(series)
        if found.chart is not None:
            st.altair_chart(days_chart(found, series.quantity), width="stretch")
            st.altair_chart(days_chart(found, series.quantity, spread=True), width="stretch")
            st.caption(
                "Dots: a day's average, and below it how far that day's cakes lay apart. Pale bars: what chance alone "
                "does. Orange diamonds: days that stand out."
            )
        plain(found.sentence)


def _month_page(decorator: str | None) -> None:
    """The month on one page, to print."""
    with st.expander("A month on one page, to print"):
        day = st.date_input("Any day of the month")
        if st.button("Make the page", icon=":material/print:", width="stretch") and isinstance(day, date):
            data = month_report(store(), day.year, day.month, decorator)
            st.download_button(
                "Save the page (PDF)",
                data,
                f"month-{day:%Y-%m}.pdf",
                "application/pdf",
                width="stretch",
                type="primary",
            )


def _learning(kind: str, decorator: str, series: dict[str, Series], limits: dict[str, Limit]) -> None:
    st.subheader("Learning")
    told = _learned(kind, decorator, store().count(decorator, kind), series, limits)
    for sentence in told.sentences:
        plain(f"• {sentence}")
    curves = [*told.gained, *told.lacking]
    for curve in {c.quantity: c for c in curves}.values():
        fold = st.expander(QUANTITIES[curve.quantity].label, on_change="rerun")
        if not fold.open:
            continue
        with fold:
            st.altair_chart(learning_chart(curve), width="stretch")
            plain(curve.words())


@st.cache_data(max_entries=64, ttl=600, show_spinner=False)
def _learned(
    kind: str, decorator: str, cakes: int, _series: dict[str, Series], _limits: dict[str, Limit]
) -> LearningReport:
    """Kept until another cake is saved, or ten minutes."""
    return learning_report(_series, _limits, np.random.default_rng(0))


run()
