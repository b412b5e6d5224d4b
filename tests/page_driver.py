"""The page without a browser: opened, its words read, its measurement replaced by a fixed cake."""

import pytest
from streamlit.testing.v1 import AppTest

from app import measuring, photos, shop
from app.server import MAIN
from tests.page_scene import cake, picture, usable


@pytest.fixture
def store(tmp_path, monkeypatch):
    """The shop's records in a folder of its own."""
    monkeypatch.setenv("CAKEQC_DATABASE", f"sqlite:///{tmp_path / 'cakes.db'}")
    monkeypatch.setenv("CAKEQC_DATA", str(tmp_path))
    opened = shop.store()
    yield opened
    opened.close()


@pytest.fixture
def measured_cakes(monkeypatch):
    """The core's answer is a fixed cake; gives the list of what was asked of it."""
    asked = []

    def run_stages(given, settings, tell, cameras):
        asked.append((sorted(given), settings))
        tell("shape of the cake")

    monkeypatch.setattr(measuring, "run_stages", run_stages)
    monkeypatch.setattr(measuring, "assemble", lambda stages, settings: cake())
    monkeypatch.setattr(photos, "check_photo", usable)
    measuring._measured.clear()
    return asked


def opened(page, **query):
    """One page, run once."""
    at = AppTest.from_file(str(MAIN), default_timeout=60)
    for name, value in query.items():
        at.query_params[name] = value
    at.run()
    if page != "check":
        at.switch_page(f"pages_/{page}.py")
        for name, value in query.items():
            at.query_params[name] = value
        at.run()
    assert not at.exception, at.exception
    return at


def written(at):
    """All words on a page, as its elements hold them."""
    kinds = ("title", "header", "subheader", "markdown", "caption", "html", "error", "warning", "info", "success")
    return "\n".join(str(getattr(e, "value", None) or getattr(e, "body", "")) for k in kinds for e in at.get(k))


def check_address(store, sides=("top", "side")):
    """The address of a check whose photos are in."""
    hashes = {name: store.photos.receive(picture(seed)) for seed, name in enumerate(sides)}
    return {"decorator": "Birke", "kind": "cream-15", "cake": "abc"} | hashes
