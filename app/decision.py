"""The chef's own decision, and saving a check."""

from datetime import UTC, datetime

import streamlit as st

from app.address import CheckAddress
from app.look import unmarked
from app.measuring import keep_pictures, learn_cameras
from app.shop import store
from qc.house import KeptStandard
from qc.quantities import CheckResult
from qc.record_types import DECISIONS, Circumstances, NewCheck
from qc.verdict import Judgement

LATER = "decide later"
SYMBOLS = {"passed": "✓", "sent back": "↩", "downgraded": "▽", "discarded": "✗", LATER: "…"}


def decide_and_save(
    address: CheckAddress,
    kept: KeptStandard,
    order: dict[str, float],
    hashes: dict[str, str],
    result: CheckResult,
    judgement: Judgement,
) -> None:
    """The form under a result. Saving twice keeps one record: the check is named by its address."""
    st.subheader("Your decision")
    st.caption("You decide about the cake, not the program. Your decision is kept beside its verdict.")
    with st.form("decision"):
        choices = [LATER, *DECISIONS]
        decision = st.radio(
            "Decision", choices, format_func=lambda d: f"{SYMBOLS[d]} {d.capitalize()}", label_visibility="collapsed"
        )
        reason = st.text_input("Reason (if you want)", max_chars=300)
        with st.expander("Notes about the day"):
            about = _circumstances()
        saved = st.form_submit_button("Save this check", type="primary", width="stretch", icon=":material/save:")
    if not saved:
        return
    if address.decorator is None:
        st.error("Choose a decorator at the top of the page, then save.", icon=":material/person:")
        return
    photos = {name: store().photos.received(sha256) for name, sha256 in hashes.items()}
    first = None if address.since is None else datetime.fromtimestamp(address.since, UTC)
    new = NewCheck(
        decorator=address.decorator,
        kind=kept.standard.code,
        result=result,
        photos=photos,
        judgement=judgement,
        standard_id=kept.id,
        order=order,
        circumstances=about,
        first_photo_time=first,
        token=address.cake,
        decision=None if decision == LATER else decision,
        decision_reason=reason,
    )
    number = store().save_check(new)
    last = store().check(number).decision
    if new.decision is not None and (last is None or (last.decision, last.reason) != (new.decision, reason)):
        store().add_decision(number, new.decision, reason)  # saved before, decided or decided anew now
    st.success(f"Saved as cake {number} of {unmarked(address.decorator)}.", icon=":material/check:")
    keep_pictures(number, hashes, kept.standard, order)
    learn_cameras(hashes)


def _circumstances() -> Circumstances:
    temperature = st.number_input("Kitchen temperature, °C", -10.0, 60.0, None, 0.5, placeholder="not noted")
    rush = st.checkbox("Made in a rush")
    change = st.text_input("Recipe change", max_chars=200)
    notes = st.text_area("Notes", max_chars=2000, height=80)
    return Circumstances(temperature, rush or None, change.strip(), notes.strip())
