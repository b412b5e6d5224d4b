"""One cake's record: result, decisions, comments, corrections, and what another version of the standard says."""

from datetime import datetime

import numpy as np
import streamlit as st
from numpy.typing import NDArray

from app.look import lines_table, plain, unmarked
from app.measuring import measured_again
from app.result_view import show_result
from app.shop import store
from qc import house
from qc.checking import settings_for
from qc.drawing import draw
from qc.drawings import drawings
from qc.kept_drawings import keep_drawings_later, kept_drawings
from qc.photo import read_photo
from qc.record_types import DECISIONS, LEFT_OUT, SEEN, TAKEN_IN, CheckRecord
from qc.report import check_report
from qc.verdict import judge

EFFECTS = {
    "": "just a remark",
    SEEN: "I have seen the result: it may count",
    LEFT_OUT: "leave this cake out of the trends",
    TAKEN_IN: "count this cake in the trends again",
}


def show_record(number: int) -> None:
    """Everything that is known of one cake. Raises RecordError when there is no such cake."""
    record = store().check(number)
    st.title(f"Cake {number}")
    _head(record)
    if record.judgement is not None:
        explaining = (lambda: kept_drawings(store(), record.id)) if record.photos else None
        show_result(record.result, record.judgement.judgement, lambda: _pictures(record), explaining)
    else:
        st.info("This cake was measured but not judged.")
    _report(record)
    _decisions(record)
    _comments(record)
    _other_versions(record)
    _measure_again(record)
    _corrections(record)


def _head(record: CheckRecord) -> None:
    invented = " · invented for the demo" if record.invented else ""
    plain(f"{record.decorator} · {_when(record.time)}{invented}")
    about = record.circumstances
    notes = [
        "" if about.kitchen_temperature_c is None else f"kitchen {about.kitchen_temperature_c:g} °C",
        "made in a rush" if about.rush else "",
        f"recipe: {about.recipe_change}" if about.recipe_change else "",
        about.notes,
    ]
    if any(notes):
        plain(" · ".join(n for n in notes if n))
    counts = "counts in trends" if record.counts else "does not count in trends (yet)"
    st.caption(f"This cake {counts}. Its decorator can comment before it counts.")


def _pictures(record: CheckRecord) -> dict[str, NDArray[np.uint8]]:
    return {name: _drawn(record.id, len(record.takes), name) for name in record.photos}


@st.cache_data(max_entries=30, show_spinner="Fetching the photo ...")
def _drawn(number: int, take: int, name: str) -> NDArray[np.uint8]:
    """A stored photo with its latest measurement; `take` makes a re-measurement another picture."""
    record = store().check(number)
    return draw(read_photo(record.photos[name].path, name), record.result, name, close=True)


def _report(record: CheckRecord) -> None:
    if st.button("Make a page to print", icon=":material/print:", width="stretch"):
        data = check_report(store(), record.id)
        st.download_button(
            "Save the page (PDF)", data, f"cake-{record.id}.pdf", "application/pdf", width="stretch", type="primary"
        )


def _decisions(record: CheckRecord) -> None:
    st.subheader("Decisions")
    if not record.decisions:
        st.caption("None yet.")
    for entry in record.decisions:
        plain(f"{_when(entry.time)} · {entry.decision}{f' · {entry.reason}' if entry.reason else ''}")
    with st.form("add_decision", clear_on_submit=True):
        decision = st.selectbox("Add a decision", DECISIONS, index=None, placeholder="Choose")
        reason = st.text_input("Reason (if you want)", max_chars=300)
        if st.form_submit_button("Add this decision", width="stretch") and decision:
            store().add_decision(record.id, decision, reason)
            st.rerun()


def _comments(record: CheckRecord) -> None:
    st.subheader("Comments")
    if not record.comments:
        st.caption("None yet. The decorator sees a result first and can say what the photo cannot show.")
    for entry in record.comments:
        effect = f" ({EFFECTS.get(entry.effect, entry.effect)})" if entry.effect else ""
        plain(f"{_when(entry.time)} · {entry.author or record.decorator}: {entry.text}{effect}")
    with st.form("add_comment", clear_on_submit=True):
        text = st.text_area("Comment", max_chars=2000, height=90)
        effect = st.selectbox("And the trends?", list(EFFECTS), format_func=lambda e: EFFECTS[e])
        if st.form_submit_button("Add this comment", width="stretch") and (text.strip() or effect):
            store().add_comment(record.id, text, record.decorator, effect or "")
            st.rerun()


def _other_versions(record: CheckRecord) -> None:
    """What another version of the standard says; the record stays as it is unless that is kept beside it."""
    found = house.versions(store(), record.kind)
    if not found:
        return
    with st.expander("Judge it by another version of the standard"):
        labels = {kept.id: f"version {kept.standard.version}, from {_when(kept.valid_from)}" for kept in found}
        chosen = st.selectbox(
            "Version", list(labels), format_func=lambda i: labels[i], index=None, placeholder="Choose"
        )
        if chosen is None:
            return
        kept = next(k for k in found if k.id == chosen)
        judgement = house.judge_again(record, kept)
        st.markdown(f"**{judgement.verdict.symbol} {judgement.verdict.value}**, {unmarked(judgement.points_words())}")
        lines_table(judgement)
        st.caption("The record is not touched. You can keep this judgement beside the first one.")
        if st.button("Keep this judgement too", width="stretch"):
            store().add_judgement(record.id, judgement, kept.id)
            st.rerun()


def _measure_again(record: CheckRecord) -> None:
    """A later measurement beside the first one, such as after the program got better."""
    if not record.photos:
        return
    with st.expander("Measure the photos again"):
        for take in record.takes[1:]:
            plain(f"{_when(take.time)} · measured again ({take.reason or 'no reason given'})")
        st.caption("The first measurement stays. Trends use the latest one.")
        reason = st.text_input("Why", max_chars=300, key="again_reason")
        if st.button("Measure again", width="stretch"):
            kept = house.in_force(store(), record.kind, record.time)
            with st.spinner("Measuring ..."):
                photos = {name: read_photo(kept_photo.path, name) for name, kept_photo in record.photos.items()}
                scale = house.card_scale(store())
                result, stages = measured_again(photos, settings_for(kept.standard, record.order, scale))
            judgement = judge(result, kept.standard, record.order)
            store().add_remeasurement(record.id, result, reason, judgement, kept.id)
            keep_drawings_later(store(), record.id, lambda: drawings(stages))
            st.rerun()


def _corrections(record: CheckRecord) -> None:
    with st.expander("Correct an entry"):
        for entry in record.corrections:
            plain(f"{_when(entry.time)} · {entry.field}: {entry.earlier} → {entry.now} ({entry.reason})")
        names = [d.pseudonym for d in store().decorators()]
        with st.form("correct", clear_on_submit=True):
            st.caption("The earlier entry stays in the list.")
            now = st.selectbox("Made by", names, index=names.index(record.decorator))
            reason = st.text_input("Why", max_chars=300)
            if st.form_submit_button("Correct the decorator", width="stretch") and now != record.decorator:
                store().correct(record.id, "decorator", now, reason)
                st.rerun()


def _when(time: datetime) -> str:
    return time.astimezone().strftime("%d %b %Y, %H:%M")
