"""Changing a house standard line by line; nothing is in force until it is published as the next version."""

from typing import Any

import streamlit as st

from app.look import plain, unmarked
from app.shop import store
from qc import house
from qc.house import KeptStandard
from qc.limits import is_count, limit_words, unit_words
from qc.quantities import QUANTITIES
from qc.standard import HouseStandard, check_standard

KINDS = {
    "nominal": "a size with a tolerance",
    "at_most": "at most",
    "at_least": "at least",
    "range": "between two figures",
    "count": "an exact count",
    "per_order": "given per order",
}
DECIDES = {"must": "must hold: decides the verdict", "coach": "coaching: shown and advised on"}


def edit(kept: KeptStandard) -> None:
    """The form for one line at a time, the draft's differences, and publishing it."""
    draft = _draft(kept)
    names = [*draft.lines, *(n for n, q in QUANTITIES.items() if n not in draft.lines and not q.clocked)]
    name = st.selectbox(
        "Line",
        names,
        format_func=lambda n: QUANTITIES[n].label + ("" if n in draft.lines else " (not limited yet)"),
    )
    _line_form(draft, name)
    with st.expander("Name, pan, icing, allergens and other notes"):
        _head_form(draft)
    _publish(kept, draft)


def _key(kept_or_draft: KeptStandard | HouseStandard) -> str:
    code = kept_or_draft.code if isinstance(kept_or_draft, HouseStandard) else kept_or_draft.standard.code
    return f"draft_{code}"


def _draft(kept: KeptStandard) -> HouseStandard:
    found = st.session_state.get(_key(kept))
    return found if isinstance(found, HouseStandard) else kept.standard


def _keep(draft: HouseStandard, change: dict[str, Any]) -> None:
    """Check a changed draft and keep it. Raises StandardError and keeps the earlier one."""
    data = draft.model_dump(exclude_none=True) | change
    st.session_state[_key(draft)] = check_standard(data, draft.name)


def _line_form(draft: HouseStandard, name: str) -> None:
    quantity = QUANTITIES[name]
    now = draft.lines.get(name)
    kinds = [k for k in KINDS if _possible(k, name)]
    kind_now = now.kind if now is not None and now.kind in kinds else kinds[0]
    kind = st.selectbox(
        "Kind of limit", kinds, index=kinds.index(kind_now), format_func=lambda k: KINDS[k], key=f"kind_{name}"
    )
    with st.form(f"line_{draft.code}_{name}_{kind}"):
        st.caption(f"{quantity.label}: {quantity.meaning}.")
        figures = _figures(name, kind, now.model_dump() if now is not None else {})
        decides = st.radio(
            "Decides", list(DECIDES), index=0 if now and now.must else 1, format_func=lambda d: DECIDES[d]
        )
        weight = st.number_input("Weight in the points", 0.1, 100.0, now.weight if now else 1.0, 0.5, format="%g")
        note = st.text_input("Note", now.note if now else "", max_chars=500)
        if st.form_submit_button("Keep this line in the draft", width="stretch"):
            line = figures | {"decides": decides, "weight": float(weight), "note": note}
            _change(draft, name, {k: v for k, v in line.items() if v is not None})
    if now is not None and len(draft.lines) > 1 and st.button("Take this line out of the draft", width="stretch"):
        _change(draft, name, None)


def _change(draft: HouseStandard, name: str, line: dict[str, Any] | None) -> None:
    lines = draft.model_dump(exclude_none=True)["lines"]
    lines.pop(name, None) if line is None else lines.update({name: line})
    _keep(draft, {"lines": lines})
    st.rerun()


def _possible(kind: str, name: str) -> bool:
    quantity = QUANTITIES[name]
    if kind in ("at_most", "at_least"):
        return quantity.magnitude
    return kind != "count" or is_count(quantity)


def _figures(name: str, kind: str, now: dict[str, Any]) -> dict[str, Any]:
    """The fields of one kind of limit."""
    unit = unit_words(name).strip()
    unit = f", {unit}" if unit else ""

    def ask(key: str, label: str, least: float | None = None) -> float | None:
        value = now.get(key)
        given = st.number_input(f"{label}{unit}", least, None, None if value is None else float(value), format="%g")
        return None if given is None else float(given)

    if kind == "nominal":
        return {"nominal": ask("nominal", "Size"), "tolerance": ask("tolerance", "Tolerance ±", 0.0)}
    if kind == "range":
        return {"low": ask("low", "From"), "high": ask("high", "To")}
    if kind == "count":
        return {"count": st.number_input("Count", 0, 1000, now.get("count"))}
    if kind == "per_order":
        st.caption("The figure is entered when the cake is checked.")
        return {"per_order": True, "tolerance": ask("tolerance", "Tolerance ± (leave empty for an exact count)", 0.0)}
    return {kind: ask(kind, KINDS[kind].capitalize(), 0.0), "aim": ask("aim", "Aim for (if you want)", 0.0)}


def _head_form(draft: HouseStandard) -> None:
    with st.form(f"head_{draft.code}"):
        change: dict[str, Any] = {"name": st.text_input("Name", draft.name, max_chars=80)}
        pan = st.number_input("Pan or ring, mm", 0.0, 1000.0, draft.pan_mm, 1.0)
        change["cold"] = st.checkbox("A cold cake: show the time since the first photo", draft.cold)
        for field, label in {
            "icing": "Icing",
            "board": "Board",
            "nozzle": "Nozzle",
            "decoration": "Decoration",
            "allergens": "Allergens (from the recipe, never from a photo)",
            "holding": "Holding (your own plan decides)",
            "notes": "Notes",
        }.items():
            change[field] = st.text_input(label, getattr(draft, field), max_chars=500)
        if st.form_submit_button("Keep these in the draft", width="stretch"):
            _keep(draft, change | ({"pan_mm": float(pan)} if pan else {}))
            st.rerun()


def _publish(kept: KeptStandard, draft: HouseStandard) -> None:
    changes = differences(kept.standard, draft)
    if not changes:
        st.caption("The draft is the same as what is in force.")
        return
    st.subheader("The draft differs")
    for words in changes:
        plain(f"• {words}")
    note = st.text_input("Why (kept with the version)", max_chars=300, key="publish_note")
    if st.button(f"Put in force as version {kept.standard.version + 1}", type="primary", width="stretch"):
        publish(draft, note)
        st.session_state.pop(_key(kept), None)
    if st.button("Throw the draft away", width="stretch"):
        st.session_state.pop(_key(kept), None)
        st.rerun()


def publish(standard: HouseStandard, note: str) -> None:
    """Put a standard in force and say so."""
    published = house.publish(store(), standard.model_copy(update={"starting_values": False}), note)
    st.success(
        f"{unmarked(published.standard.name)}: version {published.standard.version} is in force from now on. "
        "Cakes checked before keep the version that judged them.",
        icon=":material/check:",
    )


def differences(old: HouseStandard, new: HouseStandard) -> list[str]:
    """What changes, in words."""
    words = []
    for name in dict.fromkeys([*old.lines, *new.lines]):
        before, after = (_line_words(s, name) for s in (old, new))
        if before != after:
            words.append(f"{QUANTITIES[name].label}: {before} → {after}")
    fields = ("name", "pan_mm", "cold", "icing", "board", "nozzle", "decoration", "allergens", "holding", "notes")
    labels = {"pan_mm": "pan or ring"}
    for field in (*fields, "house_colour", "layers"):
        if getattr(old, field) != getattr(new, field):
            words.append(f"{labels.get(field, field.replace('_', ' ')).capitalize()} changes")
    return words


def _line_words(standard: HouseStandard, name: str) -> str:
    line = standard.lines.get(name)
    if line is None:
        return "no limit"
    limit = standard.limit(name)
    tolerance = "" if line.tolerance is None else f" ± {line.tolerance:g}"
    what = f"given per order{tolerance}" if limit is None else limit_words(name, limit)
    return f"{what}, {'must hold' if line.must else 'coaching'}, weight {line.weight:g}"
