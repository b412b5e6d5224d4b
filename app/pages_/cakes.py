"""Cakes so far: the list, and each cake's record with decisions, comments, and other versions' judgements."""

import streamlit as st

from app.cake_record import show_record
from app.look import chip, unmarked
from app.shop import store
from qc import house
from qc.record_types import CheckSummary

A_PAGE = 12  # buttons that fit a phone's two screens
ALL = ""


def run() -> None:
    """The list, or the one cake that the address names."""
    number = st.query_params.get("cake_number", "")
    if number.isdigit():
        if st.button("Back to the list", icon=":material/arrow_back:"):
            del st.query_params["cake_number"]
            st.rerun()
        show_record(int(number))
        return
    st.title("Cakes so far")
    _list()


def _list() -> None:
    names = [d.pseudonym for d in store().decorators()]
    kinds = {kept.standard.code: kept.standard.name for kept in house.all_in_force(store())}
    left, right = st.columns(2)
    decorator = left.selectbox("Decorator", [ALL, *names], format_func=lambda n: n or "everybody")
    kind = right.selectbox("Kind of cake", [ALL, *kinds], format_func=lambda k: kinds.get(k, k) or "every kind")
    who, what = (None if decorator == ALL else decorator), (None if kind == ALL else kind)
    total = store().count(who, what)
    if total == 0:
        st.info("No cakes yet. Check a cake and save it; it then stands here.")
        return
    pages = -(-total // A_PAGE)
    page = 1
    if pages > 1:
        page = int(st.number_input(f"Page (1 is the latest, {pages} the oldest)", 1, pages, 1))
    st.caption(f"{total} cakes; tap one to open it.")
    for summary in store().checks(who, what, limit=A_PAGE, offset=(page - 1) * A_PAGE):
        label = _label(summary, kinds.get(summary.kind, summary.kind))
        if st.button(label, key=f"cake_{summary.id}", width="stretch"):
            st.query_params["cake_number"] = str(summary.id)
            st.rerun()


def _label(cake: CheckSummary, kind: str) -> str:
    when = cake.time.astimezone().strftime("%d %b %Y, %H:%M")
    points = "" if cake.points is None else f", {cake.points:.0f} points"
    decided = cake.decision or "no decision yet"
    marks = " · invented" if cake.invented else ""
    marks += f" · {cake.comments} {'comment' if cake.comments == 1 else 'comments'}" if cake.comments else ""
    head = f"**{unmarked(chip(cake.verdict))}{points}**"
    return f"{head}  \n{unmarked(f'{cake.id} · {cake.decorator} · {kind}')}  \n{unmarked(f'{when} · {decided}{marks}')}"


run()
