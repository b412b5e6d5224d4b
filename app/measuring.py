"""Measuring from the page: one cake at a time, each set of photos once, the stages told as they come."""

from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from threading import Lock

import streamlit as st

from app.photos import photo
from app.shop import store
from qc import house
from qc.checking import settings_for
from qc.drawings import Drawing, drawings
from qc.errors import CakeQCError
from qc.kept_drawings import keep_drawings_later
from qc.measure import assemble, run_stages
from qc.photo import Photo
from qc.profiles import CameraStore
from qc.quantities import CheckResult
from qc.stages import MeasureSettings, Stages
from qc.standard import HouseStandard
from qc.teaching import teach_later

KEPT_STAGES = 2  # checks whose explaining pictures can be drawn: what they are drawn from is large
KEPT_RESULTS = 64  # a morning's cakes; a reload then shows the result at once


class _Measured:
    """Results by photos and house colour. One measurement runs at a time: it uses every core there is."""

    def __init__(self) -> None:
        self.results: OrderedDict[tuple[object, ...], CheckResult] = OrderedDict()
        self.stages: OrderedDict[tuple[object, ...], Stages] = OrderedDict()
        self.lock = Lock()

    def get(self, key: tuple[object, ...], work: Callable[[], CheckResult]) -> CheckResult:
        if key not in self.results:
            with self.lock:
                if key not in self.results:
                    self.results[key] = work()
                    while len(self.results) > KEPT_RESULTS:
                        self.results.popitem(last=False)
        return self.results[key]

    def keep_stages(self, key: tuple[object, ...], stages: Stages) -> None:
        self.stages[key] = stages
        while len(self.stages) > KEPT_STAGES:
            self.stages.popitem(last=False)

    def known(self, key: tuple[object, ...]) -> bool:
        return key in self.results


@st.cache_resource
def _measured() -> _Measured:
    return _Measured()


def measured(hashes: dict[str, str], standard: HouseStandard, order: dict[str, float]) -> CheckResult:
    """What the photos show; tells its stages on the page while it works. Raises CakeQCError."""
    settings = settings_for(standard, order, house.card_scale(store()))
    key = _key(hashes, standard, order)
    if _measured().known(key):
        return _measured().get(key, lambda: CheckResult(()))
    place = st.empty()
    with place.status("Measuring this cake ...", expanded=True) as status:

        def tell(stage: str) -> None:
            status.update(label=f"Measuring: {stage} ...")
            st.markdown(f":material/arrow_right: {stage}")

        def work() -> CheckResult:
            photos = {name: photo(sha256, name) for name, sha256 in hashes.items()}
            stages = run_stages(photos, settings, tell, CameraStore())
            _measured().keep_stages(key, stages)
            return assemble(stages, settings)

        result = _measured().get(key, work)
    place.empty()
    return result


def _key(hashes: dict[str, str], standard: HouseStandard, order: dict[str, float]) -> tuple[object, ...]:
    return (*sorted(hashes.items()), settings_for(standard, order, house.card_scale(store())))


def explaining_pictures(
    hashes: dict[str, str], standard: HouseStandard, order: dict[str, float]
) -> tuple[Drawing, ...] | None:
    """What the measurement of these photos looked like; None when it was too long ago to be drawn."""
    key = _key(hashes, standard, order)
    stages = _measured().stages.get(key)
    return None if stages is None else _drawn(str(hash(key)), stages)


@st.cache_data(max_entries=4, show_spinner="Drawing ...")
def _drawn(key: str, _stages: Stages) -> tuple[Drawing, ...]:
    return drawings(_stages)


def keep_pictures(number: int, hashes: dict[str, str], standard: HouseStandard, order: dict[str, float]) -> None:
    """Keep a saved check's explaining pictures with its record; nobody waits for it."""
    stages = _measured().stages.get(_key(hashes, standard, order))
    if stages is not None:
        keep_drawings_later(store(), number, lambda: drawings(stages))


def measured_again(photos: dict[str, Photo], settings: MeasureSettings) -> tuple[CheckResult, Stages]:
    """A stored check's photos measured once more. Raises CakeQCError."""
    with _measured().lock:
        stages = run_stages(photos, settings, None, CameraStore())
    return assemble(stages, settings), stages


def learn_cameras(hashes: dict[str, str]) -> None:
    """Let the cameras of a saved check be known better next time; nobody waits for it."""
    with suppress(CakeQCError):
        photos = {name: photo(sha256, name) for name, sha256 in hashes.items()}
        teach_later(photos, house.card_scale(store()), CameraStore())
