"""The page without a browser: every page opens, a check goes from photos to record, what goes wrong is said.

The measuring core has tests of its own; here its answer is a fixed cake, so that what the page does with it is seen.
"""

import socket
import time

import pytest
from streamlit.testing.v1 import AppTest

from app import measuring
from app.server import MAIN, PageSettings, streamlit_config
from qc.commands import page as page_command
from qc.errors import FitError, OutlineError, PageError, RecordError
from tests.page_driver import check_address, measured_cakes, opened, store, written  # fixtures among them
from tests.page_scene import fill

__all__ = ["measured_cakes", "store"]  # fixtures that are used below


PAGES = ("check", "cakes", "trends", "consistency", "standards", "setup", "cautions")


# --- Every page -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES)
def test_every_page_opens_in_a_new_shop(store, page):
    assert len(opened(page).title) == 1


@pytest.mark.parametrize("page", PAGES)
def test_every_page_opens_in_a_shop_with_cakes(store, page):
    fill(store, 11)
    fill(store, 11, "Ahorn")
    at = opened(page)
    assert not at.error


def test_no_telemetry_no_prompt_only_this_computer():
    config = streamlit_config(PageSettings())
    assert config["browser.gatherUsageStats"] is False
    assert config["server.headless"] is True
    assert config["server.address"] == "127.0.0.1"
    assert streamlit_config(PageSettings(share=True))["server.address"] == "0.0.0.0"


# --- A check from photos to record ----------------------------------------------------------------------------------


def test_a_check_is_measured_judged_and_saved_once(store, measured_cakes):
    store.add_decorator("Birke")
    at = opened("check", **check_address(store))
    assert "Outside" not in written(at)
    assert "Within the house standard" in written(at)
    assert "Chill the stack" in written(at), "the lean is the one coach-line outside"
    at.radio[0].set_value("sent back")
    next(b for b in at.button if b.label == "Save this check").click().run()
    assert not at.exception
    assert "Saved as cake 1" in written(at)
    next(b for b in at.button if b.label == "Save this check").click().run()
    assert store.count() == 1
    record = store.check(1)
    assert record.decision.decision == "sent back"
    assert set(record.photos) == {"top", "side"}
    assert record.standard.kind == "cream-15"
    assert record.judgement.verdict == "within"


def test_a_reload_shows_the_result_without_measuring_again(store, measured_cakes):
    store.add_decorator("Birke")
    address = check_address(store)
    for _ in range(2):
        assert "Within the house standard" in written(opened("check", **address))
    assert len(measured_cakes) == 1


def test_one_photo_is_not_enough(store, measured_cakes):
    at = opened("check", **check_address(store, ("top",)))
    assert "Usable" in written(at)
    assert not measured_cakes


def test_what_the_order_says_reaches_the_measurement(store, measured_cakes):
    store.add_decorator("Birke")
    address = check_address(store) | {"kind": "semi-naked-15", "order_decoration_count": "10"}
    at = opened("check", **address)
    assert measured_cakes[0][1].expected_decorations == 10
    assert measured_cakes[0][1].semi_naked
    assert "exactly 10" in written(at)


def test_a_photo_that_is_gone_is_said_in_one_sentence(store, measured_cakes):
    at = opened("check", kind="cream-15", top="0" * 64)
    assert "take it again" in at.error[0].value
    assert opened("check", kind="cream-15", top="../../etc/passwd").title


def test_a_cold_cake_shows_the_minutes_since_its_first_photo(store, measured_cakes):
    address = check_address(store, ("top",)) | {"since": str(int(time.time()) - 12 * 60)}
    assert "**12 min** since the first photo" in written(opened("check", **address))
    assert "since the first photo" not in written(opened("check", **(address | {"kind": "ganache-15"})))


def test_without_a_decorator_nothing_is_saved(store, measured_cakes):
    address = check_address(store)
    del address["decorator"]
    at = opened("check", **address)
    next(b for b in at.button if b.label == "Save this check").click().run()
    assert "Choose a decorator" in written(at)
    assert store.count() == 0


# --- What goes wrong ------------------------------------------------------------------------------------------------


def test_records_that_are_busy_keep_the_result_on_the_page(store, measured_cakes, monkeypatch):
    store.add_decorator("Birke")
    at = opened("check", **check_address(store))

    def busy(new):
        raise RecordError("The records are in use by another program: try again in a moment.")

    monkeypatch.setattr(store, "save_check", busy)
    next(b for b in at.button if b.label == "Save this check").click().run()
    assert not at.exception
    assert "try again in a moment" in at.error[0].value
    assert "Within the house standard" in written(at)
    monkeypatch.undo()


@pytest.mark.parametrize("error", [OutlineError("The side photo shows no cake; take it again."), FitError("No.")])
def test_what_the_measurement_refuses_is_said_and_the_photos_stay(store, measured_cakes, monkeypatch, error):
    def refuse(*given):
        raise error

    monkeypatch.setattr(measuring, "run_stages", refuse)
    at = opened("check", **check_address(store))
    assert [e.value for e in at.error] == [str(error)]
    assert "Your decision" not in written(at)


def test_records_that_cannot_be_opened_are_one_sentence(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv("CAKEQC_DATABASE", f"sqlite:///{tmp_path / 'file' / 'cakes.db'}")
    at = AppTest.from_file(str(MAIN), default_timeout=60).run()
    assert not at.exception
    assert len(at.error) == 1
    assert "\n" not in at.error[0].value


def test_a_port_in_use_is_one_sentence():
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(PageError, match=f"Port {port} is in use"):
            page_command._require_free(port)
