"""What the page remembers of a check in its address, so that a reload or a lost connection loses nothing."""

import re
import time
import uuid
from dataclasses import dataclass, field

import streamlit as st

from qc.quantities import PHOTO_NAMES

ORDER_PREFIX = "order_"
KEPT_IN_SESSION = "check_address"
HASH = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class CheckAddress:
    """One check under way.

    Attributes
    ----------
    photos : dict of photo name to hash
    order : dict of quantity to the order's figure
    since : float or None
        When the first photo was sent, in seconds since 1970.
    cake : str
        Names this check, so that saving twice keeps one record.
    """

    decorator: str | None
    kind: str | None
    photos: dict[str, str] = field(default_factory=dict)
    order: dict[str, float] = field(default_factory=dict)
    since: float | None = None
    cake: str = ""


def read_address() -> CheckAddress:
    """The check that the address tells of; after a visit to another page, the one that was left."""
    found = st.query_params.to_dict()
    kept = st.session_state.get(KEPT_IN_SESSION, {})
    if found.get("cake", kept.get("cake")) == kept.get("cake") and not kept.keys() <= found.keys():
        found = {**kept, **found}  # a quick second choice comes with the address from before the first one
        st.query_params.from_dict(found)
    if "cake" not in found:
        found["cake"] = st.query_params["cake"] = uuid.uuid4().hex
    st.session_state[KEPT_IN_SESSION] = found
    photos = {name: found[name] for name in PHOTO_NAMES if HASH.fullmatch(found.get(name, ""))}
    order = {k.removeprefix(ORDER_PREFIX): v for k, v in found.items() if k.startswith(ORDER_PREFIX)}
    return CheckAddress(
        decorator=found.get("decorator"),
        kind=found.get("kind"),
        photos=photos,
        order={k: figure for k, v in order.items() if (figure := _number(v)) is not None},
        since=_first_photo_time(found.get("since")) if photos else None,
        cake=found["cake"][:64],
    )


def remember(name: str, value: str | None) -> None:
    """Keep one entry in the address, or take it out."""
    if value is None:
        st.query_params.pop(name, None)
    else:
        st.query_params[name] = value
    st.session_state[KEPT_IN_SESSION] = st.query_params.to_dict()


def add_photo(name: str, sha256: str) -> None:
    """Keep a photo that has come in, and when the first one did."""
    if HASH.fullmatch(sha256):
        if "since" not in st.query_params:
            st.query_params["since"] = str(int(time.time()))
        remember(name, sha256)


def next_cake() -> None:
    """Forget the photos and the order; decorator and kind of cake stay for the next one."""
    kept = {key: st.query_params[key] for key in ("decorator", "kind") if key in st.query_params}
    st.query_params.from_dict(kept)
    st.session_state.pop(KEPT_IN_SESSION, None)


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _first_photo_time(text: str | None) -> float | None:
    """Seconds since 1970; what lies in the future or more than a day back is no time of this check."""
    number = _number(text or "")
    now = time.time()
    return number if number is not None and now - 86_400 < number < now + 300 else None
