"""The page without a browser: every page, the upload route, saving, what goes wrong said in one sentence.

The measuring core has tests of its own; here its answer is a fixed cake, so that what the page does with it is seen.
"""

import asyncio
import itertools
import json
import socket
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from starlette.requests import Request
from streamlit.testing.v1 import AppTest

from app import cake_record, look, measuring, photos, shop
from app.server import MAIN, PageSettings, streamlit_config
from app.upload import receive_photo
from qc import house
from qc.commands import page as page_command
from qc.errors import FitError, OutlineError, PageError, RecordError
from qc.photo import LIMITS
from qc.verdict import Verdict
from tests.page_scene import cake, fill, picture, usable

PAGES = ("check", "cakes", "trends", "consistency", "standards", "setup", "cautions")
HOST = {"host": "shop.test:8501", "origin": "http://shop.test:8501"}


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


# --- Every page ---------------------------------------------------------------------------------------------------


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


# --- A check from photos to record --------------------------------------------------------------------------------


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


# --- The upload route ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Answer:
    """What the route answered."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def error(self):
        return json.loads(self.body)["error"]


def post(query, *chunks, **headers):
    """Send a request body to the upload route, chunk by chunk, as a server would hand it on."""
    waiting = [{"type": "http.request", "body": c, "more_body": i + 1 < len(chunks)} for i, c in enumerate(chunks)]
    sent = []

    async def receive():
        return waiting.pop(0)

    async def send(message):
        sent.append(message)

    given = [(k.replace("_", "-").encode(), v.encode()) for k, v in (HOST | headers).items() if v]
    scope = {"type": "http", "method": "POST", "path": "/photo", "query_string": query.encode(), "headers": given}

    async def run():
        answer = await receive_photo(Request(scope, receive))
        await answer(scope, receive, send)

    asyncio.run(run())
    body = b"".join(m.get("body", b"") for m in sent[1:])
    return Answer(sent[0]["status"], {k.decode(): v.decode() for k, v in sent[0]["headers"]}, body)


def form(data):
    """A form's body with one file in the field `photo`."""
    head = b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n'
    return head + data + b"\r\n--x--\r\n"


FORM = "multipart/form-data; boundary=x"


def test_a_photo_is_stored_and_its_hash_given(store):
    data = picture()
    answer = post("name=top", data[:5000], data[5000:])
    assert answer.status == 200
    assert store.photos.received(json.loads(answer.body)["sha256"]) == data


def test_a_plain_form_comes_back_to_the_page(store):
    answer = post("name=side&back=kind%3Dcream-15", form(picture()), content_type=FORM, accept="text/html")
    assert answer.status == 303
    assert answer.headers["location"].startswith("/?kind=cream-15&side=")
    bad = post("name=side", b"<b>no</b>", accept="text/html")
    assert bad.status == 422
    assert b"no JPEG, PNG or HEIC photo" in bad.body


@pytest.mark.parametrize(
    ("headers", "query", "content", "status", "words"),
    [
        ({"origin": "http://elsewhere.test"}, "name=top", b"x", 403, "own page"),
        ({"origin": ""}, "name=top", b"x", 403, "own page"),
        ({"origin": "", "sec_fetch_site": "cross-site"}, "name=top", b"x", 403, "own page"),
        ({}, "name=../x", b"x", 400, "top, side, side2"),
        ({}, "name=top", b"no photo", 422, "no JPEG, PNG or HEIC photo"),
        ({}, "name=top", b"", 422, "empty"),
        ({"content_length": str(LIMITS.max_bytes + 20_000)}, "name=top", b"x", 413, "more than"),
        ({"content_length": "-3"}, "name=top", b"x", 413, "more than"),
        ({"content_type": FORM}, "name=top", b"--x--", 400, "photo"),
        ({"content_type": "multipart/form-data"}, "name=top", b"--x--", 400, "photo"),
    ],
)
def test_what_is_refused_says_why(store, headers, query, content, status, words):
    answer = post(query, content, **headers)
    assert answer.status == status
    assert words in answer.error


def test_a_body_that_lies_about_its_size_is_cut_off(store):
    chunks = [b"\xff" * 1_000_000] * (LIMITS.max_bytes // 1_000_000 + 2)
    assert post("name=top", *chunks, content_length="10").status == 413


def test_the_page_s_own_fetch_without_origin_is_taken(store):
    assert post("name=top", picture(), origin="", sec_fetch_site="same-origin").status == 200


# --- Records ------------------------------------------------------------------------------------------------------


def test_a_record_is_shown_commented_and_judged_again_without_touching_it(store):
    number = fill(store, 1)[0]
    kept = house.in_force(store, "cream-15")
    stricter = dict(kept.standard.lines) | {
        "height": kept.standard.lines["height"].model_copy(update={"tolerance": 0.1})
    }
    second = house.publish(store, kept.standard.model_copy(update={"lines": stricter}), "stricter")
    at = opened("cakes", cake_number=str(number))
    assert f"Cake {number}" in at.title[0].value
    version = next(s for s in at.selectbox if s.label == "Version")
    version.set_value(second.id).run()
    assert "✗ outside" in written(at)
    assert len(store.check(number).judgements) == 1, "looking is not changing"
    next(b for b in at.button if b.label == "Keep this judgement too").click().run()
    assert [j.verdict for j in store.check(number).judgements] == ["within", "outside"]
    next(t for t in at.text_area if t.label == "Comment").set_value("turntable was loose")
    next(b for b in at.button if b.label == "Add this comment").click().run()
    assert store.check(number).comments[-1].text == "turntable was loose"
    assert not at.exception


def test_measuring_again_is_added_beside_the_first(store, monkeypatch):
    number = fill(store, 1, photos={"top": picture(1), "side": picture(2)})[0]
    monkeypatch.setattr(cake_record, "measure", lambda photos, *more: cake(height=(75.0, 0.4)))
    at = opened("cakes", cake_number=str(number))
    next(b for b in at.button if b.label == "Measure again").click().run()
    assert not at.exception
    record = store.check(number)
    assert [t.result.overall("height").value > 70 for t in record.takes] == [False, True]
    assert [j.verdict for j in record.judgements] == ["within", "outside"]


def test_a_page_to_print(store):
    at = opened("cakes", cake_number=str(fill(store, 1)[0]))
    next(b for b in at.button if b.label == "Make a page to print").click().run()
    assert not at.exception
    assert len(at.get("download_button")) == 1


def test_a_cake_that_is_not_there(store):
    at = opened("cakes", cake_number="99")
    assert at.error[0].value.startswith("There is no check number 99")


def test_names_with_markup_are_text(store):
    name = "<b>x</b> **y** [z](http://a.test) :red[w] $q$"
    fill(store, 1, name)
    at = opened("cakes")
    label = next(b.label for b in at.button if b.key and b.key.startswith("cake_"))
    assert r"\<b\>x\<\/b\>" in label or r"\<b\>" in label
    assert r"\*\*y\*\*" in label
    at = opened("cakes", cake_number="1")
    body = written(at)
    assert "<b>x</b>" not in body
    assert "&lt;b&gt;x&lt;/b&gt;" in body


# --- Trends -------------------------------------------------------------------------------------------------------


def test_no_trend_under_ten_cakes_and_it_says_so(store):
    fill(store, 9)
    at = opened("trends")
    assert "9 comparable cakes so far and at least 10 are needed" in written(at)


def test_ten_cakes_have_a_trend(store):
    fill(store, 12)
    text = written(opened("trends"))
    assert "on average" in text
    assert "never rank people" in text


# --- House standards ----------------------------------------------------------------------------------------------


def shown(view):
    at = opened("standards")
    at.get("button_group")[0].set_value(view).run()
    assert not at.exception
    return at


def test_a_changed_line_becomes_the_next_version(store):
    fill(store, 1)
    at = shown("change")
    next(n for n in at.number_input if n.label.startswith("Tolerance")).set_value(3.0)
    next(b for b in at.button if b.label == "Keep this line in the draft").click().run()
    assert "165 ± 4 mm" in written(at)
    assert "165 ± 3 mm" in written(at)
    assert house.in_force(store, "cream-15").standard.version == 1, "a draft is not in force"
    next(b for b in at.button if b.label == "Put in force as version 2").click().run()
    kept = house.in_force(store, "cream-15").standard
    assert (kept.version, kept.limit("diameter").half_width) == (2, 3.0)


def test_a_broken_text_is_said_with_line_and_example(store):
    fill(store, 1)
    at = shown("text")
    area = next(t for t in at.text_area if t.label == "Standard")
    area.set_value(area.value.replace("nominal = 65.0", 'nominal = "tall"'))
    next(b for b in at.button if b.label == "Check it and put it in force").click().run()
    assert 'line "height"' in at.error[0].value
    assert "write for example" in at.error[0].value
    assert len(house.versions(store, "cream-15")) == 1


def test_limits_from_ten_accepted_cakes(store):
    fill(store, 12)
    at = shown("cakes")
    next(b for b in at.button if b.label == "Put these limits in force").click().run()
    kept = house.in_force(store, "cream-15").standard
    assert kept.version == 2
    assert kept.limit("height").half_width != 4
    assert not kept.starting_values


def test_the_height_from_the_layers(store):
    fill(store, 1)
    at = shown("layers")
    next(t for t in at.text_input if t.label.startswith("Sponges")).set_value("18, 18, x")
    next(b for b in at.button if b.label == "Work out the height").click().run()
    assert "layers cannot be read" in at.error[0].value
    at = shown("layers")
    next(t for t in at.text_input if t.label.startswith("Sponges")).set_value("18, 18, 18")
    next(b for b in at.button if b.label == "Work out the height").click().run()
    assert "74 ± 3.5 mm" in written(at)


def test_the_gauge_study_says_what_the_set_up_is_good_for(store):
    rng = np.random.default_rng(3)
    rows = ["cake,person,repeat,height"]
    for c, p, r in itertools.product(range(10), "ab", range(2)):
        rows.append(f"{c},{p},{r},{65 + c / 3 + 0.05 * rng.standard_normal():.3f}")
    fill(store, 1)
    at = opened("setup")
    at.file_uploader[0].set_value(("study.csv", "\n".join(rows).encode(), "text/csv")).run()
    assert not at.exception
    assert "✓ Height" in written(at)
    at.file_uploader[0].set_value(("study.csv", b"cake,person\n1,2\n", "text/csv")).run()
    assert "repeat" in at.error[0].value


# --- What goes wrong ----------------------------------------------------------------------------------------------


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


# --- Colours ------------------------------------------------------------------------------------------------------


def luminance(colour):
    """Relative luminance of a '#rrggbb' colour: WCAG 2.2, definition of relative luminance (from memory)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_white_words_can_be_read_on_every_verdict_s_colour():
    """WCAG 2.2, 1.4.3: at least 4.5 to 1 for text; large text (the banner's) needs 3 to 1."""
    assert luminance("#ffffff") == pytest.approx(1.0)
    for verdict in Verdict:
        assert 1.05 / (luminance(look.COLOURS[verdict]) + 0.05) > 4.5


def test_the_two_colours_differ_in_lightness_alone():
    """Whatever colour vision there is, one is clearly darker; words and symbols stand beside them anyway."""
    light, dark = luminance(look.OUTSIDE_COLOUR), luminance(look.WITHIN_COLOUR)
    assert (light + 0.05) / (dark + 0.05) > 1.5


def test_no_page_computes():
    """The page's own files import no array mathematics but to pass pictures and dates on."""
    for path in Path(look.__file__).parent.rglob("*.py"):
        text = path.read_text()
        assert "import scipy" not in text
        assert "from scipy" not in text
