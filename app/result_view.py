"""A result as every page shows it: verdict, advice, photos with what was measured drawn in, all lines."""

from collections.abc import Callable
from html import escape

import numpy as np
import streamlit as st
from numpy.typing import NDArray

from app.look import COLOURS, banner, lines_table, unmarked
from app.photos import TITLES
from qc.advice import Advice, advise
from qc.drawings import Drawing
from qc.quantities import QUANTITIES, CheckResult, Measurement
from qc.verdict import Judgement, Verdict, value_words

Pictures = dict[str, NDArray[np.uint8]]


def show_result(
    result: CheckResult,
    judgement: Judgement,
    pictures: Callable[[], Pictures],
    explaining: Callable[[], tuple[Drawing, ...] | None] | None = None,
) -> None:
    """The whole result, the most useful first; the pictures are drawn when the verdict already stands."""
    banner(judgement)
    show_advice(advise(judgement, result))
    _show_warnings(result, judgement)
    show_pictures(pictures())
    if explaining is not None:
        _show_explaining(explaining)
    st.subheader("Every line of the standard")
    st.caption("Framed band: the limit. Mark: this cake. Thin line through it: how sure the photos are.")
    lines_table(judgement)
    _other_values(result, judgement)


def _show_warnings(result: CheckResult, judgement: Judgement) -> None:
    """What the measurement has to say, but for the reasons that stand beside their lines."""
    beside = [line.reason for line in judgement.lines if line.reason]
    told = [w for w in result.warnings if not any(w.rstrip(".").endswith(reason) for reason in beside)]
    if told:
        st.warning("\n".join(f"- {unmarked(words)}" for words in told))


def show_advice(advice: Advice) -> None:
    """What to try on the next cake, and what held."""
    notes = []
    for point in advice.tries:
        act = escape(point.act[:1].upper() + point.act[1:])
        told = escape(point.sentence.split(" Next cake:")[0])
        notes.append(_note(Verdict.OUTSIDE, "➜", f"<b>Next cake: {act}.</b>{told}"))
    if advice.held is not None:
        notes.append(_note(Verdict.WITHIN, "✓", f"<b>This held</b>{escape(advice.held.sentence)}"))
    if not notes:
        notes.append(_note(Verdict.NOT_MEASURED, "–", "<b>No advice</b>Nothing could be held against a limit."))
    st.html("".join(notes))


def _note(verdict: Verdict, symbol: str, body: str) -> str:
    colour = COLOURS[verdict]
    return (
        f'<div class="qc-note" style="border-left:6px solid {colour};display:flex;gap:.8rem">'
        f'<span style="color:{colour};font-size:1.4rem;font-weight:700;line-height:1.2">{symbol}</span>'
        f"<div>{body}</div></div>"
    )


def show_pictures(pictures: Pictures) -> None:
    """The photos with what was measured drawn in."""
    if not pictures:
        return
    for column, (name, pixels) in zip(st.columns(len(pictures)), pictures.items(), strict=True):
        column.image(pixels, caption=TITLES.get(name, name), width="stretch")


def _show_explaining(explaining: Callable[[], tuple[Drawing, ...] | None]) -> None:
    """Pattern, side lines and surface, folded away and drawn or fetched only when somebody looks."""
    fold = st.expander("See how it was measured", icon=":material/draw:", on_change="rerun", key="explaining")
    if not fold.open:
        return
    with fold:
        found = explaining()
        if not found:
            st.caption("No such pictures are kept with this cake. Measuring its photos again makes them.")
            return
        for words in dict.fromkeys(drawing.words for drawing in found):  # pictures that are read alike stand together
            alike = [drawing for drawing in found if drawing.words == words]
            st.caption(words)
            columns = st.columns(min(2, len(alike)))
            for number, drawing in enumerate(alike):
                columns[number % 2].image(drawing.pixels, width="stretch", caption=drawing.title)


def _other_values(result: CheckResult, judgement: Judgement) -> None:
    """What was measured beyond the standard's lines."""
    known = {line.name for line in judgement.lines}
    rows = [m for m in result.measurements if m.name not in known or m.clock is not None]
    if not rows:
        return
    with st.expander("Everything else that was measured"):
        st.html("".join(_other_row(m) for m in rows))


def _other_row(m: Measurement) -> str:
    place = "" if m.clock is None else f" at {round(m.clock) or 12} o'clock"
    quantity = QUANTITIES[m.name]
    told = "; ".join(filter(None, (m.note, quantity.meaning if m.clock is None else "")))
    return (
        f'<div class="qc-rule"><span class="name">{escape(quantity.label + place)}</span>'
        f'<span class="lim">{escape(value_words(m))}</span><span class="note">{escape(told)}</span></div>'
    )
