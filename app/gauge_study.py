"""The gauge study on the page: a table of repeated photos in, a plain verdict per quantity out."""

import tempfile
from pathlib import Path

import streamlit as st

from app.look import plain, unmarked
from app.shop import store
from qc.gauge import by_anova, summary, verdict
from qc.gauge_table import read_table
from qc.limits import Limit
from qc.standard import HouseStandard

GRADE_SYMBOLS = {"good enough": "✓", "usable with care": "≈", "not good enough": "✗"}
GUIDE = (
    "Photograph about ten cakes, each at least twice by each of two or three people, the card laid anew each time, and "
    "check them all here. Then write a table (CSV) with the columns cake, person, repeat and check, where check is the "
    "number that each saved check was given."
)


def gauge_study(standard: HouseStandard) -> None:
    """Ask for the table and say what the set-up is good enough for. Raises CakeQCError."""
    with st.expander("The full study: same cakes, several people"):
        st.caption(GUIDE)
        table = st.file_uploader("Table of the study (CSV)", ["csv"])
        if table is None:
            return
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "study.csv"
            path.write_bytes(table.getvalue())
            tables = read_table(path, store())
        verdicts = tuple(verdict(by_anova(t.quantity, t.values), _limit(standard, t.quantity)) for t in tables)
        st.markdown(f"**{unmarked(summary(verdicts))}**")
        for found in verdicts:
            plain(f"{GRADE_SYMBOLS.get(found.grade, '•')} {found.sentence}")


def _limit(standard: HouseStandard, name: str) -> Limit | None:
    return standard.limit(name) if name in standard.lines else None
