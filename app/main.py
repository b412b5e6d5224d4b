"""The page: navigation, style, and the one place where what went wrong is said."""

from pathlib import Path

import streamlit as st

from app.look import dress
from qc.errors import CakeQCError

PAGES = Path(__file__).parent / "pages_"


def pages() -> list[st.Page]:  # type: ignore[valid-type]
    """All pages, in the order of the day."""
    return [
        st.Page(PAGES / "check.py", title="Check a cake", icon=":material/photo_camera:", default=True),
        st.Page(PAGES / "cakes.py", title="Cakes so far", icon=":material/cake:"),
        st.Page(PAGES / "trends.py", title="Trends", icon=":material/show_chart:"),
        st.Page(PAGES / "consistency.py", title="Consistency", icon=":material/groups:"),
        st.Page(PAGES / "standards.py", title="House standards", icon=":material/rule:"),
        st.Page(PAGES / "setup.py", title="Set-up", icon=":material/tune:"),
        st.Page(PAGES / "cautions.py", title="Cautions", icon=":material/health_and_safety:"),
    ]


def run() -> None:
    """One run of the page."""
    st.set_page_config(page_title="Cake check", page_icon="🎂", layout="centered", initial_sidebar_state="collapsed")
    dress()
    chosen = st.navigation(pages(), position="top")
    try:
        chosen.run()
    except CakeQCError as error:
        st.error(str(error), icon=":material/error:")


run()
