"""How fast the page opens on many records, in a real browser. Slow: it first saves ten thousand checks.

Run by hand: pytest tests/long/test_page_speed.py -s
"""

import time

import numpy as np
import pytest

from qc import house
from qc.record_types import NewCheck
from qc.verdict import judge
from tests.page_scene import cake
from tests.test_browser import PHONE, browser, page_in, shop

__all__ = ["browser", "shop"]  # fixtures that are used below

CHECKS, DECORATORS = 10_000, 12
READY = {
    "": "Kind of cake",
    "cakes": "tap one to open it",
    "trends": "Learning",
    "consistency": "The figures",
    "setup": "How long records are kept",
}


@pytest.fixture(scope="module")
def busy_shop(shop):
    """A shop with ten thousand checks of twelve decorators."""
    house.begin(shop.store)
    kept, rng = house.in_force(shop.store, "cream-15"), np.random.default_rng(9)
    names = [f"Decorator {i + 1}" for i in range(DECORATORS)]
    for name in names:
        shop.store.add_decorator(name)
    start = np.datetime64("2026-01-01T08:00:00", "s")
    for i in range(CHECKS):
        result, when = cake(rng), (start + np.timedelta64(i * 1500, "s")).item()
        judgement = judge(result, kept.standard)
        new = NewCheck(names[i % DECORATORS], "cream-15", result, {}, judgement, kept.id, time=when)
        shop.store.save_check(new)
    return shop


@pytest.mark.parametrize("path", READY)
def test_every_page_opens_within_two_seconds(busy_shop, browser, path):
    times = []
    for _ in range(4):  # the first also fills the caches of the server
        page = page_in(browser, PHONE)
        begin = time.perf_counter()
        page.goto(f"{busy_shop.url}/{path}")
        page.get_by_text(READY[path]).first.wait_for()
        times.append(time.perf_counter() - begin)
        page.context.close()
    print(f"\n/{path}: first {times[0]:.2f} s, then {min(times[1:]):.2f} s")
    assert min(times[1:]) < 2.0
