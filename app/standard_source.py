"""Where a house standard's limits can come from: accepted cakes, a layer plan, a text."""

from datetime import date
from html import escape

import streamlit as st

from app.look import plain
from app.shop import store
from app.standard_edit import differences, publish
from qc.errors import StandardError
from qc.house import KeptStandard
from qc.limits import Limit, figure, limit_words
from qc.living import FEWEST_CAKES, Proposal, adopt, height_from_layers, limits_from_cakes
from qc.quantities import QUANTITIES
from qc.standard import LayerPlan, load_standard

MOST_CAKES = 50


def from_cakes(kept: KeptStandard) -> None:
    """Limits from the latest cakes that the chef passed; shown before they are adopted."""
    found = store().accepted(kept.standard.code, MOST_CAKES)
    st.caption(
        "Each limit becomes the average of the cakes that you passed, give or take a multiple of their spread, so that "
        "it holds 95 of 100 cakes made like these, with 90 % confidence. A few cakes need a wider multiple than many."
    )
    if len(found) < FEWEST_CAKES:
        st.info(f"{len(found)} cakes of this kind are marked as passed so far; {FEWEST_CAKES} are needed.")
        return
    count = st.slider(
        "How many of the latest passed cakes", FEWEST_CAKES, max(len(found), FEWEST_CAKES + 1), FEWEST_CAKES
    )
    results = [store().check(number).result for number in found[:count]]
    proposals = limits_from_cakes(results, kept.standard)
    names = [p.name for p in proposals if p.new is not None]
    _show(proposals)
    chosen = st.multiselect("Take these lines", names, names, format_func=lambda n: QUANTITIES[n].label)
    note = f"limits from {len(results)} accepted cakes"
    if st.button("Put these limits in force", type="primary", width="stretch", disabled=not chosen):
        publish(adopt(kept.standard, [p for p in proposals if p.name in chosen], date.today()), note)


def _show(proposals: tuple[Proposal, ...]) -> None:
    rows = []
    for p in proposals:
        change = "stays" if p.new is None else f"{_words(p.name, p.old)} → {_words(p.name, p.new)}"
        caution = f" Caution: {p.caution}." if p.caution else ""
        rows.append(
            f'<div class="qc-rule"><span class="name">{escape(QUANTITIES[p.name].label)}</span>'
            f'<span class="lim">{escape(change)}</span>'
            f'<span class="note">{escape(_from_words(p) + caution)}</span></div>'
        )
    st.html("".join(rows))


def _from_words(p: Proposal) -> str:
    """Where one limit comes from, short: the multiple is explained once above."""
    if p.mean is None or p.spread is None or p.factor is None:
        return f"{p.explanation}."
    made = f"Average {figure(p.name, p.mean)}, spread {figure(p.name, p.spread)}"
    return f"{made}; the limit lies {p.factor:.1f} spreads out."


def _words(name: str, limit: Limit | None) -> str:
    return "given per order" if limit is None else limit_words(name, limit)


def from_layers(kept: KeptStandard) -> None:
    """The height from the layers, one figure per layer."""
    plan = kept.standard.layers or LayerPlan(sponge_mm=(15.0, 15.0, 15.0), filling_mm=(6.0, 6.0), coat_mm=8.0)
    with st.form("layers"):
        sponges = st.text_input("Sponges, mm, from the bottom up", _list_words(plan.sponge_mm))
        fillings = st.text_input("Fillings, mm", _list_words(plan.filling_mm))
        coat = st.number_input("Coat on the top, mm", 0.0, 100.0, float(plan.coat_mm), 0.5, format="%g")
        a, b, c = st.columns(3)
        sponge_tolerance = a.number_input("One sponge ±, mm", 0.1, 20.0, plan.sponge_tolerance_mm, 0.5, format="%g")
        filling_tolerance = b.number_input("One filling ±, mm", 0.1, 20.0, plan.filling_tolerance_mm, 0.5, format="%g")
        coat_tolerance = c.number_input("Coat ±, mm", 0.1, 20.0, plan.coat_tolerance_mm, 0.5, format="%g")
        st.form_submit_button("Work out the height", width="stretch")
    planned = _plan(sponges, fillings, coat, (sponge_tolerance, filling_tolerance, coat_tolerance))
    proposal = height_from_layers(kept.standard, planned)
    assert proposal.new is not None
    plain(f"Height: {_words('height', proposal.new)} (now {_words('height', proposal.old)})")
    plain(proposal.explanation)
    if st.button("Put this height in force", type="primary", width="stretch"):
        publish(adopt(kept.standard, [proposal], date.today(), planned), "height from the layers")


def _plan(sponges: str, fillings: str, coat: float, tolerances: tuple[float, float, float]) -> LayerPlan:
    try:
        return LayerPlan(
            sponge_mm=_numbers(sponges),
            filling_mm=_numbers(fillings),
            coat_mm=coat,
            sponge_tolerance_mm=tolerances[0],
            filling_tolerance_mm=tolerances[1],
            coat_tolerance_mm=tolerances[2],
        )
    except ValueError as error:  # a validation error is one
        raise StandardError(
            "The layers cannot be read; write each layer's thickness between 0 and 300 mm, like 15, 15, 15."
        ) from error


def _numbers(text: str) -> tuple[float, ...]:
    return tuple(float(part) for part in text.replace(";", " ").replace(",", " ").split())


def _list_words(values: tuple[float, ...]) -> str:
    return ", ".join(f"{v:g}" for v in values)


def from_text(kept: KeptStandard) -> None:
    """The standard as text: to save, to change, or with another code as a new kind of cake."""
    st.caption("Another code makes a new kind of cake. What is wrong is said with the line and an example.")
    text = st.text_area("Standard", kept.standard.to_toml(), height=420, key=f"text_{kept.standard.code}_{kept.id}")
    st.download_button("Save as a file", text, f"{kept.standard.code}.toml", "application/toml", width="stretch")
    note = st.text_input("Why (kept with the version)", max_chars=300)
    if st.button("Check it and put it in force", type="primary", width="stretch"):
        standard = load_standard(text)
        if standard.code == kept.standard.code and not differences(kept.standard, standard):
            st.info("This is the same as what is in force.")
            return
        publish(standard, note)
