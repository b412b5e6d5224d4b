"""Check a cake: decorator, kind, photos, result, the chef's decision."""

import time

import streamlit as st

from app.address import ORDER_PREFIX, CheckAddress, add_photo, next_cake, read_address, remember
from app.camera_button import camera_button
from app.decision import decide_and_save
from app.look import unmarked
from app.measuring import explaining_pictures, measured
from app.photos import TITLES, first_look, small
from app.pictures import annotated
from app.result_view import show_result
from app.shop import store
from qc import house
from qc.errors import CakeQCError
from qc.house import KeptStandard
from qc.limits import is_count, unit_words
from qc.quantities import QUANTITIES
from qc.verdict import judge

THUMB_PX = 220  # wide enough to see that the right cake was taken, small enough to keep the result in reach
SHOWN = "result_shown"
SCROLL = """<hr id="qc-result"><script>
setTimeout(() => document.getElementById("qc-result")?.scrollIntoView({ behavior: "smooth", block: "start" }), 300);
</script>"""
LOOKED_AT = "photos_looked_at"


def run() -> None:
    """The page from top to bottom; each part waits for the one above it."""
    st.title("Check a cake")
    address = read_address()
    _who(address)
    kept = _what(address)
    if kept is None:
        st.info("Choose the kind of cake to go on.")
        return
    order = _order_values(kept, address)
    wanted = _how_many(address)
    usable = _photos(address, wanted)
    if kept.standard.cold and address.since is not None:
        _cold_clock(address.since)
    missing = [name for name in wanted if name not in usable]
    if "top" in missing or "side" in missing:
        return
    if missing and not st.button("Measure with these two photos", type="primary", width="stretch"):
        return
    _result(address, kept, order, {name: address.photos[name] for name in wanted if name in usable})


def _who(address: CheckAddress) -> None:
    names = [d.pseudonym for d in store().decorators()]
    index = names.index(address.decorator) if address.decorator in names else None
    chosen = st.selectbox(
        "Decorator",
        names,
        index=index,
        placeholder="Choose, or type a new pseudonym",
        accept_new_options=True,
        help="A made-up name, not the real one.",
    )
    if chosen is not None and chosen not in names:
        chosen = store().add_decorator(chosen).pseudonym
    if chosen is not None and chosen != address.decorator:
        remember("decorator", chosen)


def _what(address: CheckAddress) -> KeptStandard | None:
    kinds = {kept.standard.code: kept for kept in house.all_in_force(store())}
    codes = list(kinds)
    index = codes.index(address.kind) if address.kind in codes else None
    chosen = st.selectbox(
        "Kind of cake",
        codes,
        index=index,
        format_func=lambda code: kinds[code].standard.name,
        placeholder="Choose a kind of cake",
    )
    if chosen is None:
        return None
    if chosen != address.kind:
        remember("kind", chosen)
    return kinds[chosen]


def _order_values(kept: KeptStandard, address: CheckAddress) -> dict[str, float]:
    """Figures that this order asks for; an empty field leaves its line without a verdict."""
    found: dict[str, float] = {}
    names = kept.standard.order_lines
    if not names:
        return found
    st.caption("This kind of cake takes these figures from the order:")
    for column, name in zip(st.columns(len(names)), names, strict=True):
        quantity = QUANTITIES[name]
        whole = is_count(quantity)
        before = address.order.get(name)
        value = column.number_input(
            f"{quantity.label}{unit_words(name)} ordered",
            min_value=0 if whole else 0.0,
            value=None if before is None else (round(before) if whole else before),
            step=1 if whole else 1.0,
            placeholder="from the order",
        )
        if value != before:
            remember(ORDER_PREFIX + name, None if value is None else f"{value:g}")
        if value is not None:
            found[name] = float(value)
    return found


def _how_many(address: CheckAddress) -> tuple[str, ...]:
    three = "side2" in address.photos or st.query_params.get("photos") == "3"
    chosen = st.segmented_control(
        "Photos",
        [2, 3],
        default=3 if three else 2,
        required=True,
        format_func=lambda n: "Top and side" if n == 2 else "Top, side and a quarter turn",
        help="The third photo, after a quarter turn to the right, shows slope and lean in full.",
    )
    if (chosen == 3) != three and "side2" not in address.photos:
        remember("photos", str(chosen))
    return ("top", "side", "side2") if chosen == 3 else ("top", "side")


def _photos(address: CheckAddress, wanted: tuple[str, ...]) -> list[str]:
    """One button and one verdict per photo; gives the names of those that can be measured.

    When the last photo comes in, its verdict is left to the measurement, which looks at it anyway.
    """
    complete = all(name in address.photos for name in wanted)
    usable = []
    for column, name in zip(st.columns(len(wanted)), wanted, strict=True):
        with column:
            have = name in address.photos
            st.markdown(f"**{TITLES[name]}**")
            sent = camera_button(name, TITLES[name], have)
            if sent is not None:
                add_photo(name, sent)
                st.rerun()
            if have and _usable(address.photos[name], name, complete):
                usable.append(name)
    return usable


def _usable(sha256: str, name: str, complete: bool) -> bool:
    """Show one photo and whether it can be measured, or why to take it again."""
    seen = st.session_state.setdefault(LOOKED_AT, set())
    try:
        place = st.empty()
        place.image(small(sha256, name), width=THUMB_PX)
        if complete and sha256 not in seen:
            return True
        with st.spinner("Looking at the photo ..."):
            look = first_look(sha256, name)
        place.image(look.picture, width=THUMB_PX)
        told = look.report
        seen.add(sha256)
    except CakeQCError as error:
        st.error(unmarked(str(error)), icon=":material/replay:")
        return False
    reasons = unmarked(" ".join(told.reasons))
    if told.usable:
        st.markdown(":material/check_circle: **Usable**")
        st.caption(reasons)
    else:
        st.error(f"**Take it again.** {reasons}", icon=":material/replay:")
    return told.usable


@st.fragment(run_every=20)
def _cold_clock(since: float) -> None:
    minutes = int((time.time() - since) / 60)
    st.markdown(
        f":material/timer: **{minutes} min** since the first photo. A cold cake warms up: photos count in its time out "
        "of the fridge. Your food-safety plan decides."
    )


def _bring_into_view(address: CheckAddress) -> None:
    """Scroll to a result once, when it is new: floury hands need not."""
    shown = (address.cake, *sorted(address.photos.values()))
    if st.session_state.get(SHOWN) == shown:
        st.divider()
        return
    st.session_state[SHOWN] = shown
    st.html(SCROLL, unsafe_allow_javascript=True)


def _result(address: CheckAddress, kept: KeptStandard, order: dict[str, float], hashes: dict[str, str]) -> None:
    result = measured(hashes, kept.standard, order)
    judgement = judge(result, kept.standard, order)
    _bring_into_view(address)
    if kept.standard.starting_values:
        st.caption("These limits are starting values: measure ten cakes that you accept and set your own.")
    show_result(
        result,
        judgement,
        lambda: annotated(hashes, result),
        lambda: explaining_pictures(hashes, kept.standard, order),
    )
    decide_and_save(address, kept, order, hashes, result, judgement)
    if st.button("Next cake", icon=":material/add_a_photo:", width="stretch"):
        next_cake()
        st.rerun()


run()
