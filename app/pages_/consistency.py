"""Consistency: one kind of cake and quantity across the bench, side by side; nobody is ranked."""

from html import escape

import streamlit as st

from app.charts import consistency_chart
from app.choose import kind_of_cake
from app.look import plain
from app.shop import store
from qc.consistency import Consistency, consistency
from qc.limits import figure, limit_words
from qc.quantities import QUANTITIES


def run() -> None:
    """Choose kind and quantity; the picture, the sentences, the figures."""
    st.title("Consistency")
    st.caption("How alike the bench's cakes are. Decorators stand by the alphabet; this is no ranking of people.")
    left, right = st.columns(2)
    with left:
        standard = kind_of_cake().standard
    lines = [n for n in standard.lines if standard.lines[n].count is None]
    name = right.selectbox("What", lines, format_func=lambda n: QUANTITIES[n].label)
    found = _compared(standard.code, name, store().count(kind=standard.code))
    for sentence in found.sentences:
        plain(f"• {sentence}")
    if len(found.decorators) < 2:
        return
    st.altair_chart(consistency_chart(found, standard.limit(name)), width="stretch")
    limit = standard.limit(name)
    house_words = "" if limit is None else f" Pale area or orange line: the house limit ({limit_words(name, limit)})."
    st.caption(f"Small lines: single cakes. Dot: the average. Bar: two cakes in three lie within it.{house_words}")
    _figures(found)


@st.cache_data(max_entries=32, ttl=600, show_spinner="Comparing ...")
def _compared(kind: str, name: str, cakes: int) -> Consistency:
    """Kept until another cake is saved, or ten minutes."""
    return consistency(store().series(kind, name))


def _figures(found: Consistency) -> None:
    with st.expander("The figures"):
        digits = QUANTITIES[found.quantity].decimals
        rows = [
            f'<div class="qc-rule"><span class="name">{escape(d.pseudonym)}, {d.n} cakes</span>'
            f'<span class="lim">average {figure(found.quantity, d.mean)} '
            f"({d.mean_low:.{digits}f} to {d.mean_high:.{digits}f})</span>"
            f'<span class="lim">spread {figure(found.quantity, d.sd)} '
            f"({d.sd_low:.{digits}f} to {d.sd_high:.{digits}f})</span></div>"
            for d in found.decorators
        ]
        st.html("".join(rows))
        st.caption(
            "Spread: how far single cakes usually lie from the average. In brackets: where the figure lies with 95 % "
            "certainty; a difference inside the brackets is too close to call."
        )


run()
