"""Choices that several pages offer."""

import streamlit as st

from app.shop import store
from qc import house
from qc.house import KeptStandard


def kind_of_cake() -> KeptStandard:
    """The kind of cake, beginning with the one that was checked most."""
    standards = {kept.standard.code: kept for kept in house.all_in_force(store())}
    codes = list(standards)
    most = max(codes, key=lambda code: store().count(kind=code))
    chosen = st.selectbox(
        "Kind of cake", codes, index=codes.index(most), format_func=lambda code: standards[code].standard.name
    )
    return standards[chosen]
