"""Set-up: the card to print, how to take the photos, camera profiles, whether the set-up is good enough, keeping."""

from datetime import UTC, datetime, timedelta

import numpy as np
import streamlit as st

from app.choose import kind_of_cake
from app.gauge_study import gauge_study
from app.look import plain, unmarked
from app.shop import store
from qc import house
from qc.card_sheet import card_pdf
from qc.gauge import finer_than_setup
from qc.profiles import CameraProfile, CameraStore
from qc.retention import keep_limit, retention_days, set_retention_days

LATEST_DAYS = 60  # the set-up as it is now, not as it was last year
GUIDE = """
1. **Card.** Stand the folded card **beside** the board, its floor panel towards you: never on or over the cake.
2. **Top photo.** Hold the phone above the cake, looking straight down: whole cake, board and card in the picture, its
   lower edge towards you (6 o'clock).
3. **Side photo.** Hold the phone a little above the cake's top, so that you look slightly onto it: whole cake and the
   standing card in the picture. Edge-on, the middle of the top can't be seen, and height and dome are less sure.
4. **Quarter turn** (shows slope and lean in full): turn the cake a quarter turn clockwise, seen from above, so that
   its right side faces you, and take the side photo again.
5. **Light.** Light from the side and from far shows ridges. A lamp over the cake makes streaks on a glaze that look
   like ridges. White cream on a white board comes out too dark: tap the cake on the screen and slide the brightness up.
6. **No zoom, no crop, always the same phone:** the program gets to know its lens.
"""


def run() -> None:
    """One part below the other."""
    st.title("Set-up")
    _card()
    st.subheader("Taking the photos")
    st.markdown(GUIDE)
    _cameras()
    _good_enough()
    _retention()


def _card() -> None:
    st.subheader("The card")
    paper = st.segmented_control("Paper", ["A4", "Letter"], default="A4", required=True)
    st.download_button(
        "Save the card to print (PDF)",
        _card_data(paper.lower()),
        f"card-{paper}.pdf",
        "application/pdf",
        type="primary",
        width="stretch",
        icon=":material/print:",
    )
    st.caption("Print it at 100 % on stiff matt white paper. Then measure its two lines with a steel ruler:")
    now = house.card_lines_mm(store())
    with st.form("card_lines"):
        left, right = st.columns(2)
        long_mm = left.number_input("Long line, mm (200 when right)", 100.0, 300.0, now[0], 0.1, format="%.1f")
        short_mm = right.number_input("Short line, mm (100 when right)", 50.0, 150.0, now[1], 0.1, format="%.1f")
        if st.form_submit_button("Keep these lengths", width="stretch"):
            house.set_card_lines(store(), long_mm, short_mm)
            st.success("Kept: every measurement from now on uses them.", icon=":material/check:")


@st.cache_data(show_spinner=False)
def _card_data(paper: str) -> bytes:
    return card_pdf(paper)


def _cameras() -> None:
    st.subheader("Cameras")
    st.caption("Each saved check teaches the program its phone's lens; the measurements get surer.")
    profiles = CameraStore().profiles()
    if not profiles:
        plain("No camera is known yet.")
    for profile in profiles:
        plain(_camera_words(profile))


def _camera_words(profile: CameraProfile) -> str:
    sd = float(np.sqrt(profile.covariance[0, 0] + profile.spread[0] ** 2))
    photos = "1 photo" if profile.photo_count == 1 else f"{profile.photo_count} photos"
    return f"{profile.key.label}: learnt from {photos}; how far its lens enlarges is known to {100 * sd:.1g} %."


def _good_enough() -> None:
    st.subheader("Is the set-up good enough for these limits?")
    standard = kind_of_cake().standard
    typical = _typical_uncertainty(standard.code, store().count(kind=standard.code))
    if not typical:
        st.caption("No cakes of this kind yet.")
        return
    told = 0
    for name in standard.lines:
        limit = standard.limit(name)
        if limit is None or limit.kind == "count" or name not in typical:
            continue
        warning = finer_than_setup(name, limit, typical[name])
        if warning:
            st.warning(unmarked(warning), icon=":material/straighten:")
            told += 1
    if not told:
        plain("Every limit of this kind is wide enough for what these photos can tell.")
    gauge_study(standard)


@st.cache_data(max_entries=16, ttl=600, show_spinner=False)
def _typical_uncertainty(kind: str, cakes: int) -> dict[str, float]:
    """The median uncertainty of each quantity in the shop's own latest photos; kept until another cake is saved."""
    latest = datetime.now(UTC) - timedelta(days=LATEST_DAYS)
    found = {}
    for name, series in store().all_series(kind, since=latest).items():
        known = series.uncertainty[np.isfinite(series.uncertainty)]
        if len(known):
            found[name] = float(np.median(known))
    return found


def _retention() -> None:
    st.subheader("How long records are kept")
    now = retention_days(store())
    st.caption("Older checks are deleted for good every day, by themselves, with their photos. 0 keeps everything.")
    days = int(st.number_input("Days (0: no limit)", 0, 3650, now, 30))
    older = store().older_than(days) if days else 0
    words = f"This deletes {older} of {store().count()} checks now, for good." if older else "No check is that old yet."
    sure = days == 0 or st.checkbox(f"Yes, delete every check that gets older than {days} days. {words}", days == now)
    if st.button("Keep this limit", width="stretch", disabled=not sure):
        set_retention_days(store(), days)
        gone = keep_limit(store())
        deleted = f" {gone.checks} checks and {gone.photos} photos and pictures are gone." if gone.checks else ""
        st.success(f"Kept.{deleted}", icon=":material/check:")


run()
