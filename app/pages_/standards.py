"""House standards: what is in force, changing it, limits from accepted cakes or from a layer plan, a new kind."""

from html import escape

import streamlit as st

from app import standard_edit
from app.choose import kind_of_cake
from app.look import plain, screen_colour
from app.shop import store
from app.standard_source import from_cakes, from_layers, from_text
from qc import house
from qc.errors import StandardError
from qc.house import KeptStandard
from qc.limits import limit_words
from qc.quantities import QUANTITIES
from qc.standard import HouseStandard

VIEWS = {
    "view": "See it",
    "change": "Change a line",
    "cakes": "Take limits from accepted cakes",
    "layers": "Work out the height from the layers",
    "text": "Add a new kind, or edit as text",
}


def run() -> None:
    """Choose a kind of cake, then what to do with its standard."""
    st.title("House standards")
    kept = kind_of_cake()
    view = st.pills(
        "What would you like to do?", list(VIEWS), default="view", required=True, format_func=lambda v: VIEWS[v]
    )
    try:
        {
            "view": _view,
            "change": lambda k: standard_edit.edit(k),
            "cakes": from_cakes,
            "layers": from_layers,
            "text": from_text,
        }[view](kept)
    except StandardError as error:
        st.error(str(error), icon=":material/rule:")


def _view(kept: KeptStandard) -> None:
    standard = kept.standard
    if standard.starting_values:
        st.warning(
            "Starting values: the sizes are common practice, every tolerance is invented for a start. "
            "Measure ten cakes that you accept, then take your own limits from them.",
            icon=":material/flag:",
        )
    since = "" if standard.date is None else f", {standard.date:%d %b %Y}"
    plain(f"Version {standard.version}{since}{f' ({kept.note})' if kept.note else ''}")
    st.caption(
        "Lines that must hold decide the verdict; coaching lines are shown and advised on. A line of weight 2 counts "
        "twice in the points."
    )
    show_lines(standard)
    _head(standard)
    earlier = house.versions(store(), standard.code)[:-1]
    if earlier:
        with st.expander(f"Earlier versions ({len(earlier)})"):
            for old in reversed(earlier):
                plain(f"Version {old.standard.version}: {old.note or 'no note'}")
                show_lines(old.standard)


def show_lines(standard: HouseStandard) -> None:
    """The lines, one below the other."""
    rows = []
    for name, line in standard.lines.items():
        limit = standard.limit(name)
        words = "given per order" if limit is None else limit_words(name, limit)
        note = f" {line.note}" if line.note else ""
        rows.append(
            f'<div class="qc-rule"><span class="name">{escape(QUANTITIES[name].label)}</span>'
            f'<span class="lim">{escape(words)}</span>'
            f'<span class="note">{"must hold" if line.must else "coaching"}, weight {line.weight:g}'
            f"{escape('.' + note if note else '')}</span></div>"
        )
    st.html("".join(rows))


def _head(standard: HouseStandard) -> None:
    pairs = {
        "Pan or ring": "" if standard.pan_mm is None else f"{standard.pan_mm:g} mm (the finished diameter is a line)",
        "Icing": standard.icing,
        "Board": standard.board,
        "Nozzle": standard.nozzle,
        "Decoration": standard.decoration,
        "Allergens": standard.allergens,
        "Holding": standard.holding,
        "Notes": standard.notes,
    }
    for title, words in pairs.items():
        if words:
            plain(f"{title}: {words}")
    if standard.house_colour is not None:
        st.html(
            f'House colour: <span class="qc-swatch" style="background:{screen_colour(standard.house_colour)}"></span>'
        )


run()
